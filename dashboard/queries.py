"""What the pages ask the store: one function a question, tables as data frames, times UTC and aware."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from analysis.outcomes import NEARLY_EMPTY
from analysis.storage import storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget, Storage
from ingest.store import plain, sql

LEDGER_WINDOW_DAYS = 28  # of the means that stand beside the budget
POINTS_MAX = 2000  # drawn of a voltage history
RECENT_REPORTS = 20
VISIT_DAYS = 30  # within which the fleet page counts the visits that are due
ROUND_DAYS = 90  # that the visits page looks ahead unless told otherwise

FIELD_COLUMNS = ["node_id", "site", "budget", "line", "ratio", "tolerance", "separable", "lower_bound"]
# Lines that are told of every node, and their columns in `fleet_rows`; the rest come from the estimates.
ROW_LINES = {
    "net_harvest_w": "harvest_ratio",
    "harvest_w": "offered_ratio",
    "load_w": "load_ratio",
    "full_autonomy_days": "autonomy_ratio",
}
PRIORITIES = {"high": 0, "medium": 1, "low": 2}

Cursor = duckdb.DuckDBPyConnection
Row = dict[str, Any]  # by column, missing values as None


@dataclass(frozen=True)
class Stamp:
    """What a page shows is unchanged while its stamp is.

    Attributes
    ----------
    reports : int
        Number of reports stored.
    analysis : str
        Latest analysis and alarm changes.
    """

    reports: int
    analysis: str


def stamp(cursor: Cursor) -> Stamp:
    """The stamp of the store as it is now; costs no scan of the reports."""
    reports = _one(cursor, "SELECT count(*) FROM report_log")
    as_of = _one(cursor, "SELECT epoch_ms(max(as_of)) FROM forecast")
    alarms = _one(
        cursor,
        "SELECT concat_ws('/', count(*), count(cleared_at), count(acknowledged_at), epoch_ms(max(raised_at)))"
        " FROM alarms",
    )
    fleet = _one(cursor, "SELECT concat_ws('/', count(*), count(*) FILTER (NOT retired)) FROM nodes")
    return Stamp(int(reports), f"{as_of} {alarms} {fleet}")


def reports_since(cursor: Cursor, site: str | None, start: datetime, end: datetime) -> int:
    """How many reports of a site, or of all, were observed from `start` to `end`."""
    return int(
        _one(
            cursor,
            "SELECT count(*) FROM report_log JOIN nodes USING (node_no) WHERE observed_at BETWEEN $start AND $end"
            " AND NOT retired AND site = coalesce($site, site)",
            {"start": plain(start), "end": plain(end), "site": site},
        )
    )


def fleet_rows(cursor: Cursor, budgets: Mapping[str, Budget], now: datetime) -> pd.DataFrame:
    """One row for each node in service, the most urgent first.

    Parameters
    ----------
    budgets : mapping of str to Budget
        By name; a node whose budget is missing has no usable share and no load ratio.
    now : datetime
        To count the age of the last report from.

    Returns
    -------
    DataFrame
        Columns of `fleet_rows.sql` (`causes`: its findings, the most probable first), and `usable_share` (usable energy
        now over usable energy at full) [-], `harvest_ratio` and `load_ratio` (field over budget; the first is a
        lower bound where `harvest_lower_bound`, the node having been at full) [-], `offered_ratio` (what could be
        harvested, were it never full, over the budget, whose tolerance as a share is `harvest_tolerance`) [-],
        `autonomy_ratio` (from full, over the budget's target) [-], `silence_s` (age of the last report) [s],
        `dark`, `silent` (and not taken to be dark). NaN where
        there is nothing to compute from.

    Notes
    -----
    The share is at nominal capacity: a lost capacity scales both of its terms alike. Harvest and load are the ledger's
    means over the last LEDGER_WINDOW_DAYS.
    """
    rows = frame(cursor, sql("fleet_rows", "dashboard"), {"window_days": LEDGER_WINDOW_DAYS})
    share = usable_share(rows["budget"], rows["storage_v"], rows["full_v"], budgets)
    dark = taken_for_dark(rows["found_dark"], rows["found_charged"], rows["not_heard"], share)

    def of_budget(figure: Callable[[Budget], float]) -> "pd.Series[float]":
        return rows["budget"].map({name: figure(budget) for name, budget in budgets.items()}).astype(float)

    rates = of_budget(lambda budget: budget.load.wakes_per_day)
    return rows.assign(
        causes=rows["causes"].map(lambda found: [] if found is None else list(found)),
        usable_share=share,
        harvest_ratio=ratio(rows["net_harvest_w"], rows["net_harvest_budget_w"]),
        harvest_tolerance=of_budget(lambda budget: budget.harvest.tolerance),
        offered_ratio=ratio(rows["harvest_w"], of_budget(lambda budget: budget.harvest.mean_power)),
        autonomy_ratio=ratio(rows["full_autonomy_days"], of_budget(promised_days)),
        load_ratio=ratio(rows["load_w"], budget_load_w(rows["wake_budget_j"], rows["sleep_budget_w"], rates)),
        silence_s=(pd.Timestamp(now) - rows["observed_at"]).dt.total_seconds(),
        dark=dark,
        silent=(rows["not_heard"] | rows["found_charged"]) & ~dark,
    )


def field_ratios(cursor: Cursor, rows: pd.DataFrame) -> pd.DataFrame:
    """Field over budget of every node and line: those of ROW_LINES from `rows`, the others from the estimates.

    Returns
    -------
    DataFrame
        `node_id, site, budget, line, ratio, tolerance, separable, lower_bound`; tolerance is one standard deviation of
        the budget as a share of it. Lines whose budget is not positive have no ratio and are left out.
    """
    lines = frame(cursor, sql("estimate_rows", "dashboard")).astype({"separable": bool})
    lines = lines.assign(
        ratio=ratio(lines["estimate"], lines["budget"]),
        tolerance=ratio(lines["budget_sd"], lines["budget"]),
        lower_bound=False,
        budget=lines["budget_name"],
    )
    tolerance = lines[lines["line"] == "net_harvest_w"].set_index("node_id")["tolerance"]
    bands = {"net_harvest_w": rows["node_id"].map(tolerance), "harvest_w": rows["harvest_tolerance"]}
    of_rows = [
        rows.assign(
            line=line,
            ratio=rows[column],
            separable=True,
            tolerance=bands.get(line, float("nan")),
            lower_bound=rows["harvest_lower_bound"] & (line == "net_harvest_w"),
        )
        for line, column in ROW_LINES.items()
    ]
    parts = [lines[lines["line"] != "net_harvest_w"], *of_rows]
    return pd.concat([part[FIELD_COLUMNS] for part in parts], ignore_index=True).dropna(subset=["ratio"])


def active_alarms(cursor: Cursor, site: str | None = None, node_id: str | None = None) -> list[Row]:
    """The alarms that have not been cleared, the highest priority first; of one site if given.

    Of one node: its own, and those of its whole site.
    """
    alarms = _rows(
        cursor,
        "SELECT alarm_id, node_id, site, kind, priority, state, raised_at, acknowledged_at, note FROM alarms"
        " WHERE cleared_at IS NULL AND site = coalesce($site, site) AND ($node_id IS NULL OR node_id = $node_id"
        " OR node_id IS NULL AND site = (SELECT site FROM nodes WHERE node_id = $node_id))"
        " ORDER BY raised_at DESC, alarm_id",
        {"site": site, "node_id": node_id},
    )
    return sorted(alarms, key=lambda alarm: PRIORITIES.get(alarm["priority"], len(PRIORITIES)))


def node_now(cursor: Cursor, node_id: str) -> Row:
    """A node's last report and latest analysis.

    Raises
    ------
    LookupError
        If the fleet has no such node.
    """
    rows = _rows(cursor, sql("node_now", "dashboard"), {"node_id": node_id, "window_days": LEDGER_WINDOW_DAYS})
    if not rows:
        msg = f"no node {node_id} in the store"
        raise LookupError(msg)
    return rows[0]


def node_stamp(cursor: Cursor, node_id: str) -> str:
    """Changes whenever a report of the node arrives."""
    return str(
        _one(
            cursor,
            "SELECT concat_ws('/', count(*), epoch_ms(max(received_at))) FROM reports WHERE node_id = $node_id",
            {"node_id": node_id},
        )
    )


def node_findings(cursor: Cursor, node_id: str) -> list[Row]:
    """The findings of a node's latest analysis, the most probable first."""
    return _rows(cursor, sql("node_findings", "dashboard"), {"node_id": node_id})


def site_findings(cursor: Cursor, site: str | None = None) -> list[Row]:
    """The findings of the latest analysis that stand for a whole site, of one site or of all, the latest first.

    Columns `site, since, probability, evidence`.
    """
    return _rows(
        cursor,
        "SELECT site, since, probability, evidence FROM findings WHERE finding = 'site-wide'"
        " AND site = coalesce($site, site) AND as_of = (SELECT max(as_of) FROM forecast) ORDER BY since DESC, site",
        {"site": site},
    )


def end_of_life(cursor: Cursor, node_id: str) -> dict[str, Row]:
    """When a node's storage reaches its limits by the latest analysis, by criterion, where that can be stated."""
    rows = _rows(
        cursor,
        "SELECT criterion, by_p10, by_p50, by_p90 FROM end_of_life WHERE node_id = $node_id"
        " AND as_of = (SELECT max(as_of) FROM forecast WHERE node_id = $node_id)",
        {"node_id": node_id},
    )
    return {row["criterion"]: row for row in rows}


def remaining(cursor: Cursor, node_id: str) -> Row | None:
    """What is left in a node's cell by the latest analysis; nothing for a capacitor."""
    rows = _rows(
        cursor,
        "SELECT * EXCLUDE (node_id, as_of) FROM remaining WHERE node_id = $node_id"
        " AND as_of = (SELECT max(as_of) FROM forecast WHERE node_id = $node_id)",
        {"node_id": node_id},
    )
    return rows[0] if rows else None


def voltage_history(cursor: Cursor, node_id: str, start: datetime, end: datetime) -> pd.DataFrame:
    """Storage voltage from `start` to `end` in at most POINTS_MAX points, the extremes kept."""
    bucket_ms = max(1, round((end - start).total_seconds() * 1000 / (POINTS_MAX / 2 - 1)))
    return frame(
        cursor,
        sql("voltage", "dashboard"),
        {"node_id": node_id, "start": start, "end": end, "bucket_ms": bucket_ms},
    )


def ledger_days(cursor: Cursor, node_id: str, since: date) -> pd.DataFrame:
    """The ledger of a node from the day `since`, with the net harvest as power and its four-week mean."""
    return frame(cursor, sql("ledger_days", "dashboard"), {"node_id": node_id, "since": since})


def forecast_path(cursor: Cursor, node_id: str) -> pd.DataFrame:
    """Usable energy by day ahead, of the node's latest forecast."""
    return frame(
        cursor,
        "SELECT * EXCLUDE (node_id) FROM forecast_path WHERE node_id = $node_id"
        " AND as_of = (SELECT max(as_of) FROM forecast_path WHERE node_id = $node_id) ORDER BY days_ahead",
        {"node_id": node_id},
    )


def node_estimates(cursor: Cursor, node_id: str) -> dict[str, Row]:
    """The latest estimate of each budget line of a node, by line."""
    rows = _rows(
        cursor,
        "SELECT line, budget, budget_sd, estimate, sd, separable FROM estimates WHERE node_id = $node_id"
        " AND as_of = (SELECT max(as_of) FROM estimates WHERE node_id = $node_id)",
        {"node_id": node_id},
    )
    return {row["line"]: row for row in rows}


def recent_reports(cursor: Cursor, node_id: str) -> list[Row]:
    """The last RECENT_REPORTS reports of a node to arrive, the latest first."""
    return _rows(
        cursor,
        "SELECT observed_at, received_at, storage_v, loaded_v, temp_c, wakes, boot FROM reports"
        " WHERE node_id = $node_id ORDER BY received_at DESC, observed_at DESC LIMIT $count",
        {"node_id": node_id, "count": RECENT_REPORTS},
    )


def usable_share(
    names: "pd.Series[str]", voltage: "pd.Series[float]", full: "pd.Series[float]", budgets: Mapping[str, Budget]
) -> Any:
    """Usable energy at a rest voltage [V] over usable energy at full, a series; NaN without a budget or a voltage.

    `full` is the voltage at which each node is full [V], NaN where that is the budget's.
    """
    share = pd.Series(float("nan"), index=names.index)
    for name, group in voltage.groupby(names):
        budget = budgets.get(str(name))
        if budget is not None:
            at_full = full[group.index].astype(float).fillna(budget.storage.full_voltage)
            curve = storage_curve(budget.storage)
            share[group.index] = curve.share_left(*(np.asarray(v, dtype=np.float64) for v in (group, at_full)))
    return share


def full_voltage(now: Mapping[str, Any], storage: Storage) -> float:
    """The voltage at which a node is full [V]: its own, of a row of `node_now`, or the budget's."""
    return storage.full_voltage if now["full_v"] is None else float(now["full_v"])


def promised_days(budget: Budget) -> float:
    """The autonomy that the budget aims at, NaN for a primary cell, which nothing charges again. [d]"""
    return float("nan") if budget.storage.technology == "primary" else budget.targets.autonomy / SECONDS_PER_DAY


def taken_for_dark(found_dark: Any, found_charged: Any, not_heard: Any, share: Any) -> Any:
    """Whether a node is taken to be dark, for one or for a series of them.

    It is where a finding says so, and where a node is silent, its last report had less than NEARLY_EMPTY of its usable
    energy in hand, and no finding says otherwise.
    """
    return found_dark | (not_heard & (found_charged ^ True) & (share < NEARLY_EMPTY))


def ratio(value: Any, budget: Any) -> Any:
    """`value` over `budget` as a series, NaN where the budget is not positive."""
    return value / budget.where(budget > 0)


def budget_load_w(wake_j: Any, sleep_w: Any, wakes_per_day: Any) -> Any:
    """Mean load that a budget allows for [W], from its energy per wake [J], sleep power [W] and wake rate [1/d]."""
    return wake_j * wakes_per_day / SECONDS_PER_DAY + sleep_w


def _one(cursor: Cursor, query: str, parameters: Mapping[str, Any] | None = None) -> Any:
    row = cursor.execute(query, parameters).fetchone()
    return row[0] if row else None


def frame(cursor: Cursor, query: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
    """The rows of a query, times UTC and aware."""
    rows: pd.DataFrame = cursor.execute(query, parameters).to_arrow_table().to_pandas()
    zoned = [name for name, kind in rows.dtypes.items() if isinstance(kind, pd.DatetimeTZDtype)]
    return rows.assign(**{str(name): rows[name].dt.tz_convert("UTC") for name in zoned})


def _rows(cursor: Cursor, query: str, parameters: Mapping[str, Any] | None = None) -> list[Row]:
    rows = frame(cursor, query, parameters).astype(object)
    return [{str(k): v for k, v in row.items()} for row in rows.where(rows.notna(), None).to_dict("records")]

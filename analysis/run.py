"""Carries the computation out over the store: the ledger by touched day, then what follows from it as of a moment."""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from analysis import alarms, estimate, forecast
from analysis.ledger import Ledger, day_sums, ledger, longest_interval, nameplate, node_terms
from analysis.series import Counts, Floats, Series, calendar
from analysis.storage import storage_curve
from ingest.budget import Budget
from ingest.errors import UsageError
from ingest.fleet import Fleet, Node
from ingest.store import Store, sql

CHUNK_NODE_DAYS = 150_000  # of one pass over the reports: bounds memory whatever the fleet's size
LEDGER_COLUMNS = tuple(Ledger.__dataclass_fields__)
RESULT_TABLES = ("estimates", "forecast", "forecast_path", "health", "findings")
PATH_DAYS = np.concatenate([np.arange(0, 31), np.arange(37, forecast.HORIZON_DAYS + 1, 7)])
SEED = 20260101

Progress = Callable[[str, int, int], None]  # what is being done, how much of it is done, of how much


@dataclass(frozen=True)
class Summary:
    """What one analysis did."""

    as_of: datetime
    ledger_rows: int
    nodes: int
    changed_alarms: tuple[alarms.Alarm, ...]
    alarms_kept: bool  # the moment lies before an earlier analysis: alarms were left as they are


@dataclass(frozen=True)
class _Fleet:
    """The fleet with the store's node numbers."""

    fleet: Fleet
    numbers: dict[str, int]  # node_id to node_no

    def rows(self, wanted: Counts) -> list[tuple[int, Node, Budget]]:
        by_number = {self.numbers[n.node_id]: n for n in self.fleet.nodes.values()}
        found = ((int(number), by_number.get(int(number))) for number in wanted)
        return [(number, node, self.fleet.budgets[node.budget]) for number, node in found if node is not None]


def newest_report(store: Store) -> datetime | None:
    """When the newest report in the store was observed."""
    row = store.cursor().execute("SELECT max(observed_at) FROM report_log").fetchone()
    return row[0].replace(tzinfo=UTC) if row and row[0] else None


def analyse(store: Store, as_of: datetime | None = None, progress: Progress = lambda *_: None) -> Summary:
    """Bring ledger, estimates, forecast and alarms up to date.

    Parameters
    ----------
    as_of : datetime, optional
        The moment of the analysis: nothing observed later is used, and what an earlier analysis found for later moments
        is removed. The newest report's time unless given.
    progress : callable
        Told what is being done, how much of it is done and of how much.

    Raises
    ------
    UsageError
        If there is nothing to analyse.
    """
    moment = as_of or newest_report(store)
    known = _Fleet(store.fleet(), dict(store.cursor().execute("SELECT node_id, node_no FROM nodes").fetchall()))
    if moment is None or not known.fleet.nodes:
        msg = "nothing to analyse: load a fleet (joulebook fleet DIR) and its reports (joulebook import FILE) first"
        raise UsageError(msg)
    last = store.meta("analysed_as_of")
    before = datetime.fromisoformat(last) if last else None
    rows = _update_ledger(store, known, moment, before, progress)
    changed = _update_results(store, known, moment, before, progress)
    return Summary(moment, rows, len(known.fleet.nodes), changed, before is not None and moment < before)


def _plain(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None)


# --- the ledger ---------------------------------------------------------------------------------------------------


def _update_ledger(store: Store, known: _Fleet, moment: datetime, before: datetime | None, progress: Progress) -> int:
    if before is not None and moment < before:
        _reopen(store, moment)
    touched = store.cursor().execute(
        "SELECT node_no, day FROM touched WHERE day <= $day ORDER BY day", {"day": moment.date()}
    )
    frame = touched.fetch_df()
    if frame.empty:
        return 0
    frame["day"] = pd.to_datetime(frame["day"])
    chunks = list(_chunks(frame, len(known.fleet.nodes)))
    rows = 0
    for done, (first, days, wanted) in enumerate(chunks):
        progress("ledger", done, len(chunks))
        rows += _write_chunk(store, known, known.rows(wanted), first, days, moment)
    with store.write() as cursor:
        # The day of the moment itself stays touched: it is not over.
        cursor.execute("DELETE FROM touched WHERE day < $day", {"day": moment.date()})
    progress("ledger", len(chunks), len(chunks))
    return rows


def _reopen(store: Store, moment: datetime) -> None:
    """Take the ledger back to a moment before the last analysis."""
    day = (moment - timedelta(days=1)).date()
    with store.write() as cursor:
        cursor.execute("DELETE FROM ledger WHERE day >= $day", {"day": day})
        cursor.execute(
            "INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log"
            " WHERE observed_at >= $day::TIMESTAMP EXCEPT SELECT node_no, day FROM touched",
            {"day": day},
        )


def _chunks(touched: pd.DataFrame, nodes: int) -> Iterator[tuple[date, int, Counts]]:
    """First day, number of days and nodes to compute anew, from the touched UTC days and the days beside them."""
    longest = max(CHUNK_NODE_DAYS // nodes, 3)
    days = np.unique(touched["day"].to_numpy().astype("datetime64[D]"))
    start = 0
    for i in range(1, len(days) + 1):
        ends = i == len(days) or days[i] - days[i - 1] > np.timedelta64(2, "D") or i - start >= longest
        if ends:
            span = touched["day"].between(pd.Timestamp(days[start]), pd.Timestamp(days[i - 1]))
            first = days[start].item() - timedelta(days=1)
            yield first, (days[i - 1].item() - first).days + 2, np.unique(touched.loc[span, "node_no"].to_numpy())
            start = i


def _write_chunk(
    store: Store, known: _Fleet, rows: list[tuple[int, Node, Budget]], first: date, days: int, moment: datetime
) -> int:
    if not rows:
        return 0
    numbers = np.array([number for number, _, _ in rows])
    budgets = [budget for _, _, budget in rows]
    sites = sorted({node.site for _, node, _ in rows})
    calendars = [calendar(known.fleet.sites[site].zone, first, days) for site in sites]
    reach = timedelta(seconds=max(longest_interval(budget) for budget in budgets) + 1)
    begins = datetime.fromtimestamp(min(c.midnights[0] for c in calendars), UTC) - reach
    ends = min(datetime.fromtimestamp(max(c.midnights[-1] for c in calendars), UTC) + reach, moment)
    series = read_series(store.cursor(), numbers, begins, ends)
    site = np.array([sites.index(node.site) for _, node, _ in rows])
    account = ledger(day_sums(series, node_terms(budgets), calendars, site), nameplate(budgets))
    frame = _ledger_frame(account, [node.node_id for _, node, _ in rows], first)
    with store.write() as cursor:
        cursor.register("computed", frame)
        cursor.register("wanted", pd.DataFrame({"node_id": [node.node_id for _, node, _ in rows]}))
        cursor.execute(
            "DELETE FROM ledger WHERE day BETWEEN $first AND $last AND node_id IN (SELECT node_id FROM wanted)",
            {"first": first, "last": first + timedelta(days=days - 1)},
        )
        cursor.execute("INSERT INTO ledger BY NAME SELECT * REPLACE (day::DATE AS day) FROM computed ORDER BY day")
    return len(frame)


def _ledger_frame(account: Ledger, node_ids: list[str], first: date) -> pd.DataFrame:
    node, day = np.nonzero(account.observed_s > 0)
    columns = {name: getattr(account, name)[node, day] for name in LEDGER_COLUMNS}
    days = np.datetime64(first) + day.astype("timedelta64[D]")
    return pd.DataFrame(
        {"node_id": np.array(node_ids, dtype=object)[node], "day": days.astype("datetime64[s]"), **columns}
    )


def read_series(cursor: duckdb.DuckDBPyConnection, numbers: Counts, first: datetime, last: datetime) -> Series:
    """The reports of nodes (by node_no, ascending) observed from `first` to `last`; a node may have none."""
    cursor.register("wanted", pd.DataFrame({"node_no": numbers}))
    columns = cursor.execute(
        sql("read_reports", "analysis"), {"first": _plain(first), "last": _plain(last)}
    ).fetchnumpy()

    def floats(name: str) -> Floats:
        return np.ma.filled(np.ma.asarray(columns[name], dtype=np.float64), np.nan)

    return Series(
        offsets=np.searchsorted(np.asarray(columns["node_no"]), np.append(numbers, numbers[-1] + 1)).astype(np.int64),
        time=floats("time"),
        storage_v=floats("storage_v"),
        wakes=np.asarray(columns["wakes"], dtype=np.int64),
        loaded_v=floats("loaded_v"),
        temp_c=floats("temp_c"),
        boot=np.asarray(columns["boot"], dtype=np.int64),
    )


# --- what follows from the ledger ---------------------------------------------------------------------------------


def _update_results(
    store: Store, known: _Fleet, moment: datetime, before: datetime | None, progress: Progress
) -> tuple[alarms.Alarm, ...]:
    cursor = store.cursor()
    numbers = np.array(sorted(known.numbers[node_id] for node_id in known.fleet.nodes))
    latest = {
        row[0]: row[1:] for row in cursor.execute(sql("read_latest", "analysis"), {"as_of": _plain(moment)}).fetchall()
    }
    since = (moment - timedelta(days=forecast.WINDOW_DAYS)).date()
    accounts = dict(
        iter(cursor.execute(sql("read_recent_ledger", "analysis"), {"first": since}).fetch_df().groupby("node_no"))
    )
    series = read_series(cursor, numbers, moment - timedelta(days=estimate.WINDOW_DAYS), moment)
    results: dict[str, list[dict[str, Any]]] = {name: [] for name in RESULT_TABLES}
    conditions = []
    rows = known.rows(numbers)
    for i, (number, node, budget) in enumerate(rows):
        if i % 10 == 0:
            progress("estimates and forecast", i, len(rows))
        recent = _one(series, i)
        account = accounts.get(number)
        last = latest.get(number)
        stamp = {"node_id": node.node_id, "as_of": moment}
        results["estimates"] += [stamp | asdict(line) for line in _estimate(budget, recent, account)]
        outlook = _forecast(known.fleet, node, budget, number, account, last, moment)
        results["forecast"].append(stamp | _forecast_row(outlook))
        if outlook is not None:
            results["forecast_path"] += [stamp | row for row in _path_rows(outlook)]
        results["health"].append(stamp | {"verdict": "not-enough-data"})
        conditions.append(_condition(node, budget, outlook, last, moment))
    progress("estimates and forecast", len(rows), len(rows))
    return _write_results(store, results, conditions, moment, before)


def _one(series: Series, i: int) -> Series:
    a, b = series.offsets[i : i + 2]
    return Series(
        np.array([0, b - a]), series.time[a:b], series.storage_v[a:b], series.wakes[a:b], series.loaded_v[a:b],
        series.temp_c[a:b], series.boot[a:b],
    )  # fmt: skip


def _estimate(budget: Budget, recent: Series, account: pd.DataFrame | None) -> list[estimate.Line]:
    columns: dict[str, Any] = {
        name: np.zeros((1, 0)) if account is None else account[name].to_numpy()[None] for name in LEDGER_COLUMNS
    }
    return estimate.first_estimate(budget, recent, Ledger(**columns), 0)


def _forecast(
    fleet: Fleet,
    node: Node,
    budget: Budget,
    number: int,
    account: pd.DataFrame | None,
    last: tuple[float, float] | None,
    moment: datetime,
) -> forecast.Forecast | None:
    if account is None or last is None:
        return None
    curve = storage_curve(budget.storage)
    return forecast.first_forecast(
        account["net_harvest_j"].to_numpy(),
        (account["wake_j"] + account["sleep_j"]).to_numpy(),
        account["observed_s"].to_numpy(),
        np.asarray(pd.to_datetime(account["day"]).dt.day_of_week, dtype=np.int64),
        moment.astimezone(fleet.sites[node.site].zone).weekday(),
        float(curve.usable(last[1])),
        curve.full_j - curve.cutoff_j,
        np.random.default_rng([SEED, number]),
    )


def _forecast_row(outlook: forecast.Forecast | None) -> dict[str, float | None]:
    if outlook is None:
        return {}
    chances = {f"p_dark_{horizon}d": p for horizon, p in outlook.p_dark.items()}
    days = dict(
        zip(("days_p10", "days_p50", "days_p90"), (None if np.isnan(d) else d for d in outlook.days), strict=True)
    )
    return chances | days | {"autonomy_days": outlook.autonomy_days, "balance_w": outlook.balance_w}


def _path_rows(outlook: forecast.Forecast) -> Iterator[dict[str, float]]:
    names = [f"usable_p{round(q * 100):02d}_j" for q in forecast.QUANTILES]
    for day in PATH_DAYS:
        yield {"days_ahead": float(day)} | dict(zip(names, outlook.usable_j[day].tolist(), strict=True))


def _condition(
    node: Node, budget: Budget, outlook: forecast.Forecast | None, last: tuple[float, float] | None, moment: datetime
) -> alarms.Condition:
    heard = node.commissioned.timestamp() if last is None else last[0]
    quiet = moment.timestamp() - heard
    row = _forecast_row(outlook)
    silent_for = quiet if quiet > longest_interval(budget) else 0.0
    chances = (row.get("p_dark_7d"), row.get("p_dark_30d"), row.get("days_p10"))
    return alarms.Condition(node.node_id, node.site, *chances, silent_for)


def _write_results(
    store: Store,
    results: dict[str, list[dict[str, Any]]],
    conditions: list[alarms.Condition],
    moment: datetime,
    before: datetime | None,
) -> tuple[alarms.Alarm, ...]:
    """Replace this day's results (one analysis a day is kept), drop later ones, and move the alarms on."""
    with store.write() as cursor:
        for table, rows in results.items():
            since = moment.date() if table != "forecast_path" else date.min
            cursor.execute(f"DELETE FROM {table} WHERE as_of >= $since::TIMESTAMP AT TIME ZONE 'UTC'", {"since": since})  # noqa: S608
            _insert(cursor, table, rows)
        changed: list[alarms.Alarm] = []
        if before is None or moment >= before:
            changed = alarms.step(open_alarms(cursor), conditions, moment)
            cursor.executemany("DELETE FROM alarms WHERE alarm_id = ?", [[a.alarm_id] for a in changed] or [[""]])
            _insert(cursor, "alarms", [asdict(alarm) for alarm in changed])
    store.set_meta("analysed_as_of", moment.isoformat())
    return tuple(changed)


def _insert(cursor: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, Any]]) -> None:
    if rows:
        cursor.register("new_rows", pd.DataFrame(rows))
        cursor.execute(f"INSERT INTO {table} BY NAME SELECT * FROM new_rows")  # noqa: S608 - one of our own names
        cursor.unregister("new_rows")


def open_alarms(cursor: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], alarms.Alarm]:
    """Alarms that are not cleared, by node and kind."""
    cursor.execute("SELECT * FROM alarms WHERE state <> 'cleared'")
    found = [alarms.Alarm(*row) for row in cursor.fetchall()]
    return {(alarm.node_id, alarm.kind): alarm for alarm in found}

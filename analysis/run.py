"""Carries the analysis out over the store: days, estimates, forecast, findings and alarms, as of one moment."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from analysis import alarms, depletion
from analysis.cores import both
from analysis.facts import OF_STORAGE
from analysis.ledger import longest_interval
from analysis.run_ahead import Prospects, look_ahead, read_corrections
from analysis.run_books import ledger_of, site_books
from analysis.run_days import DAYS_VERSION, NumberedFleet, Progress, update_days
from analysis.run_field import Field, update_field
from analysis.run_findings import find_all
from analysis.run_health import NodeField, end_of_life_rows, judge_nodes, watched
from analysis.run_recent import RECENT_DAYS, Recent, note_silent, of_present_storage, read_recent, silent_for
from analysis.run_sisters import settle
from analysis.site_findings import SITE_DAYS
from ingest.budget import SECONDS_PER_DAY
from ingest.errors import UsageError
from ingest.store import Store, sql

RESULT_TABLES = (
    "estimates", "forecast", "forecast_path", "prospects", "health", "end_of_life", "remaining", "findings",
)  # fmt: skip
LATEST_ONLY = {"forecast_path", "prospects"}


@dataclass(frozen=True)
class Summary:
    """What one analysis did."""

    as_of: datetime
    ledger_rows: int
    nodes: int
    changed_alarms: tuple[alarms.Alarm, ...]
    alarms_kept: bool  # the moment lies before an earlier analysis: alarms were left as they are


def newest_report(store: Store) -> datetime | None:
    """When the newest report in the store was observed."""
    row = store.cursor().execute("SELECT max(observed_at) FROM report_log").fetchone()
    return row[0].replace(tzinfo=UTC) if row and row[0] else None


def _must_have_reports(store: Store, as_of: datetime) -> None:
    """Refuse a moment before all reports; where reports have been dropped, `_begin_anew` says so."""
    row = store.cursor().execute("SELECT min(observed_at) FROM report_log").fetchone()
    first = row[0].replace(tzinfo=UTC) if row and row[0] else as_of
    if as_of < first and store.meta("open_from") is None:
        msg = (
            f"--as-of {as_of:%Y-%m-%d %H:%M} is before the first report ({first:%Y-%m-%d %H:%M} UTC); name a later one"
        )
        raise UsageError(msg)


@contextmanager
def at_work(store: Store) -> Iterator[None]:
    """Leave out meanwhile what only costs time.

    No looking for cycles of dead objects: few arise here, and each look passes over all nodes' facts. No helpers inside
    the store, which every thread that asks it (`cores`) would wait for without rest, on a core of its own. And the log
    of writes goes into the file when all is done, rather than after every few of them.
    """
    running = gc.isenabled()
    gc.disable()
    store.cursor().execute("SET threads = 1; SET checkpoint_threshold = '256MB'")
    try:
        yield
    finally:
        store.cursor().execute("RESET threads; RESET checkpoint_threshold")
        if running:
            gc.enable()


def analyse(store: Store, as_of: datetime | None = None, progress: Progress = lambda *_: None) -> Summary:
    """Bring ledger, estimates, forecast, findings and alarms up to date.

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
        If there is nothing to analyse, or nothing yet at `as_of`.
    """
    with at_work(store):
        return _analyse(store, as_of, progress)


def _analyse(store: Store, as_of: datetime | None, progress: Progress) -> Summary:
    moment = as_of or newest_report(store)
    known = NumberedFleet.of(store)
    if moment is None or not known.nodes:
        msg = "nothing to analyse: load a fleet (joulebook fleet DIR) and its reports (joulebook import FILE) first"
        raise UsageError(msg)
    if as_of is not None:
        _must_have_reports(store, as_of)
    known = known.at(moment)
    before, reached = _noted(store, "analysed_as_of"), _noted(store, "days_as_of")
    if reached is not None and moment < reached:
        _begin_anew(store, moment)
    leave_outdated_days(store, moment)
    rows = update_days(store, known, moment, progress)
    own = list(update_field(store, known, moment.date() + timedelta(days=1), progress))
    progress("forecast", 0, 1)
    fields, sums = settle(store, known, own)
    recent, ledger = read_late(store, known, fields, moment, sums)
    books = site_books(known, fields, ledger, recent, moment)
    prospects = look_ahead(books, read_corrections(store.cursor(), moment))
    progress("forecast", 1, 1)
    judged = judge_nodes(known, fields, books, read_windows(store.cursor(), moment), moment)
    findings = find_all(books, judged)
    worn = {finding["node_id"] for finding in findings if finding["finding"] in OF_STORAGE}
    nodes = [watched(field) if node.node_id in worn else field for node, field in zip(known.nodes, judged, strict=True)]
    changed = _write(store, known, nodes, findings, prospects, recent, moment, before)
    return Summary(moment, rows, len(known.nodes), changed, before is not None and moment < before)


def read_late(
    store: Store, known: NumberedFleet, fields: list[tuple[NumberedFleet, Field]], moment: datetime, sums: pa.Table
) -> tuple[dict[int, Recent], pa.Table]:
    """What the last weeks' reports tell, and the ledger, made meanwhile."""
    recent, ledger = both(
        lambda: read_recent(store.cursor(), known, fields, moment, sums), lambda: ledger_of(sums, fields)
    )
    note_silent(store, known, recent, moment)
    return of_present_storage(known, recent, moment), ledger


def _noted(store: Store, key: str) -> datetime | None:
    """A moment noted with the store."""
    text = store.meta(key)
    return datetime.fromisoformat(text) if text else None


def leave_outdated_days(store: Store, moment: datetime) -> None:
    """Begin anew where another version stored the days."""
    if store.meta("days_as_of") is not None and store.meta("days_version") != DAYS_VERSION:
        _begin_anew(store, moment)


def _begin_anew(store: Store, moment: datetime) -> None:
    """Forget what the days have told, so that all of it is computed anew from reports up to a moment.

    Days whose reports have been dropped cannot be computed anew: they stay, and no moment before them is gone back to.
    """
    kept = store.meta("open_from") or "0001-01-01"
    if moment.date().isoformat() < kept:
        msg = f"--as-of {moment:%Y-%m-%d}: reports before {kept} have been dropped (--keep-days); name a later moment"
        raise UsageError(msg)
    with store.write() as cursor:
        for table in ("day_sums", "day_evidence"):
            cursor.execute(f"DELETE FROM {table} WHERE day >= $kept::DATE", {"kept": kept})  # noqa: S608 - our own names
        for table in ("weeks", "standings", "last_heard", "touched"):
            cursor.execute(f"DELETE FROM {table}")  # noqa: S608
        cursor.execute(
            "INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log"
            " WHERE observed_at >= $kept::TIMESTAMP",
            {"kept": kept},
        )
        for table in RESULT_TABLES:
            cursor.execute(f"DELETE FROM {table} WHERE as_of > $moment", {"moment": moment})  # noqa: S608


def read_windows(cursor: duckdb.DuckDBPyConnection, moment: datetime) -> dict[int, tuple[float, ...]]:
    """Sums of the recent days by node_no, as `read_window.sql` gives them."""
    first = (moment - timedelta(days=RECENT_DAYS)).date()
    return {row[0]: row[1:] for row in cursor.execute(sql("read_window", "analysis"), {"first": first}).fetchall()}


def _write(
    store: Store,
    known: NumberedFleet,
    nodes: list[NodeField],
    findings: list[dict[str, Any]],
    prospects: Prospects,
    recent: dict[int, Recent],
    moment: datetime,
    before: datetime | None,
) -> tuple[alarms.Alarm, ...]:
    """Put this day's results in place (one analysis a day is kept), and move the alarms on."""
    stamp = {"as_of": moment}
    ahead = dict(zip(prospects.rows, range(len(prospects.rows)), strict=True))
    results: dict[str, Any] = {name: [] for name in RESULT_TABLES}
    conditions, begun = [], known.fleet.storage_begun(moment)
    for i, (node, field) in enumerate(zip(known.nodes, nodes, strict=True)):
        key = {"node_id": node.node_id} | stamp
        results["estimates"] += [key | line._asdict() for line in field.lines]
        results["health"].append(key | {k: _told(v) for k, v in field.health._asdict().items()})
        if field.remaining is not None:
            results["remaining"].append(key | {k: _told(v) for k, v in asdict(field.remaining).items()})
        results["end_of_life"] += [key | row for row in end_of_life_rows(field, moment)]
        last = recent.get(int(known.numbers[i]))
        unheard = (moment - begun[node.node_id]).total_seconds()
        if last is not None:
            silence = silent_for(last, known.budgets[i], moment)
        else:
            silence = unheard if unheard > longest_interval(known.budgets[i]) else 0.0
        row = _forecast_row(prospects, ahead[i]) if i in ahead else {}
        results["forecast"].append(key | row)
        if i in ahead:
            results["prospects"].append(key | _prospect_row(prospects, ahead[i]) | {"silent_s": silence})
        chances = (row.get("p_dark_7d"), row.get("p_dark_30d"), row.get("days_p10"))
        if last is None and begun[node.node_id] > node.commissioned:  # what was said of its storage went with it
            chances = (0.0, 0.0, None)
        conditions.append(alarms.Condition(node.node_id, node.site, *chances, silence))
    results["findings"] = [finding | stamp for finding in findings]
    results["forecast_path"] = _paths(prospects, [known.nodes[i].node_id for i in prospects.rows], moment)
    with store.write() as cursor:
        for table, rows in results.items():
            since = date.min if table in LATEST_ONLY else moment.date()
            cursor.execute(f"DELETE FROM {table} WHERE as_of >= $since::TIMESTAMP AT TIME ZONE 'UTC'", {"since": since})  # noqa: S608
            insert(cursor, table, rows)
        changed: list[alarms.Alarm] = []
        if before is None or moment >= before:
            changed = alarms.step(open_alarms(cursor), conditions, moment, common_causes(cursor, moment))
            cursor.executemany("DELETE FROM alarms WHERE alarm_id = ?", [[a.alarm_id] for a in changed] or [[""]])
            insert(cursor, "alarms", [asdict(alarm) for alarm in changed])
    store.set_meta("analysed_as_of", moment.isoformat())
    return tuple(changed)


def _told(value: Any) -> Any:
    """NaN as an empty cell."""
    return None if isinstance(value, float) and np.isnan(value) else value


def _forecast_row(prospects: Prospects, k: int) -> dict[str, float | None]:
    names = ("p_dark_7d", "p_dark_30d", "p_dark_90d", "days_p10", "days_p50", "days_p90", "autonomy_days", "balance_w")
    return {name: _told(float(getattr(prospects.forecast, name)[k])) for name in names}


def _paths(prospects: Prospects, names: list[str], moment: datetime) -> pd.DataFrame:
    """The table `forecast_path`: by node, what is in hand now and on the days ahead, with the doubt of its capacity."""
    found, levels = prospects.forecast, [f"usable_p{round(level * 100):02d}_j" for level in depletion.LEVELS]
    now = [float(np.asarray(node.curve.usable(node.voltage))) * node.capacity_ratio for node in prospects.outlooks]
    begin = np.broadcast_to(np.reshape(now, (-1, 1, 1)), (len(names), 1, len(levels)))
    usable = np.concatenate([begin, found.usable], axis=1)
    median = usable[:, :, levels.index("usable_p50_j")]
    usable = depletion.widened(usable, prospects.scale_sd[:, None] * median)
    days = np.append(0.0, found.days_ahead)
    keys = {"node_id": np.repeat(names, len(days)), "as_of": moment, "days_ahead": np.tile(days, len(names))}
    return pd.DataFrame(keys | {level: usable[:, :, j].ravel() for j, level in enumerate(levels)})


def _prospect_row(prospects: Prospects, k: int) -> dict[str, float | str | None]:
    found, harvest, thrift = prospects.forecast, prospects.outlooks[k].harvest, prospects.outlooks[k].thrift
    return {
        **{
            depletion.visit_column(risk): _told(float(days))
            for risk, days in zip(depletion.VISIT_RISKS, found.visit_by_days[k], strict=True)
        },
        "low_day": float(found.low_day[k]),
        "low_usable_j": float(found.low_usable[k]),
        "back_p10_days": _told(float(found.back_p10[k])),
        "back_p50_days": _told(float(found.back_p50[k])),
        "back_p90_days": _told(float(found.back_p90[k])),
        "wake_interval_s": _told(float(prospects.wake_interval[k])),
        "driver": prospects.drivers[k],
        "harvest_w": float(harvest.mean * (1 + harvest.level_now) / SECONDS_PER_DAY),
        "harvest_sd_w": prospects.harvest_sd[k],
        "full_autonomy_days": prospects.outlooks[k].full_autonomy(),
        "full_from_v": None if (held := prospects.outlooks[k].held) is None else _told(held.counts_from),
        "full_v": None if held is None else held.full,
        "saves_below": thrift.below or None,
        "saves_factor": thrift.factor if thrift.below else None,
    }


def insert(cursor: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, Any]] | pd.DataFrame) -> None:
    """Add rows to one of the store's own tables, by the names of its columns."""
    if len(rows):
        cursor.register("new_rows", pd.DataFrame(rows))
        cursor.execute(f"INSERT INTO {table} BY NAME SELECT * FROM new_rows")  # noqa: S608 - one of our own names
        cursor.unregister("new_rows")


def common_causes(cursor: duckdb.DuckDBPyConnection, moment: datetime) -> dict[str, datetime]:
    """Since when a site's nodes have shown one cause, by site, of several the first; so that one lost for a day counts.

    By any site's clock its day has begun a day before it did by universal time.
    """
    cursor.execute(
        "SELECT site, min(since) - INTERVAL 1 DAY FROM findings WHERE finding = 'site-wide' AND as_of > $first "
        "AND as_of <= $moment GROUP BY site",
        {"first": moment - timedelta(days=SITE_DAYS), "moment": moment},
    )
    return dict(cursor.fetchall())


def open_alarms(cursor: duckdb.DuckDBPyConnection) -> list[alarms.Alarm]:
    """Alarms that are not cleared."""
    cursor.execute("SELECT * FROM alarms WHERE state <> 'cleared'")
    return [alarms.Alarm(*row) for row in cursor.fetchall()]

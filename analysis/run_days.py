"""Brings the days up to date over the store: from the reports of touched days to the days' sums and their evidence."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from analysis import evidence
from analysis.cores import THREADS, shared_out
from analysis.ledger import day_sums, longest_interval, node_terms, swaps
from analysis.nominal_days import NominalDays, nominal_days
from analysis.quiet import LEARNT_ROWS, WEEK_HOURS, sunless
from analysis.series import Calendar, Counts, Series, calendar, in_order
from analysis.stray import without_strays
from analysis.warmth import Warmth, agree, lend, place_names, thermometers
from ingest.budget import SECONDS_PER_DAY, Budget
from ingest.fleet import Fleet, Node
from ingest.store import Store, plain, sql

CHUNK_NODE_DAYS = 200_000  # of one pass over the reports: bounds memory whatever the fleet's size
DAY = timedelta(days=1)
DAYS_VERSION = "13"  # of what a day's sums and evidence mean: days stored by another are computed anew
THERMOMETER_DAYS = 3  # the last of a stretch, whose reports show which nodes have a thermometer
SUM_COLUMNS = tuple(NominalDays.__dataclass_fields__)

Rows = dict[str, np.ndarray[Any, Any]]  # the columns of reports as they were read
Progress = Callable[[str, int, int], None]  # what is being done, how much of it is done, of how much


@dataclass(frozen=True)
class NumberedFleet:
    """The fleet in the order of the store's node numbers."""

    fleet: Fleet
    numbers: Counts
    nodes: list[Node]
    budgets: list[Budget]

    @classmethod
    def of(cls, store: Store) -> "NumberedFleet":
        """The store's fleet."""
        fleet = store.fleet()
        numbers = dict(store.cursor().execute("SELECT node_id, node_no FROM nodes").fetchall())
        nodes = sorted(fleet.nodes.values(), key=lambda node: numbers[node.node_id])
        order = np.array([numbers[node.node_id] for node in nodes], dtype=np.int64)
        return cls(fleet, order, nodes, [fleet.budgets[node.budget] for node in nodes])

    def at(self, moment: datetime) -> "NumberedFleet":
        """The fleet as known at a moment: without the visits of later."""
        visits = tuple(visit for visit in self.fleet.visits if visit.at <= moment)
        return replace(self, fleet=self.fleet.model_copy(update={"visits": visits}))

    def only(self, wanted: Counts) -> "NumberedFleet":
        """The part with these node numbers."""
        kept = np.flatnonzero(np.isin(self.numbers, wanted))
        return NumberedFleet(
            self.fleet, self.numbers[kept], [self.nodes[i] for i in kept], [self.budgets[i] for i in kept]
        )

    def parts(self, size: int) -> list["NumberedFleet"]:
        """The fleet in parts of up to so many nodes."""
        return [self.only(self.numbers[low : low + size]) for low in range(0, len(self.nodes), size)]


@dataclass(frozen=True)
class _Chunk:
    first: date
    days: int
    part: NumberedFleet


def update_days(store: Store, known: NumberedFleet, moment: datetime, progress: Progress) -> int:
    """Compute the touched days up to a moment anew, with the days beside them; the number of rows computed."""
    touched = store.cursor().execute("SELECT node_no, day FROM touched WHERE day <= $day", {"day": moment.date()})
    frame = touched.to_arrow_table().to_pandas()
    frame["day"] = frame["day"].to_numpy(dtype="datetime64[D]")
    chunks = list(_chunks(frame, known)) if len(frame) else []
    rows = done = 0
    for batch in _stretches(chunks):  # in order of time, for the week is learnt as it goes
        warmth = _read_warmth(store.cursor(), known, batch[0], moment)
        pieces = THREADS if len(batch) == 1 else 1
        for count in shared_out(partial(_compute, store, moment, warmth, pieces), batch):
            rows, done = rows + count, done + 1
            progress("ledger", done, len(chunks))
    with store.write() as cursor:  # the day of the moment itself is not over: it stays touched
        cursor.execute("DELETE FROM touched WHERE day < $day", {"day": moment.date()})
    store.set_meta("days_as_of", moment.isoformat())
    store.set_meta("days_version", DAYS_VERSION)
    return rows


def _chunks(touched: pd.DataFrame, known: NumberedFleet) -> Iterator[_Chunk]:
    """Stretches of touched UTC days with the days beside them, each split by nodes; in order of time."""
    days = np.unique(touched["day"].to_numpy().astype("datetime64[D]"))
    ends = np.append(np.flatnonzero(np.diff(days) > np.timedelta64(2, "D")), len(days) - 1)
    begin = 0
    for end in ends:
        inside = (touched["day"] >= days[begin]) & (touched["day"] <= days[end])
        part = known.only(np.unique(touched.loc[inside, "node_no"].to_numpy()))
        first, length = days[begin].item() - DAY, int((days[end] - days[begin]).astype(int)) + 3
        for some in part.parts(max(CHUNK_NODE_DAYS // length, 1)):
            yield _Chunk(first, length, some)
        begin = end + 1


def _stretches(chunks: list[_Chunk]) -> Iterator[list[_Chunk]]:
    for first in sorted({chunk.first for chunk in chunks}):
        yield [chunk for chunk in chunks if chunk.first == first]


def _read_warmth(
    cursor: duckdb.DuckDBPyConnection, known: NumberedFleet, chunk: _Chunk, moment: datetime
) -> dict[str, Warmth]:
    """The temperature of each place that can lend one, over the days of a chunk."""
    begin = datetime.combine(chunk.first - 2 * DAY, time(), UTC)
    end = min(begin + (chunk.days + 4) * DAY, moment)
    bounds = {"first": plain(max(begin, end - THERMOMETER_DAYS * DAY)), "last": plain(end)}
    having = [row[0] for row in cursor.execute(sql("read_thermometers", "analysis"), bounds).fetchall()]
    place, reports = place_names(known.fleet, known.nodes), np.isin(known.numbers, having)
    lenders = thermometers(place, reports.tolist())
    if not lenders:
        return {}
    cursor.register(
        "thermometers", pd.DataFrame({"node_no": known.numbers[lenders], "place": [place[i] for i in lenders]})
    )
    rows = cursor.execute(sql("read_warmth", "analysis"), bounds | {"first": plain(begin)}).fetch_df()
    return {
        str(name): Warmth(part["time"].to_numpy(), part["temp_c"].to_numpy())
        for name, part in rows.groupby("place")
        if agree(part["variance"].to_numpy(np.float64))
    }


def _compute(store: Store, moment: datetime, warmth: dict[str, Warmth], pieces: int, chunk: _Chunk) -> int:
    """Compute one chunk, in so many pieces at once, and put it in place of what was there."""
    part = chunk.part
    sites = sorted({node.site for node in part.nodes})
    places = [part.fleet.sites[site] for site in sites]
    calendars = [calendar(place.zone, chunk.first, chunk.days) for place in places]
    sun = np.stack([
        sunless(calendar(place.zone, chunk.first - DAY, chunk.days + 1), place.latitude, place.longitude)
        for place in places
    ])  # fmt: skip
    reach = timedelta(seconds=max(longest_interval(budget) for budget in part.budgets) + 1)
    begin = datetime.fromtimestamp(min(c.midnights[0] for c in calendars), UTC) - max(reach, 2 * DAY)
    end = min(datetime.fromtimestamp(max(c.midnights[-1] for c in calendars), UTC) + 2 * reach, moment)
    rows = read_rows(store.cursor(), part.numbers, begin, end)

    def compute(piece: NumberedFleet) -> int:
        site = np.array([sites.index(node.site) for node in piece.nodes])
        reports = without_strays(series_of(rows, piece.numbers), piece.budgets, moment)
        series = lend(reports, place_names(piece.fleet, piece.nodes), warmth)
        days = day_sums(series, node_terms(piece.budgets), calendars, site, swaps(series, _replaced(piece)))
        sums = nominal_days(days, piece.budgets)
        weeks = _weeks(store.cursor(), piece.numbers)
        found = evidence.gather(series, evidence.terms(piece.budgets), calendars, site, sun, weeks)
        return _write(store, piece, calendars[0], sums, found)

    split = np.array_split(part.numbers, min(pieces, len(part.nodes)))
    return sum(shared_out(compute, map(part.only, split)))


def _replaced(part: NumberedFleet) -> list[list[tuple[float, float]]]:
    """When the storage of each node was replaced: at a visit's time, or on its day if it is a bare date."""
    spans: dict[str, list[tuple[float, float]]] = {node.node_id: [] for node in part.nodes}
    for visit in part.fleet.visits:
        if visit.work == "storage-replaced" and visit.node_id in spans:
            zone = part.fleet.sites[part.fleet.nodes[visit.node_id].site].zone
            bare = visit.at.astimezone(zone).time() == time()
            at = visit.at.timestamp()
            spans[visit.node_id].append((at, at + (SECONDS_PER_DAY if bare else 1.0)))
    return list(spans.values())


def _weeks(cursor: duckdb.DuckDBPyConnection, numbers: Counts) -> np.ndarray[Any, Any] | None:
    """What the nodes' weeks have shown so far; None if none of them has shown any."""
    cursor.register("wanted", pd.DataFrame({"node_no": numbers}))
    found = cursor.execute("SELECT node_no, week FROM weeks SEMI JOIN wanted USING (node_no)").to_arrow_table()
    if not found.num_rows:
        return None
    weeks = np.zeros((len(numbers), LEARNT_ROWS, WEEK_HOURS), dtype=np.float32)
    values = found.column("week").combine_chunks().flatten().to_numpy(zero_copy_only=False)
    place = np.searchsorted(numbers, found.column("node_no").to_numpy())
    weeks[place] = values.reshape(len(place), LEARNT_ROWS, WEEK_HOURS)
    return weeks


def _write(store: Store, part: NumberedFleet, days: Calendar, sums: NominalDays, found: evidence.Evidence) -> int:
    told = (sums.observed_s > 0) | (found.sums != 0).any(axis=2) | (found.resistance != 0).any(axis=2)
    day, node = np.nonzero(told.T)  # in order of time: who reads the last weeks need not pass over the rest
    keys = {
        "node_no": part.numbers[node],
        "day": (np.datetime64(days.first) + day.astype("timedelta64[D]")).astype("datetime64[D]"),
    }
    sums_table = pa.table(keys | {name: getattr(sums, name)[node, day] for name in SUM_COLUMNS})
    evidence_table = pa.table(
        keys | {"sums": _told(found.sums[node, day]), "resistance": _told(found.resistance[node, day])}
    )
    last, learnt = days.first + timedelta(days=days.days - 1), np.flatnonzero(found.week.any(axis=(1, 2)))
    week_table = pa.table({
        "node_no": part.numbers[learnt], "day": pa.array([last] * len(learnt), pa.date32()),
        "week": lists(found.week[learnt].reshape(len(learnt), LEARNT_ROWS * WEEK_HOURS)),
    })  # fmt: skip
    with store.write() as cursor:
        cursor.register("wanted", pd.DataFrame({"node_no": part.numbers}))
        for name, table in (("day_sums", sums_table), ("day_evidence", evidence_table)):
            cursor.execute(
                f"DELETE FROM {name} WHERE day BETWEEN $first AND $last AND node_no IN (FROM wanted)",  # noqa: S608
                {"first": days.first, "last": last},
            )
            cursor.register("computed", table)
            cursor.execute(f"INSERT INTO {name} BY NAME SELECT * FROM computed")  # noqa: S608 - our own names
        cursor.execute("DELETE FROM standings WHERE day > $first AND node_no IN (FROM wanted)", {"first": days.first})
        cursor.execute("DELETE FROM last_heard WHERE node_no IN (FROM wanted)")
        cursor.register("computed", week_table)
        cursor.execute("DELETE FROM weeks WHERE day <= $last AND node_no IN (FROM wanted)", {"last": last})
        cursor.execute("INSERT INTO weeks SELECT * FROM computed ANTI JOIN weeks USING (node_no)")
    return len(node)


def lists(rows: np.ndarray[Any, Any]) -> pa.ListArray:
    """Rows of numbers as an Arrow column of lists."""
    return _lists(rows, np.ones(len(rows), dtype=np.bool_))


def _told(rows: np.ndarray[Any, Any]) -> pa.ListArray:
    """The same with an empty list for a row of zeros, which tells nothing and takes no room."""
    return _lists(rows, np.asarray(rows.any(axis=1)))


def _lists(rows: np.ndarray[Any, Any], told: np.ndarray[Any, Any]) -> pa.ListArray:
    offsets = np.append(0, np.cumsum(told * rows.shape[1])).astype(np.int32)
    return pa.ListArray.from_arrays(pa.array(offsets), pa.array(rows[told].ravel()))


def read_rows(cursor: duckdb.DuckDBPyConnection, numbers: Counts, first: datetime, last: datetime) -> Rows:
    """The reports of nodes (by node_no, ascending) observed from `first` to `last`, in the order of the store."""
    bounds = {"first": plain(first), "last": plain(last), "low": int(numbers[0]), "high": int(numbers[-1])}
    query = sql("read_reports", "analysis")
    if len(numbers) <= numbers[-1] - numbers[0]:
        cursor.register("wanted", pd.DataFrame({"node_no": numbers}))
        query += " AND r.node_no IN (SELECT node_no FROM wanted)"
    found = cursor.execute(query, bounds).to_arrow_table()
    return {name: found.column(name).to_numpy() for name in found.column_names}


def read_series(cursor: duckdb.DuckDBPyConnection, numbers: Counts, first: datetime, last: datetime) -> Series:
    """The reports of nodes (by node_no, ascending) observed from `first` to `last`; a node may have none."""
    return series_of(read_rows(cursor, numbers, first, last), numbers)


def series_of(rows: Rows, numbers: Counts) -> Series:
    """The reports of those of the nodes that lie side by side in the order of node_no; a node may have none."""
    low, high = numbers[0], numbers[-1]
    mine = np.flatnonzero((rows["node_no"] >= low) & (rows["node_no"] <= high))
    place, time = rows["node_no"][mine] - low, rows["time"][mine]
    order = mine[in_order(place, time)]
    ends = np.append(0, np.cumsum(np.bincount(place, minlength=high - low + 1)))

    def column(name: str, kind: type[np.generic]) -> np.ndarray[Any, Any]:
        return np.asarray(rows[name][order], dtype=kind)

    return Series(
        offsets=np.append(ends[numbers - low], ends[-1]).astype(np.int64),
        time=rows["time"][order],
        storage_v=column("storage_v", np.float64),
        wakes=column("wakes", np.int64),
        loaded_v=column("loaded_v", np.float64),
        temp_c=column("temp_c", np.float64),
        boot=column("boot", np.int64),
    )

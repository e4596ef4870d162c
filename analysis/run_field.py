"""Estimates over the store: from the days' evidence to the posterior of each node and the ratios of its ledger.

A node whose storage was replaced begins a new era with the budget as its prior; the ledger of each era is corrected by
what that era taught.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from analysis import posterior
from analysis.quiet_runs import STEPS, SUMS
from analysis.run_days import NumberedFleet, Progress
from analysis.series import Counts
from ingest.fleet import Visit
from ingest.store import Store, sql

PART_NODES = 1000  # estimated together: bounds memory
RATIO_COLUMNS = ("c", "e", "s", "cc", "ce", "cs", "ee", "es", "ss")
PATH_OF_RATIO = (posterior.C, posterior.E, posterior.S, posterior.C_C, posterior.C_E, posterior.C_S, posterior.E_E,
                 posterior.E_S, posterior.S_S)  # fmt: skip


@dataclass(frozen=True)
class Field:
    """What the evidence says of each node's present era; arrays over nodes.

    Attributes
    ----------
    era : list of date
        First day of the era.
    mean, covariance, path, changes
        As in `posterior.Posterior`; `path` and `changes` by day of the era.
    resistance : ndarray, shape (nodes, days, STEPS)
        By day of the era.
    """

    era: list[date]
    days: Counts  # of the era up to now
    mean: np.ndarray[Any, Any]
    covariance: np.ndarray[Any, Any]
    path: np.ndarray[Any, Any]
    changes: np.ndarray[Any, Any]
    resistance: np.ndarray[Any, Any]
    evidence_days: Counts  # days of the era that told something


def update_field(
    store: Store, known: NumberedFleet, today: date, progress: Progress
) -> Iterator[tuple[NumberedFleet, Field]]:
    """Estimate every node from its evidence, write the ledger's ratios, and yield the fleet part by part."""
    parts = [known.only(known.numbers[low : low + PART_NODES]) for low in range(0, len(known.nodes), PART_NODES)]
    with store.write() as cursor:
        cursor.execute("DELETE FROM ratios")
    for done, part in enumerate(parts):
        progress("estimates", done, len(parts))
        field, ratios = _estimate(store.cursor(), part, today)
        with store.write() as cursor:
            cursor.register("computed", ratios)
            cursor.execute("INSERT INTO ratios BY NAME SELECT * FROM computed")
        yield part, field
    progress("estimates", len(parts), len(parts))


@dataclass(frozen=True)
class _Era:
    node: int  # index in the part
    first: date
    last: date


def _estimate(cursor: duckdb.DuckDBPyConnection, part: NumberedFleet, today: date) -> tuple[Field, pa.Table]:
    bounds = {"low": int(part.numbers[0]), "high": int(part.numbers[-1])}
    found = cursor.execute(sql("read_evidence", "analysis"), bounds).to_arrow_table()
    numbers = found.column("node_no").to_numpy()
    days = found.column("day").to_numpy().astype("datetime64[D]")
    eras = _eras(part, numbers, days, today)
    sums, resistance = _dense(part, eras, found, numbers, days)
    budgets = [part.budgets[era.node] for era in eras]
    now = posterior.estimate(sums, budgets)
    last = {era.node: i for i, era in enumerate(eras)}  # the present era of each node
    rows = np.array([last[i] for i in range(len(part.nodes))])
    field = Field(
        era=[eras[i].first for i in rows],
        days=np.array([(eras[i].last - eras[i].first).days + 1 for i in rows]),
        mean=now.mean[rows],
        covariance=now.covariance[rows],
        path=now.path[rows],
        changes=now.changes[rows],
        resistance=resistance[rows],
        evidence_days=(sums[rows] != 0).any(axis=2).sum(axis=1),
    )
    return field, _ratios(part, eras, now.path)


def _eras(part: NumberedFleet, numbers: Counts, days: np.ndarray[Any, Any], today: date) -> list[_Era]:
    firsts = dict(zip(*(a.tolist() for a in (numbers[::-1], days[::-1])), strict=True)) if len(numbers) else {}
    eras = []
    for i, (number, node) in enumerate(zip(part.numbers.tolist(), part.nodes, strict=True)):
        begin = firsts.get(number, today)
        zone = part.fleet.sites[node.site].zone
        cuts = sorted({v.at.astimezone(zone).date() for v in _replacements(part, node.node_id)})
        starts = [begin, *(cut + timedelta(days=1) for cut in cuts if begin <= cut < today)]
        ends = [start - timedelta(days=1) for start in starts[1:]] + [max(today, begin)]
        eras += [_Era(i, start, end) for start, end in zip(starts, ends, strict=True)]
    return eras


def _replacements(part: NumberedFleet, node_id: str) -> list[Visit]:
    return [v for v in part.fleet.visits if v.node_id == node_id and v.work == "storage-replaced"]


def _dense(
    part: NumberedFleet, eras: list[_Era], found: pa.Table, numbers: Counts, days: np.ndarray[Any, Any]
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Evidence as arrays (eras, longest era, columns), each from its era's first day; zero where there is none."""
    longest = max((era.last - era.first).days + 1 for era in eras)
    sums = np.zeros((len(eras), longest, SUMS), dtype=np.float32)
    resistance = np.zeros((len(eras), longest, STEPS), dtype=np.float32)
    values, steps = _matrix(found, "sums", SUMS), _matrix(found, "resistance", STEPS)
    for row, era in enumerate(eras):
        number = part.numbers[era.node]
        low, high = np.searchsorted(numbers, [number, number + 1])
        place = (days[low:high] - np.datetime64(era.first)).astype(int)
        inside = (place >= 0) & (place <= (era.last - era.first).days)
        sums[row, place[inside]] = values[low:high][inside]
        resistance[row, place[inside]] = steps[low:high][inside]
    return sums, resistance


def _matrix(table: pa.Table, column: str, width: int) -> np.ndarray[Any, Any]:
    """A column of lists as rows of numbers."""
    flat = table.column(column).combine_chunks().flatten().to_numpy(zero_copy_only=False)
    return np.asarray(flat).reshape(-1, width)


def _ratios(part: NumberedFleet, eras: list[_Era], path: np.ndarray[Any, Any]) -> pa.Table:
    """The path of each era where it changes, as rows of the table `ratios`."""
    new = np.ones(path.shape[:2], dtype=bool)
    new[:, 1:] = (path[:, 1:] != path[:, :-1]).any(axis=2)
    lengths = np.array([(era.last - era.first).days + 1 for era in eras])
    new &= np.arange(path.shape[1]) < lengths[:, None]
    row, day = np.nonzero(new)
    first = np.array([era.first for era in eras], dtype="datetime64[D]")
    # The ledger may begin a day before the evidence: the first ratios hold for all before, too.
    begin = np.where((day == 0) & np.isin(row, _first_rows(eras)), np.datetime64("1970-01-01"), first[row] + day)
    columns = {name: path[row, day, place] for name, place in zip(RATIO_COLUMNS, PATH_OF_RATIO, strict=True)}
    numbers = part.numbers[np.array([era.node for era in eras])][row]
    return pa.table({"node_no": numbers, "first": begin.astype("datetime64[D]"), **columns})


def _first_rows(eras: list[_Era]) -> Counts:
    nodes = np.array([era.node for era in eras])
    return np.flatnonzero(np.append(True, nodes[1:] != nodes[:-1]))

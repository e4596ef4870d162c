"""Estimates over the store: from the days' evidence to the posterior of each node and the ratios of its ledger."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from analysis import kalman, posterior
from analysis.quiet_runs import STEPS, SUMS
from analysis.run_days import NumberedFleet, Progress
from analysis.series import Counts
from ingest.store import Store, sql

PART_NODES = 1000  # estimated together: bounds memory
RATIOS = {
    "c": kalman.C, "e": kalman.E, "s": kalman.S, "cc": kalman.C_C, "ce": kalman.C_E, "cs": kalman.C_S,
    "ee": kalman.E_E, "es": kalman.E_S, "ss": kalman.S_S,
}  # fmt: skip
WORK_BITS = {"storage-replaced": kalman.STORAGE_REPLACED, "firmware": kalman.FIRMWARE}


@dataclass(frozen=True)
class Field:
    """What the evidence says of each node; arrays over nodes, and over days from each node's own first day.

    Attributes
    ----------
    first : list of date
        The node's first day.
    renewed : ndarray of int64
        Days from there to the present storage's first.
    days : ndarray of int64
        Days up to now.
    evidence_days : ndarray of int64
        Days since `renewed` that told something.
    mean, covariance, path, changes
        As in `posterior.Posterior`.
    resistance : ndarray, shape (nodes, days, STEPS)
    hidden_sleep : ndarray, shape (nodes, 2)
        `sleep_shift` and `sleep_hidden` of the posterior.
    """

    first: list[date]
    renewed: Counts
    days: Counts
    evidence_days: Counts
    mean: np.ndarray[Any, Any]
    covariance: np.ndarray[Any, Any]
    path: np.ndarray[Any, Any]
    changes: np.ndarray[Any, Any]
    resistance: np.ndarray[Any, Any]
    hidden_sleep: np.ndarray[Any, Any]


def update_field(
    store: Store, known: NumberedFleet, today: date, progress: Progress
) -> Iterator[tuple[NumberedFleet, Field]]:
    """Estimate every node from its evidence, write the ledger's ratios, and yield the fleet part by part."""
    parts = [known.only(known.numbers[low : low + PART_NODES]) for low in range(0, len(known.nodes), PART_NODES)]
    with store.write() as cursor:
        cursor.execute("DELETE FROM ratios")
    for done, part in enumerate(parts):
        progress("estimates", done, len(parts))
        field = estimate_field(read_evidence(store.cursor(), part), part, today)
        with store.write() as cursor:
            cursor.register("computed", _ratios(part, field))
            cursor.execute("INSERT INTO ratios BY NAME SELECT * FROM computed")
        yield part, field
    progress("estimates", len(parts), len(parts))


def read_evidence(cursor: duckdb.DuckDBPyConnection, part: NumberedFleet) -> pa.Table:
    """The evidence of the nodes by node and day, as the store holds it."""
    bounds = {"low": int(part.numbers[0]), "high": int(part.numbers[-1])}
    return cursor.execute(sql("read_evidence", "analysis"), bounds).to_arrow_table()


def estimate_field(found: pa.Table, part: NumberedFleet, today: date) -> Field:
    """What the evidence of `read_evidence` says of each node up to a day."""
    numbers = found.column("node_no").to_numpy()
    days = found.column("day").to_numpy().astype("datetime64[D]")
    rows = np.searchsorted(part.numbers, numbers)
    first = np.full(len(part.nodes), np.datetime64(today), dtype="datetime64[D]")
    np.minimum.at(first, rows, days)
    lengths = (np.datetime64(today) - first).astype(np.int64) + 1
    place = (days - first[rows]).astype(np.int64)
    inside = place < lengths[rows]
    sums, resistance = (
        _dense(found, name, width, rows[inside], place[inside], inside, (len(part.nodes), int(lengths.max())))
        for name, width in (("sums", SUMS), ("resistance", STEPS))
    )
    work, renewed = _work(part, first, lengths)
    now = posterior.estimate(sums, part.budgets, work)
    told = (sums != 0).any(axis=2) & (np.arange(sums.shape[1]) >= renewed[:, None])
    return Field(
        first.tolist(), renewed, lengths, told.sum(axis=1), now.mean, now.covariance, now.path, now.changes, resistance,
        np.column_stack([now.sleep_shift, now.sleep_hidden]),
    )  # fmt: skip


def _dense(
    found: pa.Table, column: str, width: int, rows: Counts, place: Counts, inside: Any, shape: tuple[int, int]
) -> np.ndarray[Any, Any]:
    """A column of lists as an array (nodes, days, width), zero where there is none."""
    flat = found.column(column).combine_chunks().flatten().to_numpy(zero_copy_only=False).reshape(-1, width)
    dense = np.zeros((*shape, width), dtype=np.float32)
    dense[rows, place] = flat[inside]
    return dense


def _work(part: NumberedFleet, first: np.ndarray[Any, Any], lengths: Counts) -> tuple[np.ndarray[Any, Any], Counts]:
    """The work done on each node by day, and the first day of its present storage."""
    work = np.zeros((len(lengths), int(lengths.max())), dtype=np.uint8)
    renewed = np.zeros(len(lengths), dtype=np.int64)
    row_of = {node.node_id: i for i, node in enumerate(part.nodes)}
    for visit in part.fleet.visits:
        row, bit = row_of.get(visit.node_id), WORK_BITS.get(visit.work)
        if row is None or bit is None:
            continue
        day = visit.at.astimezone(part.fleet.sites[part.nodes[row].site].zone).date()
        # The day's own quiet hours came before the work: what it changed shows from the next day on.
        k = int((np.datetime64(day) - first[row]).astype(np.int64)) + 1
        if 0 <= k < lengths[row]:
            work[row, k] |= bit
            if bit == kalman.STORAGE_REPLACED:
                renewed[row] = max(renewed[row], k)
    return work, renewed


def _ratios(part: NumberedFleet, field: Field) -> pa.Table:
    """The path of each node where it changes, as rows of the table `ratios`."""
    new = np.ones(field.path.shape[:2], dtype=bool)
    new[:, 1:] = (field.path[:, 1:] != field.path[:, :-1]).any(axis=2)
    new &= np.arange(field.path.shape[1]) < field.days[:, None]
    row, day = np.nonzero(new)
    first = np.array(field.first, dtype="datetime64[D]")
    # The ledger may begin before the evidence: the first ratios hold for all before, too.
    begin = np.where(day == 0, np.datetime64("1970-01-01"), first[row] + day)
    columns = {name: field.path[row, day, place] for name, place in RATIOS.items()}
    return pa.table({"node_no": part.numbers[row], "first": begin.astype("datetime64[D]"), **columns})


def since(field: Field, row: int, day: int) -> date:
    """The date of a node's day."""
    return field.first[row] + timedelta(days=day)

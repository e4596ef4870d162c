"""Estimates over the store: from the days' evidence to the posterior of each node and the ratios of its ledger."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
from numba import njit

from analysis import kalman, posterior, state
from analysis.cores import THREADS, shared_out
from analysis.quiet_runs import MEASURED, POINTS, SECONDS, SUMS
from analysis.run_carry import Dates, Earlier, held, read_earlier, standing_rows
from analysis.run_days import NumberedFleet, Progress
from analysis.series import Counts
from analysis.steps import STEPS
from ingest.store import Store, sql

PART_NODES = 1000  # estimated together: bounds memory
EVER = np.datetime64("1970-01-01")
WIDTHS = {"sums": SUMS, "resistance": STEPS}
RATIOS = {  # in the order of the path's columns
    "c": kalman.C, "e": kalman.E, "s": kalman.S, "l": kalman.L, "cc": kalman.C_C, "ce": kalman.C_E, "cs": kalman.C_S,
    "ee": kalman.E_E, "es": kalman.E_S, "ss": kalman.S_S,
}  # fmt: skip
WORK_BITS = {"storage-replaced": state.STORAGE_REPLACED, "firmware": state.FIRMWARE}


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
        Days since `renewed` on which what the node lives on rested.
    mean, covariance, path, changes
        As in `posterior.Posterior`.
    resistance : ndarray, shape (nodes, days, STEPS)
    hidden_sleep : ndarray, shape (nodes, 2)
        `sleep_shift` and `sleep_hidden` of the posterior.
    measured : ndarray of bool, shape (nodes,)
        Whether temperature, its own or lent, went with most of the late evidence.
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
    measured: np.ndarray[Any, Any]

    def only(self, kept: np.ndarray[Any, Any]) -> "Field":
        """The nodes for which the mask is true."""
        first = [day for day, wanted in zip(self.first, kept, strict=True) if wanted]
        return Field(first, *(getattr(self, f.name)[kept] for f in fields(self)[1:]))


def update_field(
    store: Store, known: NumberedFleet, today: date, progress: Progress
) -> Iterator[tuple[NumberedFleet, Field]]:
    """Estimate every node from its evidence, write the ledger's ratios, and yield the fleet part by part."""
    earlier = read_earlier(store.cursor(), today)
    anew = [np.setdiff1d(known.numbers, earlier.numbers)]
    begun = known.only(earlier.numbers).parts(PART_NODES)
    tasks: list[tuple[NumberedFleet, Earlier | None]] = [(part, earlier.only(part.numbers)) for part in begun]
    for _ in range(2):  # last, all days of the nodes whose turn it is, or that have outgrown where their filter stood:
        found = shared_out(lambda task: _update_part(store, task[0], task[1], today), tasks)
        for done, (part, field, left) in enumerate(found):
            progress("estimates", done + 1, len(tasks))
            anew.append(left)
            if len(part.nodes):
                yield part, field
        whole = known.only(np.concatenate(anew))  # their evidence lies all over the store, which is passed over once
        tasks = [(part, None) for part in whole.parts(min(PART_NODES, len(whole.nodes) // THREADS + 1))]


def _update_part(
    store: Store, part: NumberedFleet, earlier: Earlier | None, today: date
) -> tuple[NumberedFleet, Field, Counts]:
    """Estimate some nodes, and write what is known of them.

    Those that have outgrown where they stood `earlier` are left out; their numbers are returned, too.
    """
    cursor = store.cursor()
    since, standing, outgrown = np.full(len(part.nodes), EVER), None, part.numbers[:0]
    if earlier is None:
        field, standing = estimate_anew(read_evidence(cursor, part), part, today)
    else:
        found = read_evidence(cursor, part, earlier.day)
        field, left = carry_on(found, part, today, earlier, read_past(cursor, part, earlier))
        since, outgrown = earlier.day[~left], part.numbers[left]
        part, field = part.only(part.numbers[~left]), field.only(~left)
    cursor.close()
    with store.write() as writer:
        if len(part.nodes):
            _put(writer, part, field, since)
        if standing is not None:
            writer.register("computed", standing_rows(standing, today))
            writer.execute("DELETE FROM standings s USING wanted w WHERE s.node_no = w.node_no")
            writer.execute("INSERT INTO standings BY NAME SELECT * FROM computed")
    return part, field, outgrown


def _put(writer: duckdb.DuckDBPyConnection, part: NumberedFleet, field: Field, since: Dates) -> None:
    """Write the ledger's ratios from each node's day `since` on."""
    writer.register("wanted", _wanted(part, since))
    writer.execute("DELETE FROM ratios r USING wanted w WHERE r.node_no = w.node_no AND r.first >= w.since")
    writer.register("computed", _ratios(part, field, since))
    writer.execute("INSERT INTO ratios BY NAME SELECT * FROM computed")


def _wanted(part: NumberedFleet, since: Dates) -> pa.Table:
    return pa.table({"node_no": part.numbers, "since": since})


def read_evidence(cursor: duckdb.DuckDBPyConnection, part: NumberedFleet, since: Dates | None = None) -> pa.Table:
    """The evidence of the nodes by node and day, as the store holds it; of each node from its day `since` on."""
    begin = np.full(len(part.nodes), EVER) if since is None else since
    cursor.register("wanted", _wanted(part, begin))
    bounds = {"low": int(part.numbers[0]), "high": int(part.numbers[-1]), "first": begin.min().item()}
    return cursor.execute(sql("read_evidence", "analysis"), bounds).to_arrow_table()


def read_past(cursor: duckdb.DuckDBPyConnection, part: NumberedFleet, earlier: Earlier) -> tuple[pa.Table, pa.Table]:
    """What the store keeps of the days before the standings: the ratios; and the resistance of all days."""
    cursor.register("wanted", _wanted(part, earlier.day))
    bounds = {"low": int(part.numbers[0]), "high": int(part.numbers[-1])}
    ratios = cursor.execute(sql("read_ratios", "analysis"), bounds).to_arrow_table()
    return ratios, cursor.execute(sql("read_steps", "analysis"), bounds).to_arrow_table()


def estimate_field(found: pa.Table, part: NumberedFleet, today: date) -> Field:
    """What the evidence of `read_evidence` says of each node up to a day."""
    return estimate_anew(found, part, today)[0]


def estimate_anew(found: pa.Table, part: NumberedFleet, today: date) -> tuple[Field, Earlier]:
    """What the evidence of `read_evidence` says of each node up to a day, and where to carry on from another day."""
    rows, days = _places(found, part)
    first = np.full(len(part.nodes), np.datetime64(today), dtype="datetime64[D]")
    np.minimum.at(first, rows, days)
    lengths = _days_between(first, today) + 1
    sums, resistance = (_dense(found, name, rows, days, first, lengths) for name in ("sums", "resistance"))
    work, renewed = _work(part, first, lengths)
    now = posterior.estimate(sums, part.budgets, work, lengths)
    day = np.arange(sums.shape[1])
    told = (sums[..., SECONDS] > 0) & (day >= renewed[:, None])
    field = Field(
        first.tolist(), renewed, lengths, told.sum(axis=1), now.mean, now.covariance, now.path, now.changes, resistance,
        np.column_stack([now.sleep_shift, now.sleep_hidden]), _measured(sums),
    )  # fmt: skip
    known = day < now.earlier.day[:, None]
    last = np.where(now.changes & known, day, -1).max(axis=1)
    changed = np.where(last >= 0, first + last, np.datetime64("NaT"))
    start = posterior.Start(now.earlier, now.sleep_shift)
    return field, Earlier(
        part.numbers, first, first + now.earlier.day, (told & known).sum(axis=1), changed.astype("datetime64[D]"),
        field.measured, start,
    )  # fmt: skip


def carry_on(
    found: pa.Table, part: NumberedFleet, today: date, earlier: Earlier, past: tuple[pa.Table, pa.Table]
) -> tuple[Field, np.ndarray[Any, Any]]:
    """What the evidence since the standings says of each node up to a day, with what was found before them.

    Also for which nodes that is not enough, and the whole history must be gone through anew: `posterior.outgrown`.

    Parameters
    ----------
    past : tuple of pyarrow.Table
        Of `read_past`.
    """
    skip, rest = earlier.start.standing.day, _days_between(earlier.day, today) + 1
    lengths = skip + rest
    sums = _dense(found, "sums", *_places(found, part), earlier.day, rest)
    work, renewed = _work(part, earlier.first, lengths)
    later = np.minimum(skip[:, None] + np.arange(sums.shape[1]), work.shape[1] - 1)
    now = posterior.estimate(sums, part.budgets, np.take_along_axis(work, later, axis=1), rest, earlier.start)
    ratios, steps = past
    rows, days = _places(ratios, part, "first")
    day = np.arange(int(lengths.max()))
    path = held(
        np.column_stack([ratios.column(name).to_numpy() for name in RATIOS]),
        rows, np.maximum((days - earlier.first[rows]).astype(np.int64), 0), (len(lengths), len(day)),
    )  # fmt: skip
    changes = day == (earlier.changed - earlier.first).astype(np.int64)[:, None]
    added = (day >= skip[:, None]) & (day < lengths[:, None])
    given = np.arange(sums.shape[1]) < rest[:, None]
    path[added], changes[added] = now.path[given], now.changes[given]
    told = (sums[..., SECONDS] > 0) & (later >= renewed[:, None])
    field = Field(
        earlier.first.tolist(), renewed, lengths, told.sum(axis=1) + np.where(renewed <= skip, earlier.told, 0),
        now.mean, now.covariance, path, changes,
        _dense(steps, "resistance", *_places(steps, part), earlier.first, lengths),
        np.column_stack([now.sleep_shift, now.sleep_hidden]),
        np.where((sums[..., POINTS] > 0).any(axis=1), _measured(sums), earlier.measured),
    )  # fmt: skip
    return field, posterior.outgrown(now, earlier.start)


def _measured(sums: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Whether most days that tell something tell of temperature, of each node."""
    told = sums[..., POINTS] > 0
    return np.asarray((told & (sums[..., MEASURED] > 0.5)).sum(axis=1) > 0.5 * told.sum(axis=1))


def _places(found: pa.Table, part: NumberedFleet, day: str = "day") -> tuple[Counts, Dates]:
    """The node's row in the part, -1 of another node between its first and last, and the day, of each row."""
    low, high = part.numbers[0], part.numbers[-1]
    row = np.full(high - low + 1, -1)
    row[part.numbers - low] = np.arange(len(part.numbers))
    return row[found.column("node_no").to_numpy() - low], found.column(day).to_numpy().astype("datetime64[D]")


def _days_between(first: Dates, last: date) -> Counts:
    return (np.datetime64(last) - first).astype(np.int64)


def _dense(
    found: pa.Table, column: str, rows: Counts, days: Dates, first: Dates, lengths: Counts
) -> np.ndarray[Any, Any]:
    """A column of lists as an array (nodes, days from the node's `first` on, width), zero where there is none."""
    lists = found.column(column).combine_chunks()
    values, ends = lists.flatten().to_numpy(zero_copy_only=False), lists.offsets.to_numpy()
    dense = np.zeros((len(lengths), int(lengths.max()), WIDTHS[column]), dtype=np.float32)
    _put_down(values, ends - ends[0], rows, days.view(np.int64), first.view(np.int64), lengths, dense)
    return dense


@njit(cache=True, nogil=True)
def _put_down(values, ends, rows, days, first, lengths, dense):  # type: ignore[no-untyped-def]
    """Put each list of values, that from ends[i] to ends[i + 1], in its place, if it is of one of the nodes' days.

    Closed days of an earlier version may have lists of another length, which are left out.
    """
    for i, row in enumerate(rows):
        place = days[i] - first[row]
        if row >= 0 and ends[i + 1] - ends[i] == dense.shape[2] and 0 <= place < lengths[row]:
            dense[row, place] = values[ends[i] : ends[i + 1]]


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
            if bit == state.STORAGE_REPLACED:
                renewed[row] = max(renewed[row], k)
    return work, renewed


def _ratios(part: NumberedFleet, field: Field, since: Dates) -> pa.Table:
    """The path of each node where it changes from a day on, as rows of the table `ratios`."""
    first, day = np.array(field.first, dtype="datetime64[D]"), np.arange(field.path.shape[1])
    begin = np.maximum((since - first).astype(np.int64), 0)
    earliest, new = int(begin.min()), np.zeros(field.path.shape[:2], dtype=bool)
    late = field.path[:, earliest:]
    new[:, earliest + 1 :] = (late[:, 1:] != late[:, :-1]).any(axis=2)
    new[np.arange(len(begin)), begin] = True
    new &= (day >= begin[:, None]) & (day < field.days[:, None])
    row, place = np.nonzero(new)
    # The ledger may begin before the evidence: the first ratios hold for all before, too.
    at = np.where(place == 0, EVER, first[row] + place)
    columns = {name: field.path[row, place, column] for name, column in RATIOS.items()}
    return pa.table({"node_no": part.numbers[row], "first": at.astype("datetime64[D]"), **columns})

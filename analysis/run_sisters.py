"""Lets sisters tell of each other's scale, over the store: the estimates, and the ledger's ratios with them."""

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numba import njit

from analysis import kalman, sisters
from analysis import state as places
from analysis.cores import shared_out
from analysis.evidence import middle_voltage
from analysis.held import held_over, seconds_full
from analysis.kalman import C_C
from analysis.run_books import read_sums
from analysis.run_days import NumberedFleet
from analysis.run_field import Field
from analysis.series import Counts, Floats, by_budget, ranges
from analysis.storage import leakage_power
from ingest.budget import SECONDS_PER_DAY
from ingest.store import Store

Fields = list[tuple[NumberedFleet, Field]]

FIRST_DAYS = 120  # of a node's storage that tell its level: before most faults
EARLY_DAYS = 60  # after which its parts are looked at
MOST_OPEN = 0.2**2  # variance of the logarithm of a harvest: one in more doubt is what is left of gains and losses
LEAST = 0.05  # ratio of a part to its budget's
WHOLE_DAY = 0.9  # of a day that must have been seen
LINES = [places.CAPACITY, places.WAKE, places.SLEEP, places.LEAK]
ON_PATH = (
    [places.CAPACITY, places.FADE],
    [places.WAKE],
    [places.SLEEP],
    [places.LEAK, places.RISE],
)  # as its columns are


@dataclass(frozen=True)
class Present:
    """What the parts know, by the places of the fleet's nodes."""

    part: Counts  # in which part each node is,
    row: Counts  # and where in it
    first: np.ndarray  # its first day,
    since: np.ndarray  # and that of its present storage
    early: Floats  # its path EARLY_DAYS after that, shape (nodes, PATH)

    @classmethod
    def of(cls, known: NumberedFleet, fields: Fields) -> "Present":
        """Of all parts."""
        count = len(known.nodes)
        part, row = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        first, since = (np.zeros(count, dtype="datetime64[D]") for _ in range(2))
        early = np.zeros((count, kalman.PATH))
        for i, (numbered, field) in enumerate(fields):
            at = np.searchsorted(known.numbers, numbered.numbers)
            part[at], row[at] = i, np.arange(len(at))
            first[at] = np.array(field.first, dtype="datetime64[D]")
            since[at] = first[at] + field.renewed
            early[at] = field.path[row[at], np.minimum(field.renewed + EARLY_DAYS, field.days - 1)]
        return cls(part, row, first, since, early)


def settle(store: Store, known: NumberedFleet, fields: Fields) -> tuple[Fields, pa.Table]:
    """`by_sisters` over the store, whose ledger follows; returned with the days' sums."""
    sums = read_sums(store)
    fields, scales = by_sisters(known, fields, sums)
    with store.write() as cursor:
        cursor.register("computed", scales)
        cursor.execute("DELETE FROM scales")
        cursor.execute("INSERT INTO scales BY NAME SELECT * FROM computed")
    return fields, sums


def by_sisters(known: NumberedFleet, fields: Fields, sums: pa.Table) -> tuple[Fields, pa.Table]:
    """The estimates with what sisters tell of each scale, and the table `scales`, by which the ledger follows.

    `sums` are the days' sums, by node_no and day. The paths given are changed.
    """
    present = Present.of(known, fields)
    gradient, found = _harvests(known, fields, sums, present)
    along, open_ = np.zeros_like(gradient), np.zeros(len(gradient))
    for part, field in fields:
        at = np.searchsorted(known.numbers, part.numbers)
        along[at] = np.einsum("nij,nj->ni", field.covariance, gradient[at])
        open_[at] = (along[at] * gradient[at]).sum(axis=1)
    open_[open_ > MOST_OPEN] = 0.0
    scatter = sisters.scatter(*_parts(known, present))
    tolerance = np.array([budget.harvest.tolerance for budget in known.budgets])
    off, told = sisters.shares(found, scatter * open_, _kinds(known), tolerance)
    left = np.where(open_ > 0, scatter * (1.0 - told), 1.0)
    per = along / np.where(open_ > 0, open_, np.inf)[:, None]
    moved, narrower = per * off[:, None], per * np.sqrt((1.0 - left) * open_)[:, None]
    by_log = np.stack([moved[:, states].sum(axis=1) for states in ON_PATH], axis=1)
    toward = gradient[:, LINES[:3]]

    def led(task: tuple[NumberedFleet, Field]) -> tuple[NumberedFleet, Field]:
        part, field = task
        at = np.searchsorted(known.numbers, part.numbers)
        _lead_path(field.path, by_log[at], toward[at], left[at])
        covariance = field.covariance - narrower[at][:, :, None] * narrower[at][:, None, :]
        return part, replace(field, mean=field.mean + moved[at], covariance=covariance)

    columns = {f"k{name}": np.exp(by_log[:, i]) for i, name in enumerate("ces")}
    columns |= {f"g{name}": toward[:, i] for i, name in enumerate("ces")}
    return list(shared_out(led, fields)), pa.table({"node_no": known.numbers, "kept": left} | columns)


def _kinds(known: NumberedFleet) -> Counts:
    """Numbers that sisters have in common."""
    kinds: dict[tuple[str, str], int] = {}
    return np.array([kinds.setdefault((node.site, node.budget), len(kinds)) for node in known.nodes])


def _parts(known: NumberedFleet, present: Present) -> tuple[Floats, Floats, Floats]:
    """How far early capacity, wake energy and sleep were from the budget's, with their doubt, and the budget's own."""
    tolerances = np.array([
        (b.storage.capacitance_tolerance, b.load.wake_tolerance, b.load.sleep_tolerance) for b in known.budgets
    ])  # fmt: skip
    # What harvest hides of a sleep that has fallen may leave less than nothing of it.
    ratio = np.maximum(present.early[:, [kalman.C, kalman.E, kalman.S]], LEAST)
    covariance, place = np.zeros((len(ratio), 3, 3)), kalman.C_C
    for i in range(3):
        for j in range(i, 3):
            covariance[:, i, j] = covariance[:, j, i] = present.early[:, place] / (ratio[:, i] * ratio[:, j])
            place += 1
    return np.log(ratio), covariance, np.sqrt(np.log1p(np.maximum(tolerances, 0.01) ** 2))


def _harvests(known: NumberedFleet, fields: Fields, sums: pa.Table, present: Present) -> tuple[Floats, sisters.Levels]:
    """What the logarithm of each node's harvest gains by its states, and the level of it, of its first days."""
    number, nodes = sums.column("node_no").to_numpy(), len(known.nodes)
    rows, of = ranges(*np.searchsorted(number, [known.numbers, known.numbers + 1]))
    day = sums.column("day").to_numpy().astype("datetime64[D]")[rows]
    kept = (day >= present.since[of]) & (day < present.since[of] + FIRST_DAYS)
    rows, of, day = rows[kept], of[kept], day[kept]

    def column(name: str) -> Floats:
        return np.asarray(sums.column(name).to_numpy().take(rows))

    counts_from = np.array([own.counts_from for own in held_over(sums, known.numbers, known.budgets)])[of]
    seen = (column("observed_s") >= WHOLE_DAY * SECONDS_PER_DAY) & ~np.isfinite(column("lost_j"))
    full = seconds_full(column("full_s"), column("top_v"), column("top_s"), counts_from) > 0
    often = np.bincount(of[seen & full], minlength=nodes) / np.maximum(np.bincount(of[seen], minlength=nodes), 1)
    kept = seen & ~full
    rows, of, day = rows[kept], of[kept], day[kept]
    ratios, place = np.empty((len(rows), len(ON_PATH))), (day - present.first[of]).astype(np.int64)
    for i, (_, field) in enumerate(fields):
        mine = np.flatnonzero(present.part[of] == i)
        row = present.row[of[mine]]
        ratios[mine] = field.path[row, np.clip(place[mine], 0, field.days[row] - 1)][:, : len(ON_PATH)]
    leakage = np.empty(nodes)
    for budget, alike in by_budget(known.budgets):
        leakage[alike] = leakage_power(budget.storage, middle_voltage(budget))
    lines = [column("stored_j"), column("wake_j"), column("sleep_j"), leakage[of] * column("observed_s")]
    lines = [ratio * line for ratio, line in zip(ratios.T, lines, strict=True)]
    harvest = np.sum(lines, axis=0)
    total = np.bincount(of, harvest, nodes)
    gradient = np.zeros((nodes, places.STATES))
    for state, line in zip(LINES, lines, strict=True):
        gradient[:, state] = np.bincount(of, line, nodes) / np.where(total > 0, total, np.inf)
    since = (day - day.min()).astype(np.int64) if len(day) else place
    return gradient, sisters.levels(of, since, harvest, _kinds(known), often)


@njit(cache=True, nogil=True, error_model="numpy")
def _lead_path(path, moved, toward, left):  # type: ignore[no-untyped-def]
    """Let a part's ratios follow: moved in their logarithms, and of the variance along `toward` only a share `left`."""
    along = np.empty(3)
    for n in range(len(path)):
        factor, g = np.exp(moved[n]), toward[n]
        for day in range(path.shape[1]):
            row = path[n, day]
            for i in range(len(factor)):
                row[i] *= factor[i]
            place = C_C
            along[:] = 0.0
            for i in range(3):
                for j in range(i, 3):
                    row[place] *= factor[i] * factor[j]
                    if row[j] > 0.0:
                        along[i] += row[place] * g[j] / row[j]
                    if i != j and row[i] > 0.0:
                        along[j] += row[place] * g[i] / row[i]
                    place += 1
            total = 0.0
            for i in range(3):
                if row[i] > 0.0:
                    total += along[i] * g[i] / row[i]
            if total > 0.0:
                place = C_C
                for i in range(3):
                    for j in range(i, 3):
                        row[place] -= (1.0 - left[n]) * along[i] * along[j] / total
                        place += 1

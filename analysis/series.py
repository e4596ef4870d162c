"""The reports of many nodes side by side, as the kernels read them."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from numba import njit

from ingest.budget import SECONDS_PER_DAY, Budget

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]
Thing = TypeVar("Thing")


@dataclass(frozen=True)
class Series:
    """Reports of consecutive nodes, sorted by node and time.

    Attributes
    ----------
    offsets : ndarray of int64, shape (nodes + 1,)
        Node i has the rows offsets[i] to offsets[i + 1].
    time : ndarray, shape (rows,)
        Observation time, seconds since 1970 UTC, strictly rising within a node. [s]
    storage_v, loaded_v, temp_c : ndarray, shape (rows,)
        [V], [V], [degC]; NaN marks what was not reported (never in storage_v).
    wakes, boot : ndarray of int64, shape (rows,)
        Cumulative counters as the node keeps them; boot is `ingest.counters.BOOT_MISSING` where not reported.
    """

    offsets: Counts
    time: Floats
    storage_v: Floats
    wakes: Counts
    loaded_v: Floats
    temp_c: Floats
    boot: Counts

    @property
    def nodes(self) -> int:
        """How many nodes."""
        return len(self.offsets) - 1


@dataclass(frozen=True)
class Calendar:
    """A run of a site's calendar days: `midnights[i]` begins day `first + i`; the last entry ends the last day. [s]"""

    first: date
    midnights: Floats

    @property
    def days(self) -> int:
        """How many days."""
        return len(self.midnights) - 1


def calendar(zone: ZoneInfo, first: date, days: int) -> Calendar:
    """The site days from `first`, with their true lengths (23 h or 25 h where the clocks change)."""
    starts = [datetime.combine(first + timedelta(days=i), time(), zone).timestamp() for i in range(days + 1)]
    return Calendar(first, np.array(starts))


def ranges(low: Counts, high: Counts) -> tuple[Counts, Counts]:
    """The places from low[i] up to high[i], one after another, and to which i each belongs."""
    count = high - low
    owner = np.arange(len(low)).repeat(count)
    return np.arange(len(owner)) + (low - np.cumsum(count) + count)[owner], owner


def in_order(place: Counts, time: npt.NDArray[Any]) -> Counts:
    """Rows in order of place and time; few are out of order of time, and without these it is enough to count places."""
    order, ends = np.empty(len(place), dtype=np.int64), np.cumsum(np.bincount(place))
    return order if _counted(place, time, ends, order) else np.lexsort((time, place))


@njit(cache=True, nogil=True)
def _counted(place, time, ends, order):  # type: ignore[no-untyped-def]
    """Fill in the rows in order of place, as they follow each other; whether they are in order of time, too."""
    after = np.full(len(ends), -1)
    for i in range(len(place) - 1, -1, -1):
        p = place[i]
        if after[p] >= 0 and time[after[p]] < time[i]:
            return False
        after[p] = i
        ends[p] -= 1
        order[ends[p]] = i
    return True


def a_day(amount: npt.ArrayLike, observed_s: npt.ArrayLike) -> Floats:
    """What was seen of each day, scaled to the whole of it; NaN where less than half was seen. [amount/d]"""
    seen = np.asarray(observed_s, dtype=float)
    whole = np.where(seen >= SECONDS_PER_DAY / 2, SECONDS_PER_DAY / np.maximum(seen, 1.0), np.nan)
    return np.asarray(amount, dtype=float) * whole


def means(values: Floats, kept: npt.NDArray[np.bool_], offsets: Counts) -> Floats:
    """Mean of each node's values where `kept`, NaN of none; node i has those from offsets[i] to offsets[i + 1]."""
    ends = np.append(0, np.cumsum(kept))[offsets]
    count = np.diff(ends)
    has, found = count > 0, np.full(len(count), np.nan)
    if has.any():
        found[has] = np.add.reduceat(values[kept], ends[:-1][has]) / count[has]
    return found


def alike(things: list[Thing]) -> list[tuple[Thing, Counts]]:
    """The things, each once, and the places at which it stands."""
    kinds = {id(thing): thing for thing in things}
    of = np.array([id(thing) for thing in things], dtype=np.int64)
    return [(thing, np.flatnonzero(of == name)) for name, thing in kinds.items()]


def by_budget(budgets: list[Budget]) -> list[tuple[Budget, Counts]]:
    """The budgets of nodes, each once, and the places of the nodes that have it."""
    return alike(budgets)

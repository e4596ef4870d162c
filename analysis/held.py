"""The voltage at which a node is full: its budget's, less or more what charger and converter err."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from analysis.ledger import full_margin
from analysis.series import Counts, by_budget
from ingest.budget import Budget

Array = npt.NDArray[np.float64]

BACK_DAYS = 60  # that are looked at together, the latest first: what was full in summer is so in winter,
LEAST_DAYS = 5  # of which so many must have had the same highest voltage,
LEAST_S = 20 * 3600.0  # for so long in all,
ABOVE_SHARE = 0.2  # and so few, of these, a higher one
REACH = 0.04  # of full voltage: thresholds and references are good to 1 to 3 % (common practice, no source)
HIGHEST_SHARE = 0.9  # of the days' highest voltages do not pass what a node is said to read at most


class Held(NamedTuple):
    """At what voltage a node is full, and the most that it reads then. [V]"""

    full: float
    highest: float
    counts_from: float = np.nan  # at or above it a day's highest voltage is full; NaN: as by the budget
    usual: float = np.nan  # a day's highest voltage when full; NaN: never seen full


@njit(cache=True, nogil=True)
def _held(top_v, top_s, low, high, margin):  # type: ignore[no-untyped-def]
    """The highest voltage that most time was spent at, of those within limits; NaN where none is held."""
    best, most = np.nan, 0.0
    for level in top_v:
        if not low <= level <= high:
            continue
        days, above, seconds, volts = 0, 0, 0.0, 0.0
        for v, s in zip(top_v, top_s):  # noqa: B905 - numba knows no strict
            if abs(v - level) <= margin:
                days, seconds, volts = days + 1, seconds + s, volts + s * v
            elif v > level:
                above += 1
        if days >= LEAST_DAYS and above <= ABOVE_SHARE * days and seconds >= LEAST_S and seconds > most:
            best, most = volts / seconds, seconds
    return best


def held_at(top_v: Array, top_s: Array, offsets: Counts, budgets: list[Budget]) -> list[Held]:
    """Each node's own full voltage, from the last of its days on which it was full.

    Parameters
    ----------
    top_v, top_s : ndarray, shape (days,)
        Highest voltage of each day, and the time at it. [V, s] NaN where not known.
    offsets : ndarray of int64, shape (nodes + 1,)
        Node i has the days offsets[i] to offsets[i + 1].
    budgets : list of Budget
        One a node.

    Notes
    -----
    A charger's threshold and the converter's reference are each good to a per cent or more, so a node may never read
    its budget's full voltage and yet be full every day. Full is where the days' highest voltages agree, time and again.
    Warmth moves a full capacitor's voltage above its full one, but not its charge. A battery's voltage tells of another
    threshold above the budget's only: below, it may be flat for months.
    """
    figures, found = np.empty((len(budgets), 3)), np.empty((len(budgets), len(Held._fields)))
    for budget, rows in by_budget(budgets):
        figures[rows] = budget.storage.full_voltage, full_margin(budget), budget.storage.is_battery
    _held_each(top_v, top_s, offsets, figures, found)
    return [Held(*row) for row in found.tolist()]


@njit(cache=True, nogil=True)
def _held_each(top_v, top_s, offsets, figures, found):  # type: ignore[no-untyped-def]
    for n, (full, margin, battery) in enumerate(figures):
        days = slice(offsets[n], offsets[n + 1])
        found[n, :] = _held_at(top_v[days], top_s[days], full, margin, battery > 0.0)


@njit(cache=True, nogil=True)
def _held_at(top_v, top_s, full, margin, battery):  # type: ignore[no-untyped-def]
    """The columns of `Held`, of the latest BACK_DAYS in which the node was full."""
    known = np.flatnonzero(np.isfinite(top_v) & (top_s > 0))
    for end in range(len(known), 0, -BACK_DAYS):
        days = known[max(end - BACK_DAYS, 0) : end]
        volts = top_v[days]
        if not battery:
            own = _held(volts, top_s[days], (1 - REACH) * full, full + margin, margin / 2)
            if own < full - margin / 2:
                return own, own, own - margin, own
        reached = np.sort(volts[volts >= full - margin])
        if len(reached) >= LEAST_DAYS:
            usual = _quantile(reached, 0.5)
            own = usual if battery else full
            return max(full, own), max(full, _quantile(reached, HIGHEST_SHARE)), np.nan, usual
    return full, full, np.nan, np.nan


@njit(cache=True, nogil=True)
def _quantile(ordered, share):  # type: ignore[no-untyped-def]
    """Of values in order, read linearly between two."""
    place = (len(ordered) - 1) * share
    low = int(place)
    high, part = min(low + 1, len(ordered) - 1), place - low
    step = ordered[high] - ordered[low]
    return ordered[low] + step * part if part < 0.5 else ordered[high] - step * (1 - part)


def seconds_full(full_s: Array, top_v: Array, top_s: Array, counts_from: Array | float) -> Array:
    """Time of each day at the node's own full voltage (of `Held`) [s], as in the view `ledger`."""
    return np.where(top_v >= counts_from, np.maximum(full_s, top_s), full_s)

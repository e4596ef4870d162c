"""The voltage at which a node is full: its budget's, less or more what charger and converter err."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from numba import njit

from analysis.evidence import middle_voltage
from analysis.ledger import full_margin, near_top
from analysis.load import load_power
from analysis.series import Counts, by_budget, ranges
from analysis.storage import storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget

Array = npt.NDArray[np.float64]

BACK_DAYS = 60  # that are looked at together, the latest first: what was full in summer is so in winter,
LEAST_DAYS = 5  # of which so many must have had the same highest voltage,
LEAST_S = 20 * 3600.0  # for so long in all,
ABOVE_SHARE = 0.2  # and so few, of these, a higher one
REACH = 0.04  # of full voltage: thresholds and references are good to 1 to 3 % (common practice, no source)
CELL_LOAD = 0.3  # of a day's load, at most, moves a cell through a band in which its days are said to agree,
CELL_STEPS = 3.0  # which must be as many converter steps wide, or the curve is too flat there to tell,
CELL_DAYS = 10  # on so many days,
CELL_DRIFT = 0.01  # and by so much a day, at most, all one way: more, and the cell is on its way
LEVELS = 41  # at which the width of that band is known
HIGHEST_SHARE = 0.9  # of the days' highest voltages do not pass what a node is said to read at most


class Held(NamedTuple):
    """At what voltage a node is full, and the most that it reads then. [V]"""

    full: float
    highest: float
    counts_from: float = np.nan  # at or above it a day's highest voltage is full; NaN: as by the budget
    usual: float = np.nan  # a day's highest voltage when full; NaN: never seen full


@njit(cache=True, nogil=True)
def _held(top_v, top_s, low, high, band, battery):  # type: ignore[no-untyped-def]
    """The highest voltage that most time was spent at, of those within limits; NaN where none is held.

    `band` is how far a day's highest voltage may be off, at even levels from `low` to `high`; zero: it does not tell.
    """
    best, most = np.nan, 0.0
    least = CELL_DAYS if battery else LEAST_DAYS
    for level in top_v:
        if not low <= level <= high:
            continue
        near = band[int((level - low) / (high - low) * (len(band) - 1))]
        days, above, seconds, volts = 0, 0, 0.0, 0.0
        for v, s in zip(top_v, top_s):  # noqa: B905 - numba knows no strict
            if abs(v - level) <= near:
                days, seconds, volts = days + 1, seconds + s, volts + s * v
            elif v > level:
                above += 1
        if near <= 0.0 or days < least or above > ABOVE_SHARE * days or seconds < LEAST_S or seconds <= most:
            continue
        if not battery or abs(_trend(top_v, level, near, days)) <= CELL_DRIFT / CELL_LOAD * near * days:
            best, most = volts / seconds, seconds
    return best


@njit(cache=True, nogil=True)
def _trend(top_v, level, near, days):  # type: ignore[no-untyped-def]
    """Mean of the second half of the days that agree with a level, less that of the first. [V]"""
    place, halves = 0, np.zeros(2)
    for v in top_v:
        if abs(v - level) <= near:
            halves[2 * place // days] += v
            place += 1
    return halves[1] / (days - (days + 1) // 2) - halves[0] / ((days + 1) // 2)


def _band(budget: Budget, low: float, high: float) -> Array:
    """How far a day's highest voltage may be off the one at which the node is full, at LEVELS from low to high. [V]

    A capacitor's by its margin. The voltage of a cell may stand still for weeks where its curve is flat: there, days
    agree only within what a small part of a day's load moves it by.
    """
    margin, storage = full_margin(budget) / 2, budget.storage
    if not storage.is_battery:
        return np.full(LEVELS, margin)
    level, curve = np.linspace(low, high, LEVELS), storage_curve(storage)
    per_volt = np.interp(level, curve.voltage, curve.per_volt)
    day = float(load_power(budget.load, middle_voltage(budget))) * SECONDS_PER_DAY
    wide = np.minimum(margin, CELL_LOAD * day / np.maximum(per_volt, 1e-9) / 2)
    return np.where(2 * wide >= CELL_STEPS * budget.telemetry.adc_step, wide, 0.0)


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
    Warmth moves a full capacitor's voltage above its full one, but not its charge. A cell's voltage may stand still for
    months far from full: below the budget's it tells of another threshold only where its curve is steep enough.
    """
    figures, found = np.empty((len(budgets), 4)), np.empty((len(budgets), len(Held._fields)))
    bands = np.empty((len(budgets), LEVELS))
    for budget, rows in by_budget(budgets):
        full, margin = budget.storage.full_voltage, full_margin(budget)
        floats = margin if budget.storage.is_battery else near_top(budget)
        figures[rows] = full, margin, floats, budget.storage.is_battery
        bands[rows] = _band(budget, (1 - REACH) * full, full + margin)
    _held_each(top_v, top_s, offsets, figures, bands, found)
    return [Held(*row) for row in found.tolist()]


def held_over(days: pa.Table, numbers: Counts, budgets: list[Budget]) -> list[Held]:
    """Each node's own full voltage, from the columns `node_no` (rising), `top_v` and `top_s` of a ledger.

    Parameters
    ----------
    numbers : ndarray of int64
        The nodes' node_no.
    budgets : list of Budget
        One a node.
    """
    low, high = np.searchsorted(days.column("node_no").to_numpy(), [numbers, numbers + 1])
    rows, _ = ranges(low, high)
    top_v, top_s = (days.column(name).to_numpy().take(rows) for name in ("top_v", "top_s"))
    return held_at(top_v, top_s, np.append(0, np.cumsum(high - low)), budgets)


@njit(cache=True, nogil=True)
def _held_each(top_v, top_s, offsets, figures, bands, found):  # type: ignore[no-untyped-def]
    for n, (full, margin, floats, battery) in enumerate(figures):
        days = slice(offsets[n], offsets[n + 1])
        found[n, :] = _held_at(top_v[days], top_s[days], full, margin, floats, bands[n], battery > 0.0)


@njit(cache=True, nogil=True)
def _held_at(top_v, top_s, full, margin, floats, band, battery):  # type: ignore[no-untyped-def]
    """The columns of `Held`, of the latest BACK_DAYS in which the node was full.

    `floats` is how far below its full voltage a day's highest may be when it is full: as far as a capacitor outdoors
    sinks in the cold at the same charge.
    """
    known = np.flatnonzero(np.isfinite(top_v) & (top_s > 0))
    for end in range(len(known), 0, -BACK_DAYS):
        days = known[max(end - BACK_DAYS, 0) : end]
        volts = top_v[days]
        own = _held(volts, top_s[days], (1 - REACH) * full, full + margin, band, battery)
        if own < full - margin / 2:
            return own, own, own - floats, own
        reached = np.sort(volts[volts >= full - margin])
        if len(reached) >= LEAST_DAYS:
            usual = _quantile(reached, 0.5)
            own = usual if battery else full
            # One that stands a little below its budget's full voltage would be full or not by its converter's noise.
            of_its_own = not battery and (floats > margin or usual < full)
            counts_from = min(full, usual) - floats if of_its_own else np.nan
            return max(full, own), max(full, _quantile(reached, HIGHEST_SHARE)), counts_from, usual
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

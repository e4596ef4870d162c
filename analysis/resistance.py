"""Series resistance from the steps of voltage at a wake: now against its own beginning, at 25 degC."""

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from analysis.daily import medians
from analysis.evidence import middle_voltage
from analysis.series import Counts, Floats
from analysis.steps import STEP_COUNT, STEP_OHM, STEP_VAR, STEP_WARMTH
from analysis.storage import storage_curve
from analysis.warmth import KINDS
from ingest.budget import Budget

BASELINE_DAYS, RECENT_DAYS = 30, 14  # that tell how it was at first, and how it is
WARMTH_PRIOR = (-0.008, 0.006)  # ln resistance per kelvin, mean and sd: x1.5 to x2 from 20 to -40 degC (from memory)
# Of resistance, one sd, where no temperature is reported, in halls and where it may be the open air: 1.2 % a kelvin
# (from memory) over 4 K and over a year's 16.
UNMEASURED = (0.05, 0.2)
SHARED_NOISE = 1.5  # a day's noise is in two differences: so many times as little do they tell (white against white)
PARTS_OFF = 0.3  # ln resistance of a part about its budget's, one sd (common practice, no source);
DATA_SHEET_OFF = 0.15  # and of all parts of a kind (our own judgement);
LEAST_OFF = 0.01  # of the budget's resistance


class Resistance(NamedTuple):
    """Series resistance at 25 degC: now, and over the baseline; NaN where there are too few steps."""

    ohm: float
    ohm_sd: float
    ratio: float
    ratio_sd: float
    rose: float = math.nan  # days of the era until it began to change


def resistances(
    steps: np.ndarray[Any, Any], first: Counts, last: Counts, off: Floats | float = UNMEASURED[0]
) -> list[Resistance]:
    """Series resistance of each node from its daily steps of one era.

    Parameters
    ----------
    steps : ndarray, shape (nodes, days, STEPS)
        Columns STEP_OHM [ohm], STEP_VAR [ohm^2], STEP_COUNT, STEP_WARMTH [K from 25 degC], zero rows where none.
    first, last : ndarray of int64, shape (nodes,)
        The era's first day, and the one after its last.
    off : float or ndarray, shape (nodes,)
        Of `unmeasured`.
    """
    found = np.full((len(steps), 5), np.nan)
    _resistances(steps, np.asarray(first), np.asarray(last), np.broadcast_to(off, len(steps)), found)
    return [Resistance(*row) for row in found.tolist()]


def unmeasured(budget: Budget) -> float:
    """How far resistance may be off, one relative standard deviation, where nobody measured how warm it was."""
    return UNMEASURED[KINDS.get(budget.harvest.source) != "hall"]


def at_usual_warmth(ohm: Floats, ohm_sd: Floats, warmth: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Resistances that no thermometer was near, brought to 25 degC by what is usual there, with their doubt. [ohm]

    Parameters
    ----------
    warmth, sd : ndarray
        What is usual, from 25 degC, and how far off it may be; 0 where the temperature was measured. [K]
    """
    by, by_sd = WARMTH_PRIOR
    factor = np.exp(-by * warmth)
    doubt = ohm * factor * np.hypot(by * sd, by_sd * warmth)
    return ohm * factor, np.hypot(ohm_sd * factor, doubt)


def fall_of_wake(first: Floats, budget: Budget) -> tuple[float, float]:
    """What the wake's own charge adds to step over current, and the standard deviation of that. [ohm]

    Parameters
    ----------
    first : ndarray, shape (nodes, 2)
        Of `first_steps`, of all nodes of the budget.

    Notes
    -----
    A wake of duration t takes the storage down by I t / C beside the I R of its resistance: where the lowest voltage is
    that of the wake's end, step over current is R + t / C (closed form); where it is read at once, or the current flows
    at the beginning only, R. What firmware does is told by how well the budget's resistance fits either reading, over
    the first month of all nodes of the budget, and where both fit, or the budget states none, that is left open.
    """
    storage, first = budget.storage, first[np.isfinite(first[:, 0])]
    if not len(first):
        return 0.0, 0.0
    curve = storage_curve(storage)
    middle = middle_voltage(budget)
    low, high = 0.95 * middle, 1.05 * middle
    farad = float(curve.charge_at(high) - curve.charge_at(low)) / (high - low)
    fall = budget.load.wake_duration / farad if farad > 0 else 0.0
    if storage.esr == 0:
        return fall / 2, fall / 2
    typical, degrees = np.median(first, axis=0)
    measured, (by, by_sd) = math.isfinite(degrees), WARMTH_PRIOR
    of_warmth = by * degrees if measured else 0.0
    season = by_sd * abs(degrees) if measured else unmeasured(budget)
    sd = math.hypot(PARTS_OFF / math.sqrt(len(first)), DATA_SHEET_OFF, season)
    at_once, at_end = (
        (math.log(max(ohm / storage.esr, LEAST_OFF)) - of_warmth) / sd for ohm in (typical, typical - fall)
    )
    chance = 1 / (1 + math.exp(np.clip((at_end**2 - at_once**2) / 2, -50.0, 50.0)))
    return chance * fall, math.sqrt(chance * (1 - chance)) * fall


def first_steps(steps: np.ndarray[Any, Any]) -> Floats:
    """Medians of the first month of each node: STEP_OHM, and STEP_WARMTH where all of it is known; NaN without steps.

    `steps` as for `resistances`; shape (nodes, 2).
    """
    seen = steps[..., STEP_COUNT] > 0
    count = seen.cumsum(axis=1)
    node, day = np.nonzero(seen & (count <= BASELINE_DAYS))
    days = np.full((2, len(steps), BASELINE_DAYS), np.nan, dtype=steps.dtype)
    days[:, node, count[node, day] - 1] = steps[node, day][:, [STEP_OHM, STEP_WARMTH]].T
    unknown = np.isnan(steps[node, day, STEP_WARMTH])
    middle = np.stack([medians(column) for column in days], axis=1)
    middle[node[unknown], 1] = np.nan
    return middle


def without_fall(steps: np.ndarray[Any, Any], falls: Floats, capacity: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Steps, shape (nodes, days, STEPS), less each node's `falls` of `fall_of_wake` at its `capacity` of each day.

    `capacity` is the ratio to the budget's, shape (nodes, days).
    """
    seen = steps[..., STEP_COUNT] > 0
    freed = steps.copy()
    freed[..., STEP_OHM] -= np.where(seen, falls[:, None] / np.where(seen, capacity, 1.0), 0.0)
    return freed


@njit(cache=True, nogil=True, error_model="numpy")
def _resistances(steps, first, last, off, found):  # type: ignore[no-untyped-def]
    """Fill in the columns of `Resistance`."""
    days = steps.shape[1]
    seen, ohm, var, warmth = np.empty(days, dtype=np.int64), np.empty(days), np.empty(days), np.empty(days)
    for node in range(len(steps)):
        n = 0
        for day in range(first[node], last[node]):
            if steps[node, day, STEP_COUNT] > 0:
                seen[n], ohm[n], var[n] = day, steps[node, day, STEP_OHM], steps[node, day, STEP_VAR]
                warmth[n] = steps[node, day, STEP_WARMTH]
                n += 1
        if n < 3:
            continue
        slope, slope_sd = _by_warmth(ohm[:n], warmth[:n])
        old = new = 0
        for i in range(n):
            if math.isfinite(warmth[i]):
                ohm[i] *= math.exp(-slope * warmth[i])
            old += seen[i] < seen[0] + BASELINE_DAYS
            new += seen[i] > seen[n - 1] - RECENT_DAYS
        warmer = np.nanmean(warmth[n - new : n]) - np.nanmean(warmth[:old])
        value, value_sd = _mean(ohm[n - new : n], var[n - new : n])
        base, base_sd = _mean(ohm[:old], var[:old])
        found[node, 0], found[node, 1] = value, value_sd
        if value > 0 and base > 0 and seen[n - 1] - seen[0] >= RECENT_DAYS:
            season = slope_sd * warmer if math.isfinite(warmer) else off[node]
            found[node, 2] = value / base
            found[node, 3] = value / base * math.sqrt((value_sd / value) ** 2 + (base_sd / base) ** 2 + season**2)
            found[node, 4] = seen[_began(ohm[:n], base, value)] - first[node]


@njit(cache=True, nogil=True, error_model="numpy")
def _began(ohm, base, value):  # type: ignore[no-untyped-def]
    """The place from which on resistance has gone from its base to what it is: back from its quarters on a line.

    Means of RECENT_DAYS about each place, lest the scatter of days be taken for the beginning.
    """
    quarter = last = 0
    for i in range(len(ohm)):
        mean = ohm[max(i - RECENT_DAYS // 2, 0) : i + RECENT_DAYS // 2 + 1].mean()
        gone = (mean - base) / (value - base) if value != base else 0.0
        if gone < 0.25:
            quarter = i
        if gone < 0.75:
            last = i
    return max(quarter - (last - quarter) // 2, 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(ohm, var):  # type: ignore[no-untyped-def]
    """Weighted mean and its sd, widened by the scatter from day to day."""
    weight = 1 / np.maximum(var, 1e-12)
    mean = (weight * ohm).sum() / weight.sum()
    return mean, max(math.sqrt(1 / weight.sum()), np.std(ohm) / math.sqrt(len(ohm)))


@njit(cache=True, nogil=True, error_model="numpy")
def _by_warmth(ohm, warmth):  # type: ignore[no-untyped-def]
    """Slope of ln resistance with temperature and its sd [1/K], held towards WARMTH_PRIOR."""
    good = np.isfinite(warmth) & (ohm > 0)
    prior, prior_sd = WARMTH_PRIOR
    if good.sum() < BASELINE_DAYS:
        return prior, prior_sd
    # Against a slow rise the season is told apart by differences of a fortnight and less.
    x, y = np.diff(warmth[good]), np.diff(np.log(ohm[good]))
    slope, told = prior, 0.0
    for _ in range(2):
        var = SHARED_NOISE * max(np.var(y - slope * x), 1e-8)
        told = (x * x).sum() / var + 1 / prior_sd**2
        slope = ((x * y).sum() / var + prior / prior_sd**2) / told
    return slope, 1 / math.sqrt(told)

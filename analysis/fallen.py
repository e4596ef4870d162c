"""The chance that a node's harvest has fallen for good: how well a fault explains its days, and how well no fault."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit, vectorize

from analysis.change import Change
from analysis.series import Floats

# By what the harvest of sound and of faulty nodes did on simulated fleets of five hands; relative to the level before.
FAULTS_A_YEAR = 0.35  # odds of a lasting fall
LEAST_FALL = 0.2  # of a fault; larger ones are equally likely
WANDER, SUN = 0.06, 0.09  # sd of what place and work change by themselves, and of what the sun's height leaves
COURSE = 0.07  # sd of the share of a day that came before full, over that share: the hour of full is not seen
FOUND = 2.0  # by which the doubt of a step grows as it is the largest of all, and as levels wander for weeks
ODD, ODD_SD = 0.01, 3.0  # of the changes by themselves, so many are so many times larger
BACK = 0.1  # odds that a fall has ended since
MADE_UP = 0.5  # sd of what is made up for of a day that was curtailed, over the usual scatter of days
LATE_DAYS = 14  # that tell whether a fall lasts
LOST_MOST = 0.9


@vectorize(["float64(float64)"], cache=True)  # type: ignore[no-untyped-call]
def counts(lost):  # type: ignore[no-untyped-def]
    """What a day counts, of which a share was lost at full, beside a day of which none was."""
    left = 1 - min(lost, LOST_MOST)
    return 1 / (1 + MADE_UP**2 * (1 / left**2 - 1))


def fall_of(change: Change | None) -> float:
    """The share that a change takes away, zero where it adds."""
    if change is None or change.after >= change.before:
        return 0.0
    return 1 - max(change.after, 0.0) / max(change.before, 1e-12)


def chance_fallen(
    change: Change, harvest: Floats, bound: np.ndarray, lost: Floats, outdoors: bool, tilt: float = 0.0
) -> float:
    """The chance that a change of harvest is a fall that lasts.

    Parameters
    ----------
    change : Change
        Of the days that are no bounds, by what they count (`counts`).
    harvest : ndarray, shape (days,)
        NaN where not known. [W]
    bound : ndarray of bool, shape (days,)
        Whether a day's is only the least it was.
    lost : ndarray, shape (days,)
        Share of each day's harvest that came while the storage was full.
    outdoors : bool
        Whether it follows the sun.
    tilt : float
        Sd of the logarithm of harvest after the change over that before, by the season that was taken out.

    Notes
    -----
    Bayes: odds before, times how likely such a step is by a fault over how likely it is by itself, times how likely the
    latest days are if it lasts over how likely they are if it lasts or has ended.
    """
    fall = fall_of(change)
    if fall <= 0 or change.z >= 0:
        return 0.0
    seen = _Seen(*_see(harvest, bound, lost, change.index, LATE_DAYS))
    step = fall / -change.z
    courses = math.hypot(seen.made_up_before, seen.made_up_after) * COURSE * (1 - fall)
    mounted = tilt * fall / max(-math.log1p(-min(fall, 0.999)), 1e-12)  # as far from none as its logarithm is
    sd = math.sqrt((FOUND * step) ** 2 + courses**2 + WANDER**2 + (SUN**2 if outdoors else 0.0) + mounted**2)
    by_itself = (1 - ODD) * _density(fall, sd) + ODD * _density(fall, ODD_SD * sd)
    by_fault = (chance_below((fall - LEAST_FALL) / sd) - chance_below((fall - 1) / sd)) / (1 - LEAST_FALL)
    odds = FAULTS_A_YEAR * math.sqrt(len(harvest) / 365) * by_fault / max(by_itself, 1e-300)
    a_day = step / math.sqrt(1 / max(seen.before, 1) + 1 / max(seen.after, 1)) * change.before
    odds *= _lasts(change, seen.level, seen.since, a_day) * _lasts(change, seen.level_late, seen.late, a_day)
    return odds / (1 + odds)


class _Seen(NamedTuple):
    """Of the days before a change and from it on: how many are known, and what was made up for over what was seen.

    Then how many are known since, bounds with them, and of the latest, and their medians: the least these can be.
    """

    before: int
    after: int
    made_up_before: float
    made_up_after: float
    since: int
    late: int
    level: float
    level_late: float


@njit(cache=True, nogil=True, error_model="numpy")
def _see(harvest, bound, lost, index, last):  # type: ignore[no-untyped-def]
    """The columns of `_Seen`; what is made up for by what the days count."""
    days, made_up, weight = np.zeros(2, np.int64), np.zeros(2), np.full(2, 1e-300)
    for i in range(len(harvest)):
        if not (math.isfinite(harvest[i]) and not bound[i]):
            continue
        side, share = int(i >= index), min(lost[i], LOST_MOST)
        count = counts(share)
        days[side], weight[side] = days[side] + 1, weight[side] + count
        made_up[side] += count * share / (1 - share)
    since, late = harvest[index:], harvest[max(len(harvest) - last, 0) :]
    since, late = since[np.isfinite(since)], late[np.isfinite(late)]
    level = np.median(since) if len(since) else 0.0
    level_late = np.median(late) if len(late) else 0.0
    ratio = made_up / weight
    return days[0], days[1], ratio[0], ratio[1], len(since), len(late), level, level_late


def _lasts(change: Change, level: float, days: int, a_day: float) -> float:
    """How likely a median of days is if a fall lasts, over how likely if it lasts or has ended; `a_day` is one's sd.

    It is the least that it can be where some days are only bounds: low, it says nothing; high, it ends a fall.
    """
    if not days:
        return 1.0
    sd = math.hypot(a_day / math.sqrt(days), WANDER * change.before)
    above, below = max(level - change.after, 0.0) / sd, max(change.before - level, 0.0) / sd
    return 1 / (1 + BACK * math.exp(min((above**2 - below**2) / 2, 700.0)))


def chance_below(z: float) -> float:
    """Chance of less than z standard deviations, of one value at a time."""
    return math.erfc(-z / math.sqrt(2)) / 2


def _density(x: float, sd: float) -> float:
    return math.exp(-((x / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))

"""The chance that the harvest of a node that was often full has fallen, by how much seldomer it is full since."""

import math
from typing import TypeGuard

import numpy as np
from scipy.special import log_ndtr, ndtr

from analysis.change import Change, find_changes
from analysis.daily import medians
from analysis.fallen import FAULTS_A_YEAR, FOUND, LATE_DAYS, LEAST_FALL, SUN, WANDER
from analysis.series import Floats

CLOSE = 0.97  # of what a node usually takes in when it is full: with that a day counts as if it were
LEAST_BOUNDS = 14  # days at full, to be judged by them,
LEAST_BEFORE, LEAST_AFTER = 21, 14  # and days on either side of a change
LEAST_Z, LEAST_SELDOMER = 4.0, 0.25  # of the share of such days: smaller changes are not looked at
LEAST_TOLD = 10  # days since that are no bounds: the scatter of days is told from them
WANDERS = 2 * WANDER  # the scatter that the level is told by wanders, too
WIDEST = 1.0  # scatter of days over their mean, from which on they tell nothing
ROUNDS = 25
DEVIATES = np.linspace(-3.0, 3.0, 13)
FALLS = np.linspace(LEAST_FALL, 0.95, 16)


def changes_of_share(harvest: Floats, bound: np.ndarray) -> list[Change | None]:
    """When the share of days changed on which nodes took in as much as when they are full; one a row."""
    full = bound & np.isfinite(harvest)
    usual = medians(np.where(full, harvest, np.nan))
    limit = CLOSE * np.where((usual > 0) & (full.sum(axis=1) >= LEAST_BOUNDS), usual, np.nan)[:, None]
    told = np.isfinite(harvest) & np.isfinite(limit) & (~bound | (harvest >= limit))
    return find_changes(np.where(told, harvest >= limit, np.nan), least_before=LEAST_BEFORE, least_after=LEAST_AFTER)


def much_seldomer(change: Change | None) -> TypeGuard[Change]:
    """Whether such a change is large and sure enough to be looked at."""
    return change is not None and change.z <= -LEAST_Z and change.before - change.after >= LEAST_SELDOMER


def chance_short(
    change: Change, harvest: Floats, bound: np.ndarray, outdoors: bool, tilt: float, believed: tuple[float, float]
) -> tuple[float, float]:
    """The chance that such a change is a fall of harvest that lasts, and the fall that fits best.

    Parameters
    ----------
    change : Change
        Of `changes_of_share`, if `much_seldomer`.
    harvest, bound, outdoors, tilt
        As for `fallen.chance_fallen`.
    believed : tuple of float
        Mean harvest by the budget, and its standard deviation: days at full do not tell what it was before. [W]

    Notes
    -----
    The days since tell a level and a scatter (a normal distribution cut off at full; Tobin, Econometrica 26:24, 1958;
    from memory). Bayes: odds of a fault, times how likely the days before are at the levels that falls would have had
    then, over how likely at a level that wandered by itself. Days that hang together count as fewer.
    """
    known, since = np.isfinite(harvest), np.arange(len(harvest)) >= change.index
    then, now = known & ~since, known & since
    late = now & ~bound
    if late.sum() < LEAST_TOLD or bound[now][-LATE_DAYS:].mean() > (change.before + change.after) / 2:
        return 0.0, 0.0
    level, scatter = _cut_off(harvest[now], bound[now])
    if level <= 0 or scatter >= WIDEST:
        return 0.0, 0.0
    days = 1 / FOUND**2 * _alone(bound[known])
    doubt = FOUND * scatter / math.sqrt(now.sum() * _alone(bound[known]))
    wander = math.sqrt(WANDERS**2 + (SUN**2 if outdoors else 0.0) + tilt**2 + doubt**2)

    def fit(ratio: Floats) -> Floats:
        """Logarithm of how likely the days before are at so many times the level since."""
        middle = level * ratio[:, None]
        z, cut = (harvest[then] - middle) / (scatter * middle), bound[then]
        density = -np.minimum(z**2, 9.0) / 2 - np.log(scatter * middle * math.sqrt(2 * math.pi))
        by_budget = (middle[:, 0] - believed[0]) / max(believed[1], 1e-12)
        return np.asarray(days * np.where(cut, log_ndtr(-z), density).sum(axis=1) - by_budget**2 / 2)

    sound, faulty = fit(np.exp(wander * DEVIATES)), fit(1 / (1 - FALLS))
    most, weight = max(sound.max(), faulty.max()), np.exp(-(DEVIATES**2) / 2)
    by_itself = float(np.average(np.exp(sound - most), weights=weight))
    odds = FAULTS_A_YEAR * math.sqrt(len(harvest) / 365) * float(np.exp(faulty - most).mean()) / max(by_itself, 1e-300)
    return odds / (1 + odds), float(FALLS[np.argmax(faulty)])


def _cut_off(value: Floats, bound: np.ndarray) -> tuple[float, float]:
    """Mean and relative sd of values of which some are only lower bounds, as if normal."""
    mean, sd = float(np.median(value)), max(float(value.std()), 1e-12)
    for _ in range(ROUNDS):
        z = (value - mean) / sd
        hazard = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi) / np.maximum(ndtr(-z), 1e-12)
        expected = np.where(bound, mean + sd * hazard, value)
        left = np.where(bound, np.maximum(1 - hazard * (hazard - z), 0.0), 0.0) * sd**2
        mean = float(expected.mean())
        sd = max(math.sqrt(float(((expected - mean) ** 2 + left).mean())), 0.03 * abs(mean), 1e-12)
    return mean, sd / mean if mean > 0 else math.inf


def _alone(bound: np.ndarray) -> float:
    """How many days that do not hang together one of these is worth, by how full ones follow each other."""
    off = bound - bound.mean()
    keep = min(max(float((off[1:] * off[:-1]).sum()) / max(float((off**2).sum()), 1e-9), 0.0), 0.9)
    return (1 - keep) / (1 + keep)

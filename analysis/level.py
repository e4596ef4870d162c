"""The level of a node's harvest: a long-run mean and a slow departure from it, filtered from noisy and cut-off days."""

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.kernel import compiled

Array = npt.NDArray[np.float64]

OUTLIER = 2.5  # standard deviations beyond which a day moves the level no further,
CLIPPED = 3.0  # and beyond which it is no more of a surprise
SURPRISE_WEIGHT = 0.25
SURPRISE = 1.3  # of standardised innovations, averaged with that weight; their mean has an sd of 0.38
LATE_DAYS = 14.0  # over which the share of days is forgotten that are no bounds
TAIL, TAIL_LEAST = 1.6, 0.03  # of the share of days that are no bounds: what a day tells; and the least
WALK = 0.03  # a day's change of the long-run mean itself, over the departure's sd


class Level(NamedTuple):
    """Mean and slow departure after the last day, in the unit of the observations.

    `slow_sd` is the departure's own; `before` and `after` hold, for each day, mean plus departure as known at its begin
    and at its end.
    """

    mean: float
    departure: float
    mean_var: float
    departure_var: float
    covariance: float
    slow_sd: float
    before: Array
    after: Array


@compiled
def above(limit: float, mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of a normal variable known to lie above a limit."""
    alpha = (limit - mean) / sd
    if alpha > 20.0:  # the tail: an exponential beyond the limit
        return limit + sd / alpha, (sd / alpha) ** 2
    density = math.exp(-0.5 * alpha * alpha) / math.sqrt(2 * math.pi)
    hazard = density / (0.5 * math.erfc(alpha / math.sqrt(2.0)))
    return mean + sd * hazard, sd * sd * (1.0 - hazard * (hazard - alpha))


@compiled
def _likely(value: float, mean: float, sd: float, bound: bool) -> float:
    """Logarithm of the density of a normal variable, or of the chance that it lies above; an odd day tells no more."""
    z = min(max((value - mean) / sd, -CLIPPED), CLIPPED)
    return math.log(0.5 * math.erfc(z / math.sqrt(2.0))) if bound else -0.5 * z * z - math.log(sd)


@compiled
def filtered(
    value: Array, seen: Any, spread: Array, censored: Any, start: float, start_sd: float, noise_sd: float,
    inflation: float, share: Array, slow_sd: float, keep: float, step_sd: float, walk_sd: float,
) -> tuple[float, float, float, float, float, Array, Array, float]:  # fmt: skip
    """`filter_level`, compiled: mean, departure, their variances and covariance, `before` and `after` of `Level`.

    Last the logarithm of how likely the days are, less a constant.
    """
    a, b, fit = start, 0.0, 0.0
    paa, pab, pbb = start_sd**2, 0.0, slow_sd**2
    before, after = np.empty(len(value)), np.empty(len(value))
    surprise = 0.0
    drive = slow_sd**2 * (1.0 - keep * keep)
    for day in range(len(value)):
        b *= keep
        pab *= keep
        pbb = keep * keep * pbb + drive
        paa += walk_sd**2
        before[day] = a + b
        if seen[day]:
            ka, kb = paa + pab, pab + pbb
            noise = (noise_sd * spread[day]) ** 2
            above_all = censored[day] and value[day] >= a + b  # tells of the level, however wide the noise
            worth = inflation if above_all else inflation / share[day]
            total = ka + kb + noise * worth
            plain = ka + kb + noise
            fit += _likely(value[day], a + b, math.sqrt(plain), censored[day])
            if censored[day]:
                middle, left = above(value[day], a + b, math.sqrt(plain))
                shift, known = middle - a - b, 1.0 - left / plain
            else:
                shift, known = value[day] - a - b, 1.0
            z = shift / math.sqrt(total)
            surprise += SURPRISE_WEIGHT * (min(max(z, -CLIPPED), CLIPPED) - surprise)
            if abs(z) > OUTLIER:
                noise *= z * z / OUTLIER**2
                total = ka + kb + noise * worth
            if abs(surprise) > SURPRISE:  # a step, not the usual wandering: look afresh
                surprise = 0.0
                pbb += step_sd**2
                ka, kb = paa + pab, pab + pbb
                total = ka + kb + noise * worth
            a += ka / total * shift
            b += kb / total * shift
            paa -= ka * ka / total * known
            pab -= ka * kb / total * known
            pbb -= kb * kb / total * known
        after[day] = a + b
    return a, b, paa, pbb, pab, before, after, fit


@compiled
def told(known: npt.NDArray[np.bool_], bound: npt.NDArray[np.bool_]) -> Array:
    """How much of what days seem to tell of a level they do tell, the noise being known no better; one a day.

    Parameters
    ----------
    known, bound : ndarray of bool, shape (n,)
        Days that say something, and those that say only a lower bound.

    Notes
    -----
    Where most days of late are bounds, what the others are lies in the tail of the noise, and tells of its width as
    well as of the level. Of normal values of which a share is cut off above, the information on a mean with an unknown
    sd, over that with a known one, is 0.084, 0.16, 0.32, 0.51 and 0.81 where 5, 10, 20, 30 and 50 % are seen (Fisher's
    information, integrated by ourselves): near enough 1.6 times the share.
    """
    share, keep = np.empty(len(known)), math.exp(-1 / LATE_DAYS)
    seen = all_days = 0.0
    for day in range(len(known)):
        seen, all_days = keep * seen + (known[day] and not bound[day]), keep * all_days + known[day]
        share[day] = min(max(TAIL * seen / max(all_days, 1e-9), TAIL_LEAST), 1.0)
    return share


def filter_level(
    value: npt.ArrayLike,
    spread: npt.ArrayLike,
    censored: npt.ArrayLike,
    *,
    start: float,
    start_sd: float,
    noise_sd: float,
    noise_keep: float = 0.0,
    slow_sd: float,
    keep: float,
    step_sd: float,
    walk: float = WALK,
) -> Level:
    """The level after the last of a run of days.

    Parameters
    ----------
    value : array_like, shape (n,)
        Harvest of each day over what its season, weekday and closures allow; NaN for a day not seen.
    spread : array_like, shape (n,)
        Noise of each day over `noise_sd`.
    censored : array_like of bool, shape (n,)
        Whether the value is only a lower bound.
    start, start_sd : float
        What is believed of the mean before the first day.
    noise_sd, noise_keep : float
        Sd of a day about the level, and its correlation from day to day: correlated days count as fewer.
    slow_sd, keep : float
        Sd of the departure, and its correlation from one day to the next.
    step_sd : float
        Of a step, where the days speak of one.
    walk : float
        A day's change of the mean itself, over `slow_sd`.

    Notes
    -----
    A Kalman filter of two states, ``value = mean + departure + noise`` with ``departure`` a first-order autoregression
    (Durbin and Koopman, Time Series Analysis by State Space Methods; from memory). A lower bound updates with the mean
    and variance of the truncated normal (assumed-density filtering). A run of surprises of one sign (an exponentially
    weighted mean of standardised innovations beyond 3.4 of its own sd) opens the departure to a step, such as a
    harvester that was knocked out of place. A day further than OUTLIER from what was foretold moves the level no more
    than one at that distance: breakdowns do. Left out: that harvest cannot be negative.
    """
    given, bound = np.asarray(value, dtype=float), np.asarray(censored, dtype=bool)
    inflation, share = (1 + noise_keep) / (1 - noise_keep), told(np.isfinite(given), bound)
    a, b, paa, pbb, pab, before, after, _ = filtered(
        given, np.isfinite(given), np.asarray(spread, dtype=float), bound, start, start_sd, noise_sd, inflation,
        share, slow_sd, keep, step_sd, walk * slow_sd,
    )  # fmt: skip
    return Level(a, b, paa, pbb, pab, slow_sd, before, after)


def borrowed(levels: list[Level], prior: tuple[float, float]) -> list[tuple[float, float]]:
    """For each node, what its sisters' present levels say about its own: mean and relative sd."""
    mean0, tolerance = prior
    if mean0 <= 0:
        return [prior] * len(levels)
    means = np.array([level.mean + level.departure for level in levels]) / mean0
    variance = np.array([v.mean_var + v.departure_var + 2 * v.covariance for v in levels]) / mean0**2
    told = []
    for i in range(len(levels)):
        others = np.arange(len(levels)) != i
        weight = 1 / (variance[others] + tolerance**2)
        informed = (1 - variance[others] / tolerance**2).clip(0, 1).sum()
        centre = (np.sum(weight * means[others]) + 1 / tolerance**2) / (weight.sum() + 1 / tolerance**2)
        between = (2 * tolerance**2 + np.sum((means[others] - centre) ** 2)) / (2 + informed)
        told.append((float(max(centre, 0.05) * mean0), float(np.sqrt(between) / max(centre, 0.05))))
    return told

"""When something changed: the most likely day at which a daily series moved to another level."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from analysis.series import Floats

KEEP_PRIOR_DAYS = 20.0  # weight of no correlation against the series' own, in days
SPREAD_LEAST = 0.02


@dataclass(frozen=True)
class Change:
    """A step in a daily series.

    Attributes
    ----------
    index : int
        Of the first day at the new level.
    before, after : float
        Robust means on either side, in the unit of the series.
    z : float
        The step over its standard deviation, correlation from day to day taken into account.
    """

    index: int
    before: float
    after: float
    z: float


def find_change(series: Floats, least_before: int = 14, least_after: int = 5) -> Change | None:
    """The step that explains a series best, or None if it is too short.

    Parameters
    ----------
    series : ndarray, shape (days,)
        NaN where a day says nothing.
    least_before, least_after : int
        Days with a value that each side must have.

    Notes
    -----
    The split with the least sum of squares about the two means, values clipped to four robust deviations of a running
    level so that single odd days do not decide. The doubt of the step widens with the correlation from day to day, by
    (1 + r) / (1 - r) as for an autoregression of first order, r held towards zero in short series. Left out: slopes and
    second steps; the last one wins where it explains most.
    """
    known = np.flatnonzero(np.isfinite(series))
    n = len(known)
    if n < least_before + least_after:
        return None
    x = _clipped(series[known])
    total, square = np.cumsum(x), np.cumsum(x**2)
    split = np.arange(least_before, n - least_after + 1)
    left, right = total[split - 1], total[-1] - total[split - 1]
    error = square[-1] - left**2 / split - right**2 / (n - split)
    k = int(split[np.argmin(error)])
    before, after = float(x[:k].mean()), float(x[k:].mean())
    rest = np.concatenate([x[:k] - before, x[k:] - after])
    variance = max(float(rest @ rest) / max(n - 2, 1), (SPREAD_LEAST * abs(before)) ** 2, 1e-300)
    keep = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300) * n / (n + KEEP_PRIOR_DAYS)
    keep = min(max(keep, 0.0), 0.95)
    doubt = np.sqrt(variance * (1 / k + 1 / (n - k)) * (1 + keep) / (1 - keep))
    return Change(int(known[k]), before, after, float((after - before) / doubt))


def _clipped(x: Floats) -> Floats:
    """The series with each value held within four robust deviations of the median of the fortnight around it."""
    width = min(15, len(x) - (len(x) + 1) % 2)
    middle = median_filter(x, width, mode="nearest")
    spread = 4 * 1.4826 * float(np.median(np.abs(x - middle)))
    return np.asarray(np.clip(x, middle - spread, middle + spread)) if spread > 0 else x

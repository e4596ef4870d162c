"""When something changed: the most likely day at which a daily series moved to another level."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.series import Floats

KEEP_PRIOR_DAYS = 20.0  # weight of no correlation against the series' own, in days
SPREAD_LEAST = 0.02
WINDOW = 15  # days of the running level
INDEX, BEFORE, AFTER, Z = range(4)


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


def find_changes(series: Floats, least_before: int = 14, least_after: int = 5) -> list[Change | None]:
    """The step that explains each series best, or None if it is too short.

    Parameters
    ----------
    series : ndarray, shape (n, days)
        One a row; NaN where a day says nothing.
    least_before, least_after : int
        Days with a value that each side must have.

    Notes
    -----
    The split with the least sum of squares about the two means, values clipped to four robust deviations of a running
    level so that single odd days do not decide. The doubt of the step widens with the correlation from day to day, by
    (1 + r) / (1 - r) as for an autoregression of first order, r held towards zero in short series. Left out: slopes and
    second steps; the last one wins where it explains most.
    """
    found = np.empty((len(series), 4))
    _find(np.ascontiguousarray(series, dtype=np.float64), least_before, least_after, found)
    return [
        None if math.isnan(index) else Change(int(index), before, after, z)
        for index, before, after, z in found.tolist()
    ]


@njit(cache=True, nogil=True, error_model="numpy")
def _find(series, least_before, least_after, found):  # type: ignore[no-untyped-def]
    """Fill a row (INDEX, BEFORE, AFTER, Z) for each series, NaN where it is too short."""
    days = series.shape[1]
    known, x, held = np.empty(days, dtype=np.int64), np.empty(days), np.empty(days)
    for row in range(len(series)):
        found[row, :] = np.nan
        n = 0
        for day in range(days):
            if math.isfinite(series[row, day]):
                known[n], x[n] = day, series[row, day]
                n += 1
        if n >= least_before + least_after:
            _clip(x[:n], held[:n])
            k = _split(held[:n], least_before, least_after)
            found[row, INDEX] = known[k]
            _step(held[:n], k, found[row])


@njit(cache=True, nogil=True, error_model="numpy")
def _split(x, least_before, least_after):  # type: ignore[no-untyped-def]
    """Where the two means on either side leave the least sum of squares."""
    n, total, square = len(x), x.sum(), 0.0
    for value in x:
        square += value * value
    best, least, left = 0, np.inf, x[: least_before - 1].sum()
    for k in range(least_before, n - least_after + 1):
        left += x[k - 1]
        error = square - left * left / k - (total - left) ** 2 / (n - k)
        if error < least:
            best, least = k, error
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def _step(x, k, found):  # type: ignore[no-untyped-def]
    """Fill in the means before and after place `k`, and the step over its standard deviation."""
    n, before, after = len(x), x[:k].mean(), x[k:].mean()
    square, pairs, last = 0.0, 0.0, 0.0
    for i in range(n):
        rest = x[i] - (before if i < k else after)
        square += rest * rest
        pairs += rest * last
        last = rest
    variance = max(square / max(n - 2, 1), (SPREAD_LEAST * abs(before)) ** 2, 1e-300)
    keep = pairs / max(square, 1e-300) * n / (n + KEEP_PRIOR_DAYS)
    keep = min(max(keep, 0.0), 0.95)
    doubt = math.sqrt(variance * (1 / k + 1 / (n - k)) * (1 + keep) / (1 - keep))
    found[BEFORE], found[AFTER], found[Z] = before, after, (after - before) / doubt


@njit(cache=True, nogil=True, error_model="numpy")
def _slide(window, out, new):  # type: ignore[no-untyped-def]
    """Put a value in the place of one of a sorted window's."""
    i = 0
    while window[i] != out:
        i += 1
    while i + 1 < len(window) and window[i + 1] < new:
        window[i] = window[i + 1]
        i += 1
    while i > 0 and window[i - 1] > new:
        window[i] = window[i - 1]
        i -= 1
    window[i] = new


@njit(cache=True, nogil=True, error_model="numpy")
def _clip(x, held):  # type: ignore[no-untyped-def]
    """The series with each value held within four robust deviations of the median of the fortnight around it.

    Beyond its ends the series is taken to stay at its first and last value.
    """
    n = len(x)
    half = min(WINDOW, n - (n + 1) % 2) // 2
    middle, window = np.empty(n), np.empty(2 * half + 1)
    for j in range(2 * half + 1):
        window[j] = x[max(j - half, 0)]
    window.sort()
    for i in range(n):
        middle[i] = window[half]
        _slide(window, x[max(i - half, 0)], x[min(i + half + 1, n - 1)])
    spread = 4 * 1.4826 * np.median(np.abs(x - middle))
    for i in range(n):
        held[i] = min(max(x[i], middle[i] - spread), middle[i] + spread) if spread > 0 else x[i]

"""When something changed: the most likely day at which a daily series moved to another level."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.daily import MEDIAN_TO_SD
from analysis.series import Floats

KEEP_PRIOR_DAYS = 20.0  # weight of no correlation against the series' own, in days
SPREAD_LEAST = 0.02
WINDOW = 15  # days of the running level,
HELD_SD = 4  # and robust standard deviations about it that a day may stand off
RAMP_DAYS = np.array([30.0, 60.0, 120.0])  # over which a slow change may take its course (our choice)
RAMP_STARTS = 7  # that are tried for each, from so long before the step that explains most up to it
RAMP_BETTER = 6.0  # twice the logarithm of its likelihood over the step's, from which it is taken for slow
INDEX, BEFORE, AFTER, Z = range(4)


@dataclass(frozen=True)
class Change:
    """A step in a daily series, or a slow change.

    Attributes
    ----------
    index : int
        Of the first day at the new level, or on the way to it.
    before, after : float
        Robust means on either side, in the unit of the series; of a slow change, where it has got to.
    z : float
        The step over its standard deviation, correlation from day to day taken into account.
    """

    index: int
    before: float
    after: float
    z: float


def find_changes(
    series: Floats, weight: Floats | None = None, slow: bool = False, least_before: int = 14, least_after: int = 5
) -> list[Change | None]:
    """The step that explains each series best, or None if it is too short.

    Parameters
    ----------
    series : ndarray, shape (n, days)
        One a row; NaN where a day says nothing.
    weight : ndarray, shape (n, days), optional
        What each day counts; alike without.
    slow : bool
        Whether a change may take its course over weeks, where that explains the series better.
    least_before, least_after : int
        Days with a value that each side must have.

    Notes
    -----
    The split with the least sum of squares about the two means, values clipped to four robust deviations of a running
    level so that single odd days do not decide. The doubt of the step widens with the correlation from day to day, by
    (1 + r) / (1 - r) as for an autoregression of first order, r held towards zero in short series. Left out: second
    steps; the last one wins where it explains most.
    """
    found = np.empty((len(series), 4))
    series = np.ascontiguousarray(series, dtype=np.float64)
    _find(series, np.ones_like(series) if weight is None else weight, slow, least_before, least_after, found)
    return [
        None if math.isnan(index) else Change(int(index), before, after, z)
        for index, before, after, z in found.tolist()
    ]


@njit(cache=True, nogil=True, error_model="numpy")
def _find(series, weight, slow, least_before, least_after, found):  # type: ignore[no-untyped-def]
    """Fill a row (INDEX, BEFORE, AFTER, Z) for each series, NaN where it is too short."""
    days = series.shape[1]
    known, (x, w, root, held) = np.empty(days, dtype=np.int64), np.empty((4, days))
    for row in range(len(series)):
        found[row, :] = np.nan
        n = 0
        for day in range(days):
            if math.isfinite(series[row, day]):
                known[n], x[n], w[n] = day, series[row, day], weight[row, day]
                root[n] = math.sqrt(w[n])
                n += 1
        if n >= least_before + least_after:
            _clip(x[:n], held[:n])
            k = _split(held[:n], w[:n], least_before, least_after)
            found[row, INDEX] = known[k]
            way = (np.arange(n) >= k).astype(np.float64)
            error = _course(held[:n], w[:n], root[:n], way, found[row])
            if slow and abs(found[row, Z]) > 2:
                _slow(held[:n], w[:n], root[:n], known[:n], (k, least_before), error, found[row])


@njit(cache=True, nogil=True, error_model="numpy")
def _split(x, w, least_before, least_after):  # type: ignore[no-untyped-def]
    """Where the two means on either side leave the least sum of squares."""
    n, total, whole = len(x), 0.0, 0.0
    left, weight = 0.0, 0.0
    for i in range(n):
        total, whole = total + w[i] * x[i], whole + w[i]
        if i < least_before - 1:
            left, weight = left + w[i] * x[i], weight + w[i]
    best, most = 0, -np.inf
    for k in range(least_before, n - least_after + 1):
        left, weight = left + w[k - 1] * x[k - 1], weight + w[k - 1]
        told = left * left / weight + (total - left) ** 2 / (whole - weight)
        if told > most:
            best, most = k, told
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def _course(x, w, root, way, found):  # type: ignore[no-untyped-def]
    """Fit a change that has got to `way` of its whole on each day; the squares that it leaves.

    Fills in its means before and after, and the change over its standard deviation. Days that count less (`root` is the
    root of `w`) are thought to scatter as the others do.
    """
    n, whole, mean, middle = len(x), 0.0, 0.0, 0.0
    for i in range(n):
        whole, mean, middle = whole + w[i], mean + w[i] * x[i], middle + w[i] * way[i]
    mean, middle = mean / whole, middle / whole
    spread, both, doubt = 1e-300, 0.0, 0.0
    for i in range(n):
        off = way[i] - middle
        spread, both = spread + w[i] * off * off, both + w[i] * off * (x[i] - mean)
        doubt += (w[i] * off) ** 2
    change = both / spread
    square, pairs, last = 0.0, 0.0, 0.0
    for i in range(n):
        rest = root[i] * (x[i] - mean - change * (way[i] - middle))
        square, pairs, last = square + rest * rest, pairs + rest * last, rest
    before = mean - change * middle
    variance = max(square / whole * n / max(n - 2, 1), (SPREAD_LEAST * abs(before)) ** 2, 1e-300)
    keep = pairs / max(square, 1e-300) * n / (n + KEEP_PRIOR_DAYS)
    keep = min(max(keep, 0.0), 0.95)
    sd = math.sqrt(variance * doubt * (1 + keep) / (1 - keep)) / spread
    found[BEFORE], found[AFTER], found[Z] = before, before + change * way[-1], change / sd
    return square


@njit(cache=True, nogil=True, error_model="numpy")
def _slow(x, w, root, day, places, error, found):  # type: ignore[no-untyped-def]
    """Put a change that takes its course over weeks in place of a step, where that explains more.

    `places` are that of the step, and how many days must be known before the change begins.
    """
    k, first = places
    n, least = len(x), error * math.exp(-RAMP_BETTER / len(x))
    told, way = np.empty(4), np.empty(n)
    for length in RAMP_DAYS:
        for j in range(RAMP_STARTS):
            begin = day[k] - length * (1 - j / RAMP_STARTS)
            if begin < day[first - 1]:
                continue
            for i in range(n):
                way[i] = min(max((day[i] - begin) / length, 0.0), 1.0)
            if way[-1] < 0.2:
                continue
            square = _course(x, w, root, way, told)
            if square < least:
                least = square
                told[INDEX] = math.ceil(begin)
                found[:] = told


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
    spread = HELD_SD * MEDIAN_TO_SD * np.median(np.abs(x - middle))
    for i in range(n):
        held[i] = min(max(x[i], middle[i] - spread), middle[i] + spread) if spread > 0 else x[i]

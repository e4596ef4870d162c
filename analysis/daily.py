"""Figures of daily series with gaps."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from analysis.series import Floats

SPANS_LEAST = 4  # that tell how far their means swing
MEDIAN_TO_SD = 1.4826  # of a normal variable's middle deviation


class Daily(NamedTuple):
    """Days with a value, and the mean and standard deviation of these; NaN where there is none."""

    known: int
    mean: float
    sd: float


def figures(series: Floats, last: int | None = None) -> list[Daily]:
    """Figures of each series (n, days), one a row, NaN where a day says nothing; or of its `last` days with a value."""
    found = np.empty((len(series), 3))
    _figures(np.ascontiguousarray(series, dtype=np.float64), series.shape[1] if last is None else last, found)
    return [Daily(int(known), mean, sd) for known, mean, sd in found.tolist()]


@njit(cache=True, nogil=True, error_model="numpy")
def _figures(series, last, found):  # type: ignore[no-untyped-def]
    for row in range(len(series)):
        known, total, square = 0, 0.0, 0.0
        first = series.shape[1]
        while first > 0 and known < last:
            first -= 1
            if math.isfinite(series[row, first]):
                known += 1
                total += series[row, first]
        mean = total / known
        for day in range(first, series.shape[1]):
            if math.isfinite(series[row, day]):
                square += (series[row, day] - mean) ** 2
        found[row, 0], found[row, 1], found[row, 2] = known, mean, math.sqrt(square / known)


def medians(series: Floats) -> Floats:
    """The median of each series (n, days), one a row, NaN where there is no value."""
    rows, known = np.arange(len(series)), np.isfinite(series).sum(axis=1)
    ordered = np.sort(series, axis=1)  # NaN comes last
    return np.asarray((ordered[rows, np.maximum(known - 1, 0) // 2] + ordered[rows, known // 2]) / 2)


def swing(series: Floats, span: int) -> float:
    """How far the means of `span` days lie about their middle, of days that are known; of fewer than four, nothing.

    By their middle deviation, which a closed week or two does not move.
    """
    known = series[np.isfinite(series)]
    if len(known) < SPANS_LEAST * span:
        return 0.0
    means = known[len(known) % span :].reshape(-1, span).mean(axis=1)
    return MEDIAN_TO_SD * float(np.median(np.abs(means - np.median(means))))

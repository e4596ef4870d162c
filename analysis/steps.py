"""What the step of voltage at a wake tells of resistance, a day at a time: compiled kernels."""

import numpy as np
from numba import njit

from analysis.daily import MEDIAN_TO_SD
from analysis.quiet import median

STEP_OHM, STEP_VAR, STEP_COUNT, STEP_WARMTH = range(4)  # columns of a day's resistance
STEPS = 4
LEAST_STEPS = 3  # of a day, to tell its resistance,
NEAR = 4.0  # of which those count that are off the middle by no more than so many standard deviations


@njit(cache=True, nogil=True, error_model="numpy")
def _mean_step(ohms, warm, least, out):  # type: ignore[no-untyped-def]
    """A day's trimmed mean resistance and its variance into `out`."""
    middle = median(ohms)
    off = np.empty(len(ohms))
    for j in range(len(ohms)):
        off[j] = abs(ohms[j] - middle)
    spread = max(MEDIAN_TO_SD * median(off), 0.5 * least)
    total, kept = 0.0, 0
    for j in range(len(ohms)):
        if off[j] < NEAR * spread:
            total += ohms[j]
            kept += 1
    out[STEP_OHM] = total / kept
    out[STEP_VAR] = spread**2 / kept
    out[STEP_COUNT] = kept
    out[STEP_WARMTH] = warm / len(ohms)


@njit(cache=True, nogil=True, error_model="numpy")
def daily_steps(t, v, loaded, temp, current, noise, midnights, out):  # type: ignore[no-untyped-def]
    """Each day's mean of (rest - loaded voltage) / current [ohm], its variance, count and temperature from 25 degC."""
    a = np.searchsorted(t, midnights[0])
    for day in range(len(midnights) - 1):
        b = np.searchsorted(t, midnights[day + 1])
        ohms = np.empty(b - a)
        m, warm = 0, 0.0
        for i in range(a, b):
            if loaded[i] > 0.5 * v[i]:
                ohms[m] = (v[i] - loaded[i]) / current[i]
                warm += temp[i] - 25.0
                m += 1
        if m >= LEAST_STEPS:
            _mean_step(ohms[:m], warm, 1.4 * noise / current[b - 1], out[day])
        a = b

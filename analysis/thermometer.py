"""What a node's thermometer tells of its storage, and what its noise feigns: compiled kernels.

Temperature moves the voltage of a storage at rest, and a night's fall in temperature looks much like a slope. What is
left of it, once slope and level have their doubt, is little more than a bend, and beside that a thermometer's noise is
not small. Least squares would take the thermal line for too small (errors in variables) and bend the lines of wakes and
sleep in its place, alike every night. So what the noise adds to the square of the line is taken away again.

Where there is no thermometer, how far a night cools may be guessed, but not its course. A thermal line told from the
bend of a guess is told from nothing, and takes capacity and leakage along, alike every night. So that line is taken to
be straight in time, as wakes and sleep are, and what bends of a day's cosine and sine is a disturbance of each run.
"""

import numpy as np
from numba import njit

SMOOTHED = 3 / 8  # of a noise's variance, what the weighted means over three neighbours leave
ROUGHER = 3 / 4  # of it in the level, slope and bend of n points: 1 less (1, 3, 5) times this over n
FEIGNED_MOST = 0.8  # of the square of the thermal line in one run, at most, is taken for noise


@njit(cache=True, nogil=True, error_model="numpy")
def smooth(x):  # type: ignore[no-untyped-def]
    """Weighted means over three neighbours, (1, 2, 1) / 4, and the square of a thermometer's noise about each.

    The noise is told from third differences, blind to a parabola. [degC], and [K^2], NaN where it is not told.
    """
    out, noise = x.copy(), np.full(len(x), np.nan)
    for i in range(1, len(x) - 1):
        out[i] = (x[i - 1] + 2.0 * x[i] + x[i + 1]) / 4.0
        if i < len(x) - 2:
            noise[i] = (x[i + 2] - 3.0 * x[i + 1] + 3.0 * x[i] - x[i - 1]) ** 2 / 20.0
    return out, noise


@njit(cache=True, nogil=True, error_model="numpy")
def bent(t, line):  # type: ignore[no-untyped-def]
    """How a run's line departs from one that goes straight in time from its first value, zero, to its last."""
    return line - line[-1] * (t - t[0]) / (t[-1] - t[0])


@njit(cache=True, nogil=True, error_model="numpy")
def mean_noise(noise):  # type: ignore[no-untyped-def]
    """Mean of the squares that are known, zero if there is none. [K^2]"""
    total, count = 0.0, 0
    for x in noise:
        if np.isfinite(x):
            total += x
            count += 1
    return total / max(count, 1)


@njit(cache=True, nogil=True, error_model="numpy")
def left_of_noise(points, gone):  # type: ignore[no-untyped-def]
    """Sum of squares of a smoothed unit noise over a run, once shares of its level, slope and bend are `gone`.

    Smoothing leaves the slowest disturbances nearly whole, so that they hold more than their share of the noise.
    """
    left = SMOOTHED * points
    for degree in range(len(gone)):
        left -= gone[degree] * (1.0 - ROUGHER * (2 * degree + 1) / points)
    return left

"""What wakes take while the harvest goes on: kernels, for heat that does not rest.

From interval to interval wakes come more or fewer by chance, and the heat of a process does not know of it: what the
balance moves with them is their energy over capacity. Harvest is taken to wander and to scatter about that, by as much
as the intervals themselves show, with a course of the day beside it; then

    dE = h - (e/c) W + noise

tells e/c alone, for sleep and leakage go with the time as harvest does. Weights are those of a filter of the local
level, whose innovations are independent where the differences of readings are not. The slow branch, which lags behind
what a wake takes, has the same share of it as of a charge: its line is of opposite sign to the wakes', and as long.

A machine that wakes the node brings harvest in the same hour, and a share of each wake's energy comes back with it, of
which no telemetry tells: it makes a wake seem a fifth cheaper where duty cycles drive both. So only heat is used.
"""

import numpy as np
from numba import njit

from analysis.quiet_runs import (
    FLOW_LEAK,
    FLOW_THERMAL,
    FORM,
    FULL,
    FULL_MARGIN,
    JOINED,
    LINES,
    MEASURED,
    NOISE,
    POINTS,
    RIGHT,
    SHAPED,
    STORED,
    SUMS,
    THERMAL_USUAL,
    WAKE,
    WARMTH,
    eliminate,
)  # fmt: skip
from analysis.reading import noise_of, off_line
from analysis.whole_wakes import doubt_of_rounding

LEAST_INTERVALS = 12  # in a row
READS_LOW = 0.99  # a converter's reference may be off by half a per cent, and its offset by 10 mV
WANDER = 0.2  # of the harvest's level, variance an interval over that of its scatter (on fleets of four hands)
OUTLIER = 4.0  # standard deviations of an innovation from which on it tells nothing
TURNS, SLOPES = 3, (0.3, 3.0)  # an innovation is judged by the slope found before: by the budget's, all pull towards it
SCATTER_LEAST = 0.1  # share of the intervals' variance that is harvest, at least
WAKES, LEFT, COSINE, SINE, ONE_WAKE = range(5)  # columns of an interval; LEFT: stored and spent otherwise
COLUMNS = 5


@njit(cache=True, nogil=True, error_model="numpy")
def add_loud(begin, end, t, v, temp, values, flow, fig, row):  # type: ignore[no-untyped-def]
    """Add what the intervals among reports begin to end - 1 tell of the energy of wakes to a day's sums.

    At full the storage takes in only what it needs: intervals that end or begin there, as a converter that reads low
    has it, are left out.
    """
    full = min(fig[FULL] - FULL_MARGIN * fig[NOISE], READS_LOW * fig[FULL])
    weight, start = 0.0, begin
    for i in range(begin + 1, end + 1):
        goes_on = i < end and flow[JOINED, i] > 0.0 and v[i - 1] < full and v[i] < full
        if not goes_on:
            if i - 1 - start >= LEAST_INTERVALS:
                weight += _add_run(start, i, t, temp, values, flow, fig, row)
            start = i
    if weight > 0.0:
        row[SHAPED:SUMS] /= weight


@njit(cache=True, nogil=True, error_model="numpy")
def _columns(a, b, t, values, flow):  # type: ignore[no-untyped-def]
    """Of the intervals among reports a to b - 1: their mean powers in COLUMNS, and what they last [s]."""
    columns, seconds = np.empty((b - a - 1, COLUMNS)), np.empty(b - a - 1)
    for j in range(b - a - 1):
        i = a + 1 + j
        seconds[j] = t[i] - t[i - 1]
        left = values[STORED, i] - values[STORED, i - 1] + flow[1, i] + flow[FLOW_LEAK, i]
        left += THERMAL_USUAL * flow[FLOW_THERMAL, i]
        angle = (t[i] + t[i - 1]) / 86400.0 * np.pi
        columns[j, WAKES], columns[j, LEFT] = flow[0, i] / seconds[j], left / seconds[j]
        columns[j, COSINE], columns[j, SINE] = np.cos(angle), np.sin(angle)
        columns[j, ONE_WAKE] = values[WAKE, i] / seconds[j]
    return columns, seconds


@njit(cache=True, nogil=True, error_model="numpy")
def _scatter(middle, level, reading):  # type: ignore[no-untyped-def]
    """Variance of an interval's harvest about its neighbours', less what noise of the readings makes of it. [W^2]"""
    size = np.empty(len(level) - 2)
    for j in range(1, len(level) - 1):
        size[j - 1] = off_line(middle, level, j)
    total = noise_of(size, np.sqrt(reading)) ** 2
    return max(total - 10.0 / 3.0 * reading, SCATTER_LEAST * total)  # each reading ends one interval, begins the next


@njit(cache=True, nogil=True, error_model="numpy")
def _innovations(columns, seconds, slope, scatter, noise):  # type: ignore[no-untyped-def]
    """The Gram matrix of the columns' innovations over their variance, and how many tell: a filter of a local level.

    Its state is the harvest's level and the error of the reading that began the interval; `noise` is the variance of
    such an error [J^2], `slope` the wakes' coefficient by which one that tells nothing is known.
    """
    gram, count = np.zeros((COLUMNS, COLUMNS)), 0
    level, error, off = columns[0].copy(), np.zeros(COLUMNS), np.empty(COLUMNS)
    of_level, of_both, of_error = scatter + 2.0 * noise / seconds[0] ** 2, -noise / seconds[0], noise
    for j in range(1, len(columns)):
        per = 1.0 / seconds[j]
        of_level += WANDER * scatter
        variance = of_level - 2.0 * of_both * per + (of_error + noise) * per**2 + scatter
        for c in range(COLUMNS):
            off[c] = columns[j, c] - level[c] + error[c] * per
        if (off[LEFT] + slope * off[WAKES]) ** 2 < OUTLIER**2 * variance:
            count += 1
            for r in range(COLUMNS):
                for c in range(COLUMNS):
                    gram[r, c] += off[r] * off[c] / variance
        gain, gain_error = (of_level - of_both * per) / variance, noise * per / variance
        for c in range(COLUMNS):
            level[c] += gain * off[c]
            error[c] = gain_error * off[c]
        of_level -= gain * gain * variance
        of_both = -gain * noise * per
        of_error = noise * (1.0 - gain_error * per)
    return gram, count


@njit(cache=True, nogil=True, error_model="numpy")
def _add_run(a, b, t, temp, values, flow, fig, row):  # type: ignore[no-untyped-def]
    """Add what one run of intervals tells; returns its weight."""
    columns, seconds = _columns(a, b, t, values, flow)
    noise = (fig[NOISE] * values[-1, a:b].max()) ** 2
    middle, slope = (t[a + 1 : b] + t[a : b - 1]) / 2.0, 1.0
    for turn in range(TURNS):
        scatter = _scatter(middle, columns[:, LEFT] + slope * columns[:, WAKES], noise / np.mean(seconds) ** 2)
        gram, count = _innovations(columns, seconds, slope, scatter, noise)
        if count < LEAST_INTERVALS:
            return 0.0
        eliminate(gram, COSINE, np.inf)
        eliminate(gram, SINE, np.inf)
        if not gram[WAKES, WAKES] > 0.0:
            return 0.0
        if turn < TURNS - 1:
            slope = min(max(-gram[WAKES, LEFT] / gram[WAKES, WAKES], SLOPES[0]), SLOPES[1])
    told = gram[WAKES, WAKES]
    rest = (gram[LEFT, LEFT] + 2.0 * slope * gram[LEFT, WAKES] + slope**2 * told) / (count - 3.0)
    # What is left of a rounded counter tells nothing; and a fit worse than its noise tells less.
    share = 1.0 / (1.0 + told * doubt_of_rounding(told, gram[ONE_WAKE, ONE_WAKE])) / max(rest, 1.0)
    told, along = told * share, -gram[WAKES, LEFT] * share
    row[0] += told
    row[LINES - 1] -= told
    row[RIGHT - 1] += told
    row[RIGHT] += along
    row[RIGHT + LINES - 1] -= along
    row[POINTS] += count
    for k in range(WARMTH - SHAPED):
        row[SHAPED + k] += told * values[FORM + k, a:b].mean()
    if np.isfinite(temp[a]) and np.isfinite(temp[b - 1]):
        row[WARMTH] += told * ((temp[a] + temp[b - 1]) / 2 - 25.0)
        row[MEASURED] += told
    return told

"""Which intervals of a night are quiet: those without sun, and without the lamp that is lit for a part of it."""

import numpy as np
from numba import njit

from analysis.quiet import LOAD_SHARE, median
from analysis.quiet_runs import JOINED, LEAST_POINTS, LOAD, SLACK, leave_loud

LIT_S = 2 * 3600.0  # of a night are judged together


@njit(cache=True, nogil=True, error_model="numpy")
def mark_between(begin, end, t, values, flow, fig, level, evening, morning, most, quiet):  # type: ignore[no-untyped-def]
    """Mark the intervals between evening and morning whose own power does not speak against it."""
    for i in range(begin + 1, end):
        quiet[i - begin] = t[i - 1] >= evening and t[i] <= morning and flow[JOINED, i] > 0.0
    noise = leave_loud(begin, end, t, values, flow, fig, level, most, quiet)
    if np.isfinite(evening):
        _leave_lit(t[begin:end], level, flow[0, begin:end], LOAD_SHARE * fig[LOAD], noise, quiet)


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_lit(t, level, wakes, least, noise, quiet):  # type: ignore[no-untyped-def]
    """Take from a night's intervals those in hours that harvest by `least` [W] more than the middle half of the night.

    A lamp in a yard is lit until ten, in a greenhouse again from four, and may give less than an interval's noise. In
    the evening a storage settles and seems to spend more, so the middle is the measure.
    """
    marked = np.flatnonzero(quiet)
    if len(marked) < LEAST_POINTS:
        return
    power, busy, seconds = np.empty(len(marked)), np.empty(len(marked)), np.empty(len(marked))
    for k in range(len(marked)):
        a, b = marked[k] - 1, marked[k]
        while t[b] - t[a] < LIT_S and (quiet[a] or (b + 1 < len(t) and quiet[b + 1])):
            later = b + 1 < len(t) and quiet[b + 1] and not (quiet[a] and t[marked[k]] - t[a] < t[b] - t[marked[k] - 1])
            a, b = (a, b + 1) if later else (a - 1, b)
        seconds[k] = t[b] - t[a]
        power[k], busy[k] = (level[b] - level[a]) / seconds[k], wakes[a + 1 : b + 1].sum() / seconds[k]
    first, last, of = t[marked[0] - 1], t[marked[-1]], t[marked]
    calm = (of >= 0.75 * first + 0.25 * last) & (of <= 0.25 * first + 0.75 * last)
    if calm.any():
        slack = SLACK * noise / seconds + 0.3 * np.abs(busy - median(busy[calm]))
        quiet[marked[power > median(power[calm]) + least + slack]] = False

"""How noisy a converter's readings are, told from the readings themselves: kernels.

A budget states the converter's step, and half a step of noise is what is believed of it; many a node's reading is
noisier. What a level is off the line between those beside it is blind to the level's slope, and tells it.
"""

import numpy as np
from numba import njit

from analysis.daily import MEDIAN_TO_SD
from analysis.quiet import median, sort_few

NOISE_PRIOR = 4.0  # weight of what is believed of the noise against what shows, in points
QUARTER = 0.3186  # quartile of the size of a standard normal deviate, whose median is 1 / MEDIAN_TO_SD
CALM, CALM_TURNS = 2.0, 6  # standard deviations within which a level counts as calm; how often these are found anew
WITHIN_CALM = 0.640  # median of the size of such a deviate
FEWEST = 5  # levels with one on either side: of fewer the noise is what is believed
NOISIEST = 1e-3  # noise of a converter, as a share of full voltage (common practice, no source)


@njit(cache=True, nogil=True, error_model="numpy")
def off_line(t, level, i):  # type: ignore[no-untyped-def]
    """How far level i is off the line between those beside it, over what noise of one level makes of that."""
    ahead = (t[i] - t[i - 1]) / (t[i + 1] - t[i - 1])
    off = level[i] - (1.0 - ahead) * level[i - 1] - ahead * level[i + 1]
    return abs(off) / np.sqrt(1.0 + ahead**2 + (1.0 - ahead) ** 2)


@njit(cache=True, nogil=True, error_model="numpy")
def _held(own, count, believed):  # type: ignore[no-untyped-def]
    """Noise by some points, held towards what is believed of it."""
    return np.sqrt((NOISE_PRIOR * believed**2 + count * own**2) / (NOISE_PRIOR + count))


@njit(cache=True, nogil=True, error_model="numpy")
def noise_of(size, believed):  # type: ignore[no-untyped-def]
    """Standard deviation of levels of which these are `off_line`, held towards what is believed of it."""
    return _held(MEDIAN_TO_SD * median(size) if len(size) else 0.0, len(size), believed)


@njit(cache=True, nogil=True, error_model="numpy")
def calm_noise(t, level, joined, believed, most):  # type: ignore[no-untyped-def]
    """Noise of some levels, by those between which next to nothing is harvested.

    The quarter that is least off its line tells it first, then all within CALM of that.

    Parameters
    ----------
    level : ndarray
        What moves in a straight line but for harvest and noise: stored energy plus what was spent.
    joined : ndarray
        Positive where the interval that ends at a level is one, without hole or restart.
    believed, most : float
        Noise by the budget's converter, and what it is at most: of a source that never rests even the calmest quarter
        is harvest.
    """
    size, count = np.empty(len(t)), 0
    for i in range(1, len(t) - 1):
        if joined[i] > 0 and joined[i + 1] > 0:
            size[count] = off_line(t, level, i)
            count += 1
    if count < FEWEST:
        return believed
    ranked = size[:count]
    sort_few(ranked)
    own = ranked[count // 4] / QUARTER
    for _ in range(CALM_TURNS):
        own = ranked[np.searchsorted(ranked, CALM * own, side="right") // 2] / WITHIN_CALM
    return max(min(_held(own, count, believed), most), believed)

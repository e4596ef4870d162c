"""How harvest scatters from day to day: its distribution, its correlation in time, and what a site's nodes share."""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from analysis.kernel import NOISE_SPAN
from analysis.outlook import NOISE_POINTS

Array = npt.NDArray[np.float64]

DEVIATES = np.linspace(-NOISE_SPAN, NOISE_SPAN, NOISE_POINTS)
USUAL_SPAN = 2.0  # deviates within which days are as usual
LAG_DAYS, SHARED_DAYS = 60.0, 30.0  # what the beliefs of the noise's two correlations are worth (our own judgement)
BLOCK_DAYS, BLOCK_LEAST = 28, 10  # of the means that tell how a level departs, and with so many known days;
BLOCKS_LEAST = 3  # of a node that tells it
LEVEL_BLOCKS = 6.0  # such means that the belief of it is worth (our own judgement)
_DENSITY = np.exp(-(DEVIATES**2) / 2)


def noise_table(factors: npt.ArrayLike, sd: float, bounds: npt.ArrayLike = (), prior_days: float = 20.0) -> Array:
    """The factor on a day's harvest over standard normal deviates: quantiles of what was seen, with mean one.

    Parameters
    ----------
    factors : array_like
        Harvest of past days over its level.
    sd : float
        Relative sd believed beforehand, as a lognormal.
    bounds : array_like
        The same of days on which it was at least that.
    prior_days : float
        How many days that belief is worth.

    Notes
    -----
    Lower bounds enter as censored values (product-limit estimate, Kaplan and Meier, J. Am. Stat. Assoc. 53:457, 1958;
    from memory). What lies above the highest value seen has the belief's shape, raised so that the mean comes to one.
    """
    sigma = np.sqrt(np.log1p(sd**2))
    believed = np.exp(sigma * DEVIATES - sigma**2 / 2)
    known, least = np.asarray(factors, dtype=float), np.asarray(bounds, dtype=float)
    if len(known) < 2:
        return np.asarray(believed)
    value, share, beyond = _product_limit(known, least)
    place = ndtr(DEVIATES)
    table = np.interp(place, share, value)
    above = place > 1 - beyond
    if above.any():
        missing = (_DENSITY.sum() - (_DENSITY * table)[~above].sum()) / (_DENSITY * believed)[above].sum()
        table[above] = np.maximum(missing * believed[above], value[-1])
    count = len(known) + len(least)
    table = np.maximum((count * table + prior_days * believed) / (count + prior_days), 0.0)
    return np.asarray(table / max(float(np.average(table, weights=_DENSITY)), 1e-9))


def _product_limit(known: Array, least: Array) -> tuple[Array, Array, float]:
    """Values seen in rising order, the middle of each one's step in the distribution, and the share beyond them all."""
    value = np.concatenate([known, least])
    seen = np.concatenate([np.ones(len(known)), np.zeros(len(least))])
    order = np.lexsort((1 - seen, value))
    value, seen = value[order], seen[order]
    left = np.cumprod(1 - seen / np.arange(len(value), 0, -1))
    before = np.concatenate([[1.0], left[:-1]])
    steps = seen > 0
    return value[steps], 1 - (left + before)[steps] / 2, float(left[-1])


def deviates(factors: npt.ArrayLike, table: npt.ArrayLike, bound: npt.ArrayLike = False) -> Array:
    """Normal deviates of past days' factors under a noise table.

    NaN stays NaN. Equal factors share the middle of their range, and where a factor is only a lower `bound` it is the
    mean of what lies above it.
    """
    value, height = np.asarray(factors, dtype=float), np.asarray(table, dtype=float)
    low = DEVIATES[np.minimum(np.searchsorted(height, value, side="left"), NOISE_POINTS - 1)]
    high = DEVIATES[np.clip(np.searchsorted(height, value, side="right") - 1, 0, NOISE_POINTS - 1)]
    rising = np.interp(value, height + 1e-12 * np.arange(NOISE_POINTS), DEVIATES)
    middle = ndtri((ndtr(low) + ndtr(np.maximum(high, low))) / 2)
    exact = np.clip(np.where(high > low, middle, rising), -3.0, 3.0)
    beyond = np.exp(-(exact**2) / 2) / np.sqrt(2 * np.pi) / ndtr(-exact)
    return np.where(np.isnan(value), np.nan, np.where(bound, np.minimum(beyond, 3.0), exact))


def lag_one(deviate: npt.ArrayLike, believed: float) -> float:
    """Correlation of deviates from one day to the next, over all nodes' rows, held towards a belief; 0 to 0.97.

    Notes
    -----
    Ties and lower bounds make deviates coarse (their mean square falls below one) and hide part of the correlation
    of what lies behind. At the coarsest, a sign, r of the deviates means ``sin(pi r / 2)`` of what lies behind
    (Sheppard's theorem of median dichotomy; from memory) and the mean square is 2/pi; between, it is interpolated.
    """
    z = np.atleast_2d(np.asarray(deviate, dtype=float))
    pair = z[:, 1:] * z[:, :-1]
    seen = np.isfinite(pair)
    square = np.where(seen, (z[:, 1:] ** 2 + z[:, :-1] ** 2) / 2, 0.0).sum()
    found = float(np.clip((np.where(seen, pair, 0.0).sum() + LAG_DAYS * believed) / (square + LAG_DAYS), 0.0, 1.0))
    coarse = np.clip((1 - square / max(seen.sum(), 1)) / (1 - 2 / np.pi), 0.0, 1.0) if seen.any() else 0.0
    return float(np.clip(found + coarse * (np.sin(np.pi * found / 2) - found), 0.0, 0.97))


def shared(deviate: npt.ArrayLike, believed: float) -> float:
    """Correlation of each node's deviates with what the site's nodes share, held towards a belief; 0 to 0.98.

    From the mean product of pairs of nodes on the same day.
    """
    z = np.atleast_2d(np.asarray(deviate, dtype=float))
    seen = np.isfinite(z)
    count, total = seen.sum(axis=0), np.where(seen, z, 0.0).sum(axis=0)
    square = np.where(seen, z**2, 0.0).sum(axis=0)
    many = count > 1
    pairs = (total**2 - square)[many] / (count * (count - 1))[many]
    spread = (square / np.maximum(count, 1))[many]
    correlation = (pairs.sum() + SHARED_DAYS * believed**2) / (spread.sum() + SHARED_DAYS)
    return float(np.clip(np.sqrt(max(correlation, 0.0)), 0.0, 0.98))


def table_sd(table: Array) -> float:
    """Relative sd of the factor that a noise table draws, within two deviates.

    A few days of a fault, of many nodes, are in its tails, and would have every day of all nodes taken for chance.
    """
    usual = np.abs(DEVIATES) <= USUAL_SPAN
    weight, factor = _DENSITY[usual], table[usual]
    mean = np.average(factor, weights=weight)
    return float(np.sqrt(np.average((factor - mean) ** 2, weights=weight)))


def slow_spread(ratio: Array, sd: float, keep: float, believed: float, share: float = 0.0) -> float:
    """Relative sd of the level about its mean: what four-week means scatter beyond the days' own noise.

    Parameters
    ----------
    ratio : ndarray, shape (nodes, days)
        Harvest over each node's mean, NaN where not known.
    sd, keep : float
        Of the noise, and its correlation from day to day.
    believed : float
        The sd before anything is seen, worth LEVEL_BLOCKS four-week means; a quarter of it is the least returned.
    share : float
        Correlation of the nodes with what they have in common: n nodes count as n / (1 + (n - 1) share^2).
    """
    blocks = ratio[:, ratio.shape[1] % BLOCK_DAYS :].reshape(len(ratio), -1, BLOCK_DAYS)
    count = np.isfinite(blocks).sum(axis=2)
    told = count >= BLOCK_LEAST
    used = told & (told.sum(axis=1, keepdims=True) >= BLOCKS_LEAST)
    mean = np.where(used, np.nansum(blocks, axis=2) / np.maximum(count, 1), 0.0)
    free = np.maximum(used.sum(axis=1) - 1, 0)
    centre = mean.sum(axis=1, keepdims=True) / np.maximum(used.sum(axis=1, keepdims=True), 1)
    square = (np.where(used, mean - centre, 0.0) ** 2).sum()
    noise = np.where(used, sd**2 * (1 + keep) / (1 - keep) / np.maximum(count, 1), 0.0).sum(axis=1)
    chance = (noise / np.maximum(used.sum(axis=1), 1) * free).sum()
    nodes = max(int((free > 0).sum()), 1)
    alone = 1 / (1 + (nodes - 1) * share**2)
    variance = (LEVEL_BLOCKS * believed**2 + alone * (square - chance)) / (LEVEL_BLOCKS + alone * free.sum())
    return float(np.sqrt(max(variance, (believed / 4) ** 2)))

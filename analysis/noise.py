"""How harvest scatters from day to day: its distribution, its correlation in time, and what a site's nodes share."""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from analysis.kernel import NOISE_SPAN
from analysis.outlook import NOISE_POINTS

Array = npt.NDArray[np.float64]

DEVIATES = np.linspace(-NOISE_SPAN, NOISE_SPAN, NOISE_POINTS)
_DENSITY = np.exp(-(DEVIATES**2) / 2)


def noise_table(factors: npt.ArrayLike, sd: float, prior_days: float = 20.0) -> Array:
    """The factor on a day's harvest over standard normal deviates: quantiles of what was seen, with mean one.

    Parameters
    ----------
    factors : array_like
        Harvest of past days over its level.
    sd : float
        Relative sd believed beforehand, as a lognormal.
    prior_days : float
        How many days that belief is worth.
    """
    sigma = np.sqrt(np.log1p(sd**2))
    believed = np.exp(sigma * DEVIATES - sigma**2 / 2)
    seen = np.sort(np.asarray(factors, dtype=float))
    if len(seen) < 2:
        return np.asarray(believed)
    rank = (np.arange(len(seen)) + 0.5) / len(seen)
    share = len(seen) / (len(seen) + prior_days)
    table = share * np.interp(ndtr(DEVIATES), rank, seen) + (1 - share) * believed
    table = np.maximum(table, 0.0)
    return np.asarray(table / max(float(np.average(table, weights=_DENSITY)), 1e-9))


def deviates(factors: npt.ArrayLike, table: npt.ArrayLike) -> Array:
    """Normal deviates of past days' factors under a noise table; NaN stays NaN, ties share their middle."""
    value, height = np.asarray(factors, dtype=float), np.asarray(table, dtype=float)
    low = DEVIATES[np.minimum(np.searchsorted(height, value, side="left"), NOISE_POINTS - 1)]
    high = DEVIATES[np.clip(np.searchsorted(height, value, side="right") - 1, 0, NOISE_POINTS - 1)]
    flat = high > low
    rising = np.interp(value, height + 1e-12 * np.arange(NOISE_POINTS), DEVIATES)
    middle = ndtri((ndtr(low) + ndtr(np.maximum(high, low))) / 2)
    return np.where(np.isnan(value), np.nan, np.clip(np.where(flat, middle, rising), -3.0, 3.0))


def lag_one(deviate: npt.ArrayLike, believed: float, prior_days: float = 60.0) -> float:
    """Correlation of deviates from one day to the next, over all nodes' rows, held towards a belief; 0 to 0.95."""
    z = np.atleast_2d(np.asarray(deviate, dtype=float))
    pair = z[:, 1:] * z[:, :-1]
    seen = np.isfinite(pair)
    square = np.where(seen, (z[:, 1:] ** 2 + z[:, :-1] ** 2) / 2, 0.0).sum()
    found = (np.where(seen, pair, 0.0).sum() + prior_days * believed) / (square + prior_days)
    return float(np.clip(found, 0.0, 0.95))


def shared(deviate: npt.ArrayLike, believed: float, prior_days: float = 30.0) -> float:
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
    correlation = (pairs.sum() + prior_days * believed**2) / (spread.sum() + prior_days)
    return float(np.clip(np.sqrt(max(correlation, 0.0)), 0.0, 0.98))

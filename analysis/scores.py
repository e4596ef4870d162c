"""How good forecasts came out: proper scores, reliability, interval coverage, and what to correct."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import binom

Array = npt.NDArray[np.float64]


def crps(sample: npt.ArrayLike, observed: npt.ArrayLike, *, fair: bool = False) -> Array:
    """Continuous ranked probability score of samples, in the unit of the observation; smaller is better.

    Parameters
    ----------
    sample : array_like, shape (..., m)
        Draws from the forecast, last axis.
    observed : array_like, shape (...)
        What came.
    fair : bool
        Whether to score the distribution behind the draws (unbiased in m) instead of the draws as they are.

    Notes
    -----
    ``E|X - y| - E|X - X'| / 2`` (Gneiting and Raftery, JASA 102:359, 2007, eq. 21); the fair form divides the second
    mean by ``m (m - 1)`` instead of ``m^2``.
    """
    draws = np.sort(np.asarray(sample, dtype=float), axis=-1)
    size = draws.shape[-1]
    distance = np.abs(draws - np.asarray(observed, dtype=float)[..., None]).mean(axis=-1)
    weight = 2 * np.arange(1, size + 1) - size - 1  # sum over pairs |x_i - x_j| = 2 sum_i weight_i x_(i)
    pairs = size * (size - 1) if fair else size * size
    return np.asarray(distance - (draws * weight).sum(axis=-1) / pairs)


def crps_until(sample: npt.ArrayLike, observed: npt.ArrayLike, horizon: float) -> Array:
    """CRPS that looks no further than `horizon`: for times that may lie beyond it (infinite: never seen).

    Notes
    -----
    Threshold weight one up to the horizon and zero beyond, which equals the CRPS of everything cut at the horizon
    (Gneiting and Ranjan, J. Bus. Econ. Stat. 29:411, 2011; from memory).
    """
    cut = np.minimum(np.asarray(observed, dtype=float), horizon)
    return crps(np.minimum(np.asarray(sample, dtype=float), horizon), cut)


def brier(probability: npt.ArrayLike, happened: npt.ArrayLike) -> float:
    """Mean squared distance of a stated probability from what happened (0 or 1)."""
    return float(np.mean((np.asarray(probability, dtype=float) - np.asarray(happened, dtype=float)) ** 2))


def skill(score: float, reference: float) -> float:
    """Share by which a score is better than a reference score: 1 is perfect, 0 no better; NaN without reference."""
    return 1.0 - score / reference if reference > 0 else float("nan")


@dataclass(frozen=True)
class Reliability:
    """Forecasts grouped by what they said."""

    said: Array  # mean stated probability of the group
    came: Array  # share that happened
    count: npt.NDArray[np.int64]
    low: Array  # 95 % band in which `came` lies if `said` is right
    high: Array


def reliability(probability: npt.ArrayLike, happened: npt.ArrayLike, edges: npt.ArrayLike | None = None) -> Reliability:
    """Stated probability against frequency, in groups between `edges` (default: ten equal); empty ones are left out."""
    said = np.asarray(probability, dtype=float)
    came = np.asarray(happened, dtype=float)
    bounds = np.linspace(0, 1, 11) if edges is None else np.asarray(edges, dtype=float)
    group = np.clip(np.searchsorted(bounds, said, side="right") - 1, 0, len(bounds) - 2)
    count = np.bincount(group, minlength=len(bounds) - 1)
    used = count > 0
    mean_said = np.bincount(group, said, len(bounds) - 1)[used] / count[used]
    mean_came = np.bincount(group, came, len(bounds) - 1)[used] / count[used]
    low, high = binom.ppf([[0.025], [0.975]], count[used], np.clip(mean_said, 0, 1)) / count[used]
    return Reliability(mean_said, mean_came, count[used].astype(np.int64), low, high)


@dataclass(frozen=True)
class Coverage:
    """Share of observations inside an interval, with the band that chance allows."""

    share: float
    count: int
    low: float
    high: float


def binomial_band(share: float, count: int, z: float = 1.96) -> tuple[float, float]:
    """Interval in which the observed share of `count` trials lies 95 times in 100 (normal approximation)."""
    half = z * np.sqrt(share * (1 - share) / count)
    return max(share - float(half), 0.0), min(share + float(half), 1.0)


def coverage(lower: npt.ArrayLike, upper: npt.ArrayLike, observed: npt.ArrayLike, nominal: float) -> Coverage:
    """Coverage of intervals with nominal probability `nominal`; pairs with a NaN are left out."""
    low, high, value = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (lower, upper, observed)))
    usable = np.isfinite(low) & np.isfinite(high) & np.isfinite(value)
    count = int(usable.sum())
    if count == 0:
        return Coverage(float("nan"), 0, float("nan"), float("nan"))
    inside = (low <= value) & (value <= high)
    return Coverage(float(inside[usable].mean()), count, *binomial_band(nominal, count))


@dataclass(frozen=True)
class Correction:
    """A map from stated to corrected probability: ``logit p' = shift + slope logit p``; identity at (0, 1)."""

    shift: float = 0.0
    slope: float = 1.0

    def __call__(self, probability: npt.ArrayLike) -> Array:
        """Corrected probability; 0 and 1 stay."""
        stated = np.asarray(probability, dtype=float)
        inner = np.clip(stated, 1e-6, 1 - 1e-6)
        corrected = expit(self.shift + self.slope * logit(inner))
        return np.where((stated <= 0) | (stated >= 1), stated, corrected)


def fit_correction(probability: npt.ArrayLike, happened: npt.ArrayLike, weight: float = 10.0) -> Correction:
    """The correction that past forecasts call for, held towards none by `weight` (a Gaussian prior's precision).

    With few or one-sided outcomes it stays near the identity; forecasts of exactly 0 or 1 are left out, having
    nothing to correct.
    """
    stated = np.asarray(probability, dtype=float)
    came = np.asarray(happened, dtype=float)
    open_ = (stated > 0) & (stated < 1)
    x = logit(np.clip(stated[open_], 1e-6, 1 - 1e-6))
    y = came[open_]

    def loss(theta: Array) -> float:
        z = theta[0] + np.exp(theta[1]) * x
        return float(np.sum(np.logaddexp(0, z) - y * z) + weight / 2 * np.sum(theta**2))

    if not len(x):
        return Correction()
    shift, log_slope = minimize(loss, np.zeros(2), method="Nelder-Mead").x
    return Correction(float(shift), float(np.exp(log_slope)))

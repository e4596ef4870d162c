"""How a node's harvest goes with the season of the clear sky: by a power of it, which tilt, or windows, decide."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.kernel import compiled
from analysis.level import WALK, filtered
from analysis.sources import Source

Array = npt.NDArray[np.float64]

# The power is 1.0 for a panel that lies flat, 0.7 at 30 degrees, 0.3 upright (four public irradiance years): how one is
# mounted is not known beforehand, but few lie flat.
POWERS = np.linspace(0.0, 1.3, 14)
BELIEVED, BELIEVED_SD = 0.7, 0.25
WINDOWS_SD = 0.3  # indoors, of the power where there is daylight: upright windows, and lamps beside them
LAMPS = 0.1  # of the year's mean sky; less makes no difference indoors
IMPOSSIBLE = -1e3  # logarithm of a chance
BLOCK_DAYS = 10
BOUND_SHARE = 0.2  # of the days of a block from which its mean is only a lower bound
START_SD = 0.3  # of the logarithm of the mean, beside the budget's tolerance: what a place's shade takes
LEAST = 0.03  # of the usual: what a harvest of nothing is taken for


class Season(NamedTuple):
    """Of some nodes at one place.

    Attributes
    ----------
    factor : ndarray, shape (nodes, days)
        Of each day on harvest, its mean over the first year one.
    doubt : ndarray, shape (nodes, days)
        Its relative sd, with a sign: what one standard deviation more of the power makes of each day, if the harvest
        of the latest days behind is known.
    whole : ndarray, shape (nodes, days)
        The same, if the season is not taken out of the harvest.
    """

    factor: Array
    doubt: Array
    whole: Array

    def left_in(self) -> "Season":
        """The season of a harvest out of which it is not taken: a doubt alone."""
        return Season(np.ones_like(self.factor), self.whole, self.whole)


def flat(nodes: int, days: int) -> Season:
    """The season of a harvest that has none."""
    return Season(np.ones((nodes, days)), *np.zeros((2, nodes, days)))


def seasons(
    plain: Array, harvest: Array, censored: npt.NDArray[np.bool_], mean: float, tolerance: float, source: Source
) -> Season:
    """The season that each node's days behind speak for.

    Parameters
    ----------
    plain : ndarray, shape (days,)
        Of the clear sky, behind and ahead, its mean one.
    harvest, censored : ndarray, shape (nodes, past)
        Of each day behind, closures taken out; whether it is only a lower bound.
    mean, tolerance : float
        What is believed of the mean of a year, and its relative sd.

    Notes
    -----
    Each power is weighed by how likely it makes the logarithms of ten-day means, the level left to wander; of some days
    that are bounds the mean is one. A node that is full all summer tells little, and keeps the doubt.
    """
    past = harvest.shape[1]
    plain = np.maximum(plain, 1e-9 if source.daylight == 1.0 else LAMPS)
    log = np.log(plain)
    usual = np.log(np.exp(POWERS[:, None] * log[:365]).mean(axis=1))
    spans = _means(harvest, censored, plain[:past])
    start = float(np.log(max(mean, 1e-12))), tolerance + START_SD
    noise_sd = source.noise_sd * float(np.sqrt(source.inflation / BLOCK_DAYS))
    power, sd = np.empty((2, len(harvest)))
    keep = float(np.exp(-BLOCK_DAYS / source.slow_days))
    _weigh(*spans, usual, *start, noise_sd, source.slow_sd, keep, _belief(source.daylight), power, sd)
    factor = np.exp(power[:, None] * log)
    factor /= factor[:, :365].mean(axis=1, keepdims=True)
    recent = np.isfinite(harvest) * np.exp((np.arange(past) - past) / source.slow_days)
    at = (recent * log[:past]).sum(axis=1) / np.maximum(recent.sum(axis=1), 1e-9)
    apart = log - at[:, None]
    return Season(factor, sd[:, None] * apart, np.hypot(power, sd)[:, None] * apart)


def _belief(daylight: float) -> Array:
    """Logarithm of how likely each power is beforehand, where such a share of places has daylight."""
    if daylight == 1.0:
        return np.where(POWERS > 0, -0.5 * ((POWERS - BELIEVED) / BELIEVED_SD) ** 2, IMPOSSIBLE)
    lit = np.where(POWERS > 0, np.exp(-0.5 * (POWERS / WINDOWS_SD) ** 2), 0.0)
    return np.log(np.where(POWERS > 0, daylight * lit / lit.sum(), 1.0 - daylight))


@compiled
def _weigh(
    value: Array, known: Any, sky: Array, spread: Array, bound: Any, usual: Array, start: float, start_sd: float,
    noise_sd: float, slow_sd: float, keep: float, belief: Array, power: Array, sd: Array,
) -> None:  # fmt: skip
    """Fill in the mean and sd of each node's power, by what `_means` gives."""
    plainly = np.ones(value.shape[1])
    for i in range(len(value)):
        fit = np.empty(len(POWERS))
        for k in range(len(POWERS)):
            level = value[i] - POWERS[k] * sky[i] + usual[k]
            found = filtered(
                level, known[i], spread[i], bound[i], start, start_sd, noise_sd, 1.0, plainly, slow_sd, keep,
                2 * slow_sd, WALK * slow_sd,
            )  # fmt: skip
            fit[k] = found[7] + belief[k]
        weight = np.exp(fit - fit.max())
        weight /= weight.sum()
        power[i] = (weight * POWERS).sum()
        sd[i] = np.sqrt((weight * (POWERS - power[i]) ** 2).sum())


def _means(
    harvest: Array, censored: npt.NDArray[np.bool_], plain: Array
) -> tuple[Array, npt.NDArray[np.bool_], Array, Array, npt.NDArray[np.bool_]]:
    """Of ten days each: logarithm of the mean and whether it is known, of the sky, noise over the usual, if a bound."""
    nodes, past = harvest.shape
    first = past % BLOCK_DAYS

    def sums(of: Array) -> Array:
        return np.asarray(of[:, first:].reshape(nodes, -1, BLOCK_DAYS).sum(axis=2))

    known = np.isfinite(harvest)
    days = sums(known.astype(float))
    told = days >= BLOCK_DAYS / 2
    count = np.maximum(days, 1)
    mean = sums(np.where(known, harvest, 0.0)) / count
    sky = sums(np.where(known, plain, 0.0)) / count
    floor = (
        LEAST * np.where(told, mean, 0.0).sum(axis=1, keepdims=True) / np.maximum(told.sum(axis=1, keepdims=True), 1)
    )
    value = np.log(np.maximum(mean, np.maximum(floor, 1e-12)))
    bound = sums((known & censored).astype(float)) > BOUND_SHARE * count
    return value, told, np.log(np.maximum(sky, 1e-9)), np.sqrt(BLOCK_DAYS / count), bound

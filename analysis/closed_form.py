"""Formulas with a closed form: first passage to empty, energy-neutral load and storage size.

Tests hold the simulation of `depletion` to them; of the analysis only `wakes` uses one, `autocorrelated_sd`.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtr

Array = npt.NDArray[np.float64]

# A random walk looked at once a step sees its barrier this many step-sds further out: -zeta(1/2)/sqrt(2 pi).
SAMPLING_SHIFT = 0.5825971579390106


def first_passage_cdf(days: npt.ArrayLike, margin: float, loss: float, sd: float, *, sampled: bool = False) -> Array:
    """Probability that usable energy has reached zero within `days`, for a random walk with drift.

    Parameters
    ----------
    days : array_like
        Time ahead. [d]
    margin : float
        Usable energy now. [J]
    loss : float
        Mean loss per day; negative when the node gains. [J/d]
    sd : float
        Standard deviation of a day's change. [J]
    sampled : bool
        Whether the walk is looked at once a day only, which moves the barrier out by ``SAMPLING_SHIFT * sd``.

    Returns
    -------
    ndarray
        Inverse-Gaussian distribution function; with ``loss < 0`` it levels off below one.

    Notes
    -----
    ``F(T) = Phi((mu T - b)/(s sqrt T)) + exp(2 mu b/s^2) Phi(-(mu T + b)/(s sqrt T))`` (Chhikara and Folks, The
    Inverse Gaussian Distribution, 1989; from memory). Left out: both storage boundaries, seasons, autocorrelation.
    """
    if sd <= 0 or margin < 0:
        msg = f"sd must be positive and margin not negative, got sd {sd:g} J and margin {margin:g} J"
        raise ValueError(msg)
    time = np.asarray(days, dtype=float)
    barrier = margin + (SAMPLING_SHIFT * sd if sampled else 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = sd * np.sqrt(time)
        reflected = np.exp(2 * loss * barrier / sd**2 + log_ndtr(-(loss * time + barrier) / scale))
        reached = ndtr((loss * time - barrier) / scale) + reflected
    return np.where(time > 0, reached, float(barrier <= 0))


def ever_empty_probability(gain: float, sd: float, margin: float) -> float:
    """Probability that a node that gains `gain` a day on average (sd `sd`) ever loses its `margin`. [J]

    ``exp(-2 m b / s^2)``, and one when it does not gain (Bucciarelli, Solar Energy 23, 1979; from memory).
    """
    return float(np.exp(-2 * gain * margin / sd**2)) if gain > 0 else 1.0


def autocorrelated_sd(sd: npt.ArrayLike, correlation: npt.ArrayLike) -> Array:
    """Daily sd of the uncorrelated walk that spreads like one whose days have the given lag-one correlation."""
    rho = np.asarray(correlation, dtype=float)
    return np.asarray(np.asarray(sd, dtype=float) * np.sqrt((1 + rho) / (1 - rho)))


def sustainable_load(harvest: float, efficiency: float = 1.0, leakage: float = 0.0) -> float:
    """Highest mean load that the harvest carries for ever. [W]

    ``rho2 <= eta rho1 - rho_leak`` (Kansal et al., ACM TECS 6(4):32, 2007; from memory).
    """
    return efficiency * harvest - leakage


def storage_bound(surplus: float, shortfall: float, load_burst: float, efficiency: float = 1.0) -> float:
    """Smallest storage that lets a sustainable load run for ever without wasting harvest. [J]

    ``B >= eta (sigma1 + sigma2) + sigma3`` with the harvest's largest surplus and shortfall against its mean rate and
    the load's largest burst, all in joules (Kansal et al., ACM TECS 6(4):32, 2007; from memory).
    """
    return efficiency * (surplus + shortfall) + load_burst


def sustainable_duty_cycle(net_harvest: npt.ArrayLike, sleep_power: float, active_power: float) -> Array:
    """Share of time active at which a node spends exactly its net harvest, between 0 and 1."""
    share = (np.asarray(net_harvest, dtype=float) - sleep_power) / (active_power - sleep_power)
    return np.clip(share, 0.0, 1.0)


def sustainable_wake_rate(net_harvest: npt.ArrayLike, sleep_power: float, wake_energy: float) -> Array:
    """Wakes per second at which a node spends exactly its net harvest; zero when sleep alone is too much. [1/s]"""
    return np.maximum((np.asarray(net_harvest, dtype=float) - sleep_power) / wake_energy, 0.0)

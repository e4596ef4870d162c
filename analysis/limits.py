"""What a converter and an interval of reports can tell at best: the limits that estimates are held against."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Numeric = float | npt.NDArray[np.float64]


def quantisation_sd(step: Numeric) -> Numeric:
    """Standard deviation of rounding to a converter step, in the step's unit.

    Notes
    -----
    step / sqrt(12), the sd of a uniform error (Widrow; from memory). It holds only while the voltage moves, or is noisy
    by more than about half a step, between readings; a still voltage has instead a bias of up to half a step.
    """
    return step / math.sqrt(12.0)


def step_energy(capacitance: Numeric, voltage: Numeric, step: Numeric) -> Numeric:
    """Stored energy that one converter step [V] stands for, C V q, in joules; C is dQ/dV at that voltage [F]."""
    return capacitance * voltage * step


def slope_bound(noise_sd: Numeric, interval: Numeric, count: int) -> Numeric:
    """Least standard deviation any unbiased estimate of a slope can have from evenly spaced readings.

    Parameters
    ----------
    noise_sd : float or ndarray
        Of one reading, independent from reading to reading. [V]
    interval : float or ndarray
        Between readings. [s]
    count : int
        Readings, at least two.

    Returns
    -------
    float or ndarray
        [V/s]; times C V it is the sd of a mean power [W].

    Raises
    ------
    ValueError
        For fewer than two readings.

    Notes
    -----
    Cramér-Rao bound of a straight line in white normal noise: var = 12 s^2 / (dt^2 N (N^2 - 1)). Least squares reaches
    it; the difference of the end points has N (N + 1) / (6 (N - 1)) times the variance. Left out: doubt in the
    capacitance, which is common to all readings and usually larger.
    """
    if count < 2:
        msg = f"a slope needs at least two readings, got {count}"
        raise ValueError(msg)
    return noise_sd / interval * math.sqrt(12.0 / (count * (count**2 - 1.0)))


class SteadyState(NamedTuple):
    """Variances of a level followed for ever, over the variance of one observation.

    `predicted` is before an observation, `filtered` after it and equal to the weight the observation gets, `smoothed`
    with all later observations too.
    """

    predicted: Numeric
    filtered: Numeric
    smoothed: Numeric


def steady_state(drift: Numeric) -> SteadyState:
    """How well a drifting level can be known.

    Parameters
    ----------
    drift : float or ndarray
        Variance that the level gains from one observation to the next, over the variance of one observation.

    Notes
    -----
    The Riccati equation of the local level model in closed form: P = (q + sqrt(q^2 + 4 q)) / 2 before the observation,
    K = P / (P + 1), and q / sqrt(q^2 + 4 q) smoothed (Durbin and Koopman, Time Series Analysis by State Space Methods;
    from memory, and iterated to agree in the tests).
    """
    root = np.sqrt(drift**2 + 4.0 * drift)
    predicted = (drift + root) / 2.0
    return SteadyState(predicted, predicted / (predicted + 1.0), drift / root)

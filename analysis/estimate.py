"""The budget lines of one node: prior beside posterior, and whether the telemetry could tell a line apart."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis import state
from analysis.load import sleep_power, wake_energy
from analysis.series import Floats
from analysis.storage import leakage_power
from ingest.budget import Budget

LINES = ("capacity_ratio", "esr_ohm", "wake_energy_j", "sleep_power_w", "leakage_power_w", "net_harvest_w")
ESR_TOLERANCE = 0.3  # of a budget's series resistance, as a fraction: common practice, no source
LEARNT = 0.7  # a line whose doubt the data have not brought below this share of the budget's has not been told apart


@dataclass(frozen=True)
class Line:
    """One budget line of one node: prior and posterior, in the unit of its name."""

    line: str
    budget: float
    budget_sd: float
    estimate: float
    sd: float
    separable: bool


@dataclass(frozen=True)
class NetHarvest:
    """Mean net harvest of the nodes' recent days and its standard deviation, NaN if too few were seen. [W]"""

    power: Floats
    sd: Floats


def budget_lines(budget: Budget, voltage: Floats, temperature: Floats) -> dict[str, tuple[Any, Any]]:
    """The prior of every line, value and standard deviation, at storage voltages [V] and temperatures [degC]."""
    wake, sleep = np.asarray(wake_energy(budget.load, voltage)), np.asarray(sleep_power(budget.load, voltage))
    leakage = np.asarray(leakage_power(budget.storage, voltage, temperature))
    leakage_sd = leakage * budget.storage.leakage_tolerance
    harvest = budget.harvest.mean_power
    return {
        "capacity_ratio": (1.0, budget.storage.capacitance_tolerance),
        "esr_ohm": (budget.storage.esr, budget.storage.esr * ESR_TOLERANCE),
        "wake_energy_j": (wake, wake * budget.load.wake_tolerance),
        "sleep_power_w": (sleep, sleep * budget.load.sleep_tolerance),
        "leakage_power_w": (leakage, leakage_sd),
        "net_harvest_w": (harvest - leakage, np.hypot(harvest * budget.harvest.tolerance, leakage_sd)),
    }


def lines(
    budget: Budget,
    mean: Floats,
    covariance: Floats,
    voltage: Floats,
    temperature: Floats,
    esr: tuple[Floats, Floats],
    net: NetHarvest,
    hidden_sleep: Floats,
) -> list[list[Line]]:
    """The six lines of each of the nodes of one budget.

    Parameters
    ----------
    mean : ndarray, shape (nodes, STATES)
        Of the posterior's state.
    covariance : ndarray, shape (nodes, STATES, STATES)
    voltage, temperature : ndarray, shape (nodes,)
        At which the lines that depend on them are stated: the nodes' recent means. [V], [degC]
    esr : tuple of ndarray, shape (nodes,)
        Series resistance and its standard deviation, NaN where it is not known. [ohm]
    hidden_sleep : ndarray, shape (nodes, 2)
        `sleep_shift` and `sleep_hidden` of the posterior.
    """
    prior = budget_lines(budget, voltage, temperature)
    _, prior_sd = state.prior(budget)
    found = {
        "esr_ohm": _told(prior["esr_ohm"], *esr),
        "net_harvest_w": _told(prior["net_harvest_w"], net.power, net.sd),
    }
    for name, states in (
        ("capacity_ratio", [state.CAPACITY, state.FADE]),
        ("wake_energy_j", [state.WAKE]),
        ("sleep_power_w", [state.SLEEP]),
        ("leakage_power_w", [state.LEAK, state.RISE]),
    ):
        h = np.zeros_like(mean)
        h[:, states] = 1.0
        factor, before = np.ones(len(mean)), np.full(len(mean), prior_sd[states[0]])
        if name == "leakage_power_w":
            factor, gradient = _leakage_factor(budget, mean, voltage, temperature)
            h += gradient
            before = np.sqrt(before**2 + (gradient**2 * prior_sd**2).sum(axis=1))
        ratio = np.exp(mean[:, states].sum(axis=1)) * factor
        doubt = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", h, covariance, h), 0.0))
        if name == "sleep_power_w":
            ratio, doubt = _sleep(ratio, doubt, hidden_sleep)
        value = prior[name][0] * ratio
        found[name] = value, value * doubt, doubt < LEARNT * before
    columns = [[column.tolist() for column in np.broadcast_arrays(*prior[name], *found[name])] for name in LINES]
    return [
        [Line(name, *row) for name, row in zip(LINES, rows, strict=True)]
        for rows in zip(*(zip(*line, strict=True) for line in columns), strict=True)
    ]


def _sleep(shown: Floats, doubt: Floats, hidden: Floats) -> tuple[Floats, Floats]:
    """Ratio of sleep power and its relative sd from what shows in quiet hours, and what harvest hides of it."""
    ratio = np.maximum(shown + hidden[:, 0], 0.05)
    return ratio, np.sqrt((shown * doubt) ** 2 + hidden[:, 1]) / ratio


def _leakage_factor(budget: Budget, mean: Floats, voltage: Floats, temperature: Floats) -> tuple[Floats, Floats]:
    """What the fitted dependence on voltage and temperature makes of leakage, and the gradient of its logarithm."""
    x = voltage / budget.storage.full_voltage - 1.0
    warmth = (temperature - 25.0) / 10.0
    terms = {state.BY_VOLT: x, state.BY_SQUARE: x * x, state.BY_WARMTH: warmth}
    factor = np.maximum(1.0 + sum(mean[:, place] * term for place, term in terms.items()), 0.05)
    gradient = np.zeros_like(mean)
    for place, term in terms.items():
        gradient[:, place] = term / factor
    return factor, gradient


def _told(prior: tuple[Any, Any], value: Floats, sd: Floats) -> tuple[Floats, Floats, np.ndarray[Any, Any]]:
    """A line that telemetry tells where it is finite, and where not its prior."""
    known = np.isfinite(value)
    return np.where(known, value, prior[0]), np.where(known, sd, prior[1]), known

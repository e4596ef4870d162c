"""The budget lines of one node: prior beside posterior, and whether the telemetry could tell a line apart."""

from dataclasses import dataclass

import numpy as np

from analysis import state
from analysis.health import Resistance
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
    """Mean net harvest of the recent days and its standard deviation, NaN if too few were seen. [W]"""

    power: float
    sd: float


def budget_lines(budget: Budget, voltage: float, temperature: float) -> dict[str, tuple[float, float]]:
    """The prior of every line, value and standard deviation, at a storage voltage [V] and temperature [degC]."""
    wake, sleep = float(wake_energy(budget.load, voltage)), float(sleep_power(budget.load, voltage))
    leakage = float(leakage_power(budget.storage, voltage, temperature))
    leakage_sd = leakage * budget.storage.leakage_tolerance
    harvest = budget.harvest.mean_power
    return {
        "capacity_ratio": (1.0, budget.storage.capacitance_tolerance),
        "esr_ohm": (budget.storage.esr, budget.storage.esr * ESR_TOLERANCE),
        "wake_energy_j": (wake, wake * budget.load.wake_tolerance),
        "sleep_power_w": (sleep, sleep * budget.load.sleep_tolerance),
        "leakage_power_w": (leakage, leakage_sd),
        "net_harvest_w": (harvest - leakage, float(np.hypot(harvest * budget.harvest.tolerance, leakage_sd))),
    }


def lines(
    budget: Budget,
    mean: Floats,
    covariance: Floats,
    voltage: float,
    temperature: float,
    esr: Resistance,
    net: NetHarvest,
    hidden_sleep: tuple[float, float] = (0.0, 0.0),
) -> list[Line]:
    """The six lines of a node.

    Parameters
    ----------
    mean : ndarray, shape (STATES,)
        Of the posterior's state.
    covariance : ndarray, shape (STATES, STATES)
    voltage, temperature : float
        At which the lines that depend on them are stated: the node's recent means. [V], [degC]
    hidden_sleep : tuple of float
        `sleep_shift` and `sleep_hidden` of the posterior.
    """
    prior = budget_lines(budget, voltage, temperature)
    _, prior_sd = state.prior(budget)
    found = []
    for name, states in (
        ("capacity_ratio", (state.CAPACITY, state.FADE)),
        ("wake_energy_j", (state.WAKE,)),
        ("sleep_power_w", (state.SLEEP,)),
        ("leakage_power_w", (state.LEAK, state.RISE)),
    ):
        log, h = float(mean[list(states)].sum()), np.zeros(state.STATES)
        h[list(states)] = 1.0
        factor = 1.0
        before = float(prior_sd[states[0]])
        if name == "leakage_power_w":
            factor, gradient = _leakage_factor(budget, mean, voltage, temperature)
            h += gradient
            before = float(np.hypot(before, np.sqrt((gradient**2 * prior_sd**2).sum())))
        value = prior[name][0] * np.exp(log) * factor
        doubt = float(np.sqrt(max(float(h @ covariance @ h), 0.0)))
        if name == "sleep_power_w":
            value, doubt = _sleep(prior[name][0], float(np.exp(log)), doubt, hidden_sleep)
        found.append(Line(name, *prior[name], float(value), float(value * doubt), bool(doubt < LEARNT * before)))
    found.insert(1, _esr(prior["esr_ohm"], esr))
    known = np.isfinite(net.power)
    value, sd = (net.power, net.sd) if known else prior["net_harvest_w"]
    found.append(Line("net_harvest_w", *prior["net_harvest_w"], value, sd, bool(known)))
    return found


def _sleep(nominal: float, shown: float, doubt: float, hidden: tuple[float, float]) -> tuple[float, float]:
    """Sleep power [W] and its relative sd from the ratio that shows in quiet hours, and what harvest hides of it."""
    ratio = max(shown + hidden[0], 0.05)
    return nominal * ratio, float(np.hypot(shown * doubt, np.sqrt(hidden[1]))) / ratio


def _leakage_factor(budget: Budget, mean: Floats, voltage: float, temperature: float) -> tuple[float, Floats]:
    """What the fitted dependence on voltage and temperature makes of leakage, and the gradient of its logarithm."""
    x = voltage / budget.storage.full_voltage - 1.0
    warmth = (temperature - 25.0) / 10.0
    terms = {state.BY_VOLT: x, state.BY_SQUARE: x * x, state.BY_WARMTH: warmth}
    factor = max(1.0 + sum(float(mean[place]) * term for place, term in terms.items()), 0.05)
    gradient = np.zeros(state.STATES)
    for place, term in terms.items():
        gradient[place] = term / factor
    return factor, gradient


def _esr(prior: tuple[float, float], esr: Resistance) -> Line:
    if not np.isfinite(esr.ohm):
        return Line("esr_ohm", *prior, *prior, separable=False)
    return Line("esr_ohm", *prior, esr.ohm, esr.ohm_sd, separable=True)

"""The budget lines of one node: prior beside posterior, and whether the telemetry could tell a line apart."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from analysis import state
from analysis.load import load_power, sleep_power, wake_energy
from analysis.quiet_runs import THERMAL_DOUBT
from analysis.series import Floats
from analysis.storage import (
    LEAKAGE_DOUBLING_K,
    TEMPERATURE_REFERENCE_C,
    leakage_form,
    leakage_power,
    slope_doubt,
    storage_curve,
    table_doubt,
)
from ingest.budget import Budget

LINES = ("capacity_ratio", "esr_ohm", "wake_energy_j", "sleep_power_w", "leakage_power_w", "net_harvest_w")
ESR_TOLERANCE = 0.3  # of a budget's series resistance, as a fraction: common practice, no source
# Of leakage, what a square in voltage, a straight line beside a doubling every 10 K and one slow branch leave out, as a
# fraction: our choice.
LEAK_FORM = 0.12
# Of the load, one sd, what its efficiency by voltage and its sleep current by temperature leave out (our choice).
LOAD_FORM = 0.05
SLEEP_WARMTH = 0.2  # share of a sleep current that may double every 10 K, as junctions' leakage does: our choice
CELL_WEAR = 0.1  # what a cell may have lost, one sd: our choice
LEAST_KNOWN = 1.0  # sd of the logarithm of leakage: where more is left open, its mean says nothing
NIGHT_S, NIGHT_COOLING_K = 12 * 3600.0, 8.0  # of a night outdoors: twice the half swing that the evidence takes
LEARNT = 0.7  # a line whose doubt the data have not brought below this share of the budget's has not been told apart


class Line(NamedTuple):
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
    warmth_sd: Floats,
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
    warmth_sd : ndarray, shape (nodes,)
        How far off the temperature may be that nobody measured, one standard deviation; 0 where it was measured. [K]
    """
    prior = budget_lines(budget, voltage, temperature)
    prior_mean, prior_sd = state.prior(budget)
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
        sd, told = value * doubt, doubt < LEARNT * before
        if name == "capacity_ratio":  # of the stretch of a cell's curve on which the node lives
            worn = 1.0, float(np.hypot(budget.storage.capacitance_tolerance, CELL_WEAR))
            curve = np.hypot(slope_doubt(budget.storage, voltage), table_doubt(budget.storage, voltage))
            value, sd, kept = _beside(worn, value, sd, doubt / before, curve)
            told &= kept > LEARNT
        if name in ("leakage_power_w", "sleep_power_w"):
            usual, feigned = prior[name], np.where(warmth_sd > 0, _cooling(budget, voltage), 0.0)
            if name == "leakage_power_w":  # its median: that of a posterior is turned into a mean below
                median = usual[0] * np.exp(prior_mean[state.LEAK])
                usual = median, median * prior_sd[state.LEAK]
                feigned = np.hypot(feigned, form_of_load(budget, voltage))
            value, sd, kept = _beside(usual, value, sd, doubt / before, feigned)
            told &= kept > LEARNT
        if name == "sleep_power_w":
            doublings = (temperature - TEMPERATURE_REFERENCE_C) / LEAKAGE_DOUBLING_K
            sd = np.hypot(sd, value * SLEEP_WARMTH * (2.0**doublings - 1.0))
        if name == "leakage_power_w":
            form = np.hypot(LEAK_FORM, np.log(2.0) / LEAKAGE_DOUBLING_K * warmth_sd)
            doubt = np.hypot(sd / np.where(value > 0, value, 1.0), form)  # none, where the budget has none
            value, sd = _moments(value, np.minimum(doubt, LEAST_KNOWN))
            told &= (doubt < LEAST_KNOWN) & (value > 0)
        found[name] = value, sd, told
    if budget.harvest.source == "none":
        lost, lost_sd, told = found["leakage_power_w"]
        found["net_harvest_w"] = 0.0 - lost, lost_sd, told
    columns = [[column.tolist() for column in np.broadcast_arrays(*prior[name], *found[name])] for name in LINES]
    return [
        [Line(name, *row) for name, row in zip(LINES, rows, strict=True)]
        for rows in zip(*(zip(*line, strict=True) for line in columns), strict=True)
    ]


def _moments(median: Floats, doubt: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of a quantity whose logarithm is normal, with this standard deviation.

    Of leakage the logarithm may be in doubt by a half, and three in ten of such lie more than one and a half times the
    median: an interval about the median would miss them.
    """
    mean = median * np.exp(doubt**2 / 2)
    return mean, mean * np.sqrt(np.expm1(doubt**2))


def _sleep(shown: Floats, doubt: Floats, hidden: Floats) -> tuple[Floats, Floats]:
    """Ratio of sleep power and its relative sd from what shows in quiet hours, and what harvest hides of it."""
    ratio = np.maximum(shown + hidden[:, 0], 0.05)
    return ratio, np.sqrt((shown * doubt) ** 2 + hidden[:, 1]) / ratio


def _beside(
    prior: tuple[Any, Any], value: Floats, sd: Floats, open_: Floats, feigned: Floats
) -> tuple[Floats, Floats, Floats]:
    """A line and its sd where something `feigned` is alike in all of its evidence; and how much of it is kept.

    What the evidence alone says is the posterior less its prior, of whose doubt it leaves a share `open_`; it is
    weighed anew with the doubt that it had besides.
    """
    own = np.maximum(prior[1], 1e-15)
    beside = (feigned / own) ** 2 * (1.0 - np.minimum(open_, 1.0) ** 2)
    kept = 1.0 / (1.0 + beside)
    return prior[0] + kept * (value - prior[0]), np.sqrt(kept * (sd**2 + beside * own**2)), kept


def form_of_load(budget: Budget, voltage: Floats) -> Floats:
    """What a load that goes otherwise with voltage and temperature than its budget has it feigns of a leakage. [W]

    A regulator's efficiency and a sleep current are no constants, and leakage is told from them by nothing but how it
    goes with both. That is alike every night, so that no number of nights takes it away.
    """
    return np.asarray(LOAD_FORM * np.asarray(load_power(budget.load, voltage)))


def _cooling(budget: Budget, voltage: Floats) -> Floats:
    """What a night's cooling that nobody measured may feign of a capacitor's sleep or leakage outdoors. [W]

    It moves the capacity alike every night, so that no number of nights takes this away; what is then left of the
    evidence is weighed against the budget.
    """
    if budget.harvest.source != "light-outdoor" or budget.storage.is_battery:
        return np.zeros_like(voltage)
    stored = np.asarray(storage_curve(budget.storage).energy(voltage))
    return np.asarray(2.0 * stored * THERMAL_DOUBT * NIGHT_COOLING_K / NIGHT_S)


def _leakage_factor(budget: Budget, mean: Floats, voltage: Floats, temperature: Floats) -> tuple[Floats, Floats]:
    """What the fitted dependence on voltage and temperature makes of leakage, and the gradient of its logarithm."""
    x = voltage / budget.storage.full_voltage - 1.0
    warmth = (temperature - TEMPERATURE_REFERENCE_C) / 10.0
    terms = {state.BY_VOLT: x, state.BY_SQUARE: x * x, state.BY_WARMTH: warmth}
    factor = np.asarray(leakage_form(budget.storage, mean[:, state.LEAK_BY].T, voltage, temperature))
    gradient = np.zeros_like(mean)
    for place, term in terms.items():
        gradient[:, place] = term / factor
    return factor, gradient


def _told(prior: tuple[Any, Any], value: Floats, sd: Floats) -> tuple[Floats, Floats, np.ndarray[Any, Any]]:
    """A line that telemetry tells where it is finite, and where not its prior."""
    known = np.isfinite(value)
    return np.where(known, value, prior[0]), np.where(known, sd, prior[1]), known

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

_Found = tuple[Floats, Floats, np.ndarray[Any, Any]]  # a line of several nodes: estimate, sd, whether it is told apart


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
    feigned = np.where(warmth_sd > 0, _cooling(budget, voltage), 0.0)
    wake, wake_sd = _ratio(mean, covariance, [state.WAKE])
    found = {
        "capacity_ratio": _capacity(budget, _ratio(mean, covariance, [state.CAPACITY, state.FADE]), voltage),
        "esr_ohm": _told(prior["esr_ohm"], *esr),
        "wake_energy_j": _line(prior["wake_energy_j"], wake, wake_sd, state.prior(budget)[1][state.WAKE]),
        "sleep_power_w": _sleep(
            budget, prior["sleep_power_w"], _ratio(mean, covariance, [state.SLEEP]), hidden_sleep, feigned, temperature
        ),
        "leakage_power_w": _leakage(
            budget, prior["leakage_power_w"], mean, covariance, voltage, temperature, feigned, warmth_sd
        ),
        "net_harvest_w": _told(prior["net_harvest_w"], net.power, net.sd),
    }
    if budget.harvest.source == "none":
        lost, lost_sd, told = found["leakage_power_w"]
        found["net_harvest_w"] = 0.0 - lost, lost_sd, told
    each = [np.broadcast_arrays(*prior[name], *found[name]) for name in LINES]
    columns = [[column.tolist() for column in (*line[:-1], line[-1] & _nearer(*line[:-1]))] for line in each]
    return [
        [Line(name, *row) for name, row in zip(LINES, rows, strict=True)]
        for rows in zip(*(zip(*line, strict=True) for line in columns), strict=True)
    ]


def _nearer(budget: Floats, budget_sd: Floats, estimate: Floats, sd: Floats) -> Any:
    """Whether a line is known better than its budget knew it, by itself or for its size: else nothing told it apart."""
    return (sd < budget_sd) | (sd * np.abs(budget) < budget_sd * np.abs(estimate))


def _ratio(
    mean: Floats, covariance: Floats, states: list[int], gradient: Floats | float = 0.0
) -> tuple[Floats, Floats]:
    """Ratio to the budget that some states of the posterior make up, and its relative sd.

    `gradient` is what the logarithm of a factor on it gains with each of the states.
    """
    h = np.zeros_like(mean)
    h[:, states] = 1.0
    h += gradient
    doubt = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", h, covariance, h), 0.0))
    return np.exp(mean[:, states].sum(axis=1)), doubt


def _line(prior: tuple[Any, Any], ratio: Floats, doubt: Floats, before: Floats | float) -> _Found:
    """A line by its ratio to the budget, with the relative sd that is left of the one `before`."""
    value = prior[0] * ratio
    return value, value * doubt, doubt < LEARNT * before


def _capacity(budget: Budget, told: tuple[Floats, Floats], voltage: Floats) -> _Found:
    """Capacity, of the stretch of a cell's curve on which the node lives."""
    (ratio, doubt), before = told, state.prior(budget)[1][state.CAPACITY]
    value, sd, learnt = _line((1.0, 0.0), ratio, doubt, before)
    worn = 1.0, float(np.hypot(budget.storage.capacitance_tolerance, CELL_WEAR))
    curve = np.hypot(slope_doubt(budget.storage, voltage), table_doubt(budget.storage, voltage))
    value, sd, kept = _beside(worn, value, sd, doubt / before, curve)
    return value, sd, learnt & (kept > LEARNT)


def _sleep(
    budget: Budget,
    prior: tuple[Any, Any],
    told: tuple[Floats, Floats],
    hidden: Floats,
    feigned: Floats,
    temperature: Floats,
) -> _Found:
    """Sleep power, from what shows of it in quiet hours and what harvest hides of it there."""
    (shown, shown_sd), before = told, state.prior(budget)[1][state.SLEEP]
    ratio = np.maximum(shown + hidden[:, 0], 0.05)
    doubt = np.sqrt((shown * shown_sd) ** 2 + hidden[:, 1]) / ratio
    value, sd, learnt = _line(prior, ratio, doubt, before)
    value, sd, kept = _beside(prior, value, sd, doubt / before, feigned)
    doublings = (temperature - TEMPERATURE_REFERENCE_C) / LEAKAGE_DOUBLING_K
    sd = np.hypot(sd, value * SLEEP_WARMTH * (2.0**doublings - 1.0))
    leaks = budget.storage.leakage_current > 0  # what leaks beside a budget that knows of none, passes for sleep
    return value, sd, learnt & (kept > LEARNT) & leaks


def _leakage(
    budget: Budget,
    prior: tuple[Any, Any],
    mean: Floats,
    covariance: Floats,
    voltage: Floats,
    temperature: Floats,
    feigned: Floats,
    warmth_sd: Floats,
) -> _Found:
    """Leakage by its fitted form: a median first, as its prior is one, and in the end a mean.

    What a load feigns was there from the beginning: by how much leakage has risen since is told without it.
    """
    prior_mean, prior_sd = state.prior(budget)
    factor, gradient = _leakage_factor(budget, mean, voltage, temperature)
    ratio, doubt = _ratio(mean, covariance, [state.LEAK, state.RISE], gradient)
    before = np.sqrt(prior_sd[state.LEAK] ** 2 + (gradient**2 * prior_sd**2).sum(axis=1))
    value, sd, learnt = _line(prior, ratio * factor, doubt, before)
    median = prior[0] * np.exp(prior_mean[state.LEAK])
    feigned, believed = np.hypot(feigned, form_of_load(budget, voltage)), median * prior_sd[state.LEAK]
    first, doubt = _ratio(mean, covariance, [state.LEAK], gradient)
    first, first_sd, _ = _line(prior, first * factor, doubt, before)
    begun, begun_sd, kept = _beside((median, believed), first, first_sd, doubt / before, feigned)
    risen = value - first
    value, sd = begun + risen, np.sqrt(np.maximum(sd**2 - first_sd**2, 0.0) + begun_sd**2)
    kept = np.where(risen > believed, 1.0, kept)
    form = np.hypot(LEAK_FORM, np.log(2.0) / LEAKAGE_DOUBLING_K * warmth_sd)
    doubt = np.hypot(sd / np.where(value > 0, value, 1.0), form)  # none, where the budget has none
    value, sd = _moments(value, np.minimum(doubt, LEAST_KNOWN))
    return value, sd, learnt & (kept > LEARNT) & (doubt < LEAST_KNOWN) & (value > 0)


def _moments(median: Floats, doubt: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of a quantity whose logarithm is normal, with this standard deviation.

    Of leakage the logarithm may be in doubt by a half, and three in ten of such lie more than one and a half times the
    median: an interval about the median would miss them.
    """
    mean = median * np.exp(doubt**2 / 2)
    return mean, mean * np.sqrt(np.expm1(doubt**2))


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
    if not budget.harvest.outdoors or budget.storage.is_battery:
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


def _told(prior: tuple[Any, Any], value: Floats, sd: Floats) -> _Found:
    """A line that telemetry tells where it is finite, and where not its prior."""
    known = np.isfinite(value)
    return np.where(known, value, prior[0]), np.where(known, sd, prior[1]), known

"""A first estimate of each budget line: net harvest from the ledger, series resistance from the step.

What the telemetry has not been asked yet keeps the budget's value and tolerance and is marked not separable.
"""

from dataclasses import dataclass

import numpy as np

from analysis.ledger import Ledger
from analysis.load import sleep_power, wake_current, wake_energy
from analysis.series import Floats, Series
from analysis.storage import leakage_power
from ingest.budget import Budget

LINES = ("capacity_ratio", "esr_ohm", "wake_energy_j", "sleep_power_w", "leakage_power_w", "net_harvest_w")
ESR_TOLERANCE = 0.3  # of a budget's series resistance, as a fraction: common practice, no source
WINDOW_DAYS = 28
ENOUGH_SECONDS = 2 * 86400.0


@dataclass(frozen=True)
class Line:
    """One budget line of one node: prior and posterior, in the unit of its name."""

    line: str
    budget: float
    budget_sd: float
    estimate: float
    sd: float
    separable: bool


def budget_lines(budget: Budget, voltage: float, leakage: float) -> dict[str, tuple[float, float]]:
    """The prior of every line: value and standard deviation, at a storage voltage [V] and its leakage power [W]."""
    wake, sleep = float(wake_energy(budget.load, voltage)), float(sleep_power(budget.load, voltage))
    harvest = budget.harvest.mean_power
    net_sd = float(np.hypot(harvest * budget.harvest.tolerance, leakage * budget.storage.leakage_tolerance))
    return {
        "capacity_ratio": (1.0, budget.storage.capacitance_tolerance),
        "esr_ohm": (budget.storage.esr, budget.storage.esr * ESR_TOLERANCE),
        "wake_energy_j": (wake, wake * budget.load.wake_tolerance),
        "sleep_power_w": (sleep, sleep * budget.load.sleep_tolerance),
        "leakage_power_w": (leakage, leakage * budget.storage.leakage_tolerance),
        "net_harvest_w": (harvest - leakage, net_sd),
    }


def esr_steps(budget: Budget, storage_v: Floats, loaded_v: Floats) -> tuple[float, float, int]:
    """Series resistance from the step under the wake current: median [ohm], standard error [ohm], sample count.

    Notes
    -----
    R = (V_rest - V_loaded) / I at the storage terminals, the step of IEC 62391-1 rather than a line drawn back
    through the discharge, which turns negative at small currents. Left out: the fall of rest voltage during the wake.
    """
    known = np.isfinite(loaded_v) & (loaded_v > 0)
    if known.sum() < 5:
        return np.nan, np.nan, int(known.sum())
    loaded = loaded_v[known]
    ohms = (storage_v[known] - loaded) / np.asarray(wake_current(budget.load, loaded))
    spread = 1.4826 * float(np.median(np.abs(ohms - np.median(ohms))))
    return float(np.median(ohms)), 1.2533 * spread / np.sqrt(known.sum()), int(known.sum())


def first_estimate(budget: Budget, recent: Series, account: Ledger, row: int) -> list[Line]:
    """The lines of one node from its recent reports (one node's series) and its ledger rows (index `row`)."""
    voltage = float(np.median(recent.storage_v)) if len(recent.time) else budget.storage.full_voltage
    priors = budget_lines(budget, voltage, float(leakage_power(budget.storage, voltage)))
    lines = {name: Line(name, value, sd, value, sd, False) for name, (value, sd) in priors.items()}
    ohms, error, _ = esr_steps(budget, recent.storage_v, recent.loaded_v)
    if np.isfinite(ohms) and error < priors["esr_ohm"][1]:
        lines["esr_ohm"] = Line("esr_ohm", *priors["esr_ohm"], ohms, error, True)
    seconds = account.observed_s[row]
    if seconds.sum() >= ENOUGH_SECONDS:
        power = account.net_harvest_j[row].sum() / seconds.sum()
        common = account.net_harvest_sd_j[row].sum() / seconds.sum()  # parameter doubt is common to the days
        lines["net_harvest_w"] = Line("net_harvest_w", *priors["net_harvest_w"], float(power), float(common), True)
    return list(lines.values())

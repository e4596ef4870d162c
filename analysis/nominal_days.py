"""The days' sums in joules, at the budget's figures: what the ledger multiplies by the ratios of the posterior."""

from dataclasses import dataclass

import numpy as np

from analysis.ledger import (
    FULL,
    MEASURED,
    NEAR_TOP,
    NOON,
    OBSERVED,
    RISEN,
    STORED,
    STORED_VAR,
    TOP,
    VOLT_SECONDS,
    WAKE_SHARE,
    WAKE_VOLTS,
    WAKES,
    WARM_SECONDS,
)
from analysis.series import Counts, Floats, by_budget
from analysis.storage import TEMPERATURE_REFERENCE_C, leakage_power
from ingest.budget import Budget


@dataclass(frozen=True)
class NominalDays:
    """The account of each node and day at the budget's figures; arrays of shape (nodes, days).

    The ledger multiplies the three energies by the ratios of the posterior, and the net harvest follows:
    `net harvest = change of stored energy + wakes + sleep` on every row.
    """

    stored_j: Floats
    stored_var_j2: Floats  # from the noise of the readings; of lost_j, where there is one
    wake_j: Floats
    sleep_j: Floats
    wakes: Counts
    full_s: Floats
    observed_s: Floats
    top_v: Floats  # highest voltage
    top_s: Floats  # time at it
    noon_v: Floats  # highest voltage from ten to four
    risen_at: Floats  # when it came up to that; the day's begin if it was there all day, its end if never
    temp_c: Floats  # mean temperature, NaN where none was reported
    lost_j: Floats  # leakage of a cell without a harvester, else NaN


def nominal_days(sums: Floats, budgets: list[Budget]) -> NominalDays:
    """The sums of `day_sums` in joules, at nameplate wake energy and sleep power.

    Notes
    -----
    A switching regulator spends a constant energy a wake. Where the current itself passes (linear regulator, or none)
    the energy of a wake is its charge times the storage voltage of the moment, and sleep likewise.

    A cell without a harvester takes in nothing and loses little; its curve is flat as a rule, and a converter step days
    of load. So its net harvest is minus the budget's leakage, and what it holds changes by what is counted.
    """
    switching = np.array([b.load.regulator == "switching" for b in budgets])[:, None]
    scale = np.array([b.load.voltage_rail / b.load.efficiency for b in budgets])[:, None]
    charge = np.array([b.load.wake_current * b.load.wake_duration for b in budgets])[:, None]
    sleep = np.array([b.load.sleep_current for b in budgets])[:, None]
    observed, measured = sums[..., OBSERVED], sums[..., MEASURED]
    temp_c = np.where(measured > 0, sums[..., WARM_SECONDS] / np.where(measured > 0, measured, 1.0), np.nan)
    lost, lost_sd = _lost(sums[..., VOLT_SECONDS] / np.maximum(observed, 1.0), temp_c, budgets)
    return NominalDays(
        stored_j=sums[..., STORED],
        stored_var_j2=np.where(np.isnan(lost), sums[..., STORED_VAR], (lost_sd * observed) ** 2),
        wake_j=charge * np.where(switching, scale * sums[..., WAKE_SHARE], sums[..., WAKE_VOLTS]),
        sleep_j=sleep * np.where(switching, scale * observed, sums[..., VOLT_SECONDS]),
        wakes=np.rint(sums[..., WAKES]).astype(np.int64),
        full_s=sums[..., FULL],
        observed_s=observed,
        top_v=sums[..., TOP],
        top_s=sums[..., NEAR_TOP],
        noon_v=sums[..., NOON],
        risen_at=sums[..., RISEN],
        temp_c=temp_c,
        lost_j=lost * observed,
    )


def _lost(voltage: Floats, temperature: Floats, budgets: list[Budget]) -> tuple[Floats, Floats]:
    """Mean leakage of cells without a harvester and its standard deviation, NaN of all others. [W]"""
    lost, doubt = np.full_like(voltage, np.nan), np.zeros((len(budgets), 1))
    warmth = np.where(np.isnan(temperature), TEMPERATURE_REFERENCE_C, temperature)
    for budget, nodes in by_budget(budgets):
        if budget.harvest.source == "none" and budget.storage.is_battery:
            lost[nodes] = leakage_power(budget.storage, voltage[nodes], warmth[nodes])
            doubt[nodes] = budget.storage.leakage_tolerance
    return lost, doubt * lost

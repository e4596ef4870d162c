"""The course of a node's day: when its harvest comes and when it wakes, from its recent reports."""

from dataclasses import dataclass

import numpy as np

from analysis.ledger import FULL_MARGIN, longest_interval
from analysis.load import sleep_power, wake_energy
from analysis.series import Counts, Floats
from analysis.site_days import hour_profile
from analysis.storage import StorageCurve
from ingest.budget import SECONDS_PER_DAY, Budget

HOUR = 3600.0
EPOCH_WEEKDAY = 3  # 1 January 1970 was a Thursday; Monday is 0
LEAST_DAYS = 14.0  # of reports for a course to be told


@dataclass(frozen=True)
class Course:
    """Means by hour of the site's day, shape (24,) each.

    Attributes
    ----------
    harvest : ndarray
        From `site_days.hour_profile`: harvest over its mean.
    wakes : ndarray
        [1/s]
    """

    harvest: Floats
    wakes: Floats


def daily_course(
    budget: Budget,
    curve: StorageCurve,
    time: Floats,
    voltage: Floats,
    wakes: Counts,
    ratios: Floats,
    leakage: float,
    offset: float,
) -> Course | None:
    """The course of one node's day, or None if too little has been seen of it.

    Parameters
    ----------
    time, voltage, wakes : ndarray, shape (n,)
        Reports in order of time. [s], [V], counter
    ratios : ndarray, shape (3,)
        Capacity, wake energy and sleep power over the budget's.
    leakage : float
        What the storage loses. [W]
    offset : float
        What the site's clock is ahead of UTC. [s]
    """
    if len(time) < 2:
        return None
    seconds, counted = np.diff(time), np.diff(wakes)
    kept = (seconds > 0) & (seconds <= longest_interval(budget)) & (counted >= 0)
    if seconds[kept].sum() < LEAST_DAYS * SECONDS_PER_DAY:
        return None
    stored = np.asarray(curve.energy(voltage))
    middle = (voltage[1:] + voltage[:-1]) / 2
    harvest = (
        ratios[0] * np.diff(stored)
        + ratios[1] * counted * np.asarray(wake_energy(budget.load, np.maximum(middle, 1e-3)))
        + ratios[2] * seconds * np.asarray(sleep_power(budget.load, np.maximum(middle, 1e-3)))
        + seconds * leakage
    )
    hours = np.floor((time[:-1] + seconds / 2 + offset) / HOUR).astype(np.int64)
    hour, weekday = hours % 24, (hours // 24 + EPOCH_WEEKDAY) % 7
    full = np.minimum(voltage[1:], voltage[:-1]) >= budget.storage.full_voltage * (1 - FULL_MARGIN)
    free = kept & ~full
    if budget.harvest.active_days is not None:
        free &= np.isin(weekday, budget.harvest.active_days)
    energy, seen = (np.bincount(hour[free], x[free], 24) for x in (harvest, seconds))
    whole = np.bincount(hour[kept], seconds[kept], 24)
    rate = np.bincount(hour[kept], counted[kept].astype(float), 24) / np.where(whole > 0, whole, np.nan)
    return Course(hour_profile(budget.harvest, energy, seen), np.where(np.isfinite(rate), rate, np.nanmean(rate)))

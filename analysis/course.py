"""The course of a node's day: when its harvest comes and when it wakes, from its recent reports."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from analysis.ledger import FULL_MARGIN, longest_interval
from analysis.load import sleep_power, wake_energy
from analysis.outlook import curve_of
from analysis.series import Floats, Series, by_budget
from analysis.site_days import hour_profile
from ingest.budget import SECONDS_PER_DAY, Budget

HOUR = 3600.0
EPOCH_WEEKDAY = 3  # 1 January 1970 was a Thursday; Monday is 0
LEAST_DAYS = 14.0  # of reports for a course to be told
# What is gathered by hour: harvest [J] and the time [s] over which it could be seen; wakes and the time of all.
HARVEST, FREE, WAKES, WHOLE = range(4)
# A budget's figures: longest interval [s], full voltage [V], energy of a wake and power of sleep by voltage, first grid
# voltage of the curve and its step [V].
HOLE, FULL, WAKE, WAKE_RISE, SLEEP, SLEEP_RISE, LOW, STEP = range(8)


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


def daily_courses(
    series: Series, budgets: list[Budget], ratios: Floats, leakage: Floats, offset: Floats
) -> list[Course | None]:
    """The course of each node's day, None where too little has been seen of it.

    Parameters
    ----------
    budgets : list of Budget
        One a node.
    ratios : ndarray, shape (nodes, 3)
        Capacity, wake energy and sleep power over the budget's.
    leakage : ndarray, shape (nodes,)
        What the storage loses. [W]
    offset : ndarray, shape (nodes,)
        What the site's clock is ahead of UTC. [s]
    """
    groups = by_budget(budgets)
    kind, harvest = np.empty(series.nodes, dtype=np.int64), np.empty((series.nodes, 24))
    for k, (_, nodes) in enumerate(groups):
        kind[nodes] = k
    figures, active = (np.array([told(budget) for budget, _ in groups]) for told in (_figures, _active))
    curves = np.stack([curve_of(budget.storage).stored for budget, _ in groups])
    sums = np.zeros((series.nodes, 4, 24))
    columns = series.time, series.storage_v, series.wakes
    _gather(series.offsets, *columns, kind, figures, active, curves, ratios, leakage, offset, sums)
    for budget, nodes in groups:
        harvest[nodes] = hour_profile(budget.harvest, sums[nodes, HARVEST], sums[nodes, FREE])
    whole = sums[:, WHOLE]
    rate = np.divide(sums[:, WAKES], whole, out=np.zeros_like(whole), where=whole > 0)
    mean = rate.sum(axis=1) / np.maximum((whole > 0).sum(axis=1), 1)
    rate = np.where(whole > 0, rate, mean[:, None])
    told = whole.sum(axis=1) >= LEAST_DAYS * SECONDS_PER_DAY
    return [Course(*course) if enough else None for enough, *course in zip(told, harvest, rate, strict=True)]


def _figures(budget: Budget) -> list[float]:
    voltage = curve_of(budget.storage).voltage
    return [
        longest_interval(budget),
        budget.storage.full_voltage * (1 - FULL_MARGIN),
        *_line(lambda volts: wake_energy(budget.load, volts)),
        *_line(lambda volts: sleep_power(budget.load, volts)),
        voltage[0],
        voltage[1] - voltage[0],
    ]


def _line(load: Callable[[Floats], Any]) -> tuple[float, float]:
    """What a load is at no voltage and how it rises with voltage: through no regulator is it bent."""
    one, two = np.asarray(load(np.array([1.0, 2.0]))).tolist()
    return 2 * one - two, two - one


def _active(budget: Budget) -> np.ndarray[Any, Any]:
    days = budget.harvest.active_days
    return np.ones(7, dtype=np.bool_) if days is None else np.isin(np.arange(7), days)


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(offsets, time, volts, wakes, kind, figures, active, curves, ratios, leakage, offset, sums):  # type: ignore[no-untyped-def]
    """Add what lies between each report and the next to the hour of its middle."""
    for n in range(len(offsets) - 1):
        budget, curve, into = figures[kind[n]], curves[kind[n]], sums[n]
        for i in range(offsets[n] + 1, offsets[n + 1]):
            seconds, counted = time[i] - time[i - 1], wakes[i] - wakes[i - 1]
            if not 0.0 < seconds <= budget[HOLE] or counted < 0:
                continue
            hours = math.floor((time[i - 1] + seconds / 2 + offset[n]) / HOUR)
            hour = hours % 24
            into[WAKES, hour] += counted
            into[WHOLE, hour] += seconds
            full = min(volts[i], volts[i - 1]) >= budget[FULL]
            if full or not active[kind[n], (hours // 24 + EPOCH_WEEKDAY) % 7]:
                continue
            middle = max((volts[i] + volts[i - 1]) / 2, 1e-3)
            stored = _stored(curve, (volts[i] - budget[LOW]) / budget[STEP])
            before = _stored(curve, (volts[i - 1] - budget[LOW]) / budget[STEP])
            into[FREE, hour] += seconds
            into[HARVEST, hour] += (
                ratios[n, 0] * (stored - before)
                + ratios[n, 1] * counted * (budget[WAKE] + budget[WAKE_RISE] * middle)
                + ratios[n, 2] * seconds * (budget[SLEEP] + budget[SLEEP_RISE] * middle)
                + seconds * leakage[n]
            )


@njit(cache=True, nogil=True, error_model="numpy")
def _stored(curve, place):  # type: ignore[no-untyped-def]
    """Stored energy at a place on the curve's grid, held at its ends. [J]"""
    index = min(max(int(place), 0), len(curve) - 2)
    return curve[index] + (curve[index + 1] - curve[index]) * min(max(place - index, 0.0), 1.0)

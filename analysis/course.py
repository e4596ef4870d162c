"""The course of a node's day: when its harvest comes and when it wakes, from its recent reports."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from analysis import single_days, stray
from analysis.ledger import full_margin, longest_interval, stored_at
from analysis.load import sleep_power, wake_energy
from analysis.series import Counts, Floats, Series, by_budget
from analysis.site_days import hour_profile
from analysis.storage import storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget

HOUR = 3600.0
EPOCH_WEEKDAY = 3  # 1 January 1970 was a Thursday; Monday is 0
LEAST_DAYS = 14.0  # of reports for a course to be told
# What is gathered by hour: harvest [J] and the time [s] over which it could be seen; wakes and the time of all.
HARVEST, FREE, WAKES, WHOLE = range(4)
# A budget's figures: longest interval [s], voltage from which on a node counts as full [V], energy of a wake and power
# of sleep by voltage, first grid voltage of the curve and its step [V].
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
    days : ndarray, shape (days, 24), optional
        From `single_days.hours_of`, where single days matter.
    """

    harvest: Floats
    wakes: Floats
    days: Floats | None = None


@dataclass(frozen=True)
class Gathered:
    """What the reports of nodes have shown so far; arrays over nodes.

    Attributes
    ----------
    ratios : ndarray, shape (nodes, 3)
        Capacity, wake energy and sleep power over the budget's.
    terms : tuple of ndarray
        Which of the budgets each node has, shape (nodes,); of each budget its figures (`_figures`), its active
        weekdays, and stored energy by voltage [J]; of each node what its site's clock is ahead of UTC [s], and the
        voltage from which on it counts as full [V]; of each budget `stray.figures`.
    sums : ndarray, shape (24, nodes, 4)
        By hour of the site's day: HARVEST (less leakage), FREE, WAKES, WHOLE; side by side, as they are added to, and
        so are nodes, whose reports of one hour come one after another.
    time, storage_v, wakes : ndarray, shape (nodes,)
        Of the last report, NaN before the first. [s since 1970 UTC, V, count]
    total : ndarray, shape (nodes, 4)
        Of all reports: voltage [V] and how many, temperature [degC] and how many tell of it.
    apart : ndarray of bool, shape (nodes,)
        Whether a silence lies between two reports, they were not in order of time, or one may be a stray.
    single : tuple of ndarray
        Of nodes whose single days matter: the place of each node among them, -1 for the others; the first day of each
        node, counted from 1970 in its site's time; what is gathered by hour, shape (those nodes, days, 24, 3), see
        `single_days`.
    """

    budgets: list[Budget]
    ratios: Floats
    terms: tuple[np.ndarray[Any, Any], ...]
    sums: Floats
    time: Floats
    storage_v: Floats
    wakes: Counts
    total: Floats
    apart: np.ndarray[Any, Any]
    single: tuple[np.ndarray[Any, Any], ...]

    @classmethod
    def of(
        cls, budgets: list[Budget], ratios: Floats, offset: Floats, full_from: Floats, first: float = 0.0, days: int = 0
    ) -> "Gathered":
        """Nothing so far.

        Parameters
        ----------
        budgets : list of Budget
            One a node.
        ratios : ndarray, shape (nodes, 3)
            Capacity, wake energy and sleep power over the budget's.
        offset : ndarray, shape (nodes,)
            What the site's clock is ahead of UTC. [s]
        full_from : ndarray, shape (nodes,)
            The voltage from which on a node counts as full [V]; NaN: by its budget.
        first, days : float, int
            Of the single days to be told: a moment in the first [s since 1970 UTC], and how many.
        """
        groups, nodes = by_budget(budgets), len(budgets)
        kind = np.empty(nodes, dtype=np.int64)
        for k, (_, rows) in enumerate(groups):
            kind[rows] = k
        figures, active = (np.array([told(budget) for budget, _ in groups]) for told in (_figures, _active))
        curves = np.stack([storage_curve(budget.storage).stored for budget, _ in groups])
        time, storage_v = np.full((2, nodes), np.nan)
        sums, total = np.zeros((24, nodes, 4)), np.zeros((nodes, 4))
        full_from = np.where(np.isnan(full_from), figures[kind, FULL], full_from)
        strays = np.array([stray.figures(budget) for budget, _ in groups])
        terms, apart = (kind, figures, active, curves, offset, full_from, strays), np.zeros(nodes, dtype=np.bool_)
        short = np.array([single_days.wanted(budget) for budget, _ in groups])[kind]
        place = np.where(short, np.cumsum(short) - 1, -1)
        begin = np.floor((first + offset) / SECONDS_PER_DAY).astype(np.int64)
        single = place, begin, np.zeros((int(short.sum()), days, 24, 3), dtype=np.float32)
        last = np.zeros(nodes, dtype=np.int64)
        return cls(budgets, ratios, terms, sums, time, storage_v, last, total, apart, single)

    def add(self, node: Counts, millis: Counts, storage_v: Floats, wakes: Counts, temp_c: Floats) -> None:
        """Add reports in order of time, each of a node by its place, none of it where that is below 0. [ms, V, degC]"""
        told = self.sums, self.time, self.storage_v, self.wakes, self.total, self.apart, *self.single
        _gather(node, millis, storage_v, wakes, temp_c, self.ratios, *self.terms, *told)

    def again(self, nodes: Counts, series: Series) -> None:
        """Tell some nodes anew, by all their reports."""
        self.sums[:, nodes] = self.wakes[nodes] = self.total[nodes] = 0
        self.time[nodes] = self.storage_v[nodes] = np.nan
        place, _, by_day = self.single
        by_day[place[nodes][place[nodes] >= 0]] = 0
        millis = np.rint(series.time * 1000.0).astype(np.int64)
        node = nodes.repeat(np.diff(series.offsets))
        self.add(node, millis, series.storage_v, series.wakes, series.temp_c)

    def means(self) -> tuple[Floats, Floats]:
        """Mean voltage and temperature of each node, NaN where none was told. [V, degC]"""
        volts, reports, degrees, measured = self.total.T
        return _over(volts, reports), _over(degrees, measured)

    def courses(self, leakage: Floats) -> list[Course | None]:
        """The course of each node's day, None where too little has been seen of it; `leakage` is each node's. [W]"""
        harvest, (gathered, free, wakes, whole) = np.empty((len(self.budgets), 24)), self.sums.transpose(2, 1, 0).copy()
        gathered = gathered + free * leakage[:, None]
        for budget, nodes in by_budget(self.budgets):
            harvest[nodes] = hour_profile(budget.harvest, gathered[nodes], free[nodes])
        rate = np.divide(wakes, whole, out=np.zeros_like(whole), where=whole > 0)
        mean = rate.sum(axis=1) / np.maximum((whole > 0).sum(axis=1), 1)
        rate = np.where(whole > 0, rate, mean[:, None])
        told = whole.sum(axis=1) >= LEAST_DAYS * SECONDS_PER_DAY
        place, _, by_day = self.single
        days = [
            None if at < 0 else single_days.hours_of(by_day[at], leak) for at, leak in zip(place, leakage, strict=True)
        ]
        return [Course(*each) if enough else None for enough, *each in zip(told, harvest, rate, days, strict=True)]


def _over(total: Floats, count: Floats) -> Floats:
    return np.asarray(total / np.where(count > 0, count, np.nan))


def _figures(budget: Budget) -> list[float]:
    voltage = storage_curve(budget.storage).voltage
    return [
        longest_interval(budget),
        budget.storage.full_voltage - full_margin(budget),
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
def _gather(node, millis, volts, wakes, temp_c, ratios, kind, figures, active, curves, offset, full, strays, *told):  # type: ignore[no-untyped-def]
    """Add what lies between each report and the node's next to the hour of its middle."""
    sums, last_time, last_volts, last_wakes, total, apart, single, first_day, by_day = told
    for i in range(len(node)):
        n = node[i]
        if n < 0:
            continue
        now, before, v, v_before = millis[i] / 1000.0, last_time[n], volts[i], last_volts[n]
        seconds, counted, budget = now - before, wakes[i] - last_wakes[n], figures[kind[n]]
        last_time[n], last_volts[n], last_wakes[n] = now, v, wakes[i]
        total[n, 0] += v
        total[n, 1] += 1.0
        if math.isfinite(temp_c[i]):
            total[n, 2] += temp_c[i]
            total[n, 3] += 1.0
        figure, curve = strays[kind[n]], curves[kind[n]]
        gap = seconds < 0.0 or seconds > budget[HOLE]
        if gap or v < figure[stray.LOWEST_V] or stray.too_far(v_before, v, seconds, counted, figure, curve):
            apart[n] = True
        if not 0.0 < seconds <= budget[HOLE] or counted < 0:
            continue
        hours = math.floor((before + seconds / 2 + offset[n]) / HOUR)
        into = sums[hours % 24, n]
        into[WAKES] += counted
        into[WHOLE] += seconds
        mine = single[n]
        if v_before >= full[n] and mine >= 0:
            _spread(by_day[mine], first_day[n], before + offset[n], seconds, 0.0, single_days.FULL)
        if v_before >= full[n] or not active[kind[n], (hours // 24 + EPOCH_WEEKDAY) % 7]:
            continue
        middle = max((v + v_before) / 2, 1e-3)
        stored, _ = stored_at(v, budget[LOW], budget[STEP], curve)
        begun, _ = stored_at(v_before, budget[LOW], budget[STEP], curve)
        gathered = (
            ratios[n, 0] * (stored - begun)
            + ratios[n, 1] * counted * (budget[WAKE] + budget[WAKE_RISE] * middle)
            + ratios[n, 2] * seconds * (budget[SLEEP] + budget[SLEEP_RISE] * middle)
        )
        into[FREE] += seconds
        into[HARVEST] += gathered
        if mine >= 0:
            _spread(by_day[mine], first_day[n], before + offset[n], seconds, gathered, single_days.FREE)


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(by_day, first_day, begin, seconds, gathered, column):  # type: ignore[no-untyped-def]
    """Spread what an interval brought in over the hours that it lies in; `begin` is in the site's time. [s, J]"""
    at, end = begin, begin + seconds
    while at < end:
        hour = math.floor(at / HOUR)
        until = min(end, (hour + 1) * HOUR)
        day = hour // 24 - first_day
        if 0 <= day < len(by_day):
            into = by_day[day, hour % 24]
            into[column] += until - at
            into[single_days.HARVEST] += gathered * (until - at) / seconds
        at = until

"""What each node's quiet intervals say, a day at a time, as sums that need never be read again.

In a quiet run the balance per unit of capacity ratio c is linear in the parameters:

    E(V) = a - (e/c) W - (s/c) S - (l/c) [L + k L x + q L x^2 + h L (T - 25)/10] - kappa K - r R + noise

with x = V/V_full - 1,
E the stored energy at nominal capacity, W, S and L the cumulative wake, sleep and leakage energies by the budget,
e, s and l their ratios to it, k, q and h the unknown part of how leakage depends on voltage and temperature, and K the
integral of V Q dT: charge is conserved while temperature moves the capacity. R is what a slow branch of a
capacitor would take in, or the hysteresis of a cell feign, and r its share. The response is the level of stored energy
and the intercept a of each run is projected out; hourly differences share their end points and bias every slope to
zero.
One weight serves a whole run, for weights by each point's own voltage bias it too. A run's slope is never taken to be
better than SLOPE_DOUBT, whatever the converter: what nights have in common is left to the filter's other states.

On days on which heat never rests, a capacitor's wakes tell what they take while it goes on (`loud_runs`).

A run is cut at the middle of the active hours, so that the evidence of a day is the quiet time that ends in it and a
new day needs the reports of two.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.ledger import longest_interval
from analysis.load import load_power, sleep_power, wake_current, wake_energy
from analysis.loud_runs import add_loud
from analysis.night import mark_between
from analysis.quiet import (
    ALWAYS,
    ENERGY_SLOPE,
    FLOOR_LOADS,
    LEARNT,
    LEARNT_ROWS,
    WEEK_HOURS,
    heat_rests,
    judge,
    quiet_mode,
    scheduled_quiet,
    window_cut,
)
from analysis.quiet_runs import (
    CURRENT,
    CUT,
    FULL,
    HARVEST_DOUBT,
    HEAT,
    JOINED,
    LEAST_POINTS,
    LOAD,
    MODE,
    NOISE,
    POINTS,
    SETTLES,
    SLOWLY,
    SUMS,
    TURNS,
    add_runs,
    balance,
    intervals,
    learn_between,
    look_up,
    mark_hours,
    redistribute,
    turn,
)  # fmt: skip
from analysis.reading import NOISIEST, calm_noise
from analysis.rest_spells import LEFT_IN_HEAT, REST_DOUBT, leave_some, mark_spells
from analysis.series import Calendar, Counts, Floats, Series
from analysis.steps import STEPS, daily_steps
from analysis.storage import LEANS, leakage_power, slope_doubt, slope_lean, storage_curve
from analysis.thermometer import smooth
from ingest.budget import Budget

BATTERY_THERMAL_V = 0.25  # a battery's voltage may move with temperature by the thermal line times this [V/K per 1/K]
CELL_SETTLES_S = 2 * 3600.0  # after its last charge a cell's voltage is one of rest (common practice, no source)
CELL_TURNS = 0.04  # of what a cell holds, given off as its hysteresis turns from charge to discharge (from memory)
RELEARN_DAYS = 7
HALL_WARMTH_K = -3.0  # temperature indoors where it is not measured, from 25 degC
QUIET_MOST = 0.9  # of the week: one that is quiet throughout shows no hours of rest, but a spell of it
FIRST_WEEKS_S = 28 * 86400.0
SLOW_REACH = 2 * 86400.0  # how long before a window's end the slow branch is followed from [s]


@dataclass(frozen=True)
class Terms:
    """What the kernels must know of each budget, and which budget each node has.

    Attributes
    ----------
    tables : ndarray, shape (budgets, 11, GRID_POINTS)
        By voltage: stored energy [J], energy of a wake [J], sleep power [W], leakage power at 25 degC [W], voltage
        times charge [J], wake current [A], what a night's slope may be off by the curve,
        and `_form`.
    low, step : ndarray, shape (budgets,)
        First grid voltage and spacing. [V]
    figures : ndarray, shape (budgets, 15)
        Columns FULL, NOISE [V], HOLE [s], BITS, RATE [1/d], MODE, POWER [W], SWING [K], CUT [s], LOAD [W],
        USUAL_WARMTH [K], SLOWLY (1 with a slow branch), SETTLES [s], HEAT (1 of a source of heat), TURNS [J].
    scheduled : ndarray of bool, shape (budgets, 168)
        Hours of the week that the budget calls inactive.
    of_node : ndarray of int64, shape (nodes,)
    """

    tables: Floats
    low: Floats
    step: Floats
    figures: Floats
    scheduled: np.ndarray
    of_node: Counts


def terms(budgets: list[Budget]) -> Terms:
    """The kernels' terms for nodes with these budgets (the same object for nodes that share one)."""
    unique = list({id(b): b for b in budgets}.values())
    place = {id(b): i for i, b in enumerate(unique)}
    curves = [storage_curve(b.storage) for b in unique]
    return Terms(
        tables=np.stack([_tables(b, c.voltage, c.charge, c.stored) for b, c in zip(unique, curves, strict=True)]),
        low=np.array([c.voltage[0] for c in curves]),
        step=np.array([c.voltage[1] - c.voltage[0] for c in curves]),
        figures=np.array([_figures(b) for b in unique]),
        scheduled=np.stack([scheduled_quiet(b.harvest) for b in unique]),
        of_node=np.array([place[id(b)] for b in budgets], dtype=np.int64),
    )


def _tables(budget: Budget, voltage: Floats, charge: Floats, stored: Floats) -> Floats:
    volts = np.maximum(voltage, 1e-3)
    slope = np.gradient(stored, voltage)
    return np.stack([
        stored,
        np.asarray(wake_energy(budget.load, volts)),
        np.asarray(sleep_power(budget.load, volts)),
        np.asarray(leakage_power(budget.storage, volts)),
        BATTERY_THERMAL_V * slope if budget.storage.is_battery else voltage * charge,
        np.asarray(wake_current(budget.load, volts)),
        slope_doubt(budget.storage, volts),
        *_form(budget, volts),
    ])  # fmt: skip


def _form(budget: Budget, volts: Floats) -> Floats:
    """By voltage, what ln capacity gains where the state's SHAPE is one of LEANS."""
    if budget.storage.is_battery:
        return slope_lean(budget.storage, volts)
    return np.multiply.outer(LEANS, (volts - middle_voltage(budget)) / budget.storage.full_voltage)


def _figures(budget: Budget) -> list[float]:
    storage, outdoors = budget.storage, budget.harvest.source == "light-outdoor"
    return [
        storage.full_voltage,
        budget.telemetry.adc_step * np.sqrt(1 / 12 + 0.25),  # rounding, and half a step of noise of the reading
        longest_interval(budget),
        min(budget.telemetry.wake_counter_bits, 62),
        budget.load.wakes_per_day,
        quiet_mode(budget.harvest),
        budget.harvest.mean_power,
        4.0 if outdoors else 1.5,  # half a day's swing of temperature where it is not measured [K]
        window_cut(budget.harvest) * 3600.0,
        float(load_power(budget.load, middle_voltage(budget))),
        np.nan if outdoors else HALL_WARMTH_K,
        float(storage.technology == "supercapacitor"),
        CELL_SETTLES_S if storage.is_battery and budget.harvest.source != "none" else 0.0,
        float(budget.harvest.source == "thermal"),
        CELL_TURNS * storage_curve(storage).full_j if lags(budget) else 0.0,
    ]


def lags(budget: Budget) -> bool:
    """Whether a cell's voltage of discharge lies below that of charge by as much as nights of load move it."""
    return budget.storage.technology == "lithium-iron-phosphate" and budget.harvest.source != "none"


def middle_voltage(budget: Budget) -> float:
    """Half way between cut-off and full voltage, where load and capacity are stated. [V]"""
    return (budget.storage.cutoff_voltage + budget.storage.full_voltage) / 2


@dataclass(frozen=True)
class Evidence:
    """The sums of each node and site day.

    Attributes
    ----------
    sums : ndarray of float32, shape (nodes, days, SUMS)
        Upper triangle of the information matrix of the lines, its right side, points, seconds at rest, and the weighted
        means of voltage (from the middle, in full voltages), of temperature (from 25 degC) and whether it was measured.
    resistance : ndarray of float32, shape (nodes, days, STEPS)
        Mean step over current [ohm], variance of that mean, count, mean temperature from 25 degC.
    week : ndarray of float32, shape (nodes, 4, 168)
        What has been learnt of each node's week up to the last day, to carry on from: by `quiet.judge`, and its latest
        spells of rest by `rest_spells`.
    """

    sums: np.ndarray
    resistance: np.ndarray
    week: np.ndarray


def gather(
    series: Series,
    known: Terms,
    calendars: list[Calendar],
    site: Counts,
    sun: Floats,
    week: np.ndarray | None = None,
) -> Evidence:
    """The evidence of every node and site day.

    Parameters
    ----------
    series : Series
        Reports reaching a day before the calendars' first midnight, where there are any.
    calendars : list of Calendar
        One a site, all of the same first day and length.
    site : ndarray of int64, shape (nodes,)
        Index of each node's calendar.
    sun : ndarray, shape (sites, days + 1, 3)
        Morning, evening and air temperature by `quiet.sunless`, from the day before the calendars' first.
    week : ndarray, optional
        What an earlier call learnt; without it the first four weeks are read ahead.
    """
    days = calendars[0].days
    sums = np.zeros((series.nodes, days, SUMS), dtype=np.float32)
    resistance = np.zeros((series.nodes, days, STEPS), dtype=np.float32)
    learnt = np.zeros((series.nodes, LEARNT_ROWS, WEEK_HOURS), dtype=np.float32) if week is None else week.copy()
    _gather_all(
        series.offsets, series.time, series.storage_v, series.wakes, series.boot, series.loaded_v, series.temp_c, site,
        np.stack([c.midnights for c in calendars]), calendars[0].first.weekday(), sun, known.tables, known.low,
        known.step, known.figures, known.scheduled, known.of_node, sums, resistance, learnt,
    )  # fmt: skip
    return Evidence(sums, resistance, learnt)


@njit(cache=True, nogil=True, error_model="numpy")
def _gather_all(  # type: ignore[no-untyped-def]
    offsets, t, v, wakes, boot, loaded, temp, site, midnights, weekday, sun, tables, low, step, figures, scheduled,
    of_node, sums, resistance, week,
):  # fmt: skip
    for n in range(len(offsets) - 1):
        a, b, k = offsets[n], offsets[n + 1], of_node[n]
        if b - a < 2:
            continue
        values = look_up(v[a:b], tables[k], low[k], step[k])
        warm, jitter = smooth(temp[a:b])
        flow = intervals(
            t[a:b], v[a:b], wakes[a:b], boot[a:b], warm, midnights[site[n]], sun[site[n]], values, figures[k]
        )
        _node_days(t[a:b], v[a:b], warm, jitter, values, flow, midnights[site[n]], weekday, sun[site[n]], figures[k],
                   scheduled[k], sums[n], week[n])  # fmt: skip
        daily_steps(t[a:b], v[a:b], loaded[a:b], temp[a:b], values[CURRENT], figures[k, NOISE], midnights[site[n]],
                    resistance[n])  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _node_days(t, v, temp, jitter, values, flow, midnights, weekday, sun, fig, scheduled, sums, week):  # type: ignore[no-untyped-def]
    """Walk one node's windows, each from a cut to the next, and add its quiet runs to the day in which it ends."""
    learns = fig[MODE] == LEARNT
    if learns and not week[2].any():
        learn_between(1, np.searchsorted(t, t[0] + FIRST_WEEKS_S), t, v, values, flow, midnights, weekday, fig, week)
    usual = np.zeros(WEEK_HOURS, dtype=np.bool_)
    ceiling, rests = np.nan, False
    begin = np.searchsorted(t, midnights[0] - 86400.0 + fig[CUT])
    for day in range(len(midnights) - 1):
        end = np.searchsorted(t, midnights[day] + fig[CUT])
        if end - begin >= LEAST_POINTS:
            level = balance(begin, end, values, flow)
            reading = fig[NOISE]
            if learns and fig[HEAT] == 0.0:  # what is still warm gives evenly, and that would pass for noise
                slope, window = values[-1, begin], slice(begin, end)
                most = slope * NOISIEST * fig[FULL]
                reading = calm_noise(t[window], level, flow[JOINED, window], slope * reading, most) / slope
            if learns and (day % RELEARN_DAYS == 0 or np.isnan(ceiling)):
                noise = 1.4 * reading * week[3, ENERGY_SLOPE] / 3600.0
                ceiling = judge(week, noise, fig[LOAD], fig[HEAT] == 0.0 and fig[SETTLES] == 0.0, usual)
                rests = fig[HEAT] == 0.0 or heat_rests(week, noise, fig[LOAD], fig[SLOWLY], usual)
            if fig[SLOWLY] > 0:
                redistribute(begin, end, midnights[day] + fig[CUT] - SLOW_REACH, t, v, values, flow)
            doubt = HARVEST_DOUBT
            quiet = np.zeros(end - begin, dtype=np.bool_)
            if learns:
                hours, most = (scheduled, FLOOR_LOADS * fig[LOAD]) if np.isnan(ceiling) else (usual, ceiling)
                shown = hours.any() and hours.sum() <= QUIET_MOST * WEEK_HOURS
                if (shown or scheduled.any()) and (rests or fig[SLOWLY] == 0.0):
                    mark_hours(begin, end, t, values, flow, midnights, weekday, fig, level, hours, most, quiet)
                    if not rests:
                        doubt = REST_DOUBT
                        leave_some(begin, end, t, flow, fig, LEFT_IN_HEAT)
                else:
                    doubt = REST_DOUBT
                    mark_spells(begin, end, t, values, flow, fig, reading, week, quiet)
            else:
                always = fig[MODE] == ALWAYS
                evening, morning = (-np.inf, np.inf) if always else (sun[day, 1], sun[day + 1, 0])
                most = np.inf if always else FLOOR_LOADS * fig[LOAD]
                mark_between(begin, end, t, values, flow, fig, level, evening, morning, most, quiet)
            if fig[TURNS] > 0.0 and doubt == HARVEST_DOUBT:  # else the line carries what is left of the harvest
                turn(begin, end, values, flow, fig, quiet)
            add_runs(begin, end, t, v, temp, jitter, values, flow, fig, quiet, doubt, sums[day])
            if fig[HEAT] > 0.0 and fig[SETTLES] == 0.0 and sums[day, POINTS] == 0.0:
                add_loud(begin, end, t, v, temp, values, flow, fig, sums[day])
        if learns:
            learn_between(max(begin, 1), end, t, v, values, flow, midnights, weekday, fig, week)
        begin = end

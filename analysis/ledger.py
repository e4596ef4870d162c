"""The ledger: what each node earned, spent and kept, by the site's calendar day; every row closes.

For two consecutive reports the balance is `change of stored energy = net harvest - load`. Stored energy comes from the
rest voltages, load from the wakes counted and the time asleep; net harvest (harvest less leakage) is what remains. The
kernel below gathers, for each node and day, sums at the budget's figures; what the field has taught since multiplies
them (the view `ledger`), so that a better estimate corrects every day without reading the reports again.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.series import Calendar, Counts, Floats, Series
from analysis.storage import storage_curve
from ingest.budget import Budget
from ingest.counters import wake_step

HOLE_INTERVALS = 4.0  # an interval longer than this many reporting intervals is a hole, not an observation,
HOLE_LEAST_S = 3 * 3600.0  # unless it is shorter than this: a few lost reports, or hourly reports of a half-hourly node
FULL_MARGIN_STEPS = 2.0  # within this many converter steps, or FULL_MARGIN of full voltage, the node counts as full
FULL_MARGIN = 0.005
# Columns of the sums, in order.
STORED, WAKES, WAKE_VOLTS, OBSERVED, VOLT_SECONDS, FULL, STORED_VAR = range(7)
SUMS = 7


@dataclass(frozen=True)
class NodeTerms:
    """What the kernel must know of each node, as arrays over nodes.

    Attributes
    ----------
    curve : ndarray, shape (nodes, GRID_POINTS)
        Stored energy over the even voltage grid. [J]
    voltage_low, voltage_step : ndarray, shape (nodes,)
        First grid voltage and spacing. [V]
    voltage_full : ndarray, shape (nodes,)
        At or above this the node counts as full. [V]
    voltage_noise : ndarray, shape (nodes,)
        One standard deviation of a voltage reading. [V]
    hole : ndarray, shape (nodes,)
        Longest interval that still counts as observed. [s]
    counter_bits : ndarray of int64, shape (nodes,)
    wakes_per_day : ndarray, shape (nodes,)
        By the budget; only used to tell a roll-over from a restart. [1/d]
    """

    curve: Floats
    voltage_low: Floats
    voltage_step: Floats
    voltage_full: Floats
    voltage_noise: Floats
    hole: Floats
    counter_bits: Counts
    wakes_per_day: Floats


def longest_interval(budget: Budget) -> float:
    """The longest interval between reports that still counts as observed; silence beyond it is silence. [s]"""
    return max(HOLE_INTERVALS * budget.telemetry.report_interval, HOLE_LEAST_S)


def node_terms(budgets: list[Budget]) -> NodeTerms:
    """The kernel's terms for nodes with these budgets."""
    curves = {id(b): storage_curve(b.storage) for b in budgets}
    full = np.array([b.storage.full_voltage for b in budgets])
    step = np.array([b.telemetry.adc_step for b in budgets])
    return NodeTerms(
        curve=np.stack([curves[id(b)].stored for b in budgets]),
        voltage_low=np.array([curves[id(b)].voltage[0] for b in budgets]),
        voltage_step=np.array([curves[id(b)].voltage[1] - curves[id(b)].voltage[0] for b in budgets]),
        voltage_full=full - np.maximum(FULL_MARGIN_STEPS * step, FULL_MARGIN * full),
        voltage_noise=step * np.sqrt(1 / 12 + 0.25),  # rounding, and half a step of noise of the reading
        hole=np.array([longest_interval(b) for b in budgets]),
        counter_bits=np.array([min(b.telemetry.wake_counter_bits, 62) for b in budgets]),
        wakes_per_day=np.array([b.load.wakes_per_day for b in budgets]),
    )


@njit(cache=True, nogil=True)
def _stored(voltage, low, step, curve):  # type: ignore[no-untyped-def]
    """Stored energy [J] and its slope [J/V] at a voltage, on an even grid held at its ends."""
    place = (voltage - low) / step
    index = min(max(int(place), 0), len(curve) - 2)
    slope = curve[index + 1] - curve[index]
    share = min(max(place - index, 0.0), 1.0)
    return curve[index] + slope * share, slope / step


@njit(cache=True, nogil=True)
def _seconds_above(v0, v1, level, seconds):  # type: ignore[no-untyped-def]
    """Of an interval, the time a straight line between its voltages spends at or above a level."""
    if v0 >= level and v1 >= level:
        return seconds
    if v0 < level and v1 < level:
        return 0.0
    return seconds * (max(v0, v1) - level) / abs(v1 - v0)


@njit(cache=True, nogil=True)
def _add_share(row, e0, e1, v0, v1, seconds, full, left, right, wakes):  # type: ignore[no-untyped-def]
    """Add the part of an interval between two shares of its length to a day's sums."""
    v_left, v_right = v0 + (v1 - v0) * left, v0 + (v1 - v0) * right
    v_mean, part = (v_left + v_right) / 2, (right - left) * seconds
    row[STORED] += (e1 - e0) * (right - left)
    row[WAKES] += wakes
    row[WAKE_VOLTS] += wakes * v_mean
    row[OBSERVED] += part
    row[VOLT_SECONDS] += part * v_mean
    row[FULL] += _seconds_above(v_left, v_right, full, part)


@njit(cache=True, nogil=True)
def _add_node(t, v, wakes, boot, midnights, curve, low, step, full, noise, hole, bits, rate, sums):  # type: ignore[no-untyped-def]
    """Add one node's intervals to its days; see `day_sums`.

    The reading's noise stays in the energy at the ends of each observed run and at each midnight inside it (where two
    readings are blended); inside a day it cancels.
    """
    last_day = len(midnights) - 2
    day = 0
    run_end = -1.0  # time at which the run so far ends [s]
    pending = 0.0  # variance of the energy there, not yet given to the day it ends in [J^2]
    carried = 0.0  # the same where the run ends on a midnight: due to the next day too, if the run goes on [J^2]
    for i in range(len(t) - 1):
        seconds = t[i + 1] - t[i]
        if seconds <= 0 or seconds > hole or t[i + 1] <= midnights[0] or t[i] >= midnights[last_day + 1]:
            continue
        count, restart = wake_step(wakes[i], wakes[i + 1], boot[i], boot[i + 1], bits, seconds, rate)
        if restart:
            continue
        e0, slope0 = _stored(v[i], low, step, curve)
        e1, slope1 = _stored(v[i + 1], low, step, curve)
        left, given = 0.0, 0
        if t[i] != run_end:
            sums[day, STORED_VAR] += pending
        while day < last_day and midnights[day + 1] <= t[i]:
            day += 1
        if t[i] < midnights[0]:  # reaches over from the day before the first
            left = (midnights[0] - t[i]) / seconds
            given = int(np.floor(count * left + 0.5))
            sums[day, STORED_VAR] += ((1 - left) ** 2 + left**2) * (slope1 * noise) ** 2
        elif t[i] == run_end:
            sums[day, STORED_VAR] += carried
        else:
            sums[day, STORED_VAR] += (slope0 * noise) ** 2
        run_end, pending, carried = t[i + 1], (slope1 * noise) ** 2, 0.0
        while left < 1.0:
            crosses = midnights[day + 1] <= t[i + 1]
            right = (midnights[day + 1] - t[i]) / seconds if crosses else 1.0
            until = int(np.floor(count * right + 0.5)) if crosses else count
            _add_share(sums[day], e0, e1, v[i], v[i + 1], seconds, full, left, right, until - given)
            left, given = right, until
            if crosses:
                blend = ((1 - right) ** 2 + right**2) * (slope1 * noise) ** 2
                sums[day, STORED_VAR] += blend
                if midnights[day + 1] == t[i + 1]:
                    pending, carried = 0.0, blend
                    break
                if day == last_day:
                    pending = 0.0
                    break
                day += 1
                sums[day, STORED_VAR] += blend
    sums[day, STORED_VAR] += pending


@njit(cache=True, nogil=True)
def _add_all(offsets, t, v, wakes, boot, site, midnights, curve, low, step, full, noise, hole, bits, rate, sums):  # type: ignore[no-untyped-def]
    for n in range(len(offsets) - 1):
        a, b = offsets[n], offsets[n + 1]
        _add_node(
            t[a:b], v[a:b], wakes[a:b], boot[a:b], midnights[site[n]], curve[n], low[n], step[n], full[n], noise[n],
            hole[n], bits[n], rate[n], sums[n],
        )  # fmt: skip


def day_sums(series: Series, terms: NodeTerms, calendars: list[Calendar], site: Counts) -> Floats:
    """Parameter-free sums of each node and site day.

    Parameters
    ----------
    series : Series
        Reports reaching at least `terms.hole` beyond the calendars on either side, where there are any.
    terms : NodeTerms
    calendars : list of Calendar
        One a site, all of the same first day and length.
    site : ndarray of int64, shape (nodes,)
        Index of each node's calendar.

    Returns
    -------
    ndarray, shape (nodes, days, SUMS)
        Columns STORED (change of stored energy at nominal capacity) [J], WAKES, WAKE_VOLTS (wakes times voltage) [V],
        OBSERVED [s], VOLT_SECONDS (integral of voltage) [V s], FULL [s], STORED_VAR [J^2].

    Notes
    -----
    An interval over a midnight is divided in proportion to time; whole wakes stay whole. Left out are holes (intervals
    longer than `terms.hole`) and intervals with a restart, whose wakes are unknown: a day covers OBSERVED seconds.
    """
    sums = np.zeros((series.nodes, calendars[0].days, SUMS))
    _add_all(
        series.offsets, series.time, series.storage_v, series.wakes, series.boot, site,
        np.stack([c.midnights for c in calendars]), terms.curve, terms.voltage_low, terms.voltage_step,
        terms.voltage_full, terms.voltage_noise, terms.hole, terms.counter_bits, terms.wakes_per_day, sums,
    )  # fmt: skip
    return sums


@dataclass(frozen=True)
class NominalDays:
    """The account of each node and day at the budget's figures; arrays of shape (nodes, days).

    The ledger multiplies the three energies by the ratios of the posterior, and the net harvest follows:
    `net harvest = change of stored energy + wakes + sleep` on every row.
    """

    stored_j: Floats
    stored_var_j2: Floats  # from the noise of the readings
    wake_j: Floats
    sleep_j: Floats
    wakes: Counts
    full_s: Floats
    observed_s: Floats


def nominal_days(sums: Floats, budgets: list[Budget]) -> NominalDays:
    """The sums of `day_sums` in joules, at nameplate wake energy and sleep power.

    Notes
    -----
    A switching regulator spends a constant energy a wake. Where the current itself passes (linear regulator, or none)
    the energy of a wake is its charge times the storage voltage of the moment, and sleep likewise.
    """
    switching = np.array([b.load.regulator == "switching" for b in budgets])[:, None]
    scale = np.array([b.load.rail_voltage / b.load.efficiency for b in budgets])[:, None]
    charge = np.array([b.load.wake_current * b.load.wake_duration for b in budgets])[:, None]
    sleep = np.array([b.load.sleep_current for b in budgets])[:, None]
    return NominalDays(
        stored_j=sums[..., STORED],
        stored_var_j2=sums[..., STORED_VAR],
        wake_j=charge * np.where(switching, scale * sums[..., WAKES], sums[..., WAKE_VOLTS]),
        sleep_j=sleep * np.where(switching, scale * sums[..., OBSERVED], sums[..., VOLT_SECONDS]),
        wakes=np.rint(sums[..., WAKES]).astype(np.int64),
        full_s=sums[..., FULL],
        observed_s=sums[..., OBSERVED],
    )

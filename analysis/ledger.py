"""The ledger: what each node earned, spent and kept, by the site's calendar day; every row closes.

For two consecutive reports the balance is `change of stored energy = net harvest - load`. Stored energy comes from the
rest voltages, load from the wakes counted and the time asleep; net harvest (harvest less leakage) is what remains. The
kernel below gathers, for each node and day, sums that need no parameter, which `nominal_days` counts at the budget's
figures; what the field has taught since multiplies these (the view `ledger`), so that a better estimate corrects every
day without reading the reports again.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from analysis.series import Calendar, Counts, Floats, Series, by_budget
from analysis.storage import storage_curve
from ingest.budget import Budget
from ingest.counters import wake_step

HOLE_INTERVALS = 4.0  # an interval longer than this many reporting intervals is a hole, not an observation,
HOLE_LEAST_S = 3 * 3600.0  # unless it is shorter than this: a few lost reports, or hourly reports of a half-hourly node
FULL_MARGIN_STEPS = 2.0  # within this many converter steps, or FULL_MARGIN of full voltage, the node counts as full
FULL_MARGIN = 0.005
CELL_MARGIN_STEPS, CELL_MARGIN = 3.0, 0.001  # of a cell, where half a per cent of voltage is hours of load
FLOATS = 2.0  # times as far a full capacitor's voltage rises in a cool night, where it keeps its charge: 10 K are 1 %
NOON_FROM, NOON_TO = 10 / 24, 16 / 24  # of a day, in whose middle no cold raises a full capacitor's voltage
SUNK = 0.25  # of that margin below its reach, from which on a node has left the highest voltage of midday
# Columns of the sums, in order.
STORED, WAKES, WAKE_SHARE, WAKE_VOLTS, OBSERVED, VOLT_SECONDS, FULL, STORED_VAR, TOP, NEAR_TOP = range(10)
WARM_SECONDS, MEASURED, NOON, RISEN = 10, 11, 12, 13
SUMS = 14
# A node's figures, in order.
FULL_MARGIN_V, FULL_VOLTAGE, VOLTAGE_NOISE, HOLE, BITS, RATE, WAKE_FIX, WAKE_CHARGE, THERMAL = range(9)
REACH = 2 * 3600.0  # a midnight's energy is read from the reports this near,
BENT = 3.0  # unless they are bent by more than this many standard deviations of what noise bends,
NOISIER = 2.0  # of a converter twice as noisy as believed: a step of noise is common (common practice, no source),
WAKE_DOUBT = 0.2  # and of what a wake may differ from the budget's
# Of a double-layer capacitor, 5 to 10 % from 25 to -40 degC (from memory); the middle of what the estimator holds true.
CAPACITY_BY_WARMTH = 1e-3  # [1/K]


@dataclass(frozen=True)
class NodeTerms:
    """What the kernel must know of each node, as arrays over nodes.

    Attributes
    ----------
    curve : ndarray, shape (nodes, GRID_POINTS)
        Stored energy over the even voltage grid. [J]
    voltage_low, voltage_step : ndarray, shape (nodes,)
        First grid voltage and spacing. [V]
    figures : ndarray, shape (nodes, 9)
        Columns FULL_MARGIN_V (less below a day's highest voltage is as high) [V], FULL_VOLTAGE (at or above it the node
        counts as full) [V], VOLTAGE_NOISE (one standard deviation of a reading) [V], HOLE (longest interval that still
        counts as observed) [s], BITS of the counter, RATE (wakes by the budget; only used to tell a roll-over from a
        restart) [1/d], WAKE_FIX [J] and WAKE_CHARGE [C] (energy of a wake, and what a volt of storage adds to it),
        THERMAL (of capacity) [1/K].
    """

    curve: Floats
    voltage_low: Floats
    voltage_step: Floats
    figures: Floats


def longest_interval(budget: Budget) -> float:
    """The longest interval between reports that still counts as observed; silence beyond it is silence. [s]"""
    return max(HOLE_INTERVALS * budget.telemetry.report_interval, HOLE_LEAST_S)


def full_margin(budget: Budget) -> float:
    """How far below its full voltage a node still counts as full. [V]"""
    return max(FULL_MARGIN_STEPS * budget.telemetry.adc_step, FULL_MARGIN * budget.storage.full_voltage)


def near_top(budget: Budget) -> float:
    """How far below its highest voltage a node counts as at it. [V]"""
    if budget.storage.is_battery:
        return max(CELL_MARGIN_STEPS * budget.telemetry.adc_step, CELL_MARGIN * budget.storage.full_voltage)
    return full_margin(budget) * (FLOATS if budget.harvest.outdoors else 1.0)


def node_terms(budgets: list[Budget]) -> NodeTerms:
    """The kernel's terms for nodes with these budgets."""
    kinds = by_budget(budgets)
    of = np.empty(len(budgets), dtype=np.int64)
    for kind, (_, nodes) in enumerate(kinds):
        of[nodes] = kind
    curves = [storage_curve(b.storage) for b, _ in kinds]
    return NodeTerms(
        curve=np.stack([curve.stored for curve in curves])[of],
        voltage_low=np.array([curve.voltage[0] for curve in curves])[of],
        voltage_step=np.array([curve.voltage[1] - curve.voltage[0] for curve in curves])[of],
        figures=np.array([_figures(b) for b, _ in kinds])[of],
    )


def _figures(budget: Budget) -> list[float]:
    step, margin = budget.telemetry.adc_step, full_margin(budget)
    charge = budget.load.wake_current * budget.load.wake_duration
    switching = budget.load.regulator == "switching"
    return [
        near_top(budget),
        budget.storage.full_voltage - margin,
        step * np.sqrt(1 / 12 + 0.25),  # rounding, and half a step of noise of the reading
        longest_interval(budget),
        min(budget.telemetry.wake_counter_bits, 62),
        budget.load.wakes_per_day,
        charge * budget.load.voltage_rail / budget.load.efficiency if switching else 0.0,
        0.0 if switching else charge,
        0.0 if budget.storage.is_battery else CAPACITY_BY_WARMTH,
    ]


@njit(cache=True, nogil=True)
def stored_at(voltage, low, step, curve):  # type: ignore[no-untyped-def]
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
def _add_share(row, change, count, v0, v1, warmth, seconds, full, left, right):  # type: ignore[no-untyped-def]
    """Add the part of an interval between two shares of its length to a day's sums."""
    v_left, v_right = v0 + (v1 - v0) * left, v0 + (v1 - v0) * right
    v_mean, part = (v_left + v_right) / 2, (right - left) * seconds
    row[STORED] += change * (right - left)
    row[WAKE_SHARE] += count * (right - left)
    row[WAKE_VOLTS] += count * (right - left) * v_mean
    row[OBSERVED] += part
    row[VOLT_SECONDS] += part * v_mean
    row[FULL] += _seconds_above(v_left, v_right, full, part)
    row[TOP] = max(row[TOP], v_left, v_right)
    if np.isfinite(warmth):
        row[WARM_SECONDS] += part * warmth
        row[MEASURED] += part


@njit(cache=True, nogil=True)
def _intervals(t, v, wakes, boot, temp, swapped, curve, low, step, node):  # type: ignore[no-untyped-def]
    """Wakes in the interval ending at each report, -1 where there is none; its change of stored energy; slopes [J/V].

    Over an interval in which the storage was `swapped` nothing is known of either.

    The energy is brought to one temperature where temperature is reported: charge is conserved while temperature moves
    the capacity, so the energy that came in and out is `dE + kappa V Q dT`.
    """
    n = len(t)
    count, change, slope = np.full(n, -1), np.zeros(n), np.zeros(n)
    before = 0.0
    for i in range(n):
        energy, slope[i] = stored_at(v[i], low, step, curve)
        if i > 0 and 0 < t[i] - t[i - 1] <= node[HOLE] and not swapped[i]:
            wakes_in, restart = wake_step(
                wakes[i - 1], wakes[i], boot[i - 1], boot[i], int(node[BITS]), t[i] - t[i - 1], node[RATE]
            )
            if not restart:
                count[i] = wakes_in
            change[i] = energy - before
            warmer = temp[i] - temp[i - 1]
            if np.isfinite(warmer):
                change[i] += node[THERMAL] * slope[i] * v[i] * warmer
        before = energy
    return count, change, slope


@njit(cache=True, nogil=True)
def _at_midnight(k, when, t, v, count, change, slope, node):  # type: ignore[no-untyped-def]
    """What stored energy [J] and wakes had moved by at a midnight since report k - 1, report k being after it.

    Returns both, less what a share of the interval in proportion to time would have moved them, and the variance of the
    energy. Stored energy plus what the wakes took runs straight at night: a straight line through all readings within
    REACH of the midnight, where it fits them, else through the two beside it.
    """
    first, last, noise = k - 1, k, slope[k] * node[VOLTAGE_NOISE]
    while first > 0 and count[first] >= 0 and t[first - 1] >= when - REACH:
        first -= 1
    while last + 1 < len(t) and count[last + 1] >= 0 and t[last + 1] <= when + REACH:
        last += 1
    wake = node[WAKE_FIX] + node[WAKE_CHARGE] * v[k]
    n = last - first + 1
    x, energy, wakes = t[first : last + 1] - when, np.zeros(n), np.zeros(n)
    for j in range(1, n):
        energy[j] = energy[j - 1] + change[first + j]
        wakes[j] = wakes[j - 1] + count[first + j]
    before = k - 1 - first
    energy -= energy[before]
    wakes -= wakes[before]
    share = (when - t[k - 1]) / (t[k] - t[k - 1])
    middle = x.mean()
    off = x - middle
    weight = 1.0 / n - middle * off / (off**2).sum()
    level = energy + wake * wakes
    misfit = ((level - level.mean() - off * (off * level).sum() / (off**2).sum()) ** 2).sum()
    usual = (NOISIER * noise) ** 2 + (WAKE_DOUBT * wake) ** 2
    if misfit > (n - 2 + BENT * np.sqrt(2.0 * (n - 2))) * usual:
        return 0.0, 0.0, (share**2 + (1.0 - share) ** 2) * noise**2
    moved = (weight * energy).sum() - share * change[k], (weight * wakes).sum() - share * count[k]
    return moved[0], moved[1], (weight**2).sum() * noise**2


@njit(cache=True, nogil=True)
def _move(row, sign, moved, v):  # type: ignore[no-untyped-def]
    """Give a day the energy and wakes that its midnight moves, and their doubt."""
    row[STORED] += sign * moved[0]
    row[WAKE_SHARE] += sign * moved[1]
    row[WAKE_VOLTS] += sign * moved[1] * v
    row[STORED_VAR] += moved[2]


@njit(cache=True, nogil=True)
def _add_node(t, v, wakes, boot, temp, swapped, midnights, curve, low, step, node, sums):  # type: ignore[no-untyped-def]
    """Add one node's intervals to its days; see `day_sums`.

    The reading's noise stays in the energy at the ends of each observed run and at each midnight inside it; inside a
    day it cancels.
    """
    count, change, slope = _intervals(t, v, wakes, boot, temp, swapped, curve, low, step, node)
    last_day = len(midnights) - 2
    day = 0
    run_end = -1.0  # time at which the run so far ends [s]
    pending = 0.0  # variance of the energy there, not yet given to the day it ends in [J^2]
    moved = (0.0, 0.0, 0.0)  # what the last midnight moves
    for i in range(len(t) - 1):
        seconds = t[i + 1] - t[i]
        if count[i + 1] < 0 or t[i + 1] <= midnights[0] or t[i] >= midnights[last_day + 1]:
            continue
        left, given = 0.0, 0
        if t[i] != run_end:
            sums[day, STORED_VAR] += pending
        while day < last_day and midnights[day + 1] <= t[i]:
            day += 1
        noise = slope[i + 1] * node[VOLTAGE_NOISE]
        if t[i] < midnights[0]:  # reaches over from the day before the first
            left = (midnights[0] - t[i]) / seconds
            given = int(np.floor(count[i + 1] * left + 0.5))
            _move(sums[0], -1.0, _at_midnight(i + 1, midnights[0], t, v, count, change, slope, node), v[i])
        elif t[i] == run_end and t[i] == midnights[day]:
            _move(sums[day], -1.0, moved, v[i])
        elif t[i] == midnights[0] and i > 0 and count[i] >= 0:  # the run goes on from the day before the first
            _move(sums[0], -1.0, _at_midnight(i, t[i], t, v, count, change, slope, node), v[i])
        elif t[i] != run_end:
            sums[day, STORED_VAR] += (slope[i] * node[VOLTAGE_NOISE]) ** 2
        run_end, pending = t[i + 1], noise**2
        while left < 1.0:
            crosses = midnights[day + 1] <= t[i + 1]
            right = (midnights[day + 1] - t[i]) / seconds if crosses else 1.0
            until = int(np.floor(count[i + 1] * right + 0.5)) if crosses else count[i + 1]
            sums[day, WAKES] += until - given
            warmth = (temp[i] + temp[i + 1]) / 2
            _add_share(
                sums[day], change[i + 1], count[i + 1], v[i], v[i + 1], warmth, seconds, node[FULL_VOLTAGE], left, right
            )
            left, given = right, until
            if crosses:
                moved = _at_midnight(i + 1, midnights[day + 1], t, v, count, change, slope, node)
                _move(sums[day], 1.0, moved, v[i])
                if midnights[day + 1] == t[i + 1] or day == last_day:
                    pending = 0.0
                    break
                day += 1
                _move(sums[day], -1.0, moved, v[i])
    sums[day, STORED_VAR] += pending


@njit(cache=True, nogil=True)
def _add_near_top(t, v, midnights, node, sums):  # type: ignore[no-untyped-def]
    """Add the time that one node spent within its margin of each day's highest voltage."""
    last_day, day = len(midnights) - 2, 0
    for i in range(len(t) - 1):
        seconds, left = t[i + 1] - t[i], 0.0
        if seconds > node[HOLE] or t[i + 1] <= midnights[0] or t[i] >= midnights[-1]:
            continue
        if t[i] < midnights[0]:
            left = (midnights[0] - t[i]) / seconds
        while day < last_day and midnights[day + 1] <= t[i]:
            day += 1
        while left < 1.0 and day <= last_day and midnights[day] < t[i + 1]:
            right = min((midnights[day + 1] - t[i]) / seconds, 1.0)
            v_left, v_right = v[i] + (v[i + 1] - v[i]) * left, v[i] + (v[i + 1] - v[i]) * right
            level = sums[day, TOP] - node[FULL_MARGIN_V]
            sums[day, NEAR_TOP] += _seconds_above(v_left, v_right, level, (right - left) * seconds)
            left = right
            if right < 1.0:
                day += 1


@njit(cache=True, nogil=True)
def _add_rise(t, v, midnights, node, sums):  # type: ignore[no-untyped-def]
    """Note how high one node stood in the middle of each day, and when it came up to within its margin of that.

    If it was there all day, that is the day's begin; if it was there only before it sank, or never, the day's end.
    """
    margin = node[FULL_MARGIN_V]
    for day in range(len(midnights) - 1):
        begin, over = midnights[day], midnights[day + 1]
        first, end = np.searchsorted(t, begin), np.searchsorted(t, over)
        sums[day, RISEN] = over
        for i in range(first, end):
            if NOON_FROM <= (t[i] - begin) / (over - begin) <= NOON_TO:
                sums[day, NOON] = max(sums[day, NOON], v[i])
        level, sunk = sums[day, NOON] - margin, False
        if sums[day, NOON] <= 0.0:
            continue
        for i in range(first, end):
            if v[i] < level - SUNK * margin:
                sunk = True
            elif sunk and v[i] >= level:
                sums[day, RISEN] = t[i] - (t[i] - t[i - 1]) * max((v[i] - level) / (v[i] - v[i - 1]), 0.0)
                break
        if not sunk:
            sums[day, RISEN] = begin


@njit(cache=True, nogil=True)
def _add_all(offsets, t, v, wakes, boot, temp, swapped, site, midnights, curve, low, step, figures, sums):  # type: ignore[no-untyped-def]
    for n in range(len(offsets) - 1):
        a, b = offsets[n], offsets[n + 1]
        _add_node(
            t[a:b], v[a:b], wakes[a:b], boot[a:b], temp[a:b], swapped[a:b], midnights[site[n]], curve[n], low[n],
            step[n], figures[n], sums[n],
        )  # fmt: skip
        _add_near_top(t[a:b], v[a:b], midnights[site[n]], figures[n], sums[n])
        _add_rise(t[a:b], v[a:b], midnights[site[n]], figures[n], sums[n])


def swaps(series: Series, replaced: list[list[tuple[float, float]]]) -> npt.NDArray[np.bool_]:
    """Whether the storage was replaced in the interval ending at each report.

    Parameters
    ----------
    replaced : list of list of tuple
        For each node the times between which it was replaced. [s since 1970 UTC] Of the intervals that reach into such
        a time, it is the one in which the voltage moved most.
    """
    found = np.zeros(len(series.time), dtype=bool)
    for node, spans in enumerate(replaced):
        rows = slice(series.offsets[node], series.offsets[node + 1])
        time, voltage = series.time[rows], series.storage_v[rows]
        for begin, end in spans:
            low, high = max(int(np.searchsorted(time, begin, side="right")), 1), int(np.searchsorted(time, end)) + 1
            moved = np.abs(np.diff(voltage[low - 1 : high]))
            if len(moved):
                found[rows.start + low + int(np.argmax(moved))] = True
    return found


def day_sums(
    series: Series,
    terms: NodeTerms,
    calendars: list[Calendar],
    site: Counts,
    swapped: npt.NDArray[np.bool_] | None = None,
) -> Floats:
    """Parameter-free sums of each node and site day.

    Parameters
    ----------
    series : Series
        Reports reaching at least the longest HOLE beyond the calendars on either side, where there are any.
    terms : NodeTerms
    calendars : list of Calendar
        One a site, all of the same first day and length.
    site : ndarray of int64, shape (nodes,)
        Index of each node's calendar.
    swapped : ndarray of bool, optional
        Of `swaps`; nothing was without.

    Returns
    -------
    ndarray, shape (nodes, days, SUMS)
        Columns STORED (change of stored energy at nominal capacity) [J], WAKES, WAKE_SHARE (wakes, those of an interval
        over a midnight shared by time), WAKE_VOLTS (these times voltage) [V], OBSERVED [s], VOLT_SECONDS (integral of
        voltage) [V s], FULL [s], STORED_VAR [J^2], TOP (highest voltage) [V], NEAR_TOP (time at it) [s],
        WARM_SECONDS (integral of temperature) [degC s], MEASURED (over this time) [s], NOON (highest voltage from ten
        to four) [V], RISEN (when it came up to that; the day's begin where it was there all day, its end where it never
        was or only sank) [s since 1970 UTC].

    Notes
    -----
    An interval over a midnight is divided in proportion to time; counted wakes stay whole, but their energy is divided
    as the stored energy is, or half a wake would be lost in between. All readings within two hours of a midnight tell
    of it: four hourly ones bring the noise of a day to the bound of a straight line through all of its readings
    (`limits.slope_bound`), though only the night need be straight. Left out are holes and intervals with a restart,
    whose wakes are unknown: a day covers OBSERVED seconds.
    """
    sums = np.zeros((series.nodes, calendars[0].days, SUMS))
    _add_all(
        series.offsets, series.time, series.storage_v, series.wakes, series.boot, series.temp_c,
        np.zeros(len(series.time), dtype=bool) if swapped is None else swapped, site,
        np.stack([c.midnights for c in calendars]), terms.curve, terms.voltage_low, terms.voltage_step, terms.figures,
        sums,
    )  # fmt: skip
    return sums

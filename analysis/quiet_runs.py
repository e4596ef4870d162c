"""Kernels over one node's reports: energies by interval, the learnt week and quiet runs, into day sums."""

import numpy as np
from numba import njit

from analysis.quiet import ENERGY_SLOPE, LOAD_SHARE, learn
from analysis.reading import noise_of, off_line
from analysis.thermometer import FEIGNED_MOST, SMOOTHED, bent, left_of_noise, mean_noise
from analysis.whole_wakes import leave_rounding
from ingest.counters import wake_step

LINES = 8  # wake, sleep, leakage, leakage by voltage, by its square, by temperature, thermal, what lags or is left
# Columns of a day's sums: upper triangle of the information matrix, right side, and these.
RIGHT, POINTS, SECONDS, SHAPED, WARMTH, MEASURED = 36, 44, 45, 46, 50, 51  # SHAPED to WARMTH: by `storage.LEANS`
SUMS = 52
STORED, WAKE, SLEEP, LEAK, THERMAL, CURRENT, CURVED, FORM = range(8)  # rows of a budget's tables; from FORM on by LEANS
# Columns of a budget's figures.
FULL, NOISE, HOLE, BITS, RATE, MODE, POWER, SWING, CUT, LOAD, USUAL_WARMTH, SLOWLY, SETTLES, HEAT, TURNS = range(15)
# Rows of an interval's flows: wake and sleep first; the last is the thermal flow of an unmeasured day's sine.
FLOW_LEAK, FLOW_VOLT, FLOW_SQUARE, FLOW_WARM, FLOW_THERMAL, FLOW_SLOW, JOINED, FLOW_TURN = range(2, 10)

# Columns of a run's Gram matrix after its lines.
RESPONSE, SLOPE, BEND, ONE, CURVE, TURN = range(LINES, LINES + 6)
COLUMNS = BALANCE = LINES + 6

SLOW_SECONDS = 12 * 3600.0  # of a capacitor's slow branch; between the hours and the days that parts show
HYSTERESIS_V = 0.06  # of a cell, between charge and discharge, per unit of the slow branch's line (5 mV: from memory)
SLOPE_DOUBT = 0.03  # random error of a run's slope, as a fraction of it,
BEND_DOUBT = 0.05  # of its change from the middle to the ends,
UNMEASURED = 0.02, 0.1  # the same two per kelvin of swing where temperature is not reported: nights err alike,
LEVEL_DOUBT = 0.002  # and of each level, as a fraction of the run's discharge
HARVEST_DOUBT = 0.002  # harvest left in a quiet run, one standard deviation, as a share of the budget's mean
THERMAL_USUAL = 1e-3  # thermal line of a double-layer capacitor [1/K]
WARMEST_HOUR = 15.0
THERMAL_DOUBT = 1e-3  # thermal line where temperature is not reported [1/K]
LEAST_POINTS = 5
FULL_MARGIN = 3.5  # in standard deviations of a reading: both ends this near to full is full
OUTLIER = 6.0  # second differences beyond this many standard deviations
SLACK = 5.6  # standard deviations of a reading: four of the difference of two


@njit(cache=True, nogil=True, error_model="numpy")
def look_up(v, tables, low, step):  # type: ignore[no-untyped-def]
    """The tables at each voltage, and last the slope of stored energy [J/V]."""
    rows = tables.shape[0]
    values = np.empty((rows + 1, len(v)))
    for i in range(len(v)):
        place = (v[i] - low) / step
        index = min(max(int(place), 0), tables.shape[1] - 2)
        share = min(max(place - index, 0.0), 1.0)
        for r in range(rows):
            values[r, i] = tables[r, index] + (tables[r, index + 1] - tables[r, index]) * share
        values[rows, i] = (tables[STORED, index + 1] - tables[STORED, index]) / step
    return values


@njit(cache=True, nogil=True, error_model="numpy")
def _day_angle(time, midnights):  # type: ignore[no-untyped-def]
    """Angle of the day, zero at WARMEST_HOUR; a temperature that is not measured is taken to follow its cosine."""
    return (time - midnights[0] - WARMEST_HOUR * 3600.0) / 86400.0 * 2.0 * np.pi


@njit(cache=True, nogil=True, error_model="numpy")
def intervals(t, v, wakes, boot, temp, midnights, sun, values, fig):  # type: ignore[no-untyped-def]
    """Budgeted energies of the interval ending at each report [J], and whether it is one: no hole, no restart."""
    flow = np.zeros((10, len(t)))
    angle = _day_angle(t[0], midnights)
    for i in range(1, len(t)):
        seconds = t[i] - t[i - 1]
        angle_before, angle = angle, _day_angle(t[i], midnights)
        middle = (v[i - 1] + v[i]) / 2
        if seconds <= 0 or seconds > fig[HOLE]:
            continue
        count, restart = wake_step(wakes[i - 1], wakes[i], boot[i - 1], boot[i], int(fig[BITS]), seconds, fig[RATE])
        if restart:
            continue
        warm = (temp[i - 1] + temp[i]) / 2 - 25.0
        change = temp[i] - temp[i - 1]
        measured = np.isfinite(warm)
        if not measured:
            change = fig[SWING] * (np.cos(angle) - np.cos(angle_before))
            warm = fig[USUAL_WARMTH] + fig[SWING] * np.cos(angle)
            if np.isnan(warm):
                day = min(max(int((t[i] - midnights[0]) / 86400.0) + 1, 0), len(sun) - 1)
                warm = sun[day, 2] - 25.0 + fig[SWING] * np.cos(angle)
        leak = (values[LEAK, i - 1] + values[LEAK, i]) / 2 * seconds * 2.0 ** (warm / 10.0)
        flow[0, i] = count * (values[WAKE, i - 1] + values[WAKE, i]) / 2
        flow[1, i] = (values[SLEEP, i - 1] + values[SLEEP, i]) / 2 * seconds
        flow[FLOW_LEAK, i] = leak
        below = middle / fig[FULL] - 1.0
        flow[FLOW_VOLT, i] = leak * below
        flow[FLOW_SQUARE, i] = leak * below**2
        thermal = (values[THERMAL, i - 1] + values[THERMAL, i]) / 2
        flow[FLOW_THERMAL, i] = thermal * change
        if measured:
            flow[FLOW_WARM, i] = leak * warm / 10.0
        else:
            flow[FLOW_TURN, i] = thermal * fig[SWING] * (np.sin(angle) - np.sin(angle_before))
        flow[JOINED, i] = 1.0
    return flow


@njit(cache=True, nogil=True, error_model="numpy")
def redistribute(begin, end, since, t, v, values, flow):  # type: ignore[no-untyped-def]
    """Fill in what a slow branch would take up over the intervals ending at reports begin to end - 1. [J]

    It is taken to follow the storage with SLOW_SECONDS from `since` [s] on, not longer, so that a day's evidence does
    not depend on how much history was read.
    """
    first = np.searchsorted(t, since)
    if first >= end:
        return
    slow = v[first]
    for i in range(first + 1, end):
        ahead = ((v[i - 1] + v[i]) / 2 - slow) * (1.0 - np.exp(-(t[i] - t[i - 1]) / SLOW_SECONDS))
        slow += ahead
        if i >= begin:
            flow[FLOW_SLOW, i] = ahead * (values[-1, i - 1] + values[-1, i]) / 2


@njit(cache=True, nogil=True, error_model="numpy")
def turn(begin, end, values, flow, fig, quiet):  # type: ignore[no-untyped-def]
    """Fill in what a cell's hysteresis feigns to be spent over the quiet intervals among reports begin to end - 1. [J]

    Its voltage goes from that of charge to that of discharge as it gives off its first TURNS joules.
    """
    drawn = 0.0
    for i in range(begin + 1, end):
        if not quiet[i - begin]:
            drawn = 0.0
            continue
        before = drawn
        drawn += flow[0, i] + flow[1, i] + flow[FLOW_LEAK, i]
        turned = np.exp(-before / fig[TURNS]) - np.exp(-drawn / fig[TURNS])
        flow[FLOW_SLOW, i] = HYSTERESIS_V * turned * (values[-1, i - 1] + values[-1, i]) / 2


@njit(cache=True, nogil=True, error_model="numpy")
def _harvest(i, t, values, flow):  # type: ignore[no-untyped-def]
    """Harvest of the interval ending at report i, by the budget. [W]"""
    spent = flow[0, i] + flow[1, i] + flow[FLOW_LEAK, i] + THERMAL_USUAL * flow[FLOW_THERMAL, i]
    return (values[STORED, i] - values[STORED, i - 1] + spent) / (t[i] - t[i - 1])


@njit(cache=True, nogil=True, error_model="numpy")
def _slot(time, midnights, weekday):  # type: ignore[no-untyped-def]
    """Hour of the site's week, Monday 00:00 first."""
    last = len(midnights) - 1
    day = min(max(int(np.floor((time - midnights[0]) / 86400.0)), 0), last)
    if day > 0 and time < midnights[day]:
        day -= 1
    elif day < last and time >= midnights[day + 1]:
        day += 1
    return (weekday * 24 + day * 24 + int(np.floor((time - midnights[day]) / 3600.0))) % 168


@njit(cache=True, nogil=True, error_model="numpy")
def learn_between(first, last, t, v, values, flow, midnights, weekday, fig, week):  # type: ignore[no-untyped-def]
    """Take the intervals that end at reports first to last - 1 into the week; at full the harvest is a mean one.

    Those of one hour are taken together, which leaves the noise of its two ends.
    """
    seen, hours, squares = week[2].sum(), 0.0, 0.0
    full = fig[FULL] - FULL_MARGIN * fig[NOISE]
    limit = 50.0 * (fig[POWER] + values[SLEEP, 0])
    least = LOAD_SHARE * fig[LOAD]
    hour, joules, length = -1, 0.0, 0.0
    for i in range(first, last):
        if flow[JOINED, i] == 0.0:
            continue
        seconds = t[i] - t[i - 1]
        hours += seconds / 3600.0
        squares += seconds / 3600.0 * values[-1, i] ** 2
        parts = max(1, int(seconds / 3600.0 + 0.5))
        power = _harvest(i, t, values, flow)
        if v[i - 1] >= full and v[i] >= full:
            power = max(power, fig[POWER])
        for j in range(parts):
            slot = _slot(t[i - 1] + (j + 0.5) / parts * seconds, midnights, weekday)
            if slot != hour and length > 0.0:
                learn(week, hour, joules / length, min(length / 3600.0, 1.0), limit, least)
                joules, length = 0.0, 0.0
            hour = slot
            joules += power * seconds / parts
            length += seconds / parts
    if length > 0.0:
        learn(week, hour, joules / length, min(length / 3600.0, 1.0), limit, least)
    if hours > 0.0:
        week[3, ENERGY_SLOPE] = np.sqrt((seen * week[3, ENERGY_SLOPE] ** 2 + squares) / (seen + hours))


@njit(cache=True, nogil=True, error_model="numpy")
def balance(begin, end, values, flow):  # type: ignore[no-untyped-def]
    """Stored energy plus budgeted discharge at each of reports begin to end - 1, from the first on. [J]"""
    level = np.zeros(end - begin)
    for j in range(1, end - begin):
        i = begin + j
        moved = values[STORED, i] - values[STORED, i - 1]
        level[j] = level[j - 1] + moved + flow[0, i] + flow[1, i] + flow[FLOW_LEAK, i]
    return level


@njit(cache=True, nogil=True, error_model="numpy")
def leave_loud(begin, end, t, values, flow, fig, level, most, quiet):  # type: ignore[no-untyped-def]
    """Take from the intervals marked those that harvest more than `most` [W], beyond what may feign it: noise, wakes.

    The noise is that of the readings in these hours, not the converter's alone: were half of them taken for harvest
    that only read high, the rest would seem to spend twice as much. Returns it. [J]
    """
    size, count = np.empty(end - begin), 0
    for j in range(1, end - begin - 1):
        if quiet[j] and quiet[j + 1]:
            size[count] = off_line(t[begin:end], level, j)
            count += 1
    least = fig[NOISE] * values[-1, begin]
    noise = max(noise_of(size[:count], least), least)
    for i in range(begin + 1, end):
        slack = (SLACK * noise + 0.3 * flow[0, i]) / (t[i] - t[i - 1])
        if quiet[i - begin] and _harvest(i, t, values, flow) > most + slack:
            quiet[i - begin] = False
    return noise


@njit(cache=True, nogil=True, error_model="numpy")
def mark_hours(begin, end, t, values, flow, midnights, weekday, fig, level, hours, ceiling, quiet):  # type: ignore[no-untyped-def]
    """Mark the intervals in quiet hours of the week whose own power speaks for it, and that of all of them, too.

    What was learnt while a source stood still no longer holds once it runs again, and one interval by itself tells
    little of a harvest about as large as the load.
    """
    for i in range(begin + 1, end):
        usual = hours[_slot(t[i - 1] + 1.0, midnights, weekday)] and hours[_slot(t[i] - 1.0, midnights, weekday)]
        quiet[i - begin] = usual and flow[JOINED, i] > 0.0
    noise = leave_loud(begin, end, t, values, flow, fig, level, ceiling, quiet)
    total, seconds = 0.0, 1.0
    for i in range(begin + 1, end):
        if quiet[i - begin]:
            total += _harvest(i, t, values, flow) * (t[i] - t[i - 1])
            seconds += t[i] - t[i - 1]
    slack = LOAD_SHARE * fig[LOAD] + SLACK * noise / seconds
    if total / seconds > ceiling + slack:
        quiet[:] = False


@njit(cache=True, nogil=True, error_model="numpy")
def add_runs(begin, end, t, v, temp, jitter, values, flow, fig, quiet, doubt, row):  # type: ignore[no-untyped-def]
    """Add the runs of quiet intervals among reports begin to end - 1 to a day's sums; `doubt` as HARVEST_DOUBT.

    A run begins when a cell's voltage has settled after its last charge.
    """
    full = fig[FULL] - FULL_MARGIN * fig[NOISE] if fig[POWER] > 0 else np.inf
    start = begin
    weight = 0.0
    for i in range(begin + 1, end + 1):
        goes_on = i < end and quiet[i - begin] and flow[JOINED, i] > 0.0 and not (v[i - 1] >= full and v[i] >= full)
        if not goes_on:
            settled = t[start] + fig[SETTLES]
            while start < i - 1 and t[start] < settled:
                start += 1
            if i - start >= LEAST_POINTS:
                weight += _add_run(start, i, t, temp, jitter, values, flow, fig, doubt, row)
            start = i
    if weight > 0:
        row[SHAPED:SUMS] /= weight


@njit(cache=True, nogil=True, error_model="numpy")
def _weights(a, b, t, levels, sigma, weight):  # type: ignore[no-untyped-def]
    """Fill in each point's weight, 0 or 1; returns the variance of stored energy about a smooth run. [J^2]

    Second differences of stored energy plus budgeted discharge are blind to the slope; their median gives the noise.
    """
    m = b - a
    size = np.zeros(m)
    for j in range(1, m - 1):
        size[j] = off_line(t[a:b], levels[:, BALANCE], j)
    variance = noise_of(size[1 : m - 1], sigma) ** 2
    for j in range(m):
        weight[j] = 1.0
        if 0 < j < m - 1 and size[j] > OUTLIER * np.sqrt(variance) and size[j] >= max(size[j - 1], size[j + 1]):
            weight[j] = 0.0
    return variance


@njit(cache=True, nogil=True, error_model="numpy")
def _levels(a, b, values, flow):  # type: ignore[no-untyped-def]
    """Of a run of reports a to b - 1: each point's row of the Gram matrix below; returns it and the energy spent. [J]

    Cumulative flows of the lines, stored energy from the first point, budgeted discharge, its bend, one, room for a
    guessed cosine's bend, cumulative flow of a turn; and last, in BALANCE, stored energy plus discharge.
    """
    levels = np.zeros((b - a, COLUMNS + 1))
    for j in range(1, b - a):
        for r in range(LINES):
            levels[j, r] = levels[j - 1, r] + flow[r, a + j]
        levels[j, TURN] = levels[j - 1, TURN] + flow[FLOW_TURN, a + j]
    last = levels[b - a - 1]
    spent = last[0] + last[1] + last[2]
    for j in range(b - a):
        discharge = levels[j, 0] + levels[j, 1] + levels[j, 2]
        levels[j, RESPONSE] = values[STORED, a + j] - values[STORED, a]
        levels[j, SLOPE] = discharge
        levels[j, BEND] = 2.0 * (discharge - spent / 2.0) ** 2 / spent
        levels[j, ONE] = 1.0
        levels[j, BALANCE] = levels[j, RESPONSE] + discharge
    return levels, spent


@njit(cache=True, nogil=True, error_model="numpy")
def eliminate(gram, p, doubt):  # type: ignore[no-untyped-def]
    """Take from a Gram matrix what a disturbance along its column p, of variance `doubt`, hides; returns its share."""
    gain = 1.0 / (gram[p, p] + 1.0 / doubt)
    n = len(gram)
    for r in range(n):
        for c in range(n):
            if r != p and c != p:
                gram[r, c] -= gain * gram[r, p] * gram[p, c]
    return gain * gram[p, p]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_run(a, b, t, temp, jitter, values, flow, fig, doubt, row):  # type: ignore[no-untyped-def]
    """Add one run's sums, its intercept projected out, slope and bend with doubts of their own; returns its weight.

    A thermometer's noise would shrink the thermal line, which over a night is told from little more than a bend, and
    bend the other lines in its place: what it adds to the line's square is taken away again.
    """
    levels, spent = _levels(a, b, values, flow)
    measured = np.isfinite(temp[a]) and np.isfinite(temp[b - 1])
    if not measured:
        levels[:, CURVE] = bent(t[a:b], levels[:, FLOW_THERMAL])
        levels[:, FLOW_THERMAL] -= levels[:, CURVE]
        levels[:, TURN] = bent(t[a:b], levels[:, TURN])
        usual = THERMAL_USUAL * fig[SLOWLY] * levels[:, CURVE]
        levels[:, RESPONSE] += usual
        levels[:, BALANCE] += usual
    weight = np.empty(b - a)
    variance = _weights(a, b, t, levels, fig[NOISE] * values[-1, a:b].max(), weight)
    noise = values[THERMAL, a:b].mean() ** 2 * mean_noise(jitter[a:b])
    variance += (LEVEL_DOUBT * spent) ** 2 + SMOOTHED * THERMAL_USUAL**2 * noise
    gram = np.zeros((COLUMNS, COLUMNS))
    points = 0.0
    for j in range(b - a):
        if weight[j] > 0.0:
            points += 1.0
            for r in range(COLUMNS):
                for c in range(r, COLUMNS):
                    gram[r, c] += levels[j, r] * levels[j, c]
    if points < LEAST_POINTS or not spent > 0.0:
        return 0.0
    for r in range(COLUMNS):
        for c in range(r, COLUMNS):
            gram[r, c] /= variance
            gram[c, r] = gram[r, c]
    thermal = 0.0 if measured else (values[THERMAL, a] * THERMAL_DOUBT * fig[SWING] / spent) ** 2
    harvest = (doubt * fig[POWER] * (t[b - 1] - t[a]) / spent) ** 2
    slope = np.hypot(SLOPE_DOUBT if measured else UNMEASURED[0] * fig[SWING], values[CURVED, (a + b) // 2])
    bend = np.hypot(BEND_DOUBT if measured else UNMEASURED[1] * fig[SWING], values[CURVED, (a + b) // 2])
    if not measured:
        eliminate(gram, CURVE, THERMAL_DOUBT**2)
        eliminate(gram, TURN, THERMAL_DOUBT**2)
    gone = np.array([eliminate(gram, ONE, np.inf), eliminate(gram, SLOPE, slope**2 + harvest + thermal),
                     eliminate(gram, BEND, bend**2)])  # fmt: skip
    leave_rounding(gram, points * values[WAKE, a:b].mean() ** 2 / variance)
    gram[FLOW_THERMAL, FLOW_THERMAL] -= min(
        left_of_noise(points, gone) * noise / variance, FEIGNED_MOST * gram[FLOW_THERMAL, FLOW_THERMAL]
    )
    told, place = 0.0, 0
    for r in range(LINES):
        for c in range(r, LINES):
            row[place] += gram[r, c]
            told += (gram[r, c] if r == c else 2.0 * gram[r, c]) if c < 3 else 0.0
            place += 1
        row[RIGHT + r] -= gram[r, RESPONSE]
    row[POINTS] += points
    row[SECONDS] += t[b - 1] - t[a]
    for k in range(WARMTH - SHAPED):
        row[SHAPED + k] += told * values[FORM + k, a:b].mean()
    if measured:
        row[WARMTH] += told * ((temp[a] + temp[b - 1]) / 2 - 25.0)
        row[MEASURED] += told
    return told

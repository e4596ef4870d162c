"""Spells in which a source without quiet hours stands still: a pump between two runs, a kiln between two firings."""

import numpy as np
from numba import njit

from analysis.quiet import FLOOR_LOADS, LATEST, RESTED, SPELLS, median
from analysis.quiet_runs import (
    FLOW_LEAK,
    FLOW_SLOW,
    FLOW_THERMAL,
    FLOW_WARM,
    HEAT,
    JOINED,
    LEAST_POINTS,
    LOAD,
    POWER,
    SLOWLY,
    STORED,
    THERMAL_DOUBT,
    THERMAL_USUAL,
)

REST_DOUBT = 0.03  # of the budget's mean harvest: what is left of it varies by from one spell of rest to the next
REST_MOST = 0.2  # harvest in such a spell, as a share of the budget's mean,
WORKED_LEAST = 0.4  # of a source that has worked by this share of it
STEADY = 2.0  # standard deviations that a quarter of such a spell may depart from the whole by,
STEADY_HEAT = 1.5  # fewer of heat, where several begins and ends are tried
TURN_SDS = 6.0  # standard deviations of a difference of two readings by which stored energy turns, at least
PART_POINTS = 3  # intervals of such a quarter
COOLS_S = np.array([6 * 3600.0, 86400.0])  # what was hot may give on for so long, pipes and kilns,
WARMS_S = np.array([0.0, 4 * 3600.0])  # and give again before it carries the load
HELD_AGAINST, HELD_LEAST = 7, 2  # latest spells of a node that the next is held against, at most and at least
SAME_S = 3 * 3600.0  # after the end of a spell what still falls is part of it
MORE_SDS = 2.5  # standard deviations that a spell may harvest more by than they
LEFT_PER_SLOW = 3.0  # share of the mean harvest left, per unit of the slow branch's line,
LEFT_IN_HEAT = 2.0  # times as much in the lowest hours of the week of a source of heat, which has no switch,
LEFT_BETWEEN = 0.5  # in its spells of rest (a fifth of a temperature difference is 4 % of the power, by its square),
LEFT_BY_SWITCH = 0.25  # and in those of a source that is switched off


@njit(cache=True, nogil=True, error_model="numpy")
def _mean_harvest(a, b, t, values, flow, noise):  # type: ignore[no-untyped-def]
    """Mean harvest from report a to b by the budget, and the doubt of the converter and of a thermal line in it. [W]

    Infinite where it has not been observed throughout.
    """
    if a < 0 or b >= len(t) or b - a < PART_POINTS:
        return np.inf, 0.0, 0.0
    spent, thermal = 0.0, 0.0
    for i in range(a + 1, b + 1):
        if flow[JOINED, i] == 0.0:
            return np.inf, 0.0, 0.0
        spent += flow[0, i] + flow[1, i] + flow[FLOW_LEAK, i]
        thermal += flow[FLOW_THERMAL, i]
    seconds = t[b] - t[a]
    power = (values[STORED, b] - values[STORED, a] + spent + THERMAL_USUAL * thermal) / seconds
    return power, 1.4 * noise * values[-1, a] / seconds, THERMAL_DOUBT * abs(thermal) / seconds


@njit(cache=True, nogil=True, error_model="numpy")
def _rests(begin, end, t, values, flow, fig, reading, most):  # type: ignore[no-untyped-def]
    """Whether a source rests from report `begin` to `end`: its power is up to `most` [W] in each quarter, and steady.

    Harvest comes and goes: a spell in which the power wanders is one of little harvest, not of rest. And what warms up
    or cools down so much that a thermal line in doubt may pass for that power may still work. Where a converter's step
    is as much, as on the flat of a cell, nothing is told.
    """
    steady, sds = REST_DOUBT * fig[POWER], STEADY_HEAT if fig[HEAT] > 0.0 else STEADY
    mean, _, _ = _mean_harvest(begin, end, t, values, flow, reading)
    a = begin
    for quarter in range(1, 5):
        b = np.searchsorted(t, t[begin] + quarter / 4 * (t[end] - t[begin]))
        power, noise, thermal = _mean_harvest(a, b, t, values, flow, reading)
        if max(noise, thermal) > most:
            return False
        if abs(power - mean) > sds * np.hypot(steady, noise) or power > most + noise:
            return False
        a = b
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def leave_some(begin, end, t, flow, fig, times):  # type: ignore[no-untyped-def]
    """Let a share of the harvest be left in a window's rest, so many `times` LEFT_PER_SLOW.

    The line of the slow branch carries that instead, as in a spell it has long come to rest. What is left fades as the
    place cools, and would pass for a leakage that falls with warmth: that line is left to its prior.
    """
    share = times * (LEFT_PER_SLOW if fig[SLOWLY] > 0 else 1.0)
    for i in range(begin + 1, end):
        flow[FLOW_SLOW, i] = -share * fig[POWER] * (t[i] - t[i - 1])
        flow[FLOW_WARM, i] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def mark_spells(begin, end, t, values, flow, fig, reading, week, quiet):  # type: ignore[no-untyped-def]
    """Mark the spells of a window in which a source without quiet hours stands still: a pump between two runs, a kiln.

    A spell lies between two turns of the stored energy that stand out of its noise, less the intervals in which it
    turns, and of heat less the time in which it cools, and warms again: the shorter, if rest shows then.
    """
    seen = week[2] > 0.0
    if not seen.any() or week[0][seen].mean() < WORKED_LEAST * fig[POWER]:
        return
    first = np.searchsorted(t, t[begin] - (COOLS_S[-1] if fig[HEAT] > 0.0 else 0.0))
    least = TURN_SDS * 1.4 * reading * values[-1, begin]
    stored = values[STORED]
    falls, top, low = True, first, first
    for i in range(first + 1, end + 1):
        ends = i == end or flow[JOINED, i] == 0.0
        if falls and (ends or stored[i] > stored[low] + least):
            _try_rests(top, low, begin, least, t, values, flow, fig, reading, week[3], quiet)
        if ends:
            falls, top, low = True, i, i
        elif falls:
            if stored[i] <= stored[low]:
                low = i
            elif stored[i] > stored[low] + least:
                falls, top = False, i
        elif stored[i] >= stored[top]:
            top = i
        elif stored[i] < stored[top] - least:
            falls, low = True, i
    if quiet.any():
        leave_some(begin, end, t, flow, fig, LEFT_BETWEEN if fig[HEAT] > 0.0 else LEFT_BY_SWITCH)


@njit(cache=True, nogil=True, error_model="numpy")
def _try_rests(top, low, begin, least, t, values, flow, fig, reading, learnt, quiet):  # type: ignore[no-untyped-def]
    """Mark the rest between the turns at reports `top` and `low`, if the energy falls by `least` [J] in it."""
    stored = values[STORED]
    for cools in COOLS_S if fig[HEAT] > 0.0 else np.zeros(1):
        for warms in WARMS_S if fig[HEAT] > 0.0 else np.zeros(1):
            a = max(np.searchsorted(t, t[top] + cools), top + 1, begin)
            b = min(np.searchsorted(t, t[low] - warms, side="right"), low) - 1
            if b - a < LEAST_POINTS or stored[a] - stored[b] <= least:
                continue
            goes_on = t[top] <= learnt[RESTED] + SAME_S
            if _take_rest(a, b, t, values, flow, fig, reading, goes_on, learnt, quiet[a - begin + 1 : b - begin + 1]):
                return


@njit(cache=True, nogil=True, error_model="numpy")
def _take_rest(a, b, t, values, flow, fig, reading, goes_on, learnt, quiet):  # type: ignore[no-untyped-def]
    """Mark the intervals from report a to b if the source rests there, as it does in the node's latest spells.

    When a plant stops, a twentieth of a large harvest goes on for days, evenly, and would pass for less load. A load
    that has fallen is believed when most of the latest spells show it; the first few tell only what to hold the next
    against. What `goes_on` from one window to the next is one spell. Returns whether it rests, as in those or not.
    """
    if not _rests(a, b, t, values, flow, fig, reading, min(REST_MOST * fig[POWER], FLOOR_LOADS * fig[LOAD])):
        return False
    power, noise, _ = _mean_harvest(a, b, t, values, flow, reading)
    share, doubt = power / fig[POWER], np.hypot(REST_DOUBT, noise / fig[POWER])
    latest = learnt[LATEST : LATEST + HELD_AGAINST]
    if not goes_on:
        learnt[SPELLS] += 1.0
    count = int(learnt[SPELLS]) - 1  # of those before it
    quiet[:] = count >= HELD_LEAST and share < median(latest[:count]) + MORE_SDS * doubt
    latest[count % HELD_AGAINST] = share
    learnt[RESTED] = t[b]
    return True

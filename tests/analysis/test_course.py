"""The course of a day: when harvest comes and wakes fall, recovered from hourly reports."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget

from analysis.course import FREE, WHOLE, Gathered
from analysis.series import Series
from analysis.storage import storage_curve

BUDGET = conveyor_budget()
CURVE = storage_curve(BUDGET.storage)
MONDAY = 1_767_571_200.0  # 5 January 2026, 00:00 UTC


def history(harvest, wakes_by_hour, days=28):
    """Hourly reports of a node with this harvest [W] by hour of the week, and these wakes in each hour of the day."""
    hours = np.arange(days * 24)
    wakes = wakes_by_hour[hours % 24]
    spent = wakes * 3.0 * 14e-3 * 0.7 / 0.85 + 3600 * 3.0 * 2.4e-6 / 0.85  # by hand: a wake, an hour asleep
    stored = 8.0 + np.concatenate([[0.0], np.cumsum(harvest[hours % 168] * 3600 - spent)])
    time = MONDAY + 3600.0 * np.arange(days * 24 + 1)
    return time, np.asarray(CURVE.voltage_at(stored)), np.concatenate([[0], np.cumsum(wakes)])


def daily_course(*nodes, offset=0.0):
    """The courses of nodes, each of a history; their reports come hour by hour."""
    time, voltage, wakes = (np.concatenate(column) for column in zip(*nodes, strict=True))
    node = np.repeat(np.arange(len(nodes)), [len(history[0]) for history in nodes])
    order, each = np.argsort(time, kind="stable"), np.ones(len(nodes))
    seen = Gathered.of([BUDGET] * len(nodes), np.ones((len(nodes), 3)), offset * each, np.nan * each)
    columns = (1000 * time).astype(np.int64), voltage, wakes.astype(np.int64), np.full(len(time), np.nan)
    for part in np.array_split(order, 3):
        seen.add(node[part], *(column[part] for column in columns))
    return seen.courses(0 * each)


def test_shift_and_busy_hours_are_recovered():
    harvest = np.zeros(168)
    harvest[[day * 24 + hour for day in range(5) for hour in range(6, 22)]] = 56e-6
    wakes = np.where((np.arange(24) >= 8) & (np.arange(24) < 16), 4, 1)
    (course,) = daily_course(history(harvest, wakes))
    # Six days a week are active by the budget, five in truth; 24 hours of 28 days outweigh what the plan is worth.
    active = (np.arange(24) >= 6) & (np.arange(24) < 22)
    np.testing.assert_allclose(course.harvest, np.where(active, 24 / 16, 0.0), atol=0.05)
    np.testing.assert_allclose(course.wakes * 3600, wakes)


def test_the_day_is_the_sites():
    harvest = np.zeros(168)
    harvest[10::24] = 60e-6
    (course,) = daily_course(history(harvest, np.ones(24, dtype=int)), offset=-5 * 3600.0)
    assert np.argmax(course.harvest) == 5  # 10:00 UTC is 05:00 five hours behind


def test_hours_at_full_say_nothing_and_are_filled():
    time, voltage, wakes = history(np.full(168, 27e-6), np.ones(24, dtype=int))
    hour = (np.arange(len(time)) % 24 >= 12) & (np.arange(len(time)) % 24 < 18)
    full = np.where(hour, 5.0, np.minimum(voltage, 4.9))
    (course,) = daily_course((time, full, wakes))
    assert np.isfinite(course.harvest).all()


@pytest.mark.parametrize("days", [0, 10])
def test_too_little_seen_is_no_course(days):
    assert daily_course(history(np.zeros(168), np.ones(24, dtype=int), days)) == [None]


def test_nodes_side_by_side_do_not_touch_each_other():
    wakes = np.where(np.arange(24) < 12, 4, 1)
    enough, too_few = history(np.full(168, 30e-6), wakes), history(np.zeros(168), wakes, days=3)
    nothing = tuple(column[:0] for column in enough)
    (alone,), found = daily_course(enough), daily_course(too_few, enough, nothing, enough)
    assert found[0] is None
    assert found[2] is None
    for course in (found[1], found[3]):
        np.testing.assert_array_equal(course.harvest, alone.harvest)
        np.testing.assert_array_equal(course.wakes, alone.wakes)


def test_reports_out_of_order_and_silences_are_noticed_and_told_anew_alike():
    time, voltage, wakes = history(np.full(168, 30e-6), np.ones(24, dtype=int))
    columns = [(1000 * time).astype(np.int64), voltage, wakes.astype(np.int64), np.full(len(time), np.nan)]
    late = np.r_[0:50, 52:90, 50:52, 90 : len(time)]
    kept = np.r_[0:50, 60 : len(time)]
    seen = Gathered.of([BUDGET] * 3, np.ones((3, 3)), np.zeros(3), np.full(3, np.nan))
    for node, rows in enumerate((np.arange(len(time)), late, kept)):
        seen.add(np.full(len(rows), node), *(column[rows] for column in columns))
    assert seen.apart.tolist() == [False, True, True]
    reports = Series(np.array([0, len(time)]), time, voltage, columns[2], columns[3], columns[3], 0 * columns[2])
    seen.again(np.array([1]), reports)
    np.testing.assert_array_equal(seen.sums[:, 1], seen.sums[:, 0])
    assert seen.sums[:, 2, WHOLE].sum() == seen.sums[:, 0, WHOLE].sum() - 11 * 3600


def test_hours_at_a_full_voltage_of_its_own_say_nothing_either():
    """Full at 4.9 of 5 V from noon to six: what came in then was what was spent, and not what there was."""
    time, _, wakes = history(np.full(168, 27e-6), np.ones(24, dtype=int))
    hour = np.arange(len(time)) % 24
    voltage = np.interp(hour, [0, 6, 12, 18, 22, 24], [4.7, 4.6, 4.9, 4.9, 4.74, 4.7])
    columns = (1000 * time).astype(np.int64), voltage, wakes.astype(np.int64), np.full(len(time), np.nan)
    free = []
    for full_from in (np.nan, 4.89):
        seen = Gathered.of([BUDGET], np.ones((1, 3)), np.zeros(1), np.array([full_from]))
        seen.add(np.zeros(len(time), dtype=np.int64), *columns)
        free.append(seen.sums[:, 0, FREE] / 3600)
    active_days = 24  # of 28: the budget's plan has Sundays off
    np.testing.assert_allclose(free[0], active_days, atol=1)
    np.testing.assert_allclose(free[1], np.where((np.arange(24) >= 12) & (np.arange(24) < 19), 0, active_days), atol=1)

"""Single days of a source that stops at any hour: read from reports, and what they do to a storage of hours."""

from dataclasses import replace

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from outlooks import budget, node, steady
from scipy.stats import norm

from analysis.course import Gathered
from analysis.depletion import forecast
from analysis.outlook import NOISE_POINTS
from analysis.series import Series
from analysis.single_days import FREE, FULL, HARVEST, hours_of, single_shapes, wanted
from analysis.storage import storage_curve

HOUR = 3600.0
MIDNIGHT = 1_767_571_200.0  # 5 January 2026, 00:00 UTC


def pump_budget(capacitance=0.2, **harvest):
    budget = conveyor_budget()
    source = budget.harvest.model_copy(update={"active_hours": None, "active_days": None} | harvest)
    storage = budget.storage.model_copy(update={"capacitance": capacitance})
    return budget.model_copy(update={"harvest": source, "storage": storage})


def test_only_where_a_storage_lasts_hours_and_not_under_the_sun():
    # 24 wakes of 34.6 mJ and 0.73 J asleep are 1.6 J a day; 10.1 J/F between 5.0 and 2.2 V.
    assert wanted(pump_budget(0.15))
    assert not wanted(pump_budget(0.5))
    assert wanted(pump_budget(0.15, active_hours=(6.0, 22.0)))
    assert not wanted(pump_budget(0.15, source="light-outdoor"))


def test_an_hours_harvest_is_that_seen_and_at_full_that_of_working_hours():
    gathered = np.zeros((2, 24, 3))
    gathered[..., FREE] = HOUR
    gathered[0, 6:18, HARVEST] = 2.0
    gathered[1, :12, FREE], gathered[1, :12, FULL] = 0.0, HOUR
    gathered[1, 20, FREE] = 0.0  # not seen
    gathered[1, 21] = 0.5, HOUR / 2, 0.0
    hours = hours_of(gathered, 1e-5)
    leak = 1e-5 * HOUR
    np.testing.assert_allclose(hours[0], np.where((np.arange(24) >= 6) & (np.arange(24) < 18), 2.0, 0.0) + leak)
    np.testing.assert_allclose(hours[1, :12], (12 * 2.0 + 1.0) / 13 + leak)
    assert np.isnan(hours[1, 20])
    assert hours[1, 21] == pytest.approx(1.0 + leak)


def test_days_begin_at_the_forecasts_hour_and_the_poorest_is_first():
    hours = np.zeros((21, 24))
    hours[:, 12] = np.arange(21.0)  # from 10 h on a day's harvest comes in its third hour
    hours[3, 0] = np.nan  # and so the day from the second's 10 h to the third's is not known
    usual = np.ones(40, dtype=bool)
    (shapes,) = single_shapes([hours], np.ones((1, 7)), usual, 10)
    assert shapes.shape == (19, 25)
    np.testing.assert_allclose(shapes[0], np.arange(25) > 12)  # of a day without harvest, at rest at both ends
    np.testing.assert_allclose(shapes[1:], np.broadcast_to(np.arange(25) >= 3, (18, 25)))
    week = np.array([[1.0, 1, 1, 1, 1, 1, 1], [1, 1, 1, 1, 1, 0.5, 0.5], *np.ones((2, 7))])
    first, *others = single_shapes([hours, hours, hours[:13], None], week, usual, 10)
    np.testing.assert_array_equal(first, shapes)
    assert [len(other) for other in others] == [0, 0, 0]


def test_a_nodes_days_are_joined_by_its_sisters():
    mine, theirs = np.ones((20, 24)), np.zeros((28, 24))
    theirs[:, 12] = 240.0  # ten times as much, and all of it at noon
    usual = np.ones(28, dtype=bool)
    several = single_shapes([mine, *[theirs] * 6], np.ones((7, 7)), usual, 0)
    assert [len(shapes) for shapes in several] == [20 + 28, *[28 + 28] * 6]
    assert (several[0][:, 12] > 0.4).sum() == 20
    alone, lent = single_shapes([mine, None], np.ones((2, 7)), usual, 0)
    assert (len(alone), len(lent)) == (20, 0)
    usual[-3:] = False  # of 20 days the last ones, which are up to today
    (alone,) = single_shapes([mine], np.ones((1, 7)), usual, 0)
    assert len(alone) == 17
    (alone,) = single_shapes([mine], np.ones((1, 7)), usual[-18:], 6)  # of two days before the ledger, and hours beside
    assert len(alone) == 14


def test_days_lent_are_of_many_sisters_and_dates():
    each = np.zeros((29, 28, 24))  # 29 nodes, 28 days: each day tells by its hours of whom and of when it is
    each[:, :, 2] = 100.0
    each[:, :, 0] = np.arange(29)[:, None]
    each[:, :, 1] = np.arange(28)
    first, *_ = single_shapes(list(each), np.ones((29, 7)), np.ones(28, dtype=bool), 0)
    at, when = (np.rint(100 * np.diff(first)[:, hour] / np.diff(first)[:, 2]) for hour in (0, 1))
    assert len(set(at)) > 12
    assert len(set(when[at > 0])) > 12
    assert (at == 0).sum() == 28


def test_reports_are_spread_over_the_hours_that_they_span():
    budget = pump_budget(0.15)
    curve = storage_curve(budget.storage)
    time = MIDNIGHT + np.array([0.0, 1.5, 3.0, 4.0]) * HOUR
    volts = np.asarray(curve.voltage_at(1.0 + np.array([0.0, 0.3, 0.3, 0.5])))
    seen = Gathered.of([budget], np.ones((1, 3)), np.array([HOUR]), np.array([np.nan]), MIDNIGHT, 2)
    zero = np.zeros(4, dtype=np.int64)
    seen.add(zero, (1000 * time).astype(np.int64), volts, zero, np.full(4, np.nan))
    _, _, by_day = seen.single
    slept = 3.0 * 2.4e-6 / 0.85 * HOUR
    first = [0.0, 0.2 + slept, 0.1 + slept, slept, 0.2 + slept]  # by the site's clock, an hour ahead
    np.testing.assert_allclose(by_day[0, 0, :5, HARVEST], first, rtol=1e-3)
    np.testing.assert_allclose(by_day[0, 0, :6, FREE], [0, HOUR, HOUR, HOUR, HOUR, 0])
    nan, zeros = np.full(4, np.nan), np.zeros(4, dtype=np.int64)
    seen.again(np.zeros(1, dtype=np.int64), Series(np.array([0, 4]), time, volts, zeros, nan, nan, zeros))
    np.testing.assert_allclose(by_day[0, 0, :5, HARVEST], first, rtol=1e-3)


def pump(random, days, off_shape, longer=1):
    """Whether a pump runs, by ten minutes: for 9 h, then it stands for 4 h, both in the mean and times `longer`."""
    running = np.empty(0, dtype=bool)
    while len(running) < days * 144:
        on, off = (int(6 * longer * random.gamma(n, mean / n)) for n, mean in ((3, 9), (off_shape, 4)))
        running = np.concatenate([running, np.ones(on, dtype=bool), np.zeros(off, dtype=bool)])
    start = random.integers(len(running) - days * 144 + 1)
    return running[start : start + days * 144]


def goes_dark(running, power, load, usable):
    """Whether a storage that is full at first is emptied; by ten minutes, powers in J/d."""
    stored = usable
    for on in running:
        stored = min(stored + (power * on - load) / 144, usable)
        if stored <= 0:
            return True
    return False


def said_of(random, usable, *law, closure=1.0, **more):
    """What is said of nodes that have each seen four weeks of such a pump: with single days, by the usual course."""
    futures = [pump(random, 30, *law) for _ in range(100)]
    power = 2.5 / np.mean([future.mean() for future in futures])
    day = np.array([future.reshape(30, 144).mean(axis=1) for future in futures]) * power / 2.5
    noise = np.quantile(day, norm.cdf(np.linspace(-4, 4, NOISE_POINTS)))
    keep = max(float(np.corrcoef(day[:, 1:].ravel(), day[:, :-1].ravel())[0, 1]), 0.0)
    seen = [power / 144 * pump(random, 28, *law).reshape(28, 24, 6).sum(axis=2) for _ in range(40)]
    usual = replace(steady(2.5, 30, noise=noise / day.mean(), noise_keep=keep, **more), closure=np.full(30, closure))
    nodes = []
    for shapes in single_shapes(seen, np.ones((40, 7)), np.ones(28, dtype=bool), 0):
        single = replace(usual, shapes=np.concatenate([usual.shapes, shapes]), single=len(shapes))
        for harvest in (single, usual):
            probe = node(harvest, budget(usable / 10.5, wakes=48), usable=usable)
            nodes.append(replace(probe, node_id=f"{len(nodes) // 2}"))
    p = forecast(nodes, paths=400).p_dark_30d
    return p[::2].mean(), p[1::2].mean()


@pytest.mark.parametrize(("usable", "law"), [(0.84, (2.0,)), (0.84, (1.0,)), (1.86, (1.0, 2))])
def test_a_storage_of_hours_goes_dark_as_often_as_its_pump_stands_for_long(usable, law):
    # 1.44 J a day against 2.5 J a day in the mean, and usable at full 14 h and 31 h; a stop lasts 4 h and 8 h.
    random = np.random.default_rng(20260)
    futures = [pump(random, 30, *law) for _ in range(1500)]
    power = 2.5 / np.mean([future.mean() for future in futures])
    came = np.mean([goes_dark(future, power, 1.44, usable) for future in futures])
    said, usually = said_of(random, usable, *law)
    assert said == pytest.approx(came, abs=0.1 if usable < 1 else 0.17)  # stops over a day are told too short
    assert came - usually > 0.35  # the usual course, in which the pump always runs a little, knows no stop


def test_a_closure_that_takes_little_leaves_the_stops_as_they_are():
    open_, mild, kept = (said_of(np.random.default_rng(7), 0.84, 2.0, **of)[0]
                         for of in ({}, {"closure": 0.99}, {"closure": 0.5, "kept": 1.0}))  # fmt: skip
    assert mild == pytest.approx(open_, abs=0.03)
    assert kept == pytest.approx(open_, abs=0.01)

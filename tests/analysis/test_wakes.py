import numpy as np
import pytest

from analysis.wakes import idle_days, wake_plan

TODAY = np.datetime64("2025-03-31")  # a Monday


def days(n: int) -> np.ndarray:
    return TODAY - np.timedelta64(n, "D") + np.arange(n)


def test_steady_node_goes_on_as_counted() -> None:
    plan = wake_plan(days(60), np.full(60, 96), np.full(60, 86400.0), TODAY, budget=96)
    assert plan.wakes_per_day == pytest.approx(96.0)
    np.testing.assert_allclose(plan.wake_hours, 1.0, atol=1e-6)
    assert plan.rate_noise < 0.01
    assert plan.rate_sd == pytest.approx(0.01, abs=0.005)


def test_new_node_goes_by_the_budget() -> None:
    plan = wake_plan(days(1), [500], [86400.0], TODAY, budget=100)
    assert plan.wakes_per_day == pytest.approx((500 + 3 * 100) / 4)
    assert wake_plan(days(0), [], [], TODAY, budget=100).wakes_per_day == 100


def test_days_seen_in_part_count_by_their_rate_and_scraps_not_at_all() -> None:
    seen = np.full(28, 86400.0)
    wakes = np.full(28, 100.0)
    seen[3], wakes[3] = 50_000.0, 100 * 50_000 / 86400
    seen[4], wakes[4] = 600.0, 50.0
    assert wake_plan(days(28), wakes, seen, TODAY, budget=100).wakes_per_day == pytest.approx(100.0)


def test_weekdays_are_learned_and_begin_with_today() -> None:
    rng = np.random.default_rng(1)
    number = np.arange(28) % 7  # begins on a Monday
    wakes = np.where(number >= 5, 20.0, 100.0) * rng.normal(1, 0.02, 28)
    week = wake_plan(days(28), wakes, np.full(28, 86400.0), TODAY, budget=77).wake_hours[:, 0]
    np.testing.assert_allclose(week[:5], 100 / 77.1, rtol=0.05)
    np.testing.assert_allclose(week[5:], 20 / 77.1, rtol=0.15)


def test_a_day_ahead_that_begins_in_the_afternoon_is_of_two_weekdays() -> None:
    wakes = np.where(np.arange(28) % 7 == 6, 0.0, 70.0)  # idle on Sundays, awake from 6 to 18 h
    by_hour = np.where((np.arange(24) >= 6) & (np.arange(24) < 18), 1.0, 0.0)
    plan = wake_plan(days(28), wakes, np.full(28, 86400.0), TODAY, 60, by_hour, hour=15)
    # Three of the twelve hours are left on the first day, nine follow on the next.
    np.testing.assert_allclose(plan.wake_hours.mean(axis=1), np.array([12, 12, 12, 12, 12, 3, 9]) * 7 / 72, atol=1e-3)
    saturday, sunday = plan.wake_hours[5], plan.wake_hours[6]
    np.testing.assert_allclose(saturday, np.where(np.arange(24) < 3, 7 / 3, 0.0), atol=1e-3)
    np.testing.assert_allclose(sunday, np.where(np.arange(24) < 15, 0.0, 7 / 3), atol=1e-3)
    morning = wake_plan(days(28), wakes, np.full(28, 86400.0), TODAY, 60, by_hour, hour=6)
    np.testing.assert_allclose(morning.wake_hours.mean(axis=1), np.array([12] * 6 + [0]) * 7 / 72, atol=1e-3)


def test_a_step_of_the_rate_is_followed_within_days() -> None:
    rng = np.random.default_rng(3)
    weekday = np.array([1.0, 1.2, 1.1, 1.0, 1.1, 0.4, 0.2])[(days(60).astype(np.int64) + 3) % 7]
    level = np.where(np.arange(60) < 53, 1.0, 1.9)
    wakes = 100 * level * weekday * rng.normal(1, 0.05, 60)
    plan = wake_plan(days(60), wakes, np.full(60, 86400.0), TODAY, 100)
    usual = 100 * weekday[:7].mean()
    assert plan.wakes_per_day == pytest.approx(usual * (7 * 1.9 + 3 * 1.0) / 10, rel=0.05)  # held towards the old rate
    np.testing.assert_allclose(plan.wake_hours[:, 0], weekday[4:11] / weekday[:7].mean(), rtol=0.15)
    assert plan.rate_noise < 0.1  # the step is no scatter
    before = wake_plan(days(60)[:53], wakes[:53], np.full(53, 86400.0), TODAY - np.timedelta64(7, "D"), 100)
    assert before.wakes_per_day == pytest.approx(usual, rel=0.05)


def test_work_that_wanders_and_a_stop_are_no_steps() -> None:
    rng = np.random.default_rng(4)
    rate = np.exp(np.repeat(rng.normal(0, 0.15, 10), 7)[:60]) * 100 * rng.normal(1, 0.1, 60)
    seen = np.full(60, 86400.0)
    plan = wake_plan(days(60), rate, seen, TODAY, 100)
    assert plan.wakes_per_day == pytest.approx((rate[-28:].sum() + 300) / 31)
    idle = np.arange(60) >= 55
    stopped = np.where(idle, 20.0, rate)
    plan = wake_plan(days(60), stopped, seen, TODAY, 100, idle=idle)
    assert plan.wakes_per_day == pytest.approx((stopped[-28:].sum() + 300) / 31)


def test_wakes_that_go_with_the_harvest_are_told_from_scatter() -> None:
    rng = np.random.default_rng(5)
    z, own = rng.normal(size=(2, 56))
    full = np.full(56, 86400.0)
    plan = wake_plan(days(56), 100 * (1 + 0.12 * z + 0.05 * own), full, TODAY, 100, deviate=z)
    assert plan.rate_follows == pytest.approx(0.12 * 56 / 66, rel=0.15)  # held towards none as by ten days
    assert plan.rate_noise == pytest.approx(0.05, rel=0.4)
    hidden = np.where(np.arange(56) % 8 == 0, z, np.nan)  # known on seven days only
    assert wake_plan(days(56), 100 * (1 + 0.12 * z), full, TODAY, 100, deviate=hidden).rate_follows == 0.0
    assert wake_plan(days(56), 100 * (1 - 0.12 * z), full, TODAY, 100, deviate=z).rate_follows == 0.0


def test_scatter_counts_what_follows_from_day_to_day() -> None:
    rng = np.random.default_rng(8)
    spreads = []
    for keep in (0.0, 0.6):
        found = []
        for _ in range(60):
            z = np.zeros(28)
            z[0] = rng.normal()
            for day in range(1, 28):
                z[day] = keep * z[day - 1] + np.sqrt(1 - keep**2) * rng.normal()
            found.append(wake_plan(days(28), 100 * (1 + 0.1 * z), np.full(28, 86400.0), TODAY, 100).rate_noise)
        spreads.append(np.median(found))
    # The same spread of a day; correlated days add up to twice as much (0.1 and 0.2), of which 28 days show a part.
    assert spreads[0] == pytest.approx(0.1, abs=0.025)
    assert spreads[1] > 1.25 * spreads[0]


def test_hours_begin_with_the_forecasts() -> None:
    by_hour = np.zeros(24)
    by_hour[8:20] = 5.0
    plan = wake_plan(days(28), np.full(28, 60), np.full(28, 86400.0), TODAY, 60, by_hour, hour=8)
    assert plan.wake_hours.tolist() == [[2.0] * 12 + [0.0] * 12] * 7
    np.testing.assert_array_equal(wake_plan(days(3), [1, 1, 1], [86400.0] * 3, TODAY, 60).wake_hours, 1.0)


def test_a_closed_day_tells_how_wakes_follow_the_work_and_nothing_of_the_usual_rate() -> None:
    opened, wakes = np.ones(60), np.full(60, 100.0)
    opened[40:48], wakes[40:48] = 0.1, 10.0
    plan = wake_plan(days(60), wakes, np.full(60, 86400.0), TODAY, 100, opened=opened)
    assert plan.wakes_per_day == pytest.approx(100.0)
    held = (0.1**2 / 8) / (0.4**2 + 0.2**2 + 0.1**2 / 8)  # eight days that may scatter by a tenth, towards one
    assert plan.closed == pytest.approx(0.1 + held * 0.9)
    assert plan.closed_days == 8
    assert wake_plan(days(60), wakes, np.full(60, 86400.0), TODAY, 100).closed == np.inf  # no closure is known of


def test_a_node_that_wakes_by_the_clock_wakes_on_closed_days_too() -> None:
    opened = np.where(np.arange(60) < 10, 0.0, 1.0)
    plan = wake_plan(days(60), np.linspace(60, 120, 60), np.full(60, 86400.0), TODAY, 96, opened=opened)
    assert plan.closed == np.inf  # its work grows, but not with what is open


def test_before_the_first_closure_idle_days_tell_how_far_wakes_follow() -> None:
    weekday = (days(60).astype(np.int64) + 3) % 7
    seen = np.full(60, 86400.0)
    idle = idle_days(np.where(weekday == 6, 0.01, 1.0), seen, np.ones(60), np.array([0, 60]))
    np.testing.assert_array_equal(idle, weekday == 6)
    wakes = np.where(weekday == 6, 20.0, 100.0)
    plan = wake_plan(days(60), wakes, seen, TODAY, 90, idle=idle)
    assert plan.closed == pytest.approx(20 / (620 / 7), rel=0.06)  # eight Sundays, held towards one
    few = wake_plan(days(60)[-14:], wakes[-14:], seen[-14:], TODAY, 90, idle=idle[-14:])
    assert few.closed > plan.closed + 0.01  # two Sundays
    opened = np.where((np.arange(60) >= 40) & (np.arange(60) < 48), 0.0, 1.0)
    told = wake_plan(days(60), np.where(opened < 1, 5.0, wakes), seen, TODAY, 90, opened=opened, idle=idle)
    assert told.closed < 0.6 * plan.closed  # closed days say more
    assert wake_plan(days(60), np.full(60, 100.0), seen, TODAY, 90, idle=idle).closed == np.inf

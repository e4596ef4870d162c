import numpy as np
import pytest
from test_harvest import budget

from analysis.site_days import Closure, SiteDays, active_hours, ahead, day_shapes, hour_profile, steps_ahead


def test_sky_has_mean_one_over_the_year_and_sleeps_at_night() -> None:
    site = SiteDays(45.0, 8.0, 1.0, np.datetime64("2025-01-01"), 365)
    assert site.sky.mean() == pytest.approx(1.0)
    assert (site.sky[:, [0, 1, 2, 23]] == 0).all()
    noon = site.sky[172].argmax()
    assert noon in (12, 13)  # 8 degrees east on the clock of 15: solar noon about 12:28
    assert site.sky[172].sum() > 3 * site.sky[355].sum()


def test_weekday_counts_from_monday() -> None:
    site = SiteDays(0.0, 0.0, 0.0, np.datetime64("2026-11-25"), 5)  # a Wednesday
    assert site.weekday.tolist() == [2, 3, 4, 5, 6]


def test_christmas_and_new_year_are_like_sundays() -> None:
    site = SiteDays(0.0, 0.0, 0.0, np.datetime64("2025-12-22"), 12)  # a Monday
    assert site.weekday.tolist() == [0, 1, 2, 6, 6, 5, 6, 0, 1, 2, 6, 4]


def test_a_holiday_in_a_closure_loses_what_the_closure_takes_and_no_more() -> None:
    first, day = np.datetime64("2025-12-22"), np.timedelta64(1, "D")
    half = Closure(first + day, first + 8 * day, 0.5)  # the 23rd to the 29th
    site = SiteDays(0.0, 0.0, 0.0, first, 12, (half,))
    assert site.weekday.tolist() == [0, 1, 2, 3, 4, 5, 6, 0, 1, 2, 6, 4]


def test_a_plant_can_say_that_it_works_on_a_holiday() -> None:
    first, day = np.datetime64("2025-12-22"), np.timedelta64(1, "D")
    works = Closure(first + 3 * day, first + 5 * day, 1.0)
    site = SiteDays(0.0, 0.0, 0.0, first, 12, (works,))
    assert site.weekday.tolist() == [0, 1, 2, 3, 4, 5, 6, 0, 1, 2, 6, 4]
    assert site.closed.min() == 1.0


def test_closures_multiply_hour_by_hour() -> None:
    first = np.datetime64("2025-01-01")
    hour = np.timedelta64(1, "h")
    stop = Closure(first + 10 * hour, first + 30 * hour, 0.2)
    other = Closure(first + 29 * hour, first + 31 * hour, 0.5)
    closed = SiteDays(0.0, 0.0, 0.0, first, 2, (stop, other)).closed.ravel()
    assert closed[[9, 10, 28, 29, 30, 31]].tolist() == pytest.approx([1.0, 0.2, 0.2, 0.1, 0.5, 1.0])
    half = Closure(first.astype("datetime64[m]") + 30, first.astype("datetime64[m]") + 60, 0.0)
    assert SiteDays(0.0, 0.0, 0.0, first, 1, (half,)).closed[0, 0] == pytest.approx(0.5)


def test_active_hours_may_cross_midnight() -> None:
    night = budget().harvest.model_copy(update={"active_hours": (22.0, 6.5)})
    hours = active_hours(night)
    assert hours[[21, 22, 23, 0, 5, 6, 7]].tolist() == [0, 1, 1, 1, 1, 0.5, 0]


def test_profile_of_a_late_shift_is_learned() -> None:
    seen = np.full(24, 40 * 3600.0)  # forty hours of each hour
    power = np.where((np.arange(24) >= 7) & (np.arange(24) < 23), 50e-6, 0.0)
    course = hour_profile(budget().harvest, power * seen, seen)
    assert course.mean() == pytest.approx(1.0)
    assert course[22] == pytest.approx(1.5, abs=0.25)
    assert course[6] < 0.3
    unseen = hour_profile(budget().harvest, np.zeros(24), np.zeros(24))
    assert unseen[6] == pytest.approx(1.5)
    assert unseen[23] == 0


def test_day_shapes_sum_to_one() -> None:
    site = SiteDays(60.0, 10.0, 1.0, np.datetime64("2025-01-01"), 365)
    for source in ("vibration", "light-outdoor"):
        shapes = day_shapes(budget(source).harvest, site)
        np.testing.assert_allclose(shapes.sum(axis=1), 1.0)


def test_the_morning_of_a_public_holiday_does_not_help_the_afternoon_before() -> None:
    """25 December 2025 is a Thursday; from noon to noon, what its Wednesday brings has come by midnight."""
    first, noon = np.datetime64("2025-12-01"), 12
    site = SiteDays(50.0, 8.0, 1.0, first, 400)
    week, shapes = np.array([1.4, 1.4, 1.4, 1.4, 1.4, 0.0, 0.0]), np.full((400, 24), 1 / 24)
    coming = ahead(np.ones(400), week, shapes, steps_ahead(site, first, noon, 40))
    assert coming.week[[22, 23, 24]].tolist() == pytest.approx([1.4, 0.7, 0.0])
    eve, usual = (coming.shapes[coming.shape_of[step]] for step in (23, 16))
    assert (eve[12], usual[12]) == (pytest.approx(1.0), pytest.approx(0.5))


def test_day_in_which_a_closure_ends_has_a_course_of_its_own() -> None:
    first, noon = np.datetime64("2026-11-23"), 12
    stop = Closure(first, first + np.timedelta64(48, "h"), 0.0)  # until the midnight after the second day
    site = SiteDays(50.0, 8.0, 1.0, first, 400, (stop,))
    shapes = np.full((400, 24), 1 / 24)
    coming = ahead(np.ones(400), np.ones(7), shapes, steps_ahead(site, first, noon, 8))
    assert coming.closure[:3].tolist() == pytest.approx([0.0, 0.5, 1.0])
    ending, open_day = coming.shapes[coming.shape_of[1]], coming.shapes[coming.shape_of[3]]
    assert ending[12] == pytest.approx(0.0, abs=1e-9)  # nothing from noon to midnight
    assert ending[18] == pytest.approx(0.5)
    assert open_day[12] == pytest.approx(0.5)

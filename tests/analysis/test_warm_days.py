import numpy as np
import pytest
from outlooks import budget, node, steady

from analysis.depletion import forecast
from analysis.run_recent import RECENT_DAYS
from analysis.warm_days import Course, air_of, courses_of, usual_season

TODAY = np.datetime64("2025-03-31")
NONE = np.full(200, np.nan)


def days(n: int) -> np.ndarray:
    return TODAY - np.timedelta64(n, "D") + np.arange(n)


def course_of(day, temp_c, rest, latitude: float, source: str) -> Course:
    """Of a place after another that is always cold."""
    n, air = len(day), air_of(latitude, np.append(day, TODAY))
    recent = day > TODAY - np.timedelta64(RECENT_DAYS, "D")
    both, rests, late = (np.append(x, x) for x in (air[:n], rest, recent))
    found = courses_of(
        both,
        np.append(np.full(n, -20.0), temp_c),
        rests,
        late,
        np.array([0, n, 2 * n]),
        np.full(2, usual_season(source)),
        air[n],
    )
    return Course(*(float(column[1]) for column in found))


def test_a_place_that_cools_while_its_plant_rests_leaks_less_then() -> None:
    # By hand: 14 K cooler is 2 ** -1.4 of the leakage where ten kelvin double it (common practice, no source).
    rng = np.random.default_rng(2)
    rest = np.where((np.arange(200) >= 60) & (np.arange(200) < 69), 1.0, 0.0)
    course = course_of(days(200), 48 - 14 * rest + rng.normal(0, 0.5, 200), rest, 41.6, "thermal")
    assert course.rest == pytest.approx(-14, abs=1.5)
    coming = TODAY + np.arange(10)
    closed = np.where(np.arange(10) >= 5, 1.0, 0.0)
    told = course.leakage(air_of(41.6, coming), closed)
    np.testing.assert_allclose(told[:5], 1.0, atol=0.06)
    np.testing.assert_allclose(told[5:], 2**-1.4, rtol=0.12)


def test_without_a_thermometer_the_air_goes_its_usual_way_outdoors_and_nothing_is_said_of_rest() -> None:
    course = course_of(days(200), NONE, np.zeros(200), 50.0, "light-outdoor")
    july = np.array([np.datetime64("2025-07-15")])
    warmer = air_of(50.0, july) - air_of(50.0, days(27)).mean()
    assert course.leakage(air_of(50.0, july), np.ones(1)) == pytest.approx(2 ** (warmer / 10))
    indoors = course_of(days(200), NONE, np.zeros(200), 50.0, "vibration")
    assert abs(np.log2(indoors.leakage(air_of(50.0, july), np.ones(1))[0])) < 0.2
    new = course_of(days(0), NONE[:0], NONE[:0], -35.0, "light-outdoor")
    assert new.leakage(air_of(-35.0, july), np.zeros(1))[0] < 0.7  # winter in the south


def test_a_warm_day_by_chance_is_not_expected_again() -> None:
    warm = np.full(200, 20.0)
    warm[-3:] = 35.0
    course = course_of(days(200), warm, np.zeros(200), 50.0, "vibration")
    np.testing.assert_allclose(course.leakage(air_of(50.0, days(3)), np.zeros(3)), 1.0, atol=0.1)


def test_a_storage_that_leaks_less_while_it_rests_outlasts_the_closure() -> None:
    # 8 J and nothing coming in: 1 J a day of leakage at 4 uA and 3 V or so, a tenth of it once it has cooled.
    of = budget(capacitance=3.0, leakage=4.0, wakes=0.001)
    hot, cool = (
        forecast([node(steady(0.0), of, 8.0, leakage_days=np.full(365, factor))], paths=50) for factor in (1.0, 0.1)
    )
    assert cool.days_p50[0] == pytest.approx(10 * hot.days_p50[0], rel=0.05)

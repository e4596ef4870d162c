from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import plain_predictors as plain
import pvlib
import pytest
from irradiance_years import YEARS

from analysis import baselines

DOY = np.arange(1, 366)
PREDICTORS: list[Callable[[npt.ArrayLike], npt.NDArray[np.float64]]] = [
    plain.persistence,
    plain.ewma,
    partial(plain.each_slot, predict=baselines.wcma),
    partial(plain.each_slot, predict=baselines.pro_energy),
]


@pytest.mark.parametrize(("name", "file"), [("greensboro", "723170TYA.CSV"), ("sand_point", "703165TY.csv")])
def test_irradiance_years_are_those_that_pvlib_ships(name: str, file: str) -> None:
    shipped = pd.read_csv(Path(pvlib.__file__).parent / "data" / file, skiprows=1, encoding="latin1", low_memory=False)
    np.testing.assert_array_equal(YEARS[name].hourly.ravel(), shipped["GHI (W/m^2)"])


def test_ewma_by_hand() -> None:
    # Closed form: weight 0.5, old mean 10, new 20 -> 15.
    assert plain.ewma([[10.0], [20.0], [99.0]])[2, 0] == 15.0


def test_wcma_by_hand() -> None:
    # Closed form: M = [2, 4, 6], today [1, 4], K 2, a 0.5: v = [.5, 1], p = [.5, 1], GAP = 0.83333, prediction 4.5.
    past = [2.0, 4.0, 6.0, 1.0, 4.0]
    one, two, three = baselines.wcma(past, 3, 3, persist=0.5, look_back=2)
    assert one == pytest.approx(4.5)
    # Our extension, by hand: M of the next slots came last as 1, then as 4; GAP is (0.5 * 1 + 1) / 1.5 = 1, then 1.
    assert two == pytest.approx(0.5 * 4.5 + 0.5 * 1)
    assert three == pytest.approx(0.5 * two + 0.5 * 4)


def test_wcma_compares_no_night() -> None:
    # The slot before the last has always been nothing: only the last is compared, 3 of 4. 0.5 * 3 + 0.5 * 0.75 * 6.
    past = [0.0, 4.0, 6.0, 0.0, 3.0]
    assert baselines.wcma(past, 3, persist=0.5, look_back=2)[0] == pytest.approx(3.75)
    # A slot of hardly anything tells as little, if asked so.
    past[0], past[3] = 0.1, 0.4
    assert baselines.wcma(past, 3, persist=0.5, look_back=2, night=0.1)[0] == pytest.approx(3.75)


def test_pro_energy_by_hand() -> None:
    # Three past days; today so far 3, 4 is nearest to the second day, whose third slot is 8: 0.5 * 4 + 0.5 * 8 = 6.
    past = [0.0, 0.0, 1.0, 3.0, 5.0, 8.0, 9.0, 7.0, 9.0, 3.0, 4.0]
    assert baselines.pro_energy(past, 3, look_back=2)[0] == pytest.approx(6.0)
    # Weights of the last slot 1/2 and 1/4, then none: 6, 0.25 * 4 + 0.75 * 9, and the next two of the like days.
    ahead = baselines.pro_energy(past, 3, 5, look_back=2, fades=2)
    np.testing.assert_allclose(ahead, [6.0, 7.75, 7.0, 8.0, 9.0])


def test_predictors_need_a_cycle() -> None:
    for predict in (baselines.wcma, baselines.pro_energy):
        with pytest.raises(ValueError, match="a cycle and 3 slots, 10, got 9"):
            predict(np.ones(9), 7)


# Computed independently of this project on the same traces: MAPE and MAPD in percent; default parameters.
FIGURES = {
    "greensboro": [(39.0, 28.3), (40.7, 29.2), (30.6, 22.3), (27.9, 20.5)],
    "sand_point": [(37.4, 31.2), (53.6, 46.4), (31.9, 26.8), (31.0, 26.8)],
    "burlington": [(36.7, 27.0), (54.8, 39.6), (28.7, 21.2), (27.6, 20.5)],
    "piedmont": [(37.9, 25.8), (33.9, 22.8), (34.4, 22.5), (26.5, 17.4)],
}


@pytest.mark.parametrize("name", FIGURES)
def test_slot_predictors_reach_the_figures_found_independently(name: str) -> None:
    trace = YEARS[name].hourly
    found = [100 * np.array(plain.slot_errors(trace, predict(trace))) for predict in PREDICTORS]
    np.testing.assert_allclose(found, FIGURES[name], atol=0.15)  # one decimal, and Pro-Energy's choice among near ties


# Computed independently: mean of next 7 d and next 30 d, from the last 30 days' mean and from clearness; percent.
MEANS = {
    "greensboro": (14.3, 11.7, 16.4, 7.1),
    "sand_point": (26.7, 21.4, 30.6, 15.2),
    "burlington": (20.9, 17.2, 24.0, 12.8),
    "piedmont": (17.1, 12.9, 23.7, 12.6),
}


@pytest.mark.parametrize("name", MEANS)
def test_multi_day_baselines_reach_the_figures_found_independently(name: str) -> None:
    daily, latitude = YEARS[name].daily, YEARS[name].latitude
    found = []
    for ahead in (7, 30):
        found.append(plain.mean_errors(daily, plain.mean_of_last(daily), ahead))
        found.append(plain.mean_errors(daily, plain.clearness_forecast(daily, latitude, DOY, ahead), ahead))
    # One decimal, and the independent computation's window edges are not known to the day.
    np.testing.assert_allclose(100 * np.array(found), MEANS[name], atol=0.35)


@pytest.mark.parametrize("predict", PREDICTORS)
def test_slot_predictors_do_not_look_ahead(predict: Callable[[npt.ArrayLike], npt.NDArray[np.float64]]) -> None:
    trace = YEARS["burlington"].hourly[:60]
    changed = trace.copy()
    changed.ravel()[40 * 24 + 11 :] = 777.0
    before = slice(0, 40 * 24 + 12)  # the changed slot itself is still predicted from the past
    np.testing.assert_array_equal(predict(trace).ravel()[before], predict(changed).ravel()[before])


def test_clearness_forecast_does_not_look_ahead() -> None:
    daily = YEARS["burlington"].daily
    whole = plain.clearness_forecast(daily, 44.465, DOY, 7)
    changed = np.concatenate([daily[:100], np.zeros(265)])
    np.testing.assert_array_equal(plain.clearness_forecast(changed, 44.465, DOY, 7)[:101], whole[:101])


def test_slope_reaches_the_cutoff_where_the_line_does() -> None:
    assert baselines.slope_to_empty([0, 1, 2], [3.0, 2.9, np.nan], 2.4) == pytest.approx(4.0)
    assert baselines.slope_to_empty([0, 1, 2], [2.8, 2.9, 3.0], 2.4) == np.inf
    assert baselines.slope_to_empty([0], [3.0], 2.4) == np.inf
    assert baselines.slope_to_empty([0, 1], [2.5, 2.3], 2.4) == 0.0


def test_days_to_empty_keep_the_weekday_and_both_bounds() -> None:
    # Seven days, one each: nothing on the last two. Now is after the last, so the five working days come first.
    history = np.tile([10.0, 10.0, 10.0, 10.0, 10.0, 0.0, 0.0], 4)
    draws = baselines.weekday_draws(history, 60, 5, np.random.default_rng(1))
    # Day 5 ends full at 12; the weekend takes 13: gone on day 7 in every draw.
    assert baselines.days_to_empty(draws, 8.0, 12.0, 6.5).tolist() == [7.0] * 5
    assert np.isinf(baselines.days_to_empty(draws, 8.0, 14.0, 6.5)).all()
    # The week is all that these have seen, and the last three days were as always: it goes on.
    for predict in (partial(baselines.wcma, persist=0.0), partial(baselines.pro_energy, persist=0.0)):
        assert baselines.days_to_empty(predict(history, 7, 60), 8.0, 12.0, 6.5) == 7.0
    with pytest.raises(ValueError, match="at least 7 days"):
        baselines.weekday_draws(history[:6], 60, 5, np.random.default_rng(1))


def test_days_to_empty_by_the_mean_of_past_days() -> None:
    # By hand: 30 J usable and 1.5 J lost a day, one day not seen.
    assert baselines.mean_to_empty([-1.0, np.nan, -2.0], 30.0) == pytest.approx(20.0)
    assert baselines.mean_to_empty([1.0, -0.5], 30.0) == np.inf
    assert baselines.mean_to_empty([np.nan], 30.0) == np.inf

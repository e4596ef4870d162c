from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib
import pytest
from irradiance_years import YEARS

from analysis import baselines

DOY = np.arange(1, 366)
PREDICTORS = [
    baselines.persistence,
    baselines.same_slot_yesterday,
    baselines.ewma,
    baselines.wcma,
    baselines.pro_energy,
]


@pytest.mark.parametrize(("name", "file"), [("greensboro", "723170TYA.CSV"), ("sand_point", "703165TY.csv")])
def test_irradiance_years_are_those_that_pvlib_ships(name: str, file: str) -> None:
    shipped = pd.read_csv(Path(pvlib.__file__).parent / "data" / file, skiprows=1, encoding="latin1", low_memory=False)
    np.testing.assert_array_equal(YEARS[name].hourly.ravel(), shipped["GHI (W/m^2)"])


def test_ewma_by_hand() -> None:
    # Closed form: weight 0.5, old mean 10, new 20 -> 15.
    assert baselines.ewma([[10.0], [20.0], [99.0]])[2, 0] == 15.0


def test_wcma_by_hand() -> None:
    # Closed form: M = [2, 4, 6], today [1, 4], K 2, a 0.5: v = [.5, 1], p = [.5, 1], GAP = 0.83333, prediction 4.5.
    trace = [[2.0, 4.0, 6.0], [1.0, 4.0, 99.0]]
    assert baselines.wcma(trace, persist=0.5, look_back=2)[1, 2] == pytest.approx(4.5)


def test_pro_energy_by_hand() -> None:
    # Three past days; today so far 3, 4 is nearest to the second day, whose third slot is 8: 0.5 * 4 + 0.5 * 8 = 6.
    trace = [[0.0, 0.0, 1.0], [3.0, 5.0, 8.0], [9.0, 9.0, 9.0], [3.0, 4.0, 99.0]]
    assert baselines.pro_energy(trace, look_back=2)[3, 2] == pytest.approx(6.0)
    # Mix of two: errors 0.5 and 3.5 -> weights 7/8 and 1/8 on 8 and 1.
    assert baselines.pro_energy(trace, look_back=2, mixed=2)[3, 2] == pytest.approx(2 + 0.5 * (7 * 8 + 1) / 8)


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
    methods = (baselines.persistence, baselines.ewma, baselines.wcma, baselines.pro_energy)
    found = [100 * np.array(baselines.slot_errors(trace, method(trace))) for method in methods]
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
        found.append(baselines.mean_errors(daily, baselines.mean_of_last(daily), ahead))
        found.append(baselines.mean_errors(daily, baselines.clearness_forecast(daily, latitude, DOY, ahead), ahead))
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
    whole = baselines.clearness_forecast(daily, 44.465, DOY, 7)
    changed = np.concatenate([daily[:100], np.zeros(265)])
    np.testing.assert_array_equal(baselines.clearness_forecast(changed, 44.465, DOY, 7)[:101], whole[:101])


def test_slope_reaches_the_cutoff_where_the_line_does() -> None:
    assert baselines.slope_to_empty([0, 1, 2], [3.0, 2.9, np.nan], 2.4) == pytest.approx(4.0)
    assert baselines.slope_to_empty([0, 1, 2], [2.8, 2.9, 3.0], 2.4) == np.inf
    assert baselines.slope_to_empty([0], [3.0], 2.4) == np.inf
    assert baselines.slope_to_empty([0, 1], [2.5, 2.3], 2.4) == 0.0


def test_weekday_draws_keep_the_weekday_and_both_bounds() -> None:
    # Seven days, one each: nothing on the last two. Now is after the last, so the five working days come first.
    history = np.tile([10.0, 10.0, 10.0, 10.0, 10.0, 0.0, 0.0], 4)
    draws = baselines.weekday_draws(history, 8.0, 12.0, 6.5, 60, 5, np.random.default_rng(1))
    # Day 5 ends full at 12; the weekend takes 13: gone on day 7 in every draw.
    assert draws.tolist() == [7.0] * 5
    survives = baselines.weekday_draws(history, 8.0, 14.0, 6.5, 60, 5, np.random.default_rng(1))
    assert np.isinf(survives).all()
    with pytest.raises(ValueError, match="at least 7 days"):
        baselines.weekday_draws(history[:6], 8.0, 12.0, 6.5, 60, 5, np.random.default_rng(1))


def test_days_to_empty_by_the_mean_of_past_days() -> None:
    # By hand: 30 J usable and 1.5 J lost a day, one day not seen.
    assert baselines.mean_to_empty([-1.0, np.nan, -2.0], 30.0) == pytest.approx(20.0)
    assert baselines.mean_to_empty([1.0, -0.5], 30.0) == np.inf
    assert baselines.mean_to_empty([np.nan], 30.0) == np.inf

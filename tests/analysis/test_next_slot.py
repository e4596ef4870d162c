import numpy as np
import numpy.typing as npt
import plain_predictors
import pytest
from irradiance_years import YEARS, Year

from analysis import baselines
from analysis.next_slot import predict_next_slot
from analysis.sun import clear_sky_hours


def clear_sky(year: Year) -> npt.NDArray[np.float64]:
    return clear_sky_hours(year.latitude, year.longitude, np.datetime64("2021-01-01"), 365, year.utc_offset)


@pytest.mark.parametrize("name", YEARS)
def test_next_hour_is_better_than_pro_energy_and_wcma(name: str) -> None:
    year = YEARS[name]
    found = plain_predictors.slot_errors(year.hourly, predict_next_slot(year.hourly, clear_sky(year)))
    for method in (baselines.pro_energy, baselines.wcma):
        published = plain_predictors.slot_errors(year.hourly, plain_predictors.each_slot(year.hourly, method))
        assert found.mapd < 0.85 * published.mapd
        assert found.mape < 0.85 * published.mape


def test_next_hour_needs_no_sky_to_beat_pro_energy() -> None:
    year = YEARS["burlington"]
    usual = np.cumsum(year.hourly, axis=0) - year.hourly + 1.0  # of the days before; any scale will do
    usual /= np.arange(365)[:, None] + 1
    found = plain_predictors.slot_errors(year.hourly, predict_next_slot(year.hourly, usual))
    published = plain_predictors.each_slot(year.hourly, baselines.pro_energy)
    assert found.mapd < 0.9 * plain_predictors.slot_errors(year.hourly, published).mapd


def test_next_hour_does_not_look_ahead() -> None:
    year = YEARS["greensboro"]
    sky, trace = clear_sky(year)[:90], year.hourly[:90]
    changed = trace.copy()
    changed.ravel()[70 * 24 + 11 :] = 500.0
    before = slice(0, 70 * 24 + 12)
    found, again = predict_next_slot(trace, sky), predict_next_slot(changed, sky)
    np.testing.assert_array_equal(found.ravel()[before], again.ravel()[before])
    assert (found.ravel()[70 * 24 + 12 :] != again.ravel()[70 * 24 + 12 :]).any()


def test_next_hour_finds_a_shaded_morning() -> None:
    year = YEARS["piedmont"]
    sky = clear_sky(year)
    shaded = year.hourly * np.where(np.arange(24) < 10, 0.2, 1.0)
    found = plain_predictors.slot_errors(shaded, predict_next_slot(shaded, sky))
    blind = plain_predictors.slot_errors(shaded, predict_next_slot(shaded, sky, hold=1e9))
    assert found.mapd < blind.mapd


def test_shapes_must_agree() -> None:
    with pytest.raises(ValueError, match=r"same shape \(days, slots\), got \(2, 24\) and \(2, 12\)"):
        predict_next_slot(np.ones((2, 24)), np.ones((2, 12)))

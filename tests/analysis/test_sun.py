import numpy as np
import pandas as pd
import plain_predictors as plain
import pvlib
import pytest

from analysis.sun import clear_sky_hours


@pytest.mark.parametrize("latitude", [-33.0, 0.0, 36.1, 55.3, 78.0])
def test_extraterrestrial_irradiation_is_pvlibs_integrated_over_the_day(latitude: float) -> None:
    for day in (1, 80, 172, 266, 355):
        angle = np.radians(np.linspace(-180, 180, 2881))
        cosine = np.cos(
            pvlib.solarposition.solar_zenith_analytical(
                np.radians(latitude), angle, pvlib.solarposition.declination_spencer71(day)
            )
        )
        normal = pvlib.irradiance.get_extra_radiation(day, solar_constant=plain.SOLAR_CONSTANT, method="spencer")
        expected = np.trapezoid(np.maximum(cosine, 0) * normal, angle) / (2 * np.pi) * 86400
        assert plain.extraterrestrial_irradiation(latitude, day) == pytest.approx(expected, rel=2e-3, abs=2e3)


def test_no_light_in_the_polar_night() -> None:
    assert (clear_sky_hours(75.0, 20.0, np.datetime64("2026-12-10"), 22) == 0).all()
    assert (plain.extraterrestrial_irradiation(75.0, np.arange(344, 366)) == 0).all()


@pytest.mark.parametrize("latitude", [0.0, 36.1, -45.0])
def test_a_clear_sky_lets_through_what_it_should_of_the_light_above_it(latitude: float) -> None:
    # Three quarters of it, 0.75 + 2e-5 a metre of height, on a clear day (FAO Irrigation and Drainage Paper 56,
    # eq. 37; from memory); Haurwitz's sky gives somewhat less where the sun stands low.
    daily = 3600 * clear_sky_hours(latitude, 8.0, np.datetime64("2026-01-01"), 365, 0.5).sum(axis=1)
    share = daily / plain.extraterrestrial_irradiation(latitude, np.arange(1, 366))
    assert share.mean() == pytest.approx(0.75, abs=0.06)
    assert share.max() < 0.85


@pytest.mark.parametrize(
    ("latitude", "longitude", "offset"), [(51.0, 7.0, 1.0), (-33.0, 151.0, 10.0), (68.0, 20.0, 2.0)]
)
def test_sites_that_share_a_clock_and_so_the_suns_course_have_the_sky_that_pvlib_gives_each(
    latitude: float, longitude: float, offset: float
) -> None:
    times = pd.date_range("2026-06-01", periods=3 * 24 * 3, freq="20min", tz="UTC") + pd.Timedelta(
        minutes=10 - 60 * offset
    )
    zenith = pvlib.solarposition.get_solarposition(times, latitude, longitude)["apparent_zenith"]
    hours = pvlib.clearsky.haurwitz(zenith)["ghi"].to_numpy().reshape(3, 24, 3).mean(axis=2)
    clear_sky_hours(latitude + 1, longitude - 2, np.datetime64("2026-06-01"), 3, offset)
    found = clear_sky_hours(latitude, longitude, np.datetime64("2026-06-01"), 3, offset)
    assert found == pytest.approx(hours, rel=1e-12)


def test_a_days_clear_sky_is_the_same_wherever_the_days_asked_for_begin() -> None:
    first = np.datetime64("2026-03-01")
    whole = clear_sky_hours(45.0, 8.0, first, 400, 1.0)
    for skipped in (1, 100, 128, 300):
        part = clear_sky_hours(45.0, 8.0, first + np.timedelta64(skipped, "D"), 60, 1.0)
        np.testing.assert_array_equal(part, whole[skipped : skipped + 60])

import numpy as np
import pandas as pd
import pvlib
import pytest

from analysis import sun


@pytest.mark.parametrize("latitude", [-33.0, 0.0, 36.1, 55.3, 78.0])
def test_extraterrestrial_irradiation_is_pvlibs_integrated_over_the_day(latitude: float) -> None:
    for day in (1, 80, 172, 266, 355):
        angle = np.radians(np.linspace(-180, 180, 2881))
        cosine = np.cos(
            pvlib.solarposition.solar_zenith_analytical(
                np.radians(latitude), angle, pvlib.solarposition.declination_spencer71(day)
            )
        )
        normal = pvlib.irradiance.get_extra_radiation(day, solar_constant=sun.SOLAR_CONSTANT, method="spencer")
        expected = np.trapezoid(np.maximum(cosine, 0) * normal, angle) / (2 * np.pi) * 86400
        assert sun.extraterrestrial_irradiation(latitude, day) == pytest.approx(expected, rel=2e-3, abs=2e3)


def test_no_light_in_the_polar_night() -> None:
    days = pd.date_range("2026-12-10", "2026-12-31").day_of_year.to_numpy()
    assert (sun.extraterrestrial_irradiation(75.0, days) == 0).all()

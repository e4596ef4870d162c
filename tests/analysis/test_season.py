import numpy as np
import pytest
from irradiance_years import YEARS, Year, tilted

from analysis.season import BELIEVED_SD, Season, seasons
from analysis.site_days import SiteDays
from analysis.sources import SOURCES, Source

OUTDOORS, INDOORS = SOURCES["light-outdoor"], SOURCES["light-indoor"]
FIRST = np.datetime64("2021-01-01")


def told(
    year: Year,
    harvest: np.ndarray,
    censored: np.ndarray | None = None,
    days: int = 365,
    first: np.datetime64 = FIRST,
    source: Source = OUTDOORS,
) -> tuple[Season, float]:
    """The season told from some days, and its power."""
    plain = SiteDays(year.latitude, year.longitude, year.utc_offset, first, 800).sky.mean(axis=1)
    bound = np.zeros(days, dtype=bool) if censored is None else censored[:days]
    found = seasons(plain, harvest[None, :days], bound[None, :], float(harvest.mean()), 0.3, source)
    return found, float(np.ptp(np.log(found.factor[0])) / np.ptp(np.log(plain)))


@pytest.mark.parametrize("name", YEARS)
def test_a_year_tells_how_a_panel_is_mounted(name: str) -> None:
    year = YEARS[name]
    sky = SiteDays(year.latitude, year.longitude, year.utc_offset, FIRST, 365).sky.mean(axis=1)
    months = np.log(sky[:360].reshape(12, 30).mean(axis=1))
    powers = []
    for tilt in (0.0, 30.0, 60.0):
        harvest = tilted(year, tilt)
        slope = np.polyfit(months, np.log(harvest[:360].reshape(12, 30).mean(axis=1)), 1)[0]
        powers.append(told(year, harvest)[1])
        assert powers[-1] == pytest.approx(slope, abs=0.25)
    assert powers[0] > powers[1] > powers[2]


@pytest.mark.parametrize("name", YEARS)
def test_a_summer_at_full_leaves_it_open_and_the_winter_is_held(name: str) -> None:
    """Half a year of bounds tells next to nothing, and the winter ahead lies within what is left open."""
    year = YEARS[name]
    winter = slice(240, 300)  # December and January
    for tilt in (0.0, 60.0):
        whole = np.roll(tilted(year, tilt), -90)  # from April
        taken = np.minimum(whole, whole.mean() / 4)
        found = told(year, taken, taken < whole, 180, np.datetime64("2021-04-01"))[0]
        share = whole[winter].mean() / whole[120:180].mean()
        said = found.factor[0, winter].mean() / found.factor[0, 120:180].mean()
        doubt = abs(found.doubt[0, winter].mean() - found.doubt[0, 120:180].mean())
        assert abs(np.log(share / said)) < 2 * doubt


def test_a_harvest_without_season_has_none() -> None:
    found, power = told(YEARS["burlington"], np.full(365, 5.0))
    assert power < 0.35
    np.testing.assert_allclose(found.factor[:, :365].mean(axis=1), 1.0)
    assert BELIEVED_SD > 0


@pytest.mark.parametrize("name", YEARS)
def test_daylight_in_a_hall_shows_in_a_year_and_lamps_have_no_season(name: str) -> None:
    """Upright windows that bring as much as the lamps do; what the next winter is to summer, by the year behind."""
    year, rng = YEARS[name], np.random.default_rng(4)
    sky = SiteDays(year.latitude, year.longitude, year.utc_offset, FIRST, 365).sky.mean(axis=1)
    bright, dark = np.argsort(sky)[-60:], np.argsort(sky)[:60]
    lamps = np.exp(0.1 * rng.normal(size=365))
    for daylight in (0.0, 0.5):
        window = tilted(year, 90.0)
        harvest = (1.0 - daylight) * lamps + daylight * window / window.mean()
        found = told(year, harvest, source=INDOORS)[0]
        factor, left = found.factor[0], found.left_in().doubt[0]
        share, said = harvest[dark].mean() / harvest[bright].mean(), factor[dark].mean() / factor[bright].mean()
        assert abs(np.log(said / share)) < 0.25
        # Left in, a winter is no fault of the harvester: one standard deviation is all that it took, less what is held.
        assert abs(left[dark].mean() - left[bright].mean()) == pytest.approx(abs(np.log(share)), abs=0.25)


def test_a_hall_that_nobody_has_seen_is_hardly_believed_to_have_a_winter() -> None:
    year = YEARS["burlington"]
    plain = SiteDays(year.latitude, year.longitude, year.utc_offset, FIRST, 800).sky.mean(axis=1)
    nothing = np.full((1, 5), np.nan)
    found = seasons(plain, nothing, np.zeros((1, 5), dtype=bool), 5.0, 0.3, INDOORS)
    assert found.factor.min() > 0.8
    assert np.abs(found.doubt).max() < 0.4

from dataclasses import replace

import numpy as np
import pytest
from irradiance_years import YEARS, Year, tilted
from outlooks import budget, node, steady

from analysis.depletion import forecast
from analysis.sources import SOURCES, Source
from analysis.stops import LOW, USUAL_DAYS, Stop, least_medians, ongoing_stops, past_stops
from analysis.sun import clear_sky_hours

NONE = np.zeros(60, dtype=bool)
BELT, PANEL = SOURCES["vibration"], SOURCES["light-outdoor"]


def days(low: int, factor: float = 0.1) -> np.ndarray:
    value = np.random.default_rng(2).normal(5.0, 0.5, 60)
    value[60 - low :] *= factor
    return value


def ongoing_stop(value: np.ndarray, censored: np.ndarray, source: Source = BELT) -> Stop | None:
    """Of a node that is alone at its site."""
    return ongoing_stops(value[None], censored[None], source)[0]


@pytest.mark.parametrize("low", [1, 2, 5])
def test_stop_is_as_long_as_its_days(low: int) -> None:
    found = ongoing_stop(days(low), NONE)
    assert found is not None
    assert found.days == low
    assert found.factor == pytest.approx(0.1, abs=0.02)


def test_longer_runs_are_likelier_stops_and_poor_days_are_usual_outdoors() -> None:
    steady_source = [ongoing_stop(days(low), NONE) for low in (1, 3, 6)]
    weather = [ongoing_stop(days(low), NONE, PANEL) for low in (1, 3, 6)]
    shares = [[found.share for found in kind if found is not None] for kind in (steady_source, weather)]
    assert shares[0] == sorted(shares[0])
    assert shares[0][-1] > 0.8
    assert all(outdoor < indoor for outdoor, indoor in zip(shares[1], shares[0], strict=True))


def test_days_not_known_do_not_end_a_stop_but_count() -> None:
    value = days(6)
    value[[55, 56]] = np.nan  # a weekend in the stop
    found = ongoing_stop(value, NONE)
    assert found is not None
    assert found.days == 6


def test_no_stop_without_low_days_history_or_end() -> None:
    full = NONE.copy()
    full[-3:] = True  # at least that: the storage was full
    assert ongoing_stop(days(0), NONE) is None
    assert ongoing_stop(days(3), full) is None
    assert ongoing_stop(days(3)[-8:], NONE[-8:]) is None
    assert ongoing_stop(days(20), NONE) is None  # by now a lasting change
    assert ongoing_stop(np.full(60, np.nan), NONE) is None


def test_stop_lasts_on_as_often_as_it_should() -> None:
    # Four days into a certain stop that leaves nothing: on for m days more with probability 4 / (4 + m). The node
    # spends 1.44 J a day and holds 5.76 J, so it goes dark if the stop lasts 4 days more: one time in two.
    stopped = steady(1.6, stop_days=4.0, stop_share=1.0, stop_factor=0.0)
    probe = node(stopped, budget(capacitance=1.0, wakes=48), usable=5.76)
    assert forecast([probe], paths=4000).p_dark_30d[0] == pytest.approx(0.5, abs=0.05)  # and the day's steps
    doubtful = replace(probe, harvest=replace(stopped, stop_share=0.4))
    assert forecast([doubtful], paths=4000).p_dark_30d[0] == pytest.approx(0.2, abs=0.03)


def test_a_stop_that_is_over_says_nothing_of_the_level() -> None:
    value = days(0)
    value[30:37] *= 0.15
    marked = past_stops(value[None], NONE[None], BELT)[0]
    assert marked[30:37].all()
    assert marked.sum() == 7


def test_two_days_are_a_stop_that_is_over_where_most_of_the_nodes_stood() -> None:
    def marked(low: int) -> np.ndarray:
        values = np.stack([days(0)] * 10)
        values[:low, 30:32] *= 0.1
        return past_stops(values, np.zeros(values.shape, dtype=bool), BELT)

    alone, few, most = map(marked, (1, 4, 8))
    assert not alone.any()  # by itself it may have been a poor day and the next
    assert not few.any()
    assert most[:8, 30:32].all()
    assert most.sum() == 16
    weather = np.stack([days(0)] * 10)
    weather[:, 30:32] *= 0.3
    assert not past_stops(weather, np.zeros(weather.shape, dtype=bool), PANEL).any()  # one cloud darkens all


def test_a_lasting_fall_and_poor_weather_are_no_stops() -> None:
    assert not past_stops(days(20)[None], NONE[None], BELT).any()
    weather = np.random.default_rng(3).lognormal(0, 0.45, 365)
    assert past_stops(weather[None], np.zeros((1, 365), dtype=bool), PANEL).mean() < 0.01


def test_a_stop_shows_where_the_usual_days_are_lower_bounds() -> None:
    value, full = days(0), np.ones(60, dtype=bool)
    value[full] *= 0.5  # what a full storage let in,
    value[::6], full[::6] = 5.0, False  # but for the day after each weekend
    value[-4:], full[-4:] = 0.3 * 5.0, False
    found = ongoing_stop(value, full)
    assert found is not None
    assert (found.days, found.factor) == (4, pytest.approx(0.3))
    value[-4:] = 5.0
    value[30:35], full[30:35] = 0.3 * 5.0, False
    assert past_stops(value[None], full[None], BELT)[0, 30:35].all()


def test_nodes_that_are_low_together_are_stopped() -> None:
    def site(low: int, source: Source = BELT) -> list[Stop | None]:
        values = np.stack([days(1)] * low + [days(0)] * (10 - low))
        return ongoing_stops(values, np.zeros(values.shape, dtype=bool), source)

    alone, together, few = map(site, (1, 10, 4))
    assert all(stop is not None for stop in together)
    assert together[0].share > 0.9 > 0.5 > alone[0].share
    assert few[:4] == alone[:1] * 4  # the six others go on: no stop of the site
    weather = site(10, PANEL)
    assert weather[0].share < 0.3  # one cloud darkens all


def test_a_stop_of_many_nodes_is_expected_to_end_sooner_than_one_of_a_single_node() -> None:
    values = np.full((4, 60), 10.0) * np.random.default_rng(1).lognormal(0.0, 0.1, (4, 60))
    together, alone = values.copy(), values.copy()
    together[:, -4:] = 0.1
    alone[0, -4:] = 0.1
    none = np.zeros(values.shape, dtype=bool)
    (many, *_), (single, *others) = (ongoing_stops(v, none, BELT) for v in (together, alone))
    assert others == [None] * 3
    assert many is not None
    assert single is not None
    assert many.tail > single.tail


def test_a_day_that_is_not_known_is_no_day_of_a_median() -> None:
    # By hand: of 1, 2, 3 the second; of 1 and at least 2 and 3 the highest, as no more than a third lies below.
    known = np.array([[1.0, 2.0, 3.0, np.nan, np.nan]])
    assert least_medians(known, np.zeros((1, 5), bool))[0] == 2.0
    assert least_medians(known, np.array([[False, True, True, False, False]]))[0] == 3.0


def of_usual(year: Year, tilt: float) -> np.ndarray:
    """Daily irradiation of a tilted panel in a public year, less the season that it has."""
    sky = clear_sky_hours(year.latitude, year.longitude, np.datetime64("2021-01-01"), 365, year.utc_offset)
    return tilted(year, tilt) / sky.mean(axis=1) ** 0.5


def test_weather_of_public_years_on_tilted_panels_is_no_stop() -> None:
    low, again, before, marked = 0, 0, 0, []
    for year in YEARS.values():
        value = np.tile(of_usual(year, 60.0), 2)
        usual = np.array([np.median(value[day - USUAL_DAYS : day]) for day in range(365, 730)])
        poor = value[365:] < LOW * usual
        low, again, before = low + poor.sum(), again + (poor[1:] & poor[:-1]).sum(), before + poor[:-1].sum()
        marked.append(past_stops(value[None], np.zeros((1, 730), bool), PANEL)[0, 365:].mean())
    assert low / (365 * len(YEARS)) == pytest.approx(PANEL.poor, abs=0.03)
    assert again / before == pytest.approx(PANEL.poor + (1 - PANEL.poor) * PANEL.noise_keep, abs=0.06)
    assert np.mean(marked) < 0.015

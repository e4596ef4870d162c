"""Quiet hours: from the sun, from a schedule, and from the week the node shows."""

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pvlib
import pytest
from analysis_parts import conveyor_budget

from analysis.quiet import (
    ELEVATION_QUIET,
    LEARNT_ROWS,
    LOAD_SHARE,
    WEEK_HOURS,
    heat_rests,
    judge,
    learn,
    scheduled_quiet,
    sunless,
    window_cut,
)
from analysis.series import calendar


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [(36.1, -79.95, "America/New_York"), (52.0, 13.4, "Europe/Berlin"), (-33.9, 151.2, "Australia/Sydney")],
)
def test_quiet_begins_and_ends_where_the_suns_elevation_says(latitude, longitude, zone):
    # Other implementation: the solar position algorithm of pvlib (NREL SPA). Spencer's series is good to some 0.25 deg.
    edges = sunless(calendar(ZoneInfo(zone), date(2025, 1, 1), 365), latitude, longitude)[:, :2]
    for moments in edges.T:
        times = pd.to_datetime(moments, unit="s", utc=True)
        elevation = pvlib.solarposition.get_solarposition(times, latitude, longitude)["elevation"]
        assert np.abs(elevation - ELEVATION_QUIET).max() < 0.3
    night = edges[1:, 0] - edges[:-1, 1]
    assert 5.5 * 3600 < night.min() < night.max() < 16 * 3600


def test_polar_summer_has_no_quiet_time_and_polar_night_no_other():
    edges = sunless(calendar(ZoneInfo("UTC"), date(2025, 1, 1), 365), 75.0, 0.0)[:, :2]
    night = edges[1:, 0] - edges[:-1, 1]
    assert night[170] <= 60.0  # midnight sun
    assert night[350] >= 86400.0 - 60.0


def test_a_schedule_leaves_a_margin_and_wraps_over_the_week():
    quiet = scheduled_quiet(conveyor_budget().harvest)  # 06:00-22:00, mon-sat
    assert quiet[:5].all()
    assert not quiet[5:23].any()  # 05:00 to 23:00 on Monday
    assert quiet[5 * 24 + 23 :].all()  # from Saturday 23:00
    assert window_cut(conveyor_budget().harvest) == 14.0


def week_of(power: np.ndarray, weeks: int, noise: float, seed: int = 1, week: np.ndarray | None = None) -> np.ndarray:
    rng = np.random.default_rng(seed)
    week = np.zeros((LEARNT_ROWS, WEEK_HOURS), dtype=np.float32) if week is None else week
    for _ in range(weeks):
        for hour in range(WEEK_HOURS):
            learn(week, hour, power[hour] + noise * rng.normal(), 1.0, 1.0, LOAD_SHARE * 40e-6)
    return week


HOURS = np.arange(WEEK_HOURS)
FIRING = ((3.0, 75e-6), (1.5, 0.0))  # mean days of a turn, and its power [W]
SHIFTS = (HOURS % 24 >= 6) & (HOURS % 24 < 22) & (HOURS < 144)


def test_the_week_shows_its_quiet_hours_whatever_the_schedule_said():
    quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
    week = week_of(np.where(SHIFTS, 90e-6, 1e-6), 6, 0.5e-6)
    ceiling = judge(week, 0.5e-6, 28e-6, True, quiet)
    assert 1e-6 < ceiling < 20e-6
    assert not (quiet & SHIFTS).any()
    assert quiet[~SHIFTS].mean() > 0.7  # the hours beside a shift are left out


def test_a_load_that_grows_fivefold_leaves_its_hours_quiet():
    quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
    power = np.where(SHIFTS, 100e-6, 0.0)
    week = week_of(power, 8, 3e-6)
    for seed in range(2, 12):
        week_of(power - 120e-6, 1, 3e-6, seed, week)
        judge(week, 3e-6, 40e-6, True, quiet)
        assert (quiet & ~SHIFTS).sum() > 0.8 * (~SHIFTS).sum()
        assert not (quiet & SHIFTS).any()


def test_hours_in_which_a_storage_settles_are_not_the_floor_that_others_are_held_to():
    # A cell's voltage falls for hours after its charge as if the node spent half as much again.
    since = np.array([next(k for k in range(WEEK_HOURS) if SHIFTS[h - 1 - k]) for h in HOURS])
    week = week_of(np.where(SHIFTS, 90e-6, -25e-6 * np.exp(-since / 3.0)), 8, 3e-6)
    shown = []
    for settles in (True, False):
        quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
        judge(week, 3e-6, 40e-6, settles, quiet)
        assert not (quiet & SHIFTS).any()
        shown.append(quiet[~SHIFTS].mean())
    assert shown[0] > 0.7 > 0.5 > shown[1]


@pytest.mark.parametrize(
    ("left", "noise", "rests"), [(2e-6, 4e-6, True), (12e-6, 4e-6, False), (2e-6, 30e-6, False), (-9e-6, 30e-6, True)]
)
def test_a_floor_of_heat_is_rest_where_it_is_even_or_below_the_budgets_load(left, noise, rests):
    quiet, week = np.zeros(WEEK_HOURS, dtype=np.bool_), np.zeros((LEARNT_ROWS, WEEK_HOURS), dtype=np.float32)
    rng = np.random.default_rng(5)
    for _ in range(12):  # what is left of heat wanders by a third from week to week
        week_of(np.where(SHIFTS, 120e-6, left * np.exp(0.33 * rng.normal())), 1, noise, int(rng.integers(99)), week)
    judge(week, noise, 40e-6, False, quiet)
    assert quiet.any()
    assert heat_rests(week, noise, 40e-6, 1.0, quiet) == rests


def test_a_source_that_never_rests_has_no_quiet_hours():
    quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
    week = week_of(np.full(WEEK_HOURS, 60e-6), 6, 5e-6)
    assert judge(week, 0.5e-6, 28e-6, True, quiet) == -np.inf
    assert not quiet.any()


@pytest.mark.parametrize("noise", [1e-6, 30e-6])
def test_a_harvest_that_wanders_below_the_load_has_no_quiet_hours(noise):
    # Heat of a process, by days rather than hours: the lowest hours of a week are so by chance, and no lower than that.
    rng = np.random.default_rng(7)
    for _ in range(10):
        days, off = np.empty(70), 0.0
        for day in range(70):
            off = 0.8 * off + 0.6 * rng.normal()
            days[day] = 1.0 + 0.12 * off
        seen = 60e-6 * np.repeat(days, 24) * (1.0 + 0.05 * rng.normal(size=1680))
        seen += np.diff(noise * rng.normal(size=1681))
        week, quiet = np.zeros((LEARNT_ROWS, WEEK_HOURS), dtype=np.float32), np.zeros(WEEK_HOURS, dtype=np.bool_)
        for i, x in enumerate(seen):
            learn(week, i % WEEK_HOURS, x, 1.0, 1.0, LOAD_SHARE * 90e-6)
        judge(week, 1.4 * noise, 90e-6, False, quiet)
        assert not quiet.any()


def test_turns_of_days_on_the_flat_of_a_cell_show_no_quiet_hours():
    # A kiln fired for some three days and left for one and a half: in five weeks some hours of the week are mostly at
    # rest by chance, and an hour's noise of two loads hides that they are not always so.
    rng, shown = np.random.default_rng(11), 0
    for _ in range(20):
        turns = [np.full(int(24 * rng.gamma(6, mean / 6)), power) for _ in range(40) for mean, power in FIRING]
        seen = np.concatenate(turns)[: 12 * WEEK_HOURS]
        seen = seen + np.diff(40e-6 * rng.normal(size=len(seen) + 1))
        week, quiet = np.zeros((LEARNT_ROWS, WEEK_HOURS), dtype=np.float32), np.zeros(WEEK_HOURS, dtype=np.bool_)
        for i, x in enumerate(seen):
            learn(week, i % WEEK_HOURS, x, 1.0, 1.0, LOAD_SHARE * 40e-6)
            if i % WEEK_HOURS == WEEK_HOURS - 1 and i > 6 * WEEK_HOURS:
                judge(week, 1.4 * 40e-6, 40e-6, False, quiet)
                shown += quiet.any()
    assert shown <= 2  # of 100


def week_of_readings(power: np.ndarray, weeks: int, noise: float) -> np.ndarray:
    """As `week_of`, but from hourly readings of energy: the `noise` of an hour's power is taken back by the next."""
    off = np.random.default_rng(3).normal(size=weeks * WEEK_HOURS + 1) * noise / np.sqrt(2.0)
    seen = np.tile(power, weeks) + np.diff(off)
    week = np.zeros((LEARNT_ROWS, WEEK_HOURS), dtype=np.float32)
    for i, x in enumerate(seen):
        learn(week, i % WEEK_HOURS, x, 1.0, 1.0, LOAD_SHARE * 40e-6)
    return week


def test_light_at_weekends_shows_through_a_coarse_converter():
    # A cell by a window, which its schedule calls dark at weekends; an hour of a battery's voltage is worth twice the
    # load, yet over some hours and weeks it tells a harvest of one load from none.
    daylight = (HOURS >= 120) & (HOURS % 24 >= 8) & (HOURS % 24 < 17)
    quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
    week = week_of_readings(np.where(SHIFTS & (HOURS < 120), 90e-6, np.where(daylight, 30e-6, 1e-6)), 12, 60e-6)
    assert judge(week, 60e-6, 30e-6, True, quiet) < 30e-6
    assert quiet.sum() > 30
    assert (quiet & (SHIFTS | daylight)).sum() <= 0.1 * quiet.sum()


def test_nothing_is_learnt_through_a_converter_too_coarse():
    quiet = np.zeros(WEEK_HOURS, dtype=np.bool_)
    week = week_of_readings(np.where(SHIFTS, 90e-6, 1e-6), 6, 300e-6)
    assert np.isnan(judge(week, 300e-6, 28e-6, True, quiet))
    assert np.isnan(judge(week_of(SHIFTS * 90e-6, 1, 0.0), 0.5e-6, 28e-6, True, quiet))  # one week is no habit


def test_where_the_budget_states_no_load_no_quiet_hours_are_learnt():
    """Beside nothing no reading is precise enough."""
    quiet, week = np.empty(168, dtype=bool), np.ones((4, 168))
    assert np.isnan(judge(week, 1e-6, 0.0, False, quiet))

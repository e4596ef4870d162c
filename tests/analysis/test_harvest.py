from typing import Any

import numpy as np
import plain_predictors
import pytest
from irradiance_years import YEARS, Year
from outlooks import TEXT

from analysis.harvest import outlooks
from analysis.harvest_behind import NodeDays, past_harvest
from analysis.held import Held
from analysis.ledger import full_margin
from analysis.outlook import HarvestOutlook
from analysis.site_days import Closure, SiteDays
from fixtures.mill import FOLDER
from ingest.budget import Budget, parse_budget

FIRST = np.datetime64("2025-01-06")  # a Monday
DOY = np.arange(1, 366)


def budget(source: str = "vibration", microwatt: float = 100.0, active: bool = True) -> Budget:
    text = TEXT.format(capacitance=1.0, leakage=0.0, sleep=1.0, wakes=48, harvest=microwatt, regulator="switching")
    text = text.replace('"vibration"', f'"{source}"')
    if not active:
        text = text.replace('active_hours = "06:00-22:00"\nactive_days = "mon-fri"\n', "")
    return parse_budget(text, "test.toml")


def rows(
    harvest: np.ndarray, of: Budget, node_id: str = "a", first: np.datetime64 = FIRST, **kw: np.ndarray
) -> NodeDays:
    """A ledger of whole days with nothing spent."""
    n = len(harvest)
    settings = (
        {name: np.zeros(n) for name in ("full_s", "noon_v", "risen_at")} | {"observed_s": np.full(n, 86400.0)} | kw
    )
    wake, zero = settings.pop("wake_j", np.zeros(n)), np.zeros(n)
    return NodeDays(node_id, of, first + np.arange(n), harvest, wake, zero, zero, **settings)


def site(days: int = 900, first: np.datetime64 = FIRST, closures: tuple[Closure, ...] = ()) -> SiteDays:
    return SiteDays(45.0, 8.0, 1.0, first, days, closures)


def one(node: NodeDays, where: SiteDays, days: int = 28, hour: int = 0) -> HarvestOutlook:
    today = where.first + np.timedelta64(len(node.day), "D")
    return outlooks([node], where, today, hour, days)[0]


def daily_forecasts(year: Year) -> tuple[np.ndarray, np.ndarray]:
    """Forecasts of the mean of the next 7 and 30 days, made before each day from the days before it."""
    first = np.datetime64("2021-01-01")
    of = budget("light-outdoor", 1.2 * year.daily.mean() / 86400 * 1e6, active=False)  # 20 % off
    where = SiteDays(year.latitude, year.longitude, year.utc_offset, first, 400)
    made = np.full((365, 2), np.nan)
    for day in range(25, 359):
        node = rows(year.daily[:day], of, first=first)
        expected = outlooks([node], where, first + np.timedelta64(day, "D"), 0, 30)[0].expected
        made[day] = expected[:7].mean(), expected.mean()
    return made[:, 0], made[:, 1]


@pytest.mark.parametrize(
    ("name", "week", "month"),
    [("greensboro", 12, 7.5), ("sand_point", 21, 15), ("burlington", 17, 13), ("piedmont", 13, 13)],
)
def test_outdoor_light_ahead_on_public_years(name: str, week: float, month: float) -> None:
    """Of panels that lie flat, which is not known beforehand."""
    year = YEARS[name]
    seven, thirty = daily_forecasts(year)
    assert 100 * plain_predictors.mean_errors(year.daily, seven, 7) <= week
    assert 100 * plain_predictors.mean_errors(year.daily, thirty, 30) <= month
    plain = plain_predictors.mean_errors(year.daily, plain_predictors.mean_of_last(year.daily), 30)
    clearness = plain_predictors.clearness_forecast(year.daily, year.latitude, DOY, 30)
    clear = plain_predictors.mean_errors(year.daily, clearness, 30)
    found = plain_predictors.mean_errors(year.daily, thirty, 30)
    assert found < 0.6 * plain
    assert found < 1.03 * clear  # which is told that they lie flat


def test_the_future_is_not_used() -> None:
    rng = np.random.default_rng(3)
    harvest = 8 + rng.normal(size=60)
    today = FIRST + np.timedelta64(40, "D")
    ahead = [outlooks([rows(harvest[:n], budget())], site(), today, 9, 60)[0].expected for n in (40, 60)]
    np.testing.assert_array_equal(*ahead)


def test_weekdays_follow_the_node_where_they_differ_from_the_budget() -> None:
    # The budget says Monday to Friday; this line also works half of Saturday.
    pattern = np.array([10, 10, 10, 10, 10, 5, 0.0])
    rng = np.random.default_rng(5)
    node = rows(np.tile(pattern, 12) * rng.normal(1, 0.05, 84), budget())
    np.testing.assert_allclose(one(node, site()).expected[:7], pattern, atol=0.8)


def test_a_plant_that_works_on_public_holidays_still_rests_on_sundays() -> None:
    first = np.datetime64("2024-09-02")  # a Monday
    day = first + np.arange(133)
    harvest = np.where((day.astype(np.int64) + 3) % 7 < 5, 8.64, 0.0)  # Christmas and New Year among the others
    harvest *= np.random.default_rng(2).normal(1, 0.05, len(day))
    ahead = one(rows(harvest, budget(), first=first), site(first=first))
    np.testing.assert_allclose(ahead.week[:7], [1.4] * 5 + [0.0, 0.0], atol=0.06)
    assert ahead.noise[16] > 0.8  # two sds below the mean: no day of rest is among the poor ones


def test_a_hall_that_is_full_all_week_is_known_to_rest_at_weekends_though_its_budget_names_no_days() -> None:
    """On working days it is but seen to have been full; made up for, one Monday says a multiple of the next."""
    days, rng = np.arange(56) % 7, np.random.default_rng(4)
    harvest = np.where(days < 5, np.where(days == 0, rng.choice([6.0, 20.0], 56), 2.5), 0.02)
    full = np.where((days > 0) & (days < 5), 70000.0, 0.0)
    of = budget("light-indoor", active=False)
    ahead = one(rows(harvest, of, full_s=full, noon_v=np.where(full > 0, 5.0, 4.0)), site())
    assert ahead.week[5:7].max() < 0.1
    assert ahead.week[:5].min() > 0.8


def test_a_night_without_work_leaves_a_full_node_full_for_longer() -> None:
    """Wakes that rest at night let it read full long after the last harvest: less of the day was lost at full."""
    of = budget()
    harvest, full = np.full(56, 3.0), np.full(56, 12 * 3600.0)
    held = Held(5.0, 4.9, usual=5.0)
    spent = {"wake_j": np.full(56, 2.9), "full_s": full, "noon_v": np.full(56, 5.0), "held": held}
    even, rests = (one(rows(harvest, of, idle_wakes=rate, **spent), site()).mean for rate in (1.0, 0.0))
    assert rests < 0.9 * even


def test_what_a_full_node_takes_in_is_what_its_work_spends_by_then() -> None:
    """By hand: 6 J in the sixteen hours of work, full for the last six of them; wakes take 2.4 J, all in these hours.

    Ten hours brought in 6 * 10 / 16 = 3.75 J, and the six at full the 2.4 * 6 / 16 = 0.9 J that they spent. Nothing is
    spent at night, in whose eight hours it stays full.
    """
    work = np.arange(56) % 7 < 5
    taken, wakes, full = (np.where(work, joules, 0.0) for joules in (3.75 + 0.9, 2.4, 14 * 3600.0))
    node = rows(taken, budget(), wake_j=wakes, full_s=full, held=Held(5.0, 4.9, usual=5.0), idle_wakes=0.0)
    assert one(node, site()).expected[:5].mean() == pytest.approx(6.0, rel=0.02)


def test_short_history_starts_from_the_budget_and_then_from_sisters() -> None:
    of = budget(microwatt=100.0, active=False)  # 8.64 J a day
    alone = one(rows(np.zeros(0), of), site())
    assert alone.expected.mean() == pytest.approx(8.64)
    assert alone.mean_sd == pytest.approx(of.harvest.tolerance)
    rng = np.random.default_rng(2)
    old = [rows(5.0 * rng.normal(1, 0.1, 90), of, f"old{i}") for i in range(6)]
    today = FIRST + np.timedelta64(90, "D")
    new = outlooks([*old, rows(np.zeros(0), of, "new")], site(), today, 0, 28)[-1]
    assert new.expected.mean() == pytest.approx(5.0, abs=0.8)  # six of its kind say 5, the budget says 8.64
    assert new.mean_sd < alone.mean_sd
    assert outlooks(old, site(), today, 0, 28)[0].mean_sd < new.mean_sd


def test_level_and_scatter_of_a_simulated_node_are_recovered() -> None:
    rng = np.random.default_rng(9)
    z = np.zeros(400)
    for day in range(1, 400):
        z[day] = 0.5 * z[day - 1] + np.sqrt(0.75) * rng.normal()
    found = one(rows(6.0 * np.exp(0.3 * z - 0.045), budget(active=False)), site())
    assert found.expected[10:].mean() == pytest.approx(6.0, rel=0.12)
    assert found.noise_keep == pytest.approx(0.5, abs=0.15)  # the level takes some of what hangs together
    assert np.interp(1.0, np.linspace(-4, 4, 65), found.noise) == pytest.approx(np.exp(0.3 - 0.045), rel=0.08)


def test_readings_that_do_not_tell_a_days_harvest_leave_weekdays_to_the_plan() -> None:
    # A converter step of a flat cell is worth more than a day: 2 J on working days, read with an error of 10 J.
    rng = np.random.default_rng(12)
    of = budget(microwatt=16.5)  # 2 J on each of five days a week
    plan = np.tile([2, 2, 2, 2, 2, 0.0, 0.0], 20)
    for size in (10, 63, 140):
        nodes = [rows((plan + np.diff(rng.normal(0, 7.0, 141)))[:size], of, f"n{i}") for i in range(4)]
        for found in outlooks(nodes, site(), FIRST + np.timedelta64(size, "D"), 0, 28):
            assert found.week.min() >= 0.0
            assert found.week.max() < 2.5  # the plan has 1.4
            assert found.expected.mean() == pytest.approx(plan.mean(), abs=3.0)
            assert found.mean * (found.mean_sd + found.level_sd + found.level_noise) < 5.0


@pytest.mark.parametrize("hour", [8, 13])
def test_the_morning_tells_that_a_stop_is_over_or_has_begun(hour: int) -> None:
    """Five nodes that work from 6 to 22: by 13 o'clock 44 % of a day's harvest is due, by 8 too little to tell."""
    rng = np.random.default_rng(21)
    usual = 8.0 * rng.lognormal(0, 0.2, (5, 60)) * np.where(np.arange(60) % 7 < 5, 1.0, 0.0)
    due, stopped = (hour - 6) / 16, np.where(np.arange(60) >= 57, 0.02, 1.0)  # Tuesday to Thursday

    def ahead(days: np.ndarray, morning: float) -> list[HarvestOutlook]:
        nodes = [
            rows(np.append(day, morning * 8.0 * due), budget(), f"n{i}", observed_s=np.append(
                np.full(60, 86400.0), hour * 3600.0))
            for i, day in enumerate(days)
        ]  # fmt: skip
        return outlooks(nodes, site(), FIRST + np.timedelta64(60, "D"), hour, 28)

    still, over = ahead(usual * stopped, 0.0), ahead(usual * stopped, 1.0)
    fine, begun = ahead(usual, 1.0), ahead(usual, 0.0)
    assert all(node.stop_share > 0.9 for node in still)
    assert all(node.stop_share == 0 for node in fine)
    told = hour == 13
    assert [node.stop_days for node in still] == [4.0 if told else 3.0] * 5
    assert all((node.stop_share == 0) == told for node in over)
    assert all((node.stop_share > 0.9) == told for node in begun)
    for node in (*still, *over, *fine, *begun):  # a morning is no day that tells of the level
        assert node.mean == pytest.approx(8.0 * 5 / 7, rel=0.15)


def test_few_dull_days_of_a_node_that_is_mostly_full_do_not_pass_for_the_usual() -> None:
    # 8.6 J a day by the budget, and so they come: 10 on a clear day, of which 2 are taken; 1 to 2 on one in eight.
    rng = np.random.default_rng(4)
    of = budget("light-outdoor", microwatt=100.0, active=False)
    season = site().sky.mean(axis=1)[:120]
    dull = rng.random(120) < 0.12
    taken = np.where(dull, rng.uniform(1.0, 2.0, 120) * season, 2.0)
    full = of.storage.full_voltage
    course = np.cumsum(site().sky[:120], axis=1)
    fifth = np.array([np.interp(0.2 * hours[-1], hours, np.arange(1.0, 25.0)) for hours in course])  # hour of the day
    risen_at = (FIRST + np.arange(120)).astype("datetime64[s]").astype(float) + (fifth - site().utc_offset) * 3600
    noon_v = np.where(dull, full - 0.5, full)
    found = one(
        rows(taken, of, noon_v=noon_v, risen_at=risen_at, held=Held(full, full, usual=full - 0.05)), site(), 365
    )
    assert found.expected.mean() > 6.0


def test_days_at_full_are_lower_bounds() -> None:
    # 8 J would come in; the node takes 2 J and stands at full for the rest of the active day.
    of = budget(microwatt=93.0, active=False)
    taken = rows(np.full(60, 2.0), of, full_s=np.full(60, 80_000.0))
    as_if_seen = rows(np.full(60, 2.0), of)
    assert one(taken, site()).expected.mean() > 6.0
    assert one(as_if_seen, site()).expected.mean() < 3.0


def test_a_day_half_at_full_is_made_up_for() -> None:
    # Even harvest of 8 J between 6 and 22 o'clock, full from 14 o'clock on: 4 J counted, and the 1 J spent since.
    of = budget(microwatt=50.0).model_copy(update={"name": "half"})
    n = 60
    spent = np.full(n, 3.0)
    node = NodeDays(
        "a", of, FIRST + np.arange(n), np.full(n, 4.0) + 3.0 / 3, spent, np.zeros(n), np.zeros(n),
        np.full(n, 8 * 3600.0), np.full(n, 86400.0), np.zeros(n), np.zeros(n),
    )  # fmt: skip
    working = one(node, site()).expected[:5].mean() * 5 / 7
    assert working == pytest.approx(8.0 * 5 / 7, rel=0.2)


def days_full_from_14(of: Budget, full_h: float, lit_h: float, **kw: Any) -> NodeDays:
    """60 days of 0.5 J an hour from 6 o'clock on, 2 J spent a day; full from 14 o'clock on for `lit_h` hours of it."""
    spent, zero = np.full(60, 2.0), np.zeros(60)
    harvest = np.full(60, 4.0) + spent * lit_h / 24
    full_s, whole = np.full(60, full_h * 3600.0), np.full(60, 86400.0)
    return NodeDays("a", of, FIRST + np.arange(60), harvest, spent, zero, zero, full_s, whole, zero, zero, **kw)


@pytest.mark.parametrize("name", sorted(YEARS))
def test_the_weather_until_full_tells_that_of_the_whole_day(name: str) -> None:
    """On the public irradiance years, of capacitors that half, a third and a sixth of a usual day's light fills."""
    year, first = YEARS[name], np.datetime64("2021-01-01")
    of = budget("light-outdoor", 1.5 * year.daily.mean() / 86400 * 1e6, active=False)  # half as much again
    where = SiteDays(year.latitude, year.longitude, year.utc_offset, first, 800)
    light = np.concatenate([np.zeros((365, 1)), np.cumsum(year.hourly, axis=1)], axis=1)
    for part, within in ((2, 0.15), (3, 0.15), (6, 0.35)):
        room = np.median(year.daily) / part
        taken = np.minimum(year.daily, room)
        hour = np.array([np.interp(room, course + 1e-9 * np.arange(25), np.arange(25)) for course in light])
        midnight = (first + np.arange(365)).astype("datetime64[s]").astype(float) - year.utc_offset * 3600
        noon = np.where(year.daily > room, of.storage.full_voltage, of.storage.full_voltage - 0.5)
        held = Held(5.0, 5.0, usual=5.0 - 2 * full_margin(of))  # of no energy between coming up to full and being it
        node = rows(taken, of, first=first, noon_v=noon, risen_at=midnight + 3600 * hour, held=held)
        found = outlooks([node], where, first + 365, 0, 365)[0]
        assert found.expected.mean() == pytest.approx(year.daily.mean(), rel=within)
        assert found.past_bound < 0.5


def test_outdoor_days_kept_since_before_it_was_noted_when_a_node_was_full_say_nothing() -> None:
    of = budget("light-outdoor", microwatt=50.0, active=False)
    blank = np.where(np.arange(90) < 30, np.nan, 0.0)
    node = rows(np.full(90, 4.0), of, full_s=np.full(90, 40_000.0), noon_v=blank, risen_at=blank)
    made = past_harvest([node], site(), FIRST + 90)
    assert np.isnan(made.power[0, :30]).all()
    assert np.isfinite(made.power[0, 30:]).all()
    assert np.isfinite(made.lost).all()


def test_a_node_reads_full_until_it_has_fallen_from_its_own_full_voltage() -> None:
    # Of 1 F: an hour's spending lies between where it stands full and where it no longer counts.
    of = budget(microwatt=50.0).model_copy(update={"name": "shift"})
    own = float(np.sqrt((5.0 - full_margin(of)) ** 2 + 2 * 2.0 / 24))
    made = past_harvest([days_full_from_14(of, 9.0, 8.0, held=Held(5.0, 5.0, usual=own))], site(), FIRST + 60)
    assert made.lost[0, 0] == pytest.approx(0.5, abs=1e-4)
    assert np.nanmean(made.power) * 86400 == pytest.approx(8.0, rel=0.02)


def test_a_cell_at_a_full_voltage_of_its_own_was_full_for_as_long_as_is_counted() -> None:
    """Between where it stands and half a per cent less lie hours of its load, that it does not fall through by day."""
    of = parse_budget((FOLDER / "budgets" / "yard-battery.toml").read_text(), "yard-battery.toml")
    own = of.storage.full_voltage - 0.03
    held = Held(own, own, own - full_margin(of), own)
    spent = of.harvest.mean_power * 86400 / 4
    for hours in (14.0, 0.2):  # of a charger that stops, and of one that rests until the voltage has sunk
        node = rows(np.full(90, spent), of, full_s=np.full(90, hours * 3600), wake_j=np.full(90, spent), held=held)
        assert one(node, site()).past_bound == 1.0
    assert one(node._replace(full_s=np.zeros(90)), site()).past_bound == 0.0


def test_a_cell_that_comes_later_to_full_has_lost_harvest_though_its_charger_rests_as_long() -> None:
    text = (FOLDER / "budgets" / "yard-battery.toml").read_text().replace('"light-outdoor"', '"light-indoor"')
    of = parse_budget(text, "shelf-battery.toml")
    own = of.storage.full_voltage - 0.03
    hour = np.where(np.arange(120) < 60, 8.0, 12.0)  # of lights from 6 to 20 o'clock
    profile = ((np.arange(24) >= 6) & (np.arange(24) < 20)) * 24 / 14
    node = rows(
        np.full(120, 10.0), of, full_s=np.full(120, 720.0), wake_j=np.full(120, 10.0), noon_v=np.full(120, own),
        risen_at=(FIRST + np.arange(120)).astype("datetime64[s]").astype(float) + (hour - site().utc_offset) * 3600,
        held=Held(own, own, own - full_margin(of), own), profile=profile,
    )  # fmt: skip
    made = past_harvest([node], site(), FIRST + 120)
    assert np.nanmedian(made.power[0, 60:]) < 0.6 * np.nanmedian(made.power[0, :60])  # 12 h of load in 2 and 16 in 6


def test_a_day_whose_hours_until_full_tell_of_less_than_came_in_is_but_a_bound() -> None:
    # A large cell that a night hardly empties is full in the morning: what came in before is lost in the noise.
    of = parse_budget((FOLDER / "budgets" / "yard-battery.toml").read_text(), "yard-battery.toml")
    full, dawn = of.storage.full_voltage, (FIRST + np.arange(90)).astype("datetime64[s]").astype(float) + 9.5 * 3600
    node = rows(
        np.full(90, 10.0), of, full_s=np.full(90, 86400.0), wake_j=np.full(90, 20.0), noon_v=np.full(90, full),
        risen_at=dawn,
    )  # fmt: skip
    made = past_harvest([node], site(), FIRST + 90)
    assert 0.5 < np.nanmedian(made.lost[:, 60:]) < 0.9
    assert made.bound[:, 60:].all()
    late = past_harvest([node._replace(risen_at=dawn + 5 * 3600.0)], site(), FIRST + 90)  # most of the light is over
    assert not late.bound.any()


def test_a_shift_ends_within_an_hour_and_noise_at_night_is_none_of_it() -> None:
    of = budget(microwatt=50.0, active=False)
    hour = np.arange(24)
    profile = np.where(hour < 6, 0.15, np.clip(21.5 - hour, 0.15, 1.0))
    made = past_harvest([days_full_from_14(of, 7.5, 7.5, profile=profile)], site(), FIRST + 60)
    assert np.nanmean(made.power) * 86400 == pytest.approx(15.5 * 0.5, rel=0.1)  # noise adds a tenth to the course


def test_a_night_shift_is_full_at_its_end_not_before_midnight() -> None:
    # Even harvest of 8 J from 22 to 6 o'clock, full from midnight on: 2 J until then, and the 6/24 of 3 J spent since.
    # It reads full for an hour more.
    shift = budget(microwatt=90.0)
    hours = shift.harvest.model_copy(update={"active_hours": (22.0, 6.0), "active_days": tuple(range(7))})
    of, spent, zero = shift.model_copy(update={"harvest": hours}), np.full(60, 3.0), np.zeros(60)
    node = NodeDays(
        "a", of, FIRST + np.arange(60), 2.0 + 3.0 * 6 / 24 + zero, spent, zero, zero, np.full(60, 7 * 3600.0),
        np.full(60, 86400.0), zero, zero,
    )  # fmt: skip
    made = past_harvest([node], site(), FIRST + 60)
    assert np.nanmean(made.power) * 86400 == pytest.approx(8.0, rel=0.1)
    assert np.nanmean(made.lost) == pytest.approx(0.75, abs=0.05)


def test_past_closures_leave_the_level_alone_and_planned_ones_cut_the_days_ahead() -> None:
    day = np.timedelta64(1, "D")
    stops = (
        Closure(FIRST + 20 * day, FIRST + 30 * day, 0.0),
        Closure((FIRST + 45 * day).astype("datetime64[h]") + 12, (FIRST + 47 * day).astype("datetime64[h]"), 0.5),
    )
    harvest = np.full(40, 6.0)
    harvest[20:30] = 0.0
    ahead = one(rows(harvest, budget(active=False)), site(closures=stops)).expected
    np.testing.assert_allclose(ahead[[0, 4, 7]], 6.0, rtol=0.1)
    np.testing.assert_allclose(ahead[[5, 6]] / ahead[4], [0.75, 0.5], rtol=0.03)


@pytest.mark.parametrize("left", [0.0, 0.3, 1.0])
def test_what_a_past_closure_left_is_what_the_next_is_expected_to_leave(left: float) -> None:
    # A furnace that is kept warm at three tenths, or not shut at all, though the plan says that nothing is left.
    day = np.timedelta64(1, "D")
    stops = Closure(FIRST + 60 * day, FIRST + 70 * day, 0.0), Closure(FIRST + 95 * day, FIRST + 105 * day, 0.0)
    harvest = 6.0 * np.exp(np.random.default_rng(3).normal(0, 0.2, 90))
    harvest[60:70] *= left
    of = budget("thermal", 6.0 / 86400 * 1e6, active=False)
    before = one(rows(harvest[:55], of), site(closures=stops), days=30)
    after = one(rows(harvest, of), site(closures=stops), days=30)
    assert after.expected[8] / after.expected[0] == pytest.approx(left, abs=0.25)
    assert after.expected[0] == pytest.approx(6.0, rel=0.15)  # a closure says nothing of the level
    assert after.kept_sd < before.kept_sd / 2


@pytest.mark.parametrize(("full", "least", "most"), [(0.0, 0.6, 0.8), (0.9, 0.8, 1.0)])
def test_a_closed_day_on_which_a_node_was_full_says_at_least(full: float, least: float, most: float) -> None:
    # Of 8 J a day by the budget the node took in 5.6 J on closed days; if it was full then, no more is known.
    day = np.timedelta64(1, "D")
    stop = (Closure(FIRST + 60 * day, FIRST + 66 * day, 0.0),)
    harvest, full_s = np.full(80, 8.0), np.zeros(80)
    harvest[60:66], full_s[60:66] = 5.6, full * 86400.0
    of = budget("radio", 8.0 / 86400 * 1e6, active=False)
    found = one(rows(harvest, of, full_s=full_s), site(closures=stop))
    assert least < found.kept <= most
    assert found.kept_sd < 0.35


def test_days_ahead_are_cut_at_the_hour_of_the_forecast() -> None:
    # Noon on Thursday: the last step before the weekend holds Friday's morning and Friday noon begins the short one.
    pattern = np.array([10, 10, 10, 10, 10, 0, 0.0])
    node = rows(np.tile(pattern, 13)[:87], budget())  # up to Wednesday
    found = one(node, site(), hour=14)
    np.testing.assert_allclose(found.expected[:4] / found.expected[0], [1.0, 0.5, 0.0, 0.5], atol=0.06)
    shape = found.shapes[found.shape_of[0]]
    assert shape[8] == pytest.approx(0.5, abs=0.01)  # 14 to 22 o'clock
    assert shape[16] == pytest.approx(0.5, abs=0.01)  # nothing at night


def test_nodes_of_a_site_share_what_they_share() -> None:
    rng = np.random.default_rng(4)
    common = rng.normal(size=200)
    of = budget(active=False)
    nodes = [rows(5 * np.exp(0.3 * (0.8 * common + 0.6 * rng.normal(size=200))), of, f"n{i}") for i in range(8)]
    found = outlooks(nodes, site(), FIRST + np.timedelta64(200, "D"), 0, 28)
    assert found[0].site_share == pytest.approx(0.8, abs=0.1)


def test_no_harvester_no_harvest() -> None:
    # Also where the readings of a flat curve look like harvest, from some day on.
    found = one(rows(np.repeat([0.1, 30.0], 60), budget("none", 0.0, active=False)), site())
    assert (found.expected == 0).all()
    assert found.mean_sd == found.level_sd == 0.0


def test_a_past_stop_of_a_node_that_is_mostly_full_leaves_no_step_behind() -> None:
    """Since the stop nearly all days are lower bounds: those of the stop must not stand for the rest."""
    rng = np.random.default_rng(4)
    offered = 10.0 * rng.lognormal(-0.01, 0.15, 150)
    offered[100:107] *= 0.15
    full_s = np.where(offered > 5.0, (1 - 2.0 / offered) * 86400.0, 0.0)  # from when it has taken 2 J in
    full_s[::7] = 0.0  # but for the day after each weekend
    taken = np.where(full_s > 0, 2.0, offered)
    expected = one(rows(taken, budget(active=False, microwatt=1e6 * 10 / 86400), full_s=full_s), site()).expected
    assert expected.mean() == pytest.approx(10.0, rel=0.15)


def test_the_pace_until_full_tells_that_there_was_more() -> None:
    """The budget believes in 10 J a day. Full after a twentieth of the day with 2 J, or with 4: truly 40 and 80 J."""
    of = budget(active=False, microwatt=1e6 * 10 / 86400)
    full_s, zero = np.full(120, 0.95 * 86400.0), np.zeros(120)
    slow, fast = (
        one(rows(np.full(120, taken), of, full_s=full_s, wake_j=zero), site()).expected.mean() for taken in (2.0, 4.0)
    )
    assert 10.0 < slow < fast
    cell = parse_budget((FOLDER / "budgets" / "yard-battery.toml").read_text(), "yard-battery.toml")
    taken = cell.harvest.mean_power * 86400 / 5
    told = one(rows(np.full(120, taken), cell, full_s=full_s, wake_j=zero), site())
    assert told.past_bound == 1.0
    assert told.past_harvest == pytest.approx(taken, rel=0.05)  # when a cell became full does not show


def test_single_days_ahead_are_of_days_that_were_as_usual() -> None:
    """Not of a closure, nor of a stop that most nodes share, nor of the days beside either; another 28 are lent."""
    rng, of, day = np.random.default_rng(5), budget(active=False), np.timedelta64(1, "D")
    harvest = 5 * np.exp(rng.normal(0, 0.1, (3, 100)))
    hours = np.ones((29, 24))  # of the days 72 to 99, and of today up to now
    hours[-1, 10:] = np.nan

    def found(stopped: slice, nodes: int, *closures: Closure) -> list[int]:
        came = harvest.copy()
        came[:nodes, stopped] *= 0.02
        ledgers = [rows(x, of, f"n{i}")._replace(hours=hours) for i, x in enumerate(came)]
        return [one.single - 28 for one in outlooks(ledgers, site(closures=closures), FIRST + 100 * day, 10, 28)]

    none = slice(0)
    assert found(none, 0) == [28] * 3
    # Each run of four odd days takes two beside it, and the day that ends in the first of them.
    assert found(none, 0, Closure(FIRST + 80 * day, FIRST + 84 * day, 0.0)) == [28 - 7] * 3
    assert found(slice(85, 89), 3) == [28 - 7] * 3
    assert found(slice(85, 89), 1) == [28] * 3  # one machine's own stop may come again
    assert found(slice(96, 100), 3) == [28 - 6] * 3  # still on
    assert [one.single for one in outlooks([rows(harvest[0], of)], site(), FIRST + 100 * day, 10, 28)] == [0]

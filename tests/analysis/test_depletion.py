from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from outlooks import budget, linear_noise, node, steady
from scipy.stats import norm

from analysis import closed_form
from analysis.depletion import FleetForecast, forecast, sustainable_interval
from analysis.outlook import HarvestOutlook, NodeOutlook

WAKE_J = 0.03  # 3 V, 10 mA, 1 s


def band(share: float, count: int) -> float:
    """Three standard deviations of a simulated share."""
    return float(3 * np.sqrt(share * (1 - share) / count))


@pytest.mark.parametrize("days", [60, 90, 100, 120, 150])
def test_random_walk_goes_dark_as_the_inverse_gaussian_says(days: int) -> None:
    # Margin 10 J, loss 0.1 J a day, sd 0.3 J a day, a store far from full, looked at once a day.
    big = budget(capacitance=100, wakes=70)  # spends 2.1 J a day
    noisy = node(steady(2.0, noise=linear_noise(0.15)), big, usable=10.0)
    found = forecast([noisy], paths=4000).p_dark(days)[0]
    expected = float(closed_form.first_passage_cdf(days, 10.0, 0.1, 0.3, sampled=True))
    assert found == pytest.approx(expected, abs=band(expected, 4000) + 0.005)  # 0.005: the shift is an approximation


def test_wakes_that_go_with_the_harvest_steady_the_balance() -> None:
    # As above, but a day with 0.3 J more of harvest spends a twentieth of 2.1 J more, too.
    noisy = node(steady(2.0, noise=linear_noise(0.15)), budget(100, wakes=70), usable=10.0, rate_follows=0.05)
    found = forecast([noisy], paths=4000)
    for days in (90, 100, 120):
        expected = float(closed_form.first_passage_cdf(days, 10.0, 0.1, 0.3 - 0.05 * 2.1, sampled=True))
        assert found.p_dark(days)[0] == pytest.approx(expected, abs=band(expected, 4000) + 0.01)


def test_correlated_days_go_dark_as_the_walk_with_the_wider_sd() -> None:
    correlated = steady(2.0, noise=linear_noise(0.05), noise_keep=0.6)
    found = forecast([node(correlated, budget(100, wakes=70), usable=10.0)], paths=4000)
    wide = float(closed_form.autocorrelated_sd(0.1, 0.6))
    for days in (90, 100, 120):
        expected = float(closed_form.first_passage_cdf(days, 10.0, 0.1, wide))
        assert found.p_dark(days)[0] == pytest.approx(expected, abs=band(expected, 4000) + 0.02)


def test_gaining_node_is_ruined_as_often_as_the_closed_form_says() -> None:
    gaining = node(steady(2.11, noise=linear_noise(0.3 / 2.11)), budget(100, wakes=70), usable=2.0)
    found = forecast([gaining], paths=4000).p_dark(365)[0]
    ever = closed_form.ever_empty_probability(0.01, 0.3, 2.0 + closed_form.SAMPLING_SHIFT * 0.3)
    within = float(closed_form.first_passage_cdf(365, 2.0, -0.01, 0.3, sampled=True))
    assert within < ever
    assert found == pytest.approx(within, abs=band(within, 4000) + 0.01)


def test_battery_of_days_lasts_its_autonomy_by_hand() -> None:
    # 8 J usable, 48 wakes of 0.03 J a day, nothing coming in: 5.556 days, in every future.
    alone = forecast([node(steady(0.0), budget(wakes=48), usable=8.0)], paths=50)
    assert alone.autonomy_days[0] == pytest.approx(8 / (48 * WAKE_J), rel=1e-3)
    for value in (alone.days_p10[0], alone.days_p50[0], alone.days_p90[0], *alone.visit_by_days[0]):
        assert value == pytest.approx(8 / (48 * WAKE_J), rel=2e-3)
    assert (alone.p_dark_7d[0], alone.balance_w[0]) == (1.0, pytest.approx(-48 * WAKE_J / 86400))


@pytest.mark.parametrize("day", [0, 3])
def test_each_day_spends_its_wakes_at_its_own_hours(day: int) -> None:
    # 1.44 J a day, of which one day wakes from its 18th to its 24th hour only, and 1 J left at its begin.
    hours = np.ones((7, 24))
    hours[day] = np.where(np.arange(24) < 18, 0.0, 4.0)
    harvest = steady(
        0.0, shapes=np.tile(np.linspace(0.0, 1.0, 25), (7, 1)), shape_of=np.arange(365, dtype=np.int32) % 7
    )
    late = forecast([node(harvest, budget(wakes=48), usable=1.0 + day * 48 * WAKE_J, wake_hours=hours)], paths=50)
    assert late.days_p50[0] == pytest.approx(day + (18 + 6 * 1.0 / 1.44) / 24, abs=2e-3)
    even = forecast([node(harvest, budget(wakes=48), usable=1.0 + day * 48 * WAKE_J)], paths=50)
    assert even.days_p50[0] == pytest.approx(day + 1.0 / 1.44, abs=2e-3)


def test_a_leak_that_is_steep_in_voltage_lets_a_node_live_below_full() -> None:
    # Full it leaks 3 J a day, and at 2 V ohmic still 0.48, more than the 0.4 J that harvest brings beyond the load; of
    # the steep one next to nothing is left there.
    leaky = budget(wakes=48, leakage=3.0 / 86400 / 5.0 * 1e6)
    ohmic, steep = (node(steady(1.84), leaky, usable=10.4, leakage_by=by) for by in ((0.0, 0.0, 0.0), (1.9, 0.0, 0.0)))
    assert ohmic.drains[-1, 2] == pytest.approx(steep.drains[-1, 2]) == pytest.approx(3.0)
    assert forecast([ohmic, steep], paths=20).p_dark_90d.tolist() == [1.0, 0.0]


def weekend(days: int = 364) -> HarvestOutlook:
    """Five days of 3 J between 6 and 22 o'clock, then two without; the forecast is made on a Monday at midnight."""
    day = np.clip((np.arange(25) - 6) / 16, 0, 1)[None]
    week = np.array([1.0, 1, 1, 1, 1, 0, 0])[np.arange(days) % 7]
    return HarvestOutlook(mean=3.0, season=np.ones(days), week=week, closure=np.ones(days), shapes=day)


@pytest.mark.parametrize(("capacitance", "dies"), [(0.30, True), (0.42, False)])
def test_weekend_kills_the_store_that_cannot_outlast_it(capacitance: float, dies: bool) -> None:
    # Load 1.44 J a day. Full at 22 h on Friday: 56 h to Monday 6 h take 3.36 J, and 10.5 J per farad are usable
    # between 5 V and 2 V: below 0.32 F the weekend is too long, above it never.
    found = forecast([node(weekend(), budget(capacitance, wakes=48), usable=10.5 * capacitance)], paths=20)
    assert found.p_dark_30d[0] == float(dies)
    if dies:
        hours = 10.5 * capacitance / 1.44 * 24
        assert found.days_p50[0] == pytest.approx(4 + 22 / 24 + hours / 24, abs=0.02)
    else:
        assert np.isnan(found.days_p90[0])


def test_a_closure_is_as_deadly_as_it_is_sure_to_take_the_harvest_away() -> None:
    # At 1.44 J a day 10.5 J usable last 7.3 of the 20 closed days, and all of them if 0.915 of the usual 3 J come.
    closure = np.r_[np.ones(5), np.zeros(20), np.ones(5)]
    nodes = [
        node(replace(steady(3.0, 30, **kept), closure=closure), budget(wakes=48), usable=10.5)
        for kept in ({}, {"kept": 0.5, "kept_sd": 0.5}, {"kept": 0.7})
    ]
    sure, doubtful, open_ = forecast(nodes, paths=4000).p_dark_30d
    assert (sure, open_) == (1.0, 0.0)
    assert doubtful == pytest.approx(norm.cdf((0.305 - 0.5) / 0.5), abs=0.03)


def test_night_kills_a_small_capacitor() -> None:
    day = np.clip((np.arange(25) - 6) / 16, 0, 1)[None]
    daily = steady(2.0, shapes=day)
    # Load 60 mJ an hour, harvest 125 mJ an hour from 6 to 22 o'clock. 0.04 F hold 0.42 J: full at 22 h, gone at 5 h.
    found = forecast([node(daily, budget(0.04, wakes=48), usable=0.42)], paths=10)
    assert found.days_p50[0] == pytest.approx(29 / 24, abs=0.02)
    assert forecast([node(daily, budget(0.06, wakes=48), usable=0.6)], paths=10).p_dark_90d[0] == 0.0


def reference(of: NodeOutlook, days: int) -> tuple[float, np.ndarray[Any, np.dtype[np.float64]]]:
    """Another implementation, by the minute and without noise: days to dark, and usable energy each midnight."""
    cap, store = of.budget.storage.capacitance or 0.0, of.budget.storage
    h = of.harvest
    harvest = h.mean * h.season * h.week * h.closure
    ratio, volts, first, dark, usable = of.capacity_ratio, of.voltage, np.inf, False, []
    for minute in range(days * 1440):
        day, hour = minute // 1440, minute % 1440 // 60
        power = harvest[day] * (h.shapes[0, hour + 1] - h.shapes[0, hour]) / 60
        leak = of.leakage_ratio * store.leakage_current * volts**2 / store.full_voltage * 60
        load = 0.0 if dark else (of.wakes_per_day * WAKE_J / 1440 + of.budget.load.sleep_current * 3.0 * 60)
        now = ratio * (1 - of.fade_per_year * day / 365.25)
        volts = np.sqrt(max(volts**2 + 2 * (power - leak - load) / (cap * now), 0.0))
        volts = min(volts, store.full_voltage)
        if not dark and volts <= store.cutoff_voltage:
            dark, first = True, min(first, (minute + 1) / 1440)
        elif dark and volts >= store.voltage_restart:
            dark = False
        if (minute + 1) % 1440 == 0:
            usable.append(max(cap / 2 * (volts**2 - store.cutoff_voltage**2), 0.0) * now)
    return first, np.array(usable)


@pytest.mark.parametrize("capacitance", [0.15, 0.5, 2.0])
@pytest.mark.parametrize("mean", [1.2, 2.4, 4.0])
def test_simulation_follows_a_minute_by_minute_one(capacitance: float, mean: float) -> None:
    of = budget(capacitance, leakage=2.0, sleep=1.5, wakes=40)
    settings = {"capacity_ratio": 0.9, "leakage_ratio": 1.3, "fade_per_year": 0.3}
    probe = node(replace(weekend(56), mean=mean), of, usable=7 * capacitance, **settings)
    first, usable = reference(probe, 56)
    found = forecast([probe], paths=3)
    full = 10.5 * capacitance
    seen = found.days_ahead.astype(int) - 1
    # A day is one step between boundaries and leakage is taken at its middle: 2 % of the store. Once the node has gone
    # dark every day is one step: 15 % of the store, so that a restart may be off by half a day.
    tolerance = np.where(found.days_ahead <= first, 0.02, 0.15) * full
    assert (np.abs(found.usable[0, :, 2] - usable[seen]) <= tolerance).all()
    if np.isinf(first):
        assert np.isnan(found.days_p50[0])
    else:
        assert found.days_p50[0] == pytest.approx(first, abs=0.06)


def test_dark_node_comes_back_when_the_harvest_refills_it() -> None:
    # From 2.0 V to 2.5 V a 1 F store takes 1.125 J; 0.5 J a day come in evenly: 2.25 days.
    dark = node(steady(0.5), budget(wakes=2), usable=0.0, dark=True)
    found = forecast([dark], paths=20)
    assert found.p_dark_7d[0] == 1.0
    assert found.back_p50[0] == pytest.approx(2.25, abs=0.005)
    never = forecast([replace(dark, harvest=steady(0.0))], paths=20)
    assert np.isnan(never.back_p10[0])


def test_lasting_errors_shared_by_harvest_and_load_do_not_move_the_balance() -> None:
    # The level was measured through the same wake energy: 20 % doubt in it cancels while wakes and harvest go on.
    big = budget(capacitance=20, wakes=48)
    harvest = steady(1.40, past_wake=1.44, past_harvest=1.40)
    tied = forecast([node(harvest, big, usable=10.0, wake_sd=0.2)], paths=500).usable[0, 9]
    loose = forecast([node(steady(1.40), big, usable=10.0, wake_sd=0.2)], paths=500).usable[0, 9]
    # Beside the doubt of the reading: 1.5 % of 20 F between 2 V and 5 V, 210 J, from the 5 % to the 95 % quantile.
    reading = 2 * 1.6449 * 0.015 * 210.0
    assert (tied[4] - tied[0]) ** 2 - reading**2 < 0.5
    assert (loose[4] - loose[0]) ** 2 - reading**2 > 9.0


def test_forecast_of_a_node_does_not_depend_on_its_neighbours_or_threads() -> None:
    nodes = [
        node(
            steady(1.4, noise=linear_noise(0.3), site_share=0.7),
            budget(wakes=48),
            6.0,
            node_id=f"n{i}",
            site=f"s{i % 3}",
        )
        for i in range(30)
    ]
    together = forecast(nodes, paths=200, seed=4)
    alone = forecast(nodes[7:8], paths=200, seed=4, threads=1)
    assert together.p_dark_30d[7] == alone.p_dark_30d[0]
    np.testing.assert_array_equal(together.dark_day[7], alone.dark_day[0])


def test_nodes_of_a_site_go_dark_together() -> None:
    def joint(share: float) -> float:
        harvest = steady(1.40, noise=linear_noise(0.35), site_share=share)
        pair = [node(harvest, budget(wakes=48), 4.0, node_id=name) for name in ("a", "b")]
        dark = forecast(pair, paths=2000).dark_day <= 60
        return float(np.corrcoef(dark)[0, 1])

    assert joint(0.95) > 0.6
    assert abs(joint(0.0)) < 0.08  # three standard deviations of a correlation of 2000 draws


def test_more_energy_harvest_or_less_load_never_makes_it_worse() -> None:
    def risk(**kw: float) -> FleetForecast:
        usable, mean, wakes = (kw.get(k, v) for k, v in (("usable", 4.0), ("mean", 1.4), ("wakes", 48)))
        harvest = steady(mean, noise=linear_noise(0.3), noise_keep=0.4)
        return forecast([node(harvest, budget(wakes=48), usable, wakes_per_day=wakes)], paths=300)

    base = risk()
    for better in ({"usable": 6.0}, {"mean": 1.5}, {"wakes": 45}):
        assert (risk(**better).dark_day >= base.dark_day - 1e-6).all()
    assert (np.diff(base.usable[0], axis=1) >= 0).all()


def test_sustainable_interval_spends_what_comes_in() -> None:
    # No noise, even harvest: the interval at which wakes spend the harvest less sleep, and the store over the year.
    harvest, of = steady(2.0), budget(sleep=1.0, wakes=48)
    probe = node(harvest, of, usable=5.0)
    per_day = (2.0 - 86400 * 3e-6 + 5.0 / 365) / WAKE_J
    found = sustainable_interval([probe])[0]
    assert found == pytest.approx(86400 / per_day, rel=0.01)
    rate = float(closed_form.sustainable_wake_rate(2.0 / 86400, 3e-6, WAKE_J))
    assert found == pytest.approx(1 / rate, rel=0.02)  # the rate that lasts for ever, the store's 0.8 % aside


def test_sustainable_interval_keeps_the_risk_asked_for() -> None:
    probe = node(steady(2.0, noise=linear_noise(0.4), noise_keep=0.5), budget(wakes=48), usable=8.0)
    interval = sustainable_interval([probe], risk=0.05, paths=400)[0]
    at = forecast([replace(probe, wakes_per_day=86400 / interval)], paths=4000).p_dark(365)[0]
    assert at == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 400))


def test_no_interval_saves_a_node_whose_sleep_is_too_much() -> None:
    asleep = node(steady(0.2), budget(sleep=2.0, wakes=48), usable=5.0)
    dark = node(steady(2.0), budget(wakes=48), usable=0.0, dark=True)
    assert np.isnan(sustainable_interval([asleep, dark])).all()


def test_bad_input_is_named() -> None:
    with pytest.raises(ValueError, match="capacity_ratio of probe must be finite"):
        node(steady(1.0), budget(), 5.0, capacity_ratio=0.0)
    with pytest.raises(ValueError, match="same number of days"):
        forecast([node(steady(1.0, 30), budget(), 5.0), node(steady(1.0, 40), budget(), 5.0)])


CLOSED = {"closure": np.where(np.arange(40) < 10, 0.0, 1.0)}
STOPPED = {"stop_days": 1000.0, "stop_share": 1.0, "stop_factor": 0.0}  # outlasts ten days more


@pytest.mark.parametrize("rest", [CLOSED, STOPPED], ids=["closed", "stopped"])
def test_days_at_rest_spend_as_few_wakes_as_closed_days_did(rest: dict[str, Any]) -> None:
    # By hand: 70 wakes of 0.03 J a day and no harvest for ten days take 21 J; a fifth of the wakes 4.2 J, of 10 J.
    resting, of = replace(steady(2.1, days=40), **rest), budget(100, wakes=70)
    found = forecast([node(resting, of, usable=10.0, wake_closed=closed) for closed in (np.inf, 0.2)], paths=20)
    assert found.p_dark_7d.tolist() == [1.0, 0.0]
    ten = list(found.days_ahead).index(10.0)
    assert found.usable[1, ten, 2] == pytest.approx(10 - 10 * 0.2 * 2.1, rel=0.02)


@pytest.mark.parametrize("tail", [1.0, 2.0])
def test_a_stop_that_is_still_on_lasts_as_said(tail: float) -> None:
    # 10 J at 1 J a day without harvest end after ten days: the chance that a stop of five days lasts ten more.
    stopped = replace(steady(1.0, days=40), stop_days=5.0, stop_share=1.0, stop_factor=0.0, stop_tail=tail)
    found = forecast([node(stopped, budget(100, wakes=33.333), usable=10.0)], paths=4000)
    chance = (5 / 15) ** tail
    assert found.p_dark(11.0)[0] == pytest.approx(chance, abs=band(chance, 4000) + 0.02)


def test_a_harvest_spares_a_primary_cell_and_does_not_charge_it() -> None:
    plain = budget(sleep=20.0, harvest=70.0)
    cell = plain.model_copy(update={"storage": plain.storage.model_copy(update={"technology": "primary"})})
    rich = steady(50.0, noise=linear_noise(0.5))
    low, high = (forecast([node(rich, of, 3.0)]).usable[0, -1, 2] for of in (cell, plain))
    assert low <= 3.0 * 1.01  # a cell that stood at 3 J holds no more in a year's time
    assert high > 6.0  # a capacitor is charged


def test_the_low_point_of_a_node_that_only_gains_is_now() -> None:
    found = forecast([node(steady(2.0, days=60), budget(wakes=48), usable=3.0)], paths=20)
    assert found.low_day[0] == 0.0
    assert found.low_usable[0] == pytest.approx(3.0, rel=1e-3)


def test_the_low_point_is_found_on_its_day_wherever_it_lies() -> None:
    """Two closed days five months ahead, which cost 2.9 J of a full storage; it has 8 J now."""
    closure = np.where(np.isin(np.arange(365), (152, 153)), 0.0, 1.0)
    shut = node(replace(steady(1.6), closure=closure), budget(wakes=48), usable=8.0)
    found = forecast([shut], paths=40)
    assert found.low_day[0] == 154.0
    # By hand: 1 F holds 10.5 J between 5 V and 2 V.
    assert found.low_usable[0] == pytest.approx(10.5 - 2 * 48 * WAKE_J, abs=0.01)

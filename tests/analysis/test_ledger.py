"""The ledger: by hand on small cases, closing on every row, whatever the reports look like."""

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.ledger import STORED_VAR, VOLTAGE_NOISE, day_sums, node_terms, swaps
from analysis.limits import slope_bound
from analysis.nominal_days import nominal_days
from analysis.series import Series, calendar
from fixtures.mill import FOLDER
from ingest.budget import parse_budget
from ingest.counters import BOOT_MISSING
from tests.conftest import CONVEYOR, START

HOUR, DAY = 3600.0, 86400.0
BUDGET = parse_budget(CONVEYOR, "b.toml")
PRIMARY = parse_budget((FOLDER / "budgets" / "floor-primary.toml").read_text(), "p.toml")
WAKE_J = 3.0 * 14e-3 * 0.7 / 0.85  # 34.59 mJ by hand
SLEEP_W = 3.0 * 2.4e-6 / 0.85


def series(time, volts, wakes, boot=BOOT_MISSING):
    n = len(time)
    blank = np.full(n, np.nan)
    return Series(
        np.array([0, n]), np.asarray(time, float), np.asarray(volts, float), np.asarray(wakes, np.int64), blank, blank,
        np.broadcast_to(np.asarray(boot, np.int64), n).copy(),
    )  # fmt: skip


def account(reports, days=1, zone="UTC", budget=BUDGET, first=date(2026, 1, 1)):
    site = calendar(ZoneInfo(zone), first, days)
    sums = day_sums(reports, node_terms([budget]), [site], np.array([0]))
    return nominal_days(sums, [budget])


def test_a_day_by_hand():
    # 3.0 V to 3.1 V on 1 F stores (9.61 - 9) / 2 = 0.305 J; 48 wakes and a day asleep come on top.
    day = account(series(START + np.arange(25) * HOUR, np.linspace(3.0, 3.1, 25), np.arange(25) * 2))
    assert day.stored_j[0, 0] == pytest.approx(0.305, abs=1e-4)  # grid points 12 mV apart
    assert day.wake_j[0, 0] == pytest.approx(48 * WAKE_J)
    assert day.sleep_j[0, 0] == pytest.approx(DAY * SLEEP_W)
    assert (day.wakes[0, 0], day.observed_s[0, 0], day.full_s[0, 0]) == (48, DAY, 0)


def test_a_days_temperature_is_the_mean_over_the_time_it_was_reported():
    # By hand: from 10 to 22 degC over the first twelve hours is 16 on the mean; the rest of the day is not measured.
    reports = series(START + np.arange(49) * HOUR, np.full(49, 3.0), np.arange(49))
    warm = np.where(np.arange(49) <= 12, 10.0 + np.arange(49), np.nan)
    days = account(replace(reports, temp_c=warm), days=2)
    assert days.temp_c[0, 0] == pytest.approx(16.0)
    assert np.isnan(days.temp_c[0, 1])


@pytest.mark.parametrize("span", [(10.4 * HOUR, 10.4 * HOUR + 1), (0.0, DAY)])  # its hour, or its day
def test_a_new_storage_is_no_harvest(span):
    """Put in at 10:24, fully charged: the hour in which it came is left out, and with it what the two differ by."""
    volts = np.where(np.arange(25) <= 10, np.linspace(3.0, 3.1, 25), 4.5)
    reports = series(START + np.arange(25) * HOUR, volts, np.arange(25) * 2)
    swapped = swaps(reports, [[(START + span[0], START + span[1])]])
    assert np.flatnonzero(swapped).tolist() == [11]
    site = calendar(ZoneInfo("UTC"), date(2026, 1, 1), 1)
    day = nominal_days(day_sums(reports, node_terms([BUDGET]), [site], np.array([0]), swapped), [BUDGET])
    assert day.observed_s[0, 0] == DAY - HOUR
    assert day.stored_j[0, 0] == pytest.approx((volts[10] ** 2 - 9) / 2, abs=1e-4)
    assert day.wakes[0, 0] == 46


def test_ledger_day_splits_at_site_midnight():
    # New York's 1 January begins at 05:00 UTC: of reports at 00:30 and hourly on, 4.5 h belong to 31 December.
    reports = series(START + 1800 + np.arange(10) * HOUR, np.full(10, 3.0), np.arange(10) * 10)
    days = account(reports, days=2, zone="America/New_York", first=date(2025, 12, 31))
    assert days.observed_s[0].tolist() == [4.5 * HOUR, 4.5 * HOUR]
    assert days.wakes[0].tolist() == [45, 45]


def test_a_day_of_25_hours_is_observed_for_25_hours():
    # Clocks in New York go back on 1 November 2026 (US Energy Policy Act of 2005: first Sunday of November).
    first = datetime(2026, 11, 1, 4, tzinfo=UTC).timestamp()
    days = account(series(first + np.arange(50) * HOUR, np.full(50, 3.0), np.arange(50)), 2, "America/New_York",
                   first=date(2026, 11, 1))  # fmt: skip
    assert days.observed_s[0].tolist() == [25 * HOUR, 24 * HOUR]


def test_a_hole_is_not_observed():
    time = START + np.concatenate([np.arange(0, 7), np.arange(14, 25)]) * HOUR
    day = account(series(time, np.full(18, 3.0), np.arange(18)))
    assert day.observed_s[0, 0] == 16 * HOUR
    assert day.wakes[0, 0] == 16


def test_roll_over_counts_and_a_restart_does_not():
    time = START + np.arange(5) * HOUR
    assert account(series(time, np.full(5, 3.0), [65534, 65535, 1, 2, 3])).wakes[0, 0] == 5
    restarted = account(series(time, np.full(5, 3.0), [100, 102, 1, 3, 5], boot=[4, 4, 5, 5, 5]))
    assert restarted.wakes[0, 0] == 2 + 2 + 2
    assert restarted.observed_s[0, 0] == 3 * HOUR


def test_full_hours_are_counted():
    volts = np.array([4.9, 5.0, 5.0, 5.0, 4.9])
    day = account(series(START + np.arange(5) * HOUR, volts, np.zeros(5)))
    # Full from 4.975 V (0.5 % below 5 V): by straight lines a quarter hour at each flank and two hours between.
    assert day.full_s[0, 0] == pytest.approx(2.5 * HOUR)


def test_a_day_tells_when_the_node_came_up_to_its_highest_of_midday():
    # A full capacitor floats above its full voltage in the cold of night; by day it stands at it from eight o'clock on.
    night, climb, noon = np.full(5, 5.02), np.array([4.85, 4.80, 4.9, 5.0]), np.full(9, 5.0)
    volts = np.concatenate([night, climb, noon, np.full(6, 5.02)])
    day = account(series(START + np.arange(24) * HOUR, volts, np.zeros(24)))
    assert day.noon_v[0, 0] == 5.0
    assert day.risen_at[0, 0] == pytest.approx(START + 7.75 * HOUR)  # at 4.975 V, 0.5 % less
    sank = account(series(START + np.arange(24) * HOUR, np.linspace(5.0, 4.0, 24), np.zeros(24)))
    assert sank.risen_at[0, 0] == START + DAY
    stood = account(series(START + np.arange(24) * HOUR, np.full(24, 4.99), np.zeros(24)))
    assert stood.risen_at[0, 0] == START


def test_current_through_a_linear_regulator_costs_by_voltage():
    budget = BUDGET.model_copy(update={"load": BUDGET.load.model_copy(update={"regulator": "linear"})})
    day = account(series(START + np.arange(25) * HOUR, np.full(25, 4.0), np.arange(25)), budget=budget)
    assert day.wake_j[0, 0] == pytest.approx(24 * 4.0 * 14e-3 * 0.7)
    assert day.sleep_j[0, 0] == pytest.approx(DAY * 4.0 * 2.4e-6)


@pytest.mark.parametrize("on_the_hour", [False, True])
def test_one_chunk_and_two_give_the_same_rows(on_the_hour):
    # The same reports in one pass, and day by day with the neighbours' reports in reach.
    rng = np.random.default_rng(5)
    time = START + (np.arange(120) * HOUR if on_the_hour else np.sort(rng.uniform(0, 4 * DAY, 120)))
    reports = series(time, 3 + 0.5 * rng.random(120), np.cumsum(rng.integers(0, 9, 120)))
    whole = account(reports, days=4)
    for i in range(4):
        alone = account(reports, days=1, first=date(2026, 1, 1 + i))
        assert alone.wakes[0, 0] == whole.wakes[0, i]
        assert alone.stored_j[0, 0] == pytest.approx(whole.stored_j[0, i], rel=1e-9, abs=1e-12)
        assert alone.stored_var_j2[0, 0] == pytest.approx(whole.stored_var_j2[0, i], rel=1e-9)
        assert alone.observed_s[0, 0] == pytest.approx(whole.observed_s[0, i])


report_lists = st.lists(
    st.tuples(st.floats(0, 3 * DAY), st.floats(0, 6), st.integers(0, 70_000), st.sampled_from([BOOT_MISSING, 1, 2])),
    min_size=2, max_size=60, unique_by=lambda r: r[0],
)  # fmt: skip


@settings(deadline=None)
@given(report_lists)
def test_days_stay_within_bounds_whatever_is_reported(rows):
    time, volts, wakes, boot = zip(*sorted(rows), strict=True)
    days = account(series(START + np.array(time), volts, wakes, boot), days=3)
    assert (days.observed_s <= DAY + 1e-6).all()
    assert (days.full_s <= days.observed_s + 1e-6).all()
    assert (days.stored_var_j2 >= 0).all()
    assert (days.wakes >= 0).all()
    # What is stored over all days cannot exceed what the storage holds between empty and the grid's top.
    assert np.abs(days.stored_j).sum() <= 60 * (1.25 * 5.0) ** 2 / 2


def test_noise_of_a_day_is_as_stated():
    # 400 simulated quiet days, voltage noise as the kernel assumes: the spread of net harvest must match the stated
    # part that comes from readings. chi-square of 400: within 12 % at four standard errors of a standard deviation.
    rng = np.random.default_rng(1)
    noise = float(node_terms([BUDGET]).figures[0, VOLTAGE_NOISE])
    hours = np.arange(25) * HOUR + START
    changes = [
        account(series(hours, 3.5 + noise * rng.standard_normal(25), np.zeros(25))).stored_j[0, 0] for _ in range(400)
    ]
    sums = day_sums(series(hours, np.full(25, 3.5), np.zeros(25)), node_terms([BUDGET]),
                    [calendar(ZoneInfo("UTC"), date(2026, 1, 1), 1)], np.array([0]))  # fmt: skip
    assert np.std(changes) == pytest.approx(np.sqrt(sums[0, 0, STORED_VAR]), rel=0.15)


@pytest.mark.parametrize("times", [1.0, 1.4], ids=["as believed", "of most of a step"])
@pytest.mark.parametrize("every", [3600.0, 900.0])
def test_noise_of_a_days_net_harvest_is_near_the_cramer_rao_bound(every, times):
    # Slope bound 12 s^2 / (dt^2 N (N^2 - 1)) of a straight line in white noise; 300 nights and days of constant net
    # power with a wake every 50 minutes, whose whole number must not show. Four standard errors of 300 are 16 %.
    rng = np.random.default_rng(2)
    days, noise, power = 300, times * float(node_terms([BUDGET]).figures[0, VOLTAGE_NOISE]), 4e-6
    time = START + 700.0 + np.arange(0.0, days * DAY, every)
    wakes = np.floor((time - START) / 3000.0)
    stored = 9.0 + power * (time - START) - WAKE_J * (wakes - (time - START) / 3000.0)
    volts = np.sqrt(2 * stored) + noise * rng.standard_normal(len(time))  # 1 F, 4.2 V to 15 V
    budget = BUDGET.model_copy(update={"storage": BUDGET.storage.model_copy(update={"full_voltage": 20.0})})
    account_of = account(series(time, volts, wakes), days=days, budget=budget)
    net = (account_of.stored_j + account_of.wake_j)[0, 1:-1]
    n = round(DAY / every)
    bound = slope_bound(noise, every, n) * DAY * np.sqrt(2 * (9.0 + power * DAY * np.arange(1, days - 1)))
    z = (net - net.mean()) / bound
    assert np.std(z) < 1.2
    stated = times * np.sqrt(account_of.stored_var_j2[0, 1:-1]) / bound
    assert np.std(z) == pytest.approx(np.median(stated), rel=0.2)


def test_temperature_that_moves_the_capacity_is_no_harvest():
    # Charge Q = C V stays while C rises by 1e-3 a kelvin: V falls by 1e-3 a kelvin, at 4 V and 1 F 16 mJ a kelvin.
    hours = np.arange(25)
    warm = 5.0 + 10.0 * hours / 24
    volts = 4.0 / (1 + 1e-3 * (warm - 5.0))
    reports = replace(series(START + hours * HOUR, volts, np.zeros(25)), temp_c=warm)
    assert account(replace(reports, temp_c=np.full(25, np.nan))).stored_j[0, 0] == pytest.approx(-0.159, rel=0.01)
    assert abs(account(reports).stored_j[0, 0]) < 0.002


def test_a_cell_without_a_harvester_nets_minus_its_leakage_whatever_its_flat_curve_reads():
    # By hand: 0.3 uA at 3.2 V and 25 degC is 0.794 uW at 2.91 V, 0.0686 J a day, and half of that at 15 degC.
    volts = 2.91 + np.random.default_rng(3).normal(0, 1e-3, 49)
    reports = series(START + np.arange(49) * HOUR, volts, np.arange(49) * 2)
    for warm, lost in ((25.0, 0.0686), (15.0, 0.0343)):
        days = account(replace(reports, temp_c=np.full(49, warm)), days=2, budget=PRIMARY)
        assert days.lost_j[0] == pytest.approx([lost, lost], rel=0.02)
        assert np.sqrt(days.stored_var_j2[0]) == pytest.approx(0.5 * days.lost_j[0])
        assert abs(days.stored_j[0]).max() > 10 * lost  # what the voltage says
    assert np.isnan(account(reports, days=2).lost_j).all()  # of a node that harvests

"""The voltage at which a node's own charger stops: thresholds and references are good to a per cent or three (common
practice, no source), so full is where the days' highest voltages agree.
"""

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.held import BACK_DAYS, Held, held_at, seconds_full
from analysis.ledger import FULL as FULL_S
from analysis.ledger import TOP, day_sums, full_margin, node_terms
from analysis.run import analyse
from analysis.series import Series, calendar
from ingest.budget import Budget, parse_budget
from ingest.counters import BOOT_MISSING
from tests.conftest import CONVEYOR, START, reading

HOUR, DAY = 3600.0, 86400.0
BUDGET = parse_budget(CONVEYOR, "b.toml")
FULL = BUDGET.storage.full_voltage
LONG = np.full(BACK_DAYS, 6 * HOUR)


def held_of(volts: np.ndarray, seconds: np.ndarray, budget: Budget) -> Held:
    """Of a node between two others, whose days are not its own."""
    other = np.full(7, 0.97 * FULL)
    top_v, top_s = (np.concatenate([other, values, other]) for values in (volts, seconds))
    offsets = np.cumsum([0, 7, len(volts), 7])
    return held_at(top_v, top_s, offsets, [BUDGET, budget, BUDGET])[1]


def tops(*volts: float) -> np.ndarray:
    return np.array(volts)


def test_a_threshold_two_per_cent_low_is_found():
    own = 0.98 * FULL
    random = np.random.default_rng(1)
    held = held_of(own + random.normal(0.0, 0.001, BACK_DAYS), LONG, BUDGET)
    assert held.full == pytest.approx(own, abs=0.001)
    assert held.counts_from == pytest.approx(own - full_margin(BUDGET), abs=0.001)


def test_a_full_voltage_of_the_summer_holds_in_winter():
    """Full on 150 days at 1.3 % below the budget's, then half empty for as long: the summer's days were full ones."""
    volts = np.concatenate([np.full(150, 0.987 * FULL), np.linspace(0.95, 0.6, 150) * FULL])
    seconds = np.full(300, 6 * HOUR)
    held = held_of(volts, seconds, BUDGET)
    assert held.full == pytest.approx(0.987 * FULL)
    assert (seconds_full(np.zeros(300), volts, seconds, held.counts_from) > 0).sum() == 150


def test_a_node_that_reaches_its_budgets_full_is_full_there():
    held = held_of(np.full(BACK_DAYS, FULL + 0.001), LONG, BUDGET)
    assert held.full == FULL
    assert np.isnan(held.counts_from)


def test_warmth_raises_what_a_full_capacitor_reads_and_not_when_it_is_full():
    volts = FULL * (1 + np.linspace(0.0, 0.02, BACK_DAYS))
    held = held_of(volts, LONG, BUDGET)
    assert held.full == FULL
    assert held.highest == pytest.approx(np.quantile(volts, 0.9))


@pytest.mark.parametrize("drift", [-0.02, 0.02], ids=["falling", "rising"])
def test_a_node_on_its_way_is_not_full(drift):
    """Of a node that moves by 2 % of full voltage in ten days, no voltage is the highest time and again."""
    volts = 0.975 * FULL + drift * FULL * (np.arange(BACK_DAYS) - BACK_DAYS / 2) / 10
    assert held_of(volts, LONG, BUDGET).full == FULL


def test_now_and_then_higher_means_not_full_below():
    volts = np.where(np.arange(BACK_DAYS) % 3 == 0, 0.99 * FULL, 0.97 * FULL)
    assert not held_of(volts, LONG, BUDGET).full < 0.985 * FULL


def cell(ocv: tuple[tuple[float, float], ...]) -> Budget:
    """The conveyor's budget with a cell that its load would empty in a fortnight."""
    changed = {"ocv": ocv, "capacity": 8.0, "technology": "lithium-ion"}
    return BUDGET.model_copy(update={"storage": BUDGET.storage.model_copy(update=changed)})


FLAT = cell(((0.0, 2.0), (0.1, 4.85), (0.9, 4.92), (1.0, 5.2)))  # 70 mV for four fifths of its charge
STEEP = cell(((0.0, 2.0), (0.1, 4.0), (1.0, 5.2)))


def test_a_cells_flat_is_no_threshold():
    """A cell may stand on the flat of its curve for months, far from full; above its budget's full it tells of one."""
    assert held_of(np.full(BACK_DAYS, 4.9), LONG, FLAT).full == FULL
    assert held_of(np.full(BACK_DAYS, 1.01 * FULL), LONG, FLAT).full == pytest.approx(1.01 * FULL)


def test_a_cell_whose_charger_stops_early_is_full_there_where_its_curve_is_steep():
    random = np.random.default_rng(2)
    volts = np.where(random.random(BACK_DAYS) < 0.3, 4.7, 4.9) + random.normal(0, 0.001, BACK_DAYS)
    held = held_of(volts, LONG, STEEP)
    assert held.full == pytest.approx(4.9, abs=0.001)
    assert held.counts_from == pytest.approx(4.9 - full_margin(BUDGET), abs=0.001)


def test_a_cell_on_its_way_is_not_full():
    """It loses a fiftieth of a day's load a day: for ten days within what full days may scatter by, but all one way."""
    assert held_of(4.9 - np.arange(BACK_DAYS) * 1.6e-3, LONG, STEEP).full == FULL


def test_days_without_a_highest_voltage_are_left_out():
    """Of days that were computed before highest voltages were kept, the store has none."""
    held = held_of(np.full(BACK_DAYS, np.nan), np.full(BACK_DAYS, np.nan), BUDGET)
    assert held.full == held.highest == FULL


def test_only_days_that_reached_it_count_as_full():
    held = held_of(np.full(BACK_DAYS, 0.98 * FULL), LONG, BUDGET)
    volts, seconds = tops(0.98 * FULL, 0.9 * FULL, np.nan), tops(5 * HOUR, 5 * HOUR, np.nan)
    full = seconds_full(np.zeros(3), volts, seconds, held.counts_from)
    assert full.tolist() == [5 * HOUR, 0.0, 0.0]


def one_node(volts: np.ndarray, step: float) -> Series:
    n = len(volts)
    blank = np.full(n, np.nan)
    time = START - HOUR + np.arange(n) * step
    return Series(np.array([0, n]), time, volts, np.arange(n), blank, blank, np.full(n, BOOT_MISSING))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(2.3, 5.0), min_size=2, max_size=160), st.sampled_from([900.0, 1700.0, HOUR, 2.5 * HOUR]))
def test_time_near_the_days_top_is_that_of_a_fine_grid(volts, step):
    """Against straight lines between the readings, looked at every second of the day's own calendar."""
    series = one_node(np.array(volts), step)
    sums = day_sums(series, node_terms([BUDGET]), [calendar(ZoneInfo("UTC"), date(2026, 1, 1), 3)], np.array([0]))[0]
    for day in range(3):
        at = np.arange(START + day * DAY, START + (day + 1) * DAY) + 0.5
        inside = (at >= series.time[0]) & (at <= series.time[-1])
        line = np.interp(at[inside], series.time, series.storage_v)
        near = (line >= sums[day, TOP] - full_margin(BUDGET)).sum() if inside.any() else 0
        assert sums[day, TOP + 1] == pytest.approx(near, abs=2 * len(volts))


def test_a_full_capacitor_that_floats_up_in_a_cool_night_is_full_all_day():
    """At constant charge 8 K less are 0.8 % more volts (0.1 %/K, from memory): the charger's stop is below the top."""
    sun = BUDGET.model_copy(update={"harvest": BUDGET.harvest.model_copy(update={"source": "light-outdoor"})})
    hours = np.arange(24 * 5)
    volts = 0.99 * FULL * (1 + 0.008 * np.maximum(np.sin(2 * np.pi * (hours - 19) / 24), 0.0))
    days = [calendar(ZoneInfo("UTC"), date(2026, 1, 1), 4)]
    hall, yard = (
        day_sums(one_node(volts, HOUR), node_terms([of]), days, np.array([0]))[0, :, TOP + 1] for of in (BUDGET, sun)
    )
    assert (yard == DAY).all()
    assert (hall < 0.6 * DAY).all()


def test_a_node_whose_converter_reads_low_is_full_in_ledger_and_forecast(book, admit):
    """Full by day, less by night, all read 1.5 % low: the budget's full voltage is never seen."""
    hours = np.arange(40 * 24)
    sag = 0.2 * np.maximum(np.sin(2 * np.pi * (hours % 24 - 12) / 24), 0.0)
    admit(*(reading("mf-01", START + h * HOUR, 0.985 * (FULL - sag[h]), 2 * int(h)) for h in hours))
    analyse(book)
    rows = book.cursor().execute("SELECT full_s FROM ledger WHERE observed_s > 80000").fetchnumpy()["full_s"]
    assert np.median(rows) > 10 * HOUR
    ((counts_from, full),) = book.cursor().execute("SELECT full_from_v, full_v FROM prospects").fetchall()
    assert counts_from == pytest.approx(0.985 * FULL - full_margin(BUDGET), abs=0.002)
    assert full == pytest.approx(0.985 * FULL, abs=0.002)


def test_a_node_that_stands_where_its_budget_begins_to_count_is_full_whatever_the_noise():
    """Half a per cent low, in steps of 5 mV: half of its readings are below the budget's threshold, yet it is full."""
    rng = np.random.default_rng(3)
    volts = np.round((0.995 * FULL + rng.normal(0.0, 0.003, 24 * 2 * 40)) / 0.005) * 0.005
    days = [calendar(ZoneInfo("UTC"), date(2026, 1, 1), 39)]
    sums = day_sums(one_node(volts, HOUR / 2), node_terms([BUDGET]), days, np.array([0]))[0]
    held = held_of(sums[:, TOP], sums[:, TOP + 1], BUDGET)
    assert sums[:, FULL_S].mean() < 0.8 * DAY
    assert seconds_full(sums[:, FULL_S], sums[:, TOP], sums[:, TOP + 1], held.counts_from).mean() > 0.95 * DAY


def test_a_full_capacitor_outdoors_counts_as_full_as_far_as_it_sinks_in_the_cold():
    """0.1 %/K (from memory) on 10 K: of days that are full at the same charge, none is passed over."""
    sun = BUDGET.model_copy(update={"harvest": BUDGET.harvest.model_copy(update={"source": "light-outdoor"})})
    volts = 0.99 * FULL * (1 - 0.001 * np.random.default_rng(2).uniform(0.0, 8.0, BACK_DAYS))
    for at, own in ((0.0, FULL), (-0.01, 0.99 * FULL)):  # by its budget's full voltage, and by one of its own
        held = held_of(volts + 0.01 * FULL + at * FULL, LONG, sun)
        assert held.full == pytest.approx(own, rel=0.006)
        assert (seconds_full(np.zeros(BACK_DAYS), volts + (0.01 + at) * FULL, LONG, held.counts_from) > 0).mean() > 0.9

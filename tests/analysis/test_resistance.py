"""Resistance by the steps at a wake, compared at equal temperature, and less what the wake's own charge takes."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget

from analysis.resistance import (
    WARMTH_PRIOR,
    at_usual_warmth,
    fall_of_wake,
    first_steps,
    resistances,
    unmeasured,
    without_fall,
)
from ingest.budget import Budget

STORAGE = conveyor_budget().storage


def steps(ohm, warmth):
    return np.stack([ohm, np.full(len(ohm), 1e-4), np.full(len(ohm), 24.0), warmth], axis=1)


def test_a_cold_winter_is_not_a_resistance_rise():
    # Resistance that rises 0.8 %/K towards the cold (x1.5 to x2 from 20 to -40 degC, from memory), over a year.
    days = np.arange(365)
    warmth = -15 * np.cos(2 * np.pi * (days - 180) / 365) - 10
    rng = np.random.default_rng(4)
    ohm = 0.4 * np.exp(-0.008 * (warmth + rng.normal(0, 1, 365))) * (1 + rng.normal(0, 0.01, 365))
    (found,) = resistances(steps(ohm, warmth)[None], [0], [365])
    assert found.ratio == pytest.approx(1.0, abs=0.06)


def test_resistance_over_its_beginning_is_in_doubt_by_what_it_goes_with_warmth():
    """300 sound nodes from midsummer to midwinter: 90 % intervals of a ratio that is one hold it nine times in ten."""
    rng = np.random.default_rng(7)
    days = np.arange(180)
    warmth = 10 * np.cos(2 * np.pi * days / 365) + rng.normal(0, 3, (300, 180))
    slope = rng.normal(*WARMTH_PRIOR, (300, 1))
    ohm = 0.4 * np.exp(slope * warmth) * (1 + rng.normal(0, 0.03, (300, 180)))
    found = resistances(
        np.stack([steps(*row) for row in zip(ohm, warmth, strict=True)]), np.zeros(300), np.full(300, 180)
    )
    z = np.array([(each.ratio - 1) / each.ratio_sd for each in found])
    assert 0.86 <= (np.abs(z) < 1.645).mean() <= 0.94


def living_on(source: str) -> Budget:
    budget = conveyor_budget()
    return budget.model_copy(update={"harvest": budget.harvest.model_copy(update={"source": source})})


def test_a_winter_that_nobody_measured_is_in_doubt_where_it_may_be_the_open_air():
    """Cells whose resistance rises by 0.5 to 2 % a kelvin (from memory), in a yard from summer to winter: 18 K, or in
    a hall, 4 K: nine in ten of 90 % intervals, or more, hold a ratio that is one; a doubling stands out of each.
    """
    rng = np.random.default_rng(8)
    days, slope = np.arange(180), rng.uniform(-0.02, -0.005, (200, 1))
    for source, swing in (("none", 9.0), ("light-outdoor", 9.0), ("vibration", 2.0)):
        warmth = swing * np.cos(2 * np.pi * days / 365)
        ohm = 8.0 * np.exp(slope * warmth) * (1 + rng.normal(0, 0.03, (200, 180)))
        blind = np.stack([steps(row, np.full(180, np.nan)) for row in ohm])
        found = resistances(blind, np.zeros(200), np.full(200, 180), unmeasured(living_on(source)))
        z = np.array([(each.ratio - 1) / each.ratio_sd for each in found])
        assert (np.abs(z) < 1.645).mean() >= 0.85
        worn = np.where(days < 150, 8.0, 16.0) * (1 + rng.normal(0, 0.03, 180))
        blind = steps(worn, np.full(180, np.nan))[None]
        (risen,) = resistances(blind, [0], [180], unmeasured(living_on(source)))
        assert risen.ratio - 1 > 1.645 * risen.ratio_sd


def test_a_doubling_is_seen_within_thirty_days():
    rng = np.random.default_rng(5)
    ohm = np.where(np.arange(130) < 100, 0.4, 0.8) * (1 + rng.normal(0, 0.03, 130))
    (found,) = resistances(steps(ohm, np.zeros(130))[None], [0], [130])
    assert found.ratio == pytest.approx(2.0, abs=0.1)


def test_too_few_steps_say_nothing():
    assert np.isnan(resistances(np.zeros((1, 100, 4)), [0], [100])[0].ohm)


def test_each_node_has_its_own_era():
    rng = np.random.default_rng(6)
    ohm = 0.4 * (1 + rng.normal(0, 0.02, (3, 200)))
    ohm[1, 150:] *= 2.0
    some = np.stack([steps(row, np.where(np.arange(200) % 9, 3.0, np.nan)) for row in ohm])
    some[2, ::3] = 0.0
    first, last = np.array([0, 100, 40]), np.array([200, 200, 199])
    alone = [resistances(row[None, a:b], [0], [b - a])[0] for row, a, b in zip(some, first, last, strict=True)]
    assert resistances(some, first, last) == alone
    assert alone[1].ratio == pytest.approx(2.0, abs=0.05)


def test_a_resistance_that_no_thermometer_was_near_is_brought_to_25_degrees_with_doubt():
    # By hand: 0.8 % a kelvin over 10 K below makes exp(0.08) of it; 6 K and 0.6 % a kelvin of doubt make 4.8 and 6 %.
    ohm, sd = at_usual_warmth(np.array([1.0, 1.0]), np.array([0.0, 0.05]), np.array([-10.0, 0.0]), np.array([6.0, 0.0]))
    np.testing.assert_allclose(ohm, [np.exp(-0.08), 1.0])
    np.testing.assert_allclose(sd, [np.exp(-0.08) * np.hypot(0.048, 0.06), 0.05])


@pytest.mark.parametrize(("days", "by"), [(1, 10), (60, 12)])
def test_a_rise_of_resistance_is_dated_to_when_it_began(days, by):
    day = np.arange(300)
    random = np.random.default_rng(8)
    worn = 0.4 * (1 + np.clip((day - 180) / days, 0, 1)) * (1 + random.normal(0, 0.05, 300))
    (found,) = resistances(steps(worn, np.zeros(300))[None], np.array([0]), np.array([300]))
    assert found.ratio == pytest.approx(2.0, abs=0.1)
    assert found.rose == pytest.approx(180, abs=by)


def test_the_fall_by_the_wakes_own_charge_is_told_from_the_steps():
    """Closed form: a wake of 0.7 s of 1 F looks like 0.7 ohm, if the voltage is read at its end."""
    budget = conveyor_budget()
    esr, fall = STORAGE.esr, budget.load.wake_duration / STORAGE.capacitance
    assert fall > esr  # or nothing would be told
    rng = np.random.default_rng(6)

    def told(ohm, later=1.0):
        worn = np.where(np.arange(90) < 40, 1.0, later)
        nodes = np.stack([steps(part * ohm * worn * (1 + rng.normal(0, 0.02, 90)), 0 * worn) for part in (0.8, 1, 1.2)])
        nodes[:, 50:60] = 0.0  # days without a step
        return fall_of_wake(first_steps(nodes), budget)

    for ohm, later, share in ((1, 1, 0), (1.2, 1, 0), (1, 3, 0), (1 + fall / esr, 1, 1), (1.2 + fall / esr, 1.5, 1)):
        found, doubt = told(ohm * esr, later)
        assert (found, doubt) == pytest.approx((share * fall, 0.0), abs=0.15 * fall)
    assert fall_of_wake(first_steps(np.zeros((3, 90, 4))), budget) == (0.0, 0.0)


def test_where_either_reading_fits_the_fall_by_the_wakes_own_charge_is_left_open():
    budget = conveyor_budget()
    fall = budget.load.wake_duration / STORAGE.capacitance
    budget = budget.model_copy(update={"storage": STORAGE.model_copy(update={"esr": 10 * fall})})
    found, doubt = fall_of_wake(first_steps(steps(np.full(90, 10.5 * fall), np.zeros(90))[None]), budget)
    assert (found, doubt) == pytest.approx((fall / 2, fall / 2), rel=0.1)
    none = budget.model_copy(update={"storage": STORAGE.model_copy(update={"esr": 0.0})})  # not stated
    assert fall_of_wake(first_steps(steps(np.full(90, 10.5 * fall), np.zeros(90))[None]), none) == (fall / 2, fall / 2)
    # In the heat of a kiln, 40 K above, R is 0.73 of the budget's (0.8 % a kelvin, from memory): R + t / C then looks
    # like it.
    budget = budget.model_copy(update={"storage": STORAGE.model_copy(update={"esr": 2 * fall})})
    hot = np.stack([steps(np.full(90, fall * (2 * np.exp(-0.32) + 1)), np.full(90, 40.0))] * 6)
    assert fall_of_wake(first_steps(hot), budget)[0] > 0.8 * fall


def test_a_capacity_that_fades_is_no_rise_of_resistance_where_the_step_holds_the_wakes_own_charge():
    # Closed form: step over current is R + t / C; C falls by two fifths, R stays.
    fade = np.linspace(1.0, 0.6, 200)
    worn = steps(0.4 + 0.7 / fade, 0 * fade)[None]
    (found,) = resistances(without_fall(worn, np.array([0.7]), fade[None]), np.array([0]), np.array([200]))
    assert found.ratio == pytest.approx(1.0, abs=0.01)
    assert found.ohm == pytest.approx(0.4, abs=0.01)

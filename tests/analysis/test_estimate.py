"""The budget lines: what is said of them before any evidence is what the budget says."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from scipy.stats import lognorm

from analysis.estimate import LEAK_FORM, LOAD_FORM, NetHarvest, form_of_load, lines
from analysis.state import BY_VOLT, CAPACITY, LEAK, RISE, SLEEP, prior

BUDGET = conveyor_budget()


def line_of(name, mean, sd, voltage, warmth=25.0, budget=BUDGET):
    one = np.ones(1)
    told = lines(
        budget, mean[None], np.diag(sd**2)[None], voltage * one, warmth * one,
        (np.nan * one, np.nan * one), NetHarvest(np.nan * one, np.nan * one), np.zeros((1, 2)), 0.0 * one,
    )[0]  # fmt: skip
    return next(line for line in told if line.line == name)


def leakage_of(mean, sd, voltage):
    return line_of("leakage_power_w", mean, sd, voltage)


def test_sleep_in_the_heat_may_hold_as_much_of_a_junctions_leakage_as_is_left_open():
    # Leakage of junctions doubles about every 10 K (common practice): a fifth of the current is 0.6 of it at 45 degC.
    mean, sd = prior(BUDGET)
    cool, warm = (line_of("sleep_power_w", mean, sd, 3.6, warmth) for warmth in (25.0, 45.0))
    assert np.sqrt(warm.sd**2 - cool.sd**2) == pytest.approx(0.2 * (4 - 1) * warm.estimate)
    assert warm.estimate == cool.estimate


def test_leakage_without_evidence_is_as_the_budget_says():
    mean, sd = prior(BUDGET)
    leakage = leakage_of(mean, sd, BUDGET.storage.full_voltage)
    tolerance = BUDGET.storage.leakage_tolerance
    # A log-normal quantity of this mean and spread by scipy.stats, beside what the form of leakage leaves in doubt.
    spread = np.sqrt(np.log1p(tolerance**2) + LEAK_FORM**2)
    expected = lognorm(spread, scale=leakage.budget / np.sqrt(1 + tolerance**2))
    assert [leakage.estimate, leakage.sd] == pytest.approx([expected.mean(), expected.std()], rel=1e-6)
    assert leakage.estimate == pytest.approx(leakage.budget, rel=0.01)
    assert leakage.sd == pytest.approx(leakage.budget_sd, rel=0.06)  # the median and its doubt: 12 % less
    assert not leakage.separable


def test_leakage_of_which_next_to_nothing_is_known_stays_within_sense_and_is_not_told_apart():
    """A fitted line through voltage that comes out at none of the leakage: its logarithm is in doubt without bound."""
    mean, sd = prior(BUDGET)
    mean[BY_VOLT], sd[BY_VOLT] = 4.0, 2.0
    leakage = leakage_of(mean, sd, 0.7 * BUDGET.storage.full_voltage)
    assert leakage.estimate < 3 * leakage.budget
    assert leakage.sd < 2 * leakage.estimate
    assert not leakage.separable


def test_a_leakage_smaller_than_the_loads_form_may_feign_stays_near_the_budget():
    """Told to 0.2 of its logarithm at three times the budget's, of a node of great and of small load."""
    mean, sd = prior(BUDGET)
    mean[LEAK], sd = mean[LEAK] + np.log(3.0), np.full_like(sd, 0.01)
    sd[LEAK] = 0.2
    volts = BUDGET.storage.full_voltage
    busy = BUDGET.model_copy(update={"load": BUDGET.load.model_copy(update={"wakes_per_day": 4000.0})})
    idle = BUDGET.model_copy(update={"load": BUDGET.load.model_copy(update={"wakes_per_day": 1.0})})
    of_idle, of_busy = (line_of("leakage_power_w", mean, sd, volts, budget=budget) for budget in (idle, busy))
    assert of_idle.estimate > 2.3 * of_idle.budget
    assert (of_idle.separable, of_busy.separable) == (True, False)
    # By hand: beside a load that may feign ten times as much as the budget leaves open, nothing of it counts.
    assert form_of_load(busy, np.array([volts]))[0] > 10 * of_busy.budget_sd
    assert of_busy.estimate == pytest.approx(of_busy.budget, rel=0.05)
    assert 0.02 <= LOAD_FORM <= 0.1  # efficiencies go by some per cent with voltage (common practice, no source)


def test_what_a_load_feigns_of_a_leakage_was_there_before_it_rose():
    """Of the busy node above a leakage that has risen sixfold is told as such: the same load stood beside it before."""
    mean, sd = prior(BUDGET)
    sd, begun = np.full_like(sd, 0.01), mean.copy()
    sd[[LEAK, RISE]], mean[RISE] = 0.2, np.log(6.0)
    volts = BUDGET.storage.full_voltage
    busy = BUDGET.model_copy(update={"load": BUDGET.load.model_copy(update={"wakes_per_day": 4000.0})})
    before, now = (line_of("leakage_power_w", state, sd, volts, budget=busy) for state in (begun, mean))
    assert now.estimate - before.estimate == pytest.approx(5 * before.budget, rel=0.2)  # by hand: six less one
    assert now.separable
    assert now.sd < 0.35 * now.estimate


def test_a_line_known_no_better_than_by_the_budget_was_not_told_apart():
    one, budget_sd = np.ones(1), BUDGET.harvest.mean_power * BUDGET.harvest.tolerance
    mean, sd = prior(BUDGET)
    for doubt, separable in ((0.5 * budget_sd, True), (1.5 * budget_sd, False)):
        net = NetHarvest(BUDGET.harvest.mean_power * one, doubt * one)
        told = lines(
            BUDGET, mean[None], np.diag(sd**2)[None], 3.6 * one, 25.0 * one, (np.nan * one, np.nan * one), net,
            np.zeros((1, 2)), 0.0 * one,
        )[0]  # fmt: skip
        assert next(line for line in told if line.line == "net_harvest_w").separable == separable


def test_sleep_beside_a_leakage_that_the_budget_leaves_out_is_not_told_apart():
    storage = BUDGET.storage.model_copy(update={"leakage_current": 0.0})
    mean, sd = prior(BUDGET)
    sd = np.where(np.arange(len(sd)) == SLEEP, 0.01, sd)
    told, untold = (
        line_of("sleep_power_w", mean, sd, 3.6, budget=BUDGET.model_copy(update={"storage": one}))
        for one in (BUDGET.storage, storage)
    )
    assert (told.separable, untold.separable) == (True, False)


def test_capacity_at_a_cells_knee_is_no_better_known_than_its_slope():
    flat = {
        "ocv": ((0.0, 2.0), (0.1, 4.5), (0.8, 4.55), (0.9, 4.8), (1.0, 5.2)),
        "capacity": 8.0,
        "technology": "lithium-ion",
    }
    cell = BUDGET.model_copy(update={"storage": BUDGET.storage.model_copy(update=flat)})
    mean, sd = prior(cell)
    mean[CAPACITY], sd = 0.2, np.full_like(sd, 0.01)
    knee, straight = (line_of("capacity_ratio", mean, sd, volts, budget=cell) for volts in (4.57, 5.0))
    assert straight.estimate > 1.15
    assert knee.estimate < 1.1
    assert knee.sd > 1.8 * straight.sd


def test_a_node_without_a_harvest_nets_minus_its_leakage():
    budget = BUDGET.model_copy(
        update={"harvest": BUDGET.harvest.model_copy(update={"source": "none", "mean_power": 0.0})}
    )
    mean, sd = prior(budget)
    net, leakage = (line_of(name, mean, sd, 4.0, budget=budget) for name in ("net_harvest_w", "leakage_power_w"))
    assert (net.estimate, net.sd) == (-leakage.estimate, leakage.sd)

"""The budget lines: what is said of them before any evidence is what the budget says."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from scipy.stats import lognorm

from analysis.estimate import LEAK_FORM, NetHarvest, lines
from analysis.state import BY_VOLT, prior

BUDGET = conveyor_budget()


def line_of(name, mean, sd, voltage, warmth=25.0):
    one = np.ones(1)
    told = lines(
        BUDGET, mean[None], np.diag(sd**2)[None], voltage * one, warmth * one,
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

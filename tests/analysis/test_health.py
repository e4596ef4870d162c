"""Verdicts by the budget's own criteria, and what is told apart of fade, leak and sleep."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from scipy.stats import norm

from analysis.end_of_life import EndOfLife
from analysis.health import STEADY, fade_or_leak, judge, leak_over_sleep, stood
from analysis.resistance import Resistance
from analysis.run_health import NodeField, foreseen, watched

STORAGE = conveyor_budget().storage
FRESH = Resistance(0.4, 0.01, 1.0, 0.02)


@pytest.mark.parametrize(
    ("capacity", "sd", "esr", "verdict"),
    [
        (0.98, 0.02, 1.05, "sound"),
        (0.93, 0.02, 1.05, "sound"),
        (0.89, 0.02, 1.05, "watch"),  # surely past 6 %, a third of the way
        (0.82, 0.02, 1.05, "watch"),  # not surely past 20 %: common end-of-life criterion of power EDLCs
        (0.75, 0.02, 1.05, "degraded"),
        (0.55, 0.02, 1.05, "spent"),
        (0.98, 0.02, 1.6, "watch"),
        (0.98, 0.02, 2.2, "degraded"),  # twice the resistance: the same criterion
        (0.75, 0.20, 1.05, "not-enough-data"),  # a capacity known so badly says nothing, and resistance not enough
        (0.75, 0.20, 2.2, "degraded"),
    ],
)
def test_verdicts(capacity, sd, esr, verdict):
    assert judge(STORAGE, (capacity, sd), Resistance(0.4, 0.01, esr, 0.03), (1.0, 0.2), 300).verdict == verdict


def test_a_leakage_surely_doubled_is_to_be_watched():
    verdicts = [judge(STORAGE, (0.98, 0.02), FRESH, leak, 300).verdict for leak in ((2.9, 0.3), (2.9, 1.2), (1.5, 0.1))]
    assert verdicts == ["watch", "sound", "sound"]


def test_nothing_known_is_said_so():
    nothing = Resistance(np.nan, np.nan, np.nan, np.nan)
    health = judge(STORAGE, (np.nan, np.inf), nothing, (np.nan, np.nan), 10)
    assert health.verdict == "not-enough-data"
    assert np.isnan(health.capacity_ratio)


def test_no_rate_of_fade_before_the_data_can_carry_it():
    assert np.isnan(judge(STORAGE, (0.95, 0.02), FRESH, (1.0, 0.2), 60).fade_per_year)
    assert np.isnan(judge(STORAGE, (0.95, 0.06), FRESH, (1.0, 0.2), 100).fade_per_year)
    stated = judge(STORAGE, (0.90, 0.02), FRESH, (1.0, 0.2), 365)
    assert stated.fade_per_year == pytest.approx(0.10, abs=0.001)
    assert stated.fade_sd == pytest.approx(0.02, abs=0.001)


def test_a_storage_that_came_this_week_says_nothing_of_fade():
    # The filter starts a new storage with no doubt of what it has lost: nothing can be told of evidence there yet.
    before = np.full((2, 2), 1e-4)
    covariance = np.stack([np.diag([0.0, 0.0]), np.diag([1e-5, 1e-5])])
    (new, used) = fade_or_leak(np.zeros((2, 2)), covariance, before)
    assert (new[0, 0], new[1:, 0].sum()) == pytest.approx((0.9, 0.1))  # what was believed before
    assert new[:, 1] == pytest.approx(np.ones(len(new)))
    assert (new[:, 2] > 0.5).all()
    np.testing.assert_allclose(used, fade_or_leak(np.zeros(2), covariance[1], before[1]))


def test_a_storage_of_which_a_finding_says_that_it_wears_is_not_sound():
    health = judge(STORAGE, (1.0, 0.02), FRESH, (1.8, 0.3), 200)
    node = NodeField([], health, {}, None, [], 0.0, None, 0.0)
    assert (health.verdict, watched(node).health.verdict) == ("sound", "watch")
    spent = node._replace(health=health._replace(verdict="spent"))
    assert watched(spent) == spent


def test_a_storage_that_as_likely_as_not_ends_within_two_years_is_not_called_sound():
    health = judge(STORAGE, (0.95, 0.02), FRESH, (1.0, 0.2), 400)
    soon, late, past = (EndOfLife(300.0, days, np.nan) for days in (600.0, 900.0, np.nan))
    said = [foreseen(health, {"capacity": end}).verdict for end in (soon, late, past)]
    assert (health.verdict, said) == ("sound", ["watch", "sound", "sound"])
    assert foreseen(health, {}) == health


def test_a_fall_of_capacity_is_weighed_against_a_rise_of_leakage():
    before = np.array([0.05**2, 0.04**2])
    # What the evidence says of capacity alone: 12 % less, sd 2 %; of leakage nothing. Closed form of a scalar.
    information = 1 / 0.05**2 + 1 / 0.02**2
    mean = np.array([np.log(0.88) / 0.02**2 / information, 0.0])
    (steady, ratio, sd), *leaks = fade_or_leak(mean, np.diag([1 / information, before[1]]), before)
    assert (ratio, sd / ratio) == pytest.approx((np.exp(mean[0]), information**-0.5))
    assert [same for _, same, _ in leaks] == pytest.approx([ratio] * len(leaks))
    assert (steady, sum(weight for weight, _, _ in leaks)) == pytest.approx((0.9, 0.1))
    # What it says of their sum alone, three per cent of leakage counting like capacity's fall: either explains it.
    h = np.array([[1.0, -0.03]])
    covariance = np.linalg.inv(np.diag(1 / before) + h.T @ h / 0.02**2)
    mean = covariance @ h[0] * np.log(0.8) / 0.02**2
    (steady, ratio, _), *leaks = fade_or_leak(mean, covariance, before).tolist()
    assert sum(weight for weight, _, _ in leaks) > 0.5  # 4 sd of fade before any evidence against 7 times the leakage
    assert 1 - max(leaks)[1] < 0.5 * (1 - ratio)


def test_a_leak_is_told_from_sleep_by_what_each_expects():
    # Closed form: a reading of sleep alone, 1 above its beginning, is expected as N(0, its doubts), leakage as before.
    first, since, noise, rise = 0.04, 0.36, 0.01, 1.0
    doubt = 1 / (1 / (first + since) + 1 / noise)
    now = np.array([doubt * 1.0 / noise, 0.0])
    odds = leak_over_sleep(now, np.diag([doubt, rise]), np.array([0.0, first]), np.array([since, rise]))
    steady, moved = (norm.logpdf(1.0, 0.0, np.sqrt(v + noise)) for v in (first + STEADY**2, first + since))
    assert odds == pytest.approx(steady - moved, abs=1e-3)
    prior = np.diag([first + since, rise])
    nothing = leak_over_sleep(np.zeros(2), prior, np.array([0.0, first]), np.array([since, rise]))
    assert nothing == pytest.approx(0.0, abs=1e-4)


def test_a_loss_that_came_in_weeks_has_stood_for_longer_than_one_that_goes_on():
    day = np.arange(400)
    # By hand: of a straight line nine tenths have stood for 0.1 / 0.8 of the time that they took; of one that grows
    # with the root of time, as capacity lost to a growing layer does (common practice), 0.19 / 0.8.
    ways = np.exp(-0.3 * np.maximum(day - 60, 0) / 365), np.exp(-0.01 * np.sqrt(np.maximum(day - 60, 0)))
    steps = 1.0 - 0.15 * np.clip((day - 100) / 60, 0, 1)
    (straight, root, done), began = stood(np.stack([*ways, steps]), np.zeros(3, int), np.full(3, 400))
    assert straight == pytest.approx(0.125, abs=0.01)
    assert root == pytest.approx(0.2375, abs=0.01)
    assert done > 4.0
    assert began == pytest.approx([60 + 51, 60 + 8, 100 + 10], abs=2)  # 0.15 of 340 d, its square, of 60 d

"""Verdicts by the budget's own criteria, and resistance compared at equal temperature."""

import numpy as np
import pytest
from analysis_parts import conveyor_budget

from analysis.health import Resistance, fade_or_leak, judge, resistance

STORAGE = conveyor_budget().storage
FRESH = Resistance(0.4, 0.01, 1.0, 0.02)


def steps(ohm, warmth):
    return np.stack([ohm, np.full(len(ohm), 1e-4), np.full(len(ohm), 24.0), warmth], axis=1)


@pytest.mark.parametrize(
    ("capacity", "sd", "esr", "verdict"),
    [
        (0.98, 0.02, 1.05, "sound"),
        (0.82, 0.02, 1.05, "watch"),  # past 15 %, not surely past 20 %: common end-of-life criterion of power EDLCs
        (0.75, 0.02, 1.05, "degraded"),
        (0.55, 0.02, 1.05, "spent"),
        (0.98, 0.02, 1.9, "watch"),
        (0.98, 0.02, 2.2, "degraded"),  # twice the resistance: the same criterion
        (0.75, 0.20, 1.05, "sound"),  # a capacity known so badly says nothing; the resistance does
    ],
)
def test_verdicts(capacity, sd, esr, verdict):
    assert judge(STORAGE, (capacity, sd), Resistance(0.4, 0.01, esr, 0.03), (1.0, 0.2), 300).verdict == verdict


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


def test_a_cold_winter_is_not_a_resistance_rise():
    # Resistance that rises 0.8 %/K towards the cold (x1.5 to x2 from 20 to -40 degC, from memory), over a year.
    days = np.arange(365)
    warmth = -15 * np.cos(2 * np.pi * (days - 180) / 365) - 10
    rng = np.random.default_rng(4)
    ohm = 0.4 * np.exp(-0.008 * (warmth + rng.normal(0, 1, 365))) * (1 + rng.normal(0, 0.01, 365))
    found = resistance(steps(ohm, warmth))
    assert found.ratio == pytest.approx(1.0, abs=0.06)


def test_a_doubling_is_seen_within_thirty_days():
    rng = np.random.default_rng(5)
    ohm = np.where(np.arange(130) < 100, 0.4, 0.8) * (1 + rng.normal(0, 0.03, 130))
    found = resistance(steps(ohm, np.zeros(130)))
    assert found.ratio == pytest.approx(2.0, abs=0.1)


def test_too_few_steps_say_nothing():
    assert np.isnan(resistance(np.zeros((100, 4))).ohm)


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
    (steady, ratio, _), *leaks = fade_or_leak(mean, covariance, before)
    assert sum(weight for weight, _, _ in leaks) > 0.5  # 4 sd of fade before any evidence against 7 times the leakage
    assert 1 - max(leaks)[1] < 0.5 * (1 - ratio)

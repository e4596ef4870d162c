"""The day on which a series changed is found, and noise alone is not taken for a change."""

import numpy as np
import pytest

from analysis.change import find_change


def test_a_step_is_found_at_its_day_with_its_size():
    rng = np.random.default_rng(1)
    series = np.where(np.arange(200) < 140, 10.0, 6.0) + rng.normal(0, 1, 200)
    change = find_change(series)
    assert change is not None
    assert abs(change.index - 140) <= 2
    assert change.before == pytest.approx(10, abs=0.4)  # 140 days of sd 1, four standard errors
    assert change.after == pytest.approx(6, abs=0.6)
    assert change.z < -10


def test_missing_days_and_odd_ones_do_not_move_it():
    rng = np.random.default_rng(2)
    series = np.where(np.arange(200) < 140, 10.0, 6.0) + rng.normal(0, 1, 200)
    series[::3] = np.nan
    series[10] = 100.0
    change = find_change(series)
    assert change is not None
    assert abs(change.index - 140) <= 4


def test_correlated_noise_is_rarely_called_a_change():
    # 300 series of an autoregression with r = 0.7: the best split of plain noise must seldom reach four deviations.
    rng = np.random.default_rng(3)
    called = 0
    for _ in range(300):
        x = rng.normal(size=200)
        for i in range(1, 200):
            x[i] = 0.7 * x[i - 1] + np.sqrt(1 - 0.49) * x[i]
        change = find_change(10 + x)
        called += change is not None and abs(change.z) > 4
    assert called <= 15


def test_too_short_a_series_says_nothing():
    assert find_change(np.ones(10)) is None
    assert find_change(np.full(100, np.nan)) is None

"""The day on which a series changed is found, and noise alone is not taken for a change."""

import numpy as np
import pytest
from scipy.ndimage import median_filter

from analysis.change import find_changes


def test_a_step_is_found_at_its_day_with_its_size():
    rng = np.random.default_rng(1)
    series = np.where(np.arange(200) < 140, 10.0, 6.0) + rng.normal(0, 1, 200)
    (change,) = find_changes(series[None])
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
    (change,) = find_changes(series[None])
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
        (change,) = find_changes(10 + x[None])
        called += change is not None and abs(change.z) > 4
    assert called <= 15


def test_a_slow_fall_is_followed_to_where_it_has_got_to():
    # A ramp of 80 days from day 120 on, and one of 120 days that is half way: where they began and what they have left.
    rng = np.random.default_rng(6)
    day = np.arange(240)
    for begin, length in ((120, 80), (160, 120)):
        series = 10 - 5 * np.clip((day - begin) / length, 0, 1) + rng.normal(0, 0.8, 240)
        (change,) = find_changes(series[None], slow=True)
        (step,) = find_changes(series[None])
        assert change is not None
        assert step is not None
        assert abs(change.index - begin) <= 20
        assert change.after == pytest.approx(10 - 5 * min((239 - begin) / length, 1), abs=0.6)
        assert abs(change.index - begin) < abs(step.index - begin)


def test_days_that_count_for_nothing_change_nothing():
    rng = np.random.default_rng(7)
    series = np.where(np.arange(200) < 140, 10.0, 6.0) + rng.normal(0, 1, 200)
    odd = np.arange(200) % 2 == 0
    (change,) = find_changes(np.where(odd, 3.0, series)[None], np.where(odd, 1e-9, 1.0)[None])
    assert change is not None
    assert abs(change.index - 140) <= 3
    assert change.before == pytest.approx(series[1:140:2].mean(), abs=0.3)


def test_too_short_a_series_says_nothing():
    assert find_changes(np.ones((1, 10))) == [None]
    assert find_changes(np.full((2, 100), np.nan)) == [None, None]


def test_several_series_are_told_each_for_itself_however_many_days_they_have():
    rng = np.random.default_rng(4)
    many = rng.normal(10, 1, (6, 90)) * np.where(np.arange(90) < 50, 1.0, np.linspace(0.3, 1.2, 6)[:, None])
    for row, gone in enumerate((0, 20, 40, 55, 64, 72)):
        many[row, rng.permutation(90)[:gone]] = np.nan
    assert find_changes(many) == [find_changes(row[None])[0] for row in many]
    assert [change is None for change in find_changes(many)] == [False] * 5 + [True]  # 18 days are too few


def test_odd_days_are_held_as_a_median_filter_of_a_fortnight_would_hold_them():
    # Outside check of the clipping: scipy.ndimage's running median, and the best split of what it leaves by hand.
    rng = np.random.default_rng(5)
    x = np.where(np.arange(120) < 70, 10.0, 9.0) + rng.standard_t(2, 120)
    middle = median_filter(x, 15, mode="nearest")
    spread = 4 * 1.4826 * np.median(np.abs(x - middle))
    held = np.clip(x, middle - spread, middle + spread)
    error = [held[:k].var() * k + held[k:].var() * (120 - k) for k in range(14, 116)]
    (change,) = find_changes(x[None])
    assert change.index == 14 + np.argmin(error)
    assert change.before == pytest.approx(held[: change.index].mean())
    assert change.after == pytest.approx(held[change.index :].mean())

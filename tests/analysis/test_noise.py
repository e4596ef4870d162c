import numpy as np
import pytest
from scipy.stats import norm

from analysis import noise


def drawn(table: np.ndarray, count: int = 40_000) -> np.ndarray:
    z = norm.ppf((np.arange(count) + 0.5) / count)
    return np.interp(z, noise.DEVIATES, table)


def test_table_draws_what_was_seen() -> None:
    factors = np.random.default_rng(1).gamma(4.0, 0.25, size=3000)
    sample = drawn(noise.noise_table(factors, 0.3))
    assert sample.mean() == pytest.approx(1.0, abs=1e-3)
    wanted = np.quantile(factors / factors.mean(), [0.05, 0.25, 0.5, 0.75, 0.95])
    np.testing.assert_allclose(np.quantile(sample, [0.05, 0.25, 0.5, 0.75, 0.95]), wanted, atol=0.02)


def test_table_without_days_is_the_lognormal_believed() -> None:
    sample = drawn(noise.noise_table([], 0.4))
    assert (sample.mean(), sample.std()) == (pytest.approx(1.0, abs=1e-3), pytest.approx(0.4, abs=0.01))


def test_deviates_undo_the_table_and_share_ties() -> None:
    factors = np.r_[np.zeros(30), np.random.default_rng(2).normal(1.2, 0.1, 170)]  # 15 % stops
    table = noise.noise_table(factors, 0.2, prior_days=0.0)
    z = noise.deviates(np.r_[0.0, 1.2, np.nan], table)
    assert z[0] == pytest.approx(norm.ppf(0.075), abs=0.1)  # the middle of the lowest 15 %
    assert np.interp(z[1], noise.DEVIATES, table) == pytest.approx(1.2, abs=1e-6)
    assert np.isnan(z[2])


def test_correlations_are_recovered_and_start_from_the_belief() -> None:
    rng = np.random.default_rng(3)
    common = rng.normal(size=800)
    z = 0.8 * common + 0.6 * rng.normal(size=(10, 800))
    z[rng.uniform(size=z.shape) < 0.2] = np.nan
    assert noise.shared(z, 0.2) == pytest.approx(0.8, abs=0.05)
    walk = np.zeros(4000)
    for day in range(1, 4000):
        walk[day] = 0.6 * walk[day - 1] + 0.8 * rng.normal()
    assert noise.lag_one(walk, 0.2) == pytest.approx(0.6, abs=0.05)
    coarse = np.where(walk > np.median(walk), np.sqrt(2 / np.pi), -np.sqrt(2 / np.pi))  # nothing but a sign is known
    assert noise.lag_one(coarse, 0.2) == pytest.approx(0.6, abs=0.05)
    assert noise.lag_one([np.nan, np.nan], 0.3) == pytest.approx(0.3)
    assert noise.shared(np.full((1, 5), np.nan), 0.7) == pytest.approx(0.7)


def test_lower_bounds_raise_the_distribution() -> None:
    # One day in five stands still at 0.1; the others were cut off at 0.6 of a level whose mean is one.
    table = noise.noise_table(np.full(40, 0.1), 0.2, np.full(160, 0.6), prior_days=0.0)
    sample = drawn(table)
    assert np.mean(sample < 0.3) == pytest.approx(0.2, abs=0.03)
    assert sample[sample > 0.3].mean() == pytest.approx((1 - 0.2 * 0.1) / 0.8, abs=0.05)
    above, below = noise.deviates([0.6, 0.1], table, [True, False])
    assert below == pytest.approx(norm.ppf(0.1), abs=0.1)
    assert above == pytest.approx(norm.pdf(norm.ppf(0.2)) / 0.8, abs=0.1)  # the mean of the upper four fifths


@pytest.mark.parametrize("true", [0.0, 0.1, 0.25])
def test_slow_spread_is_what_four_weeks_scatter_beyond_the_days(true: float) -> None:
    rng = np.random.default_rng(12)
    level = np.repeat(1 + true * rng.normal(size=(30, 13)), 28, axis=1)
    days = level + 0.3 * rng.normal(size=level.shape)
    days[rng.uniform(size=days.shape) < 0.2] = np.nan
    found = noise.slow_spread(days, 0.3, 0.0, 0.2)
    assert found == pytest.approx(max(true, 0.05), abs=0.03)  # a quarter of the belief at least


def test_slow_spread_without_history_is_the_belief() -> None:
    assert noise.slow_spread(np.full((3, 20), np.nan), 0.3, 0.3, 0.2) == pytest.approx(0.2)


def test_nodes_that_share_their_weather_count_as_few() -> None:
    """Twenty copies of one node's days tell no more of the level's spread than one node does."""
    rng = np.random.default_rng(3)
    one = 1 + 0.1 * rng.standard_normal((1, 168)) + 0.3 * np.repeat(rng.standard_normal((1, 6)), 28, axis=1)
    alone = noise.slow_spread(one, 0.1, 0.0, 0.1)
    copies = noise.slow_spread(np.repeat(one, 20, axis=0), 0.1, 0.0, 0.1, share=1.0)
    assert copies == pytest.approx(alone, rel=1e-9)
    assert noise.slow_spread(np.repeat(one, 20, axis=0), 0.1, 0.0, 0.1) > 1.2 * alone  # taken for twenty that agree


def test_a_few_days_of_a_fault_do_not_make_every_day_noisy() -> None:
    days = np.random.default_rng(6).lognormal(-0.02, 0.2, 2000)
    usual = noise.table_sd(noise.noise_table(days, 0.2))
    assert usual == pytest.approx(0.2 * 0.88, rel=0.1)  # within two deviates: sd of a normal cut there (closed form)
    odd = np.concatenate([days, np.full(8, 20.0)])
    table = noise.noise_table(odd, 0.2)
    assert table[-1] > 10  # such days come again
    assert noise.table_sd(table) == pytest.approx(usual, rel=0.1)

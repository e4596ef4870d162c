import numpy as np
import pytest
from scipy.stats import invgauss

from analysis import closed_form

# Closed form, evaluated independently of this project: margin 10, loss 0.1 a day, sd 0.3 a day.
FIRST_PASSAGE = {30: 0.000016, 60: 0.055504, 90: 0.417655, 100: 0.558577, 120: 0.777080, 150: 0.935972, 200: 0.994231}


@pytest.mark.parametrize(("days", "expected"), FIRST_PASSAGE.items())
def test_first_passage_has_the_closed_form_values(days: int, expected: float) -> None:
    assert closed_form.first_passage_cdf(days, 10.0, 0.1, 0.3) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize(("margin", "loss", "sd"), [(10.0, 0.1, 0.3), (3.0, 0.02, 0.5), (400.0, 2.5, 30.0)])
def test_first_passage_is_scipys_inverse_gaussian(margin: float, loss: float, sd: float) -> None:
    mean, shape = margin / loss, (margin / sd) ** 2
    days = np.linspace(0.1, 5, 40) * mean
    expected = invgauss(mu=mean / shape, scale=shape).cdf(days)  # scipy.stats, another implementation
    np.testing.assert_allclose(closed_form.first_passage_cdf(days, margin, loss, sd), expected, rtol=1e-9, atol=1e-12)


def test_first_passage_of_a_gaining_node_levels_off_at_the_ruin_probability() -> None:
    ever = closed_form.first_passage_cdf(1e9, 10.0, -0.01, 0.3)
    assert ever == pytest.approx(closed_form.ever_empty_probability(0.01, 0.3, 10.0), rel=1e-6)


def test_looking_once_a_day_sees_fewer_crossings() -> None:
    # 20,000 daily random walks gave 0.5319 by day 100, the shifted formula 0.5348, the plain one 0.5586 (simulation).
    sampled = closed_form.first_passage_cdf(100, 10.0, 0.1, 0.3, sampled=True)
    assert sampled == pytest.approx(0.5348, abs=1e-4)
    steps = np.random.default_rng(5).normal(-0.1, 0.3, size=(20_000, 100))
    crossed = (10.0 + np.cumsum(steps, axis=1) <= 0).any(axis=1).mean()
    assert crossed == pytest.approx(sampled, abs=3 * np.sqrt(0.25 / 20_000))


def test_first_passage_at_time_zero_is_certain_only_without_margin() -> None:
    assert closed_form.first_passage_cdf([0.0], 1.0, 0.1, 0.3) == [0.0]
    assert closed_form.first_passage_cdf([0.0], 0.0, 0.1, 0.3) == [1.0]
    with pytest.raises(ValueError, match="sd must be positive"):
        closed_form.first_passage_cdf(1.0, 1.0, 0.1, 0.0)


def test_ever_empty_probability_has_the_closed_form_value() -> None:
    assert closed_form.ever_empty_probability(0.01, 0.3, 10.0) == pytest.approx(0.10837, abs=5e-6)  # closed form
    assert closed_form.ever_empty_probability(0.0, 0.3, 10.0) == 1.0


def test_energy_neutral_design_of_the_published_node() -> None:
    # Kansal et al. 2007: rho1 23.6 mW, sigma1 1463.9 J, sigma2 1856.6 J (from memory); efficiency 0.7, closed form.
    assert closed_form.sustainable_load(23.6e-3, 0.7) == pytest.approx(16.52e-3, abs=5e-6)
    assert closed_form.storage_bound(1463.9, 1856.6, 0.0, 0.7) == pytest.approx(2324.3, abs=0.06)


def test_sustainable_duty_cycle_and_wake_rate_spend_the_net_harvest() -> None:
    # Closed form: harvest 0.7 mW, sleep 10 uW, active 20 mW.
    assert closed_form.sustainable_duty_cycle(0.7e-3, 10e-6, 20e-3) == pytest.approx(0.03452, abs=5e-6)
    rate = closed_form.sustainable_wake_rate(0.7e-3, 10e-6, 5e-3)
    assert rate * 5e-3 + 10e-6 == pytest.approx(0.7e-3)
    assert closed_form.sustainable_wake_rate(1e-6, 10e-6, 5e-3) == 0.0


def test_correlated_days_spread_like_the_wider_uncorrelated_walk() -> None:
    rho, days = 0.6, 4000
    rng = np.random.default_rng(11)
    noise = rng.normal(size=(600, days)) * np.sqrt(1 - rho**2)
    noise[:, 0] = rng.normal(size=600)
    for day in range(1, days):
        noise[:, day] += rho * noise[:, day - 1]
    spread = noise.sum(axis=1).std() / np.sqrt(days)
    # sd of an sd over 600 paths is 1/sqrt(1200) = 2.9 %: three of them.
    assert spread == pytest.approx(closed_form.autocorrelated_sd(1.0, rho), rel=0.09)

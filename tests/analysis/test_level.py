import numpy as np
import pytest
from scipy.stats import norm, truncnorm
from statsmodels.tsa.statespace.structural import UnobservedComponents

from analysis.level import filter_level, told

SETTINGS = {"start": 2.0, "start_sd": 1.0, "noise_sd": 0.4, "slow_sd": 0.5, "keep": 0.9, "step_sd": 1.0, "walk": 0.0}


def test_level_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(1)
    value = 2.5 + rng.normal(0, 0.3, 60)
    value[[10, 11, 30]] = np.nan
    found = filter_level(value, np.ones(60), np.zeros(60), **SETTINGS)
    model = UnobservedComponents(value, "fixed intercept", autoregressive=1)
    model.ssm.initialize_known(np.array([2.0, 0.0]), np.diag([1.0, 0.25 * 0.9**2 + 0.25 * (1 - 0.9**2)]))
    # Parameters of statsmodels: AR innovation variance, AR coefficient; observation noise is not in this model, so set.
    model.update(np.array([0.25 * (1 - 0.9**2), 0.9]))
    model.ssm["obs_cov"] = np.array([[0.16]])
    result = model.ssm.filter()
    np.testing.assert_allclose([found.mean, found.departure], result.filtered_state[:, -1], rtol=1e-8)
    covariance = result.filtered_state_cov[:, :, -1]
    np.testing.assert_allclose(
        [found.mean_var, found.departure_var, found.covariance],
        [covariance[0, 0], covariance[1, 1], covariance[0, 1]],
        rtol=1e-8,
    )


@pytest.mark.parametrize("limit", [0.5, 2.0, 4.0, 9.0])
def test_lower_bound_moves_the_level_to_the_truncated_normals_mean(limit: float) -> None:
    still = SETTINGS | {"slow_sd": 1e-9, "noise_sd": 1e-6, "step_sd": 0.0}
    found = filter_level([limit], [1.0], [True], **still)
    expected = truncnorm(a=limit - 2.0, b=np.inf, loc=2.0, scale=1.0)  # scipy.stats, another implementation
    assert found.mean == pytest.approx(expected.mean(), rel=1e-6)
    assert found.mean_var == pytest.approx(expected.var(), rel=1e-4)


def test_bounds_below_the_belief_say_next_to_nothing() -> None:
    found = filter_level(np.full(50, 0.1), np.ones(50), np.ones(50), **(SETTINGS | {"start": 5.0, "start_sd": 0.5}))
    assert found.mean == pytest.approx(5.0, abs=0.01)
    assert np.sqrt(found.mean_var) == pytest.approx(0.5, abs=0.01)


def test_level_follows_a_step_within_eight_days() -> None:
    steady = SETTINGS | {"start": 3.0, "start_sd": 0.3, "keep": float(np.exp(-1 / 180))}
    rng = np.random.default_rng(6)
    value = 3.0 + rng.normal(0, 0.3, 200)
    value[-8:] -= 1.5
    found = filter_level(value, np.ones(200), np.zeros(200), **steady)
    assert found.after[-1] == pytest.approx(1.5, abs=0.25)
    assert found.after[-9] == pytest.approx(3.0, abs=0.25)


def test_a_breakdown_of_a_day_moves_the_level_little() -> None:
    steady = SETTINGS | {"start": 3.0, "start_sd": 0.3, "keep": float(np.exp(-1 / 180))}
    value = 3.0 + np.random.default_rng(6).normal(0, 0.3, 200)
    broken = value.copy()
    broken[-1] = 0.0
    levels = [filter_level(v, np.ones(200), np.zeros(200), **steady).after[-1] for v in (value, broken)]
    assert levels[0] - levels[1] < 0.35


@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.3, 0.5])
def test_what_days_tell_that_are_mostly_bounds_is_that_of_a_cut_off_normal_of_unknown_width(share: float) -> None:
    """Fisher's information on a mean from values of which only the lowest share is seen, by numerical integration."""
    cut, step = norm.ppf(share), 1e-3
    low = np.arange(-8.0, cut, step)
    score = np.stack([low, low**2 - 1])
    hazard = norm.pdf(cut) / (1 - share)
    beyond = np.array([hazard, cut * hazard])
    information = (score * norm.pdf(low)) @ score.T * step + (1 - share) * np.outer(beyond, beyond)
    expected = 1 / np.linalg.inv(information)[0, 0] / information[0, 0]
    bound = np.arange(400) % 20 >= 20 * share
    assert told(np.ones(400, dtype=bool), bound)[-100:].mean() == pytest.approx(expected, rel=0.1)


def test_a_node_that_is_full_on_nearly_all_days_keeps_its_belief_and_doubt() -> None:
    rng = np.random.default_rng(3)
    offered = 4.0 * rng.lognormal(-0.02, 0.2, 300)
    bound = offered > 2.0
    found = filter_level(np.minimum(offered, 1.0), np.ones(300), bound, **(SETTINGS | {"start": 4.0, "noise_sd": 2.0}))
    assert found.mean + found.departure == pytest.approx(4.0, rel=0.2)
    assert np.sqrt(found.mean_var) > 0.5


def test_bounds_above_the_belief_are_taken_at_their_word() -> None:
    found = filter_level(np.full(30, 4.0), np.ones(30), np.ones(30), **(SETTINGS | {"slow_sd": 1e-9}))
    assert found.mean > 4.0

import numpy as np
import pytest
import scoringrules
from scipy.stats import norm

from analysis import scores


@pytest.mark.parametrize(
    ("fair", "expected"),
    [pytest.param(False, 0.50, id="standard"), pytest.param(True, 0.30, id="fair")],
)
def test_crps_of_five_draws_by_hand(fair: bool, expected: float) -> None:
    assert scores.crps([1, 2, 3, 4, 5], 2.5, fair=fair) == pytest.approx(expected)


@pytest.mark.parametrize(("observed", "expected"), [(0, 0.233695), (1, 0.602441), (2, 1.452792)])
def test_crps_of_a_fine_normal_sample_is_the_closed_form(observed: float, expected: float) -> None:
    sample = norm.ppf((np.arange(20_000) + 0.5) / 20_000)  # closed form of the standard normal
    assert scores.crps(sample, observed) == pytest.approx(expected, abs=1e-4)


def test_crps_agrees_with_scoringrules() -> None:
    rng = np.random.default_rng(2)
    sample, observed = rng.gamma(2.0, size=(40, 31)), rng.gamma(2.0, size=40)
    np.testing.assert_allclose(
        scores.crps(sample, observed), scoringrules.crps_ensemble(observed, sample, estimator="nrg")
    )
    fair = scoringrules.crps_ensemble(observed, sample, estimator="fair")
    np.testing.assert_allclose(scores.crps(sample, observed, fair=True), fair)


def test_calibrated_normal_scores_sd_over_root_pi() -> None:
    rng = np.random.default_rng(3)
    sample, observed = rng.normal(size=(4000, 200)), rng.normal(size=4000)
    # 0.5642 sd, closed form; the sd of the score is about 0.5, so the mean of 4000 has 0.008.
    assert scores.crps(sample, observed, fair=True).mean() == pytest.approx(1 / np.sqrt(np.pi), abs=0.024)


def test_crps_until_ignores_what_lies_beyond_the_horizon() -> None:
    sample = np.array([10.0, 40.0, np.inf, np.inf])
    assert scores.crps_until(sample, np.inf, 30.0) == scores.crps_until(sample + 0, 35.0, 30.0)
    weighted = scoringrules.twcrps_ensemble(20.0, np.minimum(sample, 1e3), b=30.0, estimator="nrg")
    assert scores.crps_until(sample, 20.0, 30.0) == pytest.approx(weighted)


def test_brier_and_skill_by_hand() -> None:
    assert scores.brier([1.0, 0.0, 0.5], [1, 0, 1]) == pytest.approx(0.25 / 3)
    assert scores.skill(0.05, 0.2) == pytest.approx(0.75)
    assert np.isnan(scores.skill(0.05, 0.0))


def test_reliability_groups_by_what_was_said_and_keeps_certainty() -> None:
    table = scores.reliability([0.0, 0.04, 0.55, 0.56, 1.0], [0, 0, 1, 0, 1])
    np.testing.assert_allclose(table.said, [0.02, 0.555, 1.0])
    np.testing.assert_allclose(table.came, [0.0, 0.5, 1.0])
    assert table.count.tolist() == [2, 2, 1]
    assert ((table.low <= table.said) & (table.said <= table.high)).all()


@pytest.mark.parametrize(
    ("share", "count", "half"),
    [
        *[(0.8, 50, 0.111), (0.8, 100, 0.078), (0.8, 500, 0.035), (0.8, 1000, 0.025)],
        *[(0.9, 50, 0.083), (0.9, 100, 0.059), (0.9, 500, 0.026), (0.9, 1000, 0.019)],
    ],
)
def test_coverage_band_is_binomial(share: float, count: int, half: float) -> None:
    low, high = scores.binomial_band(share, count)
    assert (high - low) / 2 == pytest.approx(half, abs=6e-4)  # closed form, given to three decimals
    assert scores.binomial_band(share, 5)[1] == 1.0  # no share lies beyond all


def test_coverage_counts_finite_pairs_only() -> None:
    found = scores.coverage([0, 0, np.nan, 0], [1, 1, 1, 1], [0.5, 2.0, 0.5, 1.0], 0.8)
    assert (found.share, found.count) == (pytest.approx(2 / 3), 3)
    assert found.low <= found.share <= found.high
    whole = scores.coverage(np.zeros(500), np.ones(500), np.full(500, 0.5), 0.8)
    assert whole.share > whole.high
    assert scores.coverage([np.nan], [1.0], [0.5], 0.8).count == 0


def test_correction_undoes_overconfidence_and_leaves_calibrated_forecasts_alone() -> None:
    rng = np.random.default_rng(4)
    true = rng.uniform(0.02, 0.98, size=4000)
    came = rng.uniform(size=4000) < true
    logit = np.log(true / (1 - true))
    stated = 1 / (1 + np.exp(-2.5 * logit))
    fixed = scores.fit_correction(stated, came)(stated)
    assert scores.brier(fixed, came) < scores.brier(stated, came) - 0.005
    assert np.abs(fixed - true).max() < 0.06
    assert np.abs(scores.fit_correction(true, came)(true) - true).max() < 0.06


def test_correction_without_evidence_is_the_identity() -> None:
    none = scores.fit_correction([0.0, 1.0], [0, 1])
    np.testing.assert_allclose(none([0.0, 0.3, 1.0]), [0.0, 0.3, 1.0])
    single = scores.fit_correction([0.4], [1])
    assert single(0.4) == pytest.approx(0.4, abs=0.05)

"""Fade rates on recovered truth and against scipy and statsmodels; end of life against closed forms and drawing."""

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from scipy.signal import lfilter
from scipy.stats import kendalltau, mstats, norm, theilslopes

from analysis import trend
from analysis.trend import FadeRate, Method, calendar_fade, fade_rate, life_at, mann_kendall, monthly

Array = npt.NDArray[np.float64]
YEAR = 365.25
RUNS = 200


def capacity_like(
    rng: np.random.Generator, years: float, *, fade=0.04, noise=0.02, season=0.03, correlation=0.3, step=1
) -> tuple[Array, Array]:
    """A fading ratio with a yearly wave of unknown phase and noise that lasts a little: no code of the estimator."""
    day = 20_454.0 + np.arange(0, round(years * YEAR) + 1, step)
    steady = lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], rng.normal(size=len(day) + 100))[100:]
    wave = season * np.cos(2 * np.pi * day / YEAR + rng.uniform(0, 2 * np.pi))
    return day, 1 - fade * (day - day[0]) / YEAR + wave + noise * steady


def runs(years: float, seed: int = 7, amplitude: float | None = None, method: Method = "harmonic", **kind):
    rng = np.random.default_rng(seed)
    series = [capacity_like(rng, years, **kind) for _ in range(RUNS)]
    found = [fade_rate(*pair, seasonal_amplitude=amplitude, method=method) for pair in series]
    return np.array([f.rate for f in found]), np.array([[f.low, f.high] for f in found]), found


def coverage(ends: Array, truth: float) -> float:
    return float(np.mean((ends[:, 0] <= truth) & (truth <= ends[:, 1])))


@pytest.mark.parametrize("method", ["harmonic", "year-on-year", "seasonal-sen"])
def test_two_years_of_capacity_give_the_fade_to_a_tenth_of_a_per_cent(method: Method):
    rate, ends, found = runs(2, method=method)
    assert abs(rate.mean() - 0.04) <= 0.001
    assert rate.std() <= 0.003
    # 200 runs know a coverage of 0.90 to +-0.035 (90 % binomial); the months' interval by rank is wide: few ranks.
    assert 0.85 <= coverage(ends, 0.04) <= (0.95 if method == "harmonic" else 0.99)
    assert all(f.reason == "" for f in found)
    assert np.mean([f.sd for f in found]) == pytest.approx(rate.std(), rel=0.15 if method == "harmonic" else 0.5)


@pytest.mark.parametrize(
    ("years", "kind"),
    [
        pytest.param(1, {}, id="one season"),
        pytest.param(3, {}, id="three"),
        pytest.param(2, {"correlation": 0.9}, id="noise that lasts"),
        pytest.param(2, {"correlation": 0.0}, id="white noise"),
        pytest.param(2, {"step": 7}, id="a sample a week"),
    ],
)
def test_the_interval_covers_what_it_says(years: float, kind: dict):
    assert 0.85 <= coverage(runs(years, **kind)[1], 0.04) <= 0.95


def test_the_year_on_year_interval_covers_what_it_says_where_pairs_are_chained():
    assert 0.87 <= coverage(runs(4, method="year-on-year")[1], 0.04) <= 0.97


def test_a_plain_line_would_have_been_several_per_cent_off():
    # The trap: least squares without a season, one year, the worst phase.
    day = np.arange(366.0)
    ratio = 1 - 0.04 * day / YEAR + 0.03 * np.sin(2 * np.pi * day / YEAR)
    assert -np.polyfit(day / YEAR, ratio, 1)[0] > 0.04 + 0.05
    assert fade_rate(day, ratio).rate == pytest.approx(0.04, abs=1e-6)


def test_below_a_season_no_rate_is_stated():
    found = fade_rate(*capacity_like(np.random.default_rng(1), 0.5))
    assert np.isnan([found.rate, found.sd, found.low, found.high]).all()
    assert found.reason == "not enough data: covers 183 days; harmonic needs 362"


@pytest.mark.parametrize("years", [0.15, 0.33, 0.75])
@pytest.mark.parametrize("amplitude", [0.01, 0.03])
def test_below_a_season_a_bound_on_it_gives_an_honest_interval(years: float, amplitude: float):
    rate, ends, found = runs(years, amplitude=amplitude, season=amplitude, fade=0.3)
    assert coverage(ends, 0.3) >= 0.87  # at least 90 %, less what 200 runs can tell
    assert rate.std() * 0.85 <= np.mean([f.sd for f in found]) <= rate.std() * 1.5
    assert all("of a season" in f.reason for f in found)


def test_a_third_of_capacity_a_year_shows_within_120_days_where_the_season_is_small():
    _, ends, _ = runs(120 / YEAR, amplitude=0.01, season=0.01, fade=0.3)
    assert np.mean(ends[:, 0] > 0) >= 0.99
    _, sound, _ = runs(120 / YEAR, amplitude=0.01, season=0.01, fade=0.0)
    assert np.mean(sound[:, 0] > 0) <= 0.08  # one side of a 90 % interval


def test_a_bound_that_tells_nothing_changes_nothing():
    series = capacity_like(np.random.default_rng(3), 2)
    free, bound = fade_rate(*series), fade_rate(*series, seasonal_amplitude=10.0)
    assert bound.rate == pytest.approx(free.rate, rel=1e-4)
    assert bound.sd == pytest.approx(free.sd, rel=1e-3)


def harmonic_design(day: Array) -> Array:
    phase = 2 * np.pi * day / YEAR
    waves = [np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)]
    return np.column_stack([np.ones(len(day)), day / YEAR, *waves])


def test_harmonic_rate_is_that_of_weighted_least_squares():
    rng = np.random.default_rng(4)
    day, ratio = capacity_like(rng, 2.3)
    sd = rng.uniform(0.5, 2.0, len(day))
    other = sm.WLS(ratio, harmonic_design(day), weights=sd**-2.0).fit()  # statsmodels
    assert fade_rate(day, ratio, sd).rate == pytest.approx(-other.params[1], rel=1e-9)


def test_sd_agrees_with_a_newey_west_estimate():
    # statsmodels' HAC sd; it is noisy and biased low in short series: the mean over 40 long ones, to 10 %.
    rng = np.random.default_rng(5)
    pairs = []
    for _ in range(40):
        day, ratio = capacity_like(rng, 8, correlation=0.6)
        hac = sm.OLS(ratio, harmonic_design(day)).fit(cov_type="HAC", cov_kwds={"maxlags": 30, "use_correction": True})
        pairs.append((fade_rate(day, ratio).sd, hac.bse[1]))
    ours, theirs = np.mean(pairs, axis=0)
    assert ours == pytest.approx(theirs, rel=0.10)


def test_rate_ignores_a_common_scale_of_the_doubts_and_missing_samples():
    day, ratio = capacity_like(np.random.default_rng(6), 2)
    whole = fade_rate(day, ratio, np.full(len(day), 0.01))
    assert whole == fade_rate(day, ratio, np.full(len(day), 0.02))
    holed = ratio.copy()
    holed[100:140] = np.nan
    found = fade_rate(day, holed)
    assert found.count == len(day) - 40
    assert found.rate == pytest.approx(whole.rate, abs=whole.sd)


def test_outliers_hardly_move_the_year_on_year_median():
    rng = np.random.default_rng(8)
    day, ratio = capacity_like(rng, 3)
    spoiled = np.where(rng.random(len(day)) < 0.05, rng.uniform(0, 3, len(day)), ratio)
    moved = abs(fade_rate(day, spoiled, method="year-on-year").rate - fade_rate(day, ratio, method="year-on-year").rate)
    assert moved <= 0.002
    assert abs(fade_rate(day, spoiled).rate - fade_rate(day, ratio).rate) > moved


def test_a_step_is_told_as_a_doubt():
    rng = np.random.default_rng(9)
    day, ratio = capacity_like(rng, 2.5, fade=0.0)
    ratio = ratio - 0.15 * (day > day[0] + 150)
    found = fade_rate(day, ratio)
    assert "year on year" in found.reason
    assert "steps, or a season that does not repeat" in found.reason


@pytest.mark.parametrize("count", [0, 5, 11])
def test_a_handful_of_samples_is_not_enough(count: int):
    found = fade_rate(np.arange(count) * 100.0, np.ones(count))
    assert found.count == count
    assert found.reason == f"not enough data: {count} samples; a rate needs 12"


def test_samples_that_repeat_each_other_are_called_so():
    rng = np.random.default_rng(10)
    day = np.arange(400.0)
    found = fade_rate(day, 1 + 0.001 * np.cumsum(rng.normal(size=400)))
    assert "neighbouring samples repeat each other" in found.reason
    assert found.high - found.low > 3.3 * found.sd  # Student's reach with few independent samples


def test_days_that_do_not_rise_are_refused():
    with pytest.raises(ValueError, match="days must rise, got a step of -1 d"):
        fade_rate(np.r_[np.arange(20.0), 18.0], np.ones(21))


# Theil-Sen and Mann-Kendall


def test_median_of_monthly_slopes_is_that_of_scipy():
    day, ratio = capacity_like(np.random.default_rng(11), 4)
    found = fade_rate(day, ratio, method="seasonal-sen")
    _, overall = mstats.sen_seasonal_slopes(np.ma.masked_invalid(monthly(day, ratio)))
    assert found.rate == pytest.approx(-float(overall), rel=1e-12)


def test_interval_by_rank_is_that_of_scipys_theil_sen(monkeypatch: pytest.MonkeyPatch):
    # With one value a year in one season it is Sen's own: scipy.stats.theilslopes; theirs takes whole ranks, ours
    # reads between two.
    rng = np.random.default_rng(12)
    value = 1 - 0.04 * np.arange(25) + 0.05 * rng.normal(size=25)
    monkeypatch.setattr(trend, "monthly", lambda day, ratio: np.asarray(ratio)[:, None])
    found = fade_rate(np.arange(25) * YEAR, value, method="seasonal-sen")
    slope, _, low, high = theilslopes(value, np.arange(25), alpha=0.90)
    assert found.rate == pytest.approx(-slope, rel=1e-12)
    every = np.sort([(value[j] - value[i]) / (j - i) for i in range(25) for j in range(i + 1, 25)])
    neighbour = np.diff(every).max()
    assert -found.high == pytest.approx(low, abs=neighbour)
    assert -found.low == pytest.approx(high, abs=neighbour)


@pytest.mark.parametrize("count", [2, 10, 25])
def test_mann_kendall_variance_without_ties(count: int):
    # n (n - 1) (2 n + 5) / 18 (Mann 1945, Kendall; from memory)
    found = mann_kendall(np.arange(count, dtype=float))
    assert found.variance == pytest.approx(count * (count - 1) * (2 * count + 5) / 18)
    assert found.score == count * (count - 1) / 2


def test_mann_kendall_variance_is_that_of_shuffled_values():
    rng = np.random.default_rng(13)
    value = np.repeat(np.arange(10.0), [1, 2, 1, 3, 1, 1, 2, 1, 1, 2])  # with ties
    scores = [mann_kendall(rng.permutation(value)).score for _ in range(4000)]
    assert np.var(scores) == pytest.approx(mann_kendall(value).variance, rel=0.07)  # sampling error 2.2 %


def test_mann_kendall_agrees_with_kendalls_tau():
    rng = np.random.default_rng(14)
    value = np.round(0.1 * np.arange(40) + rng.normal(0, 2, 40), 0)
    ours = mann_kendall(value)
    tau = kendalltau(np.arange(40), value, method="asymptotic")  # scipy: no correction for continuity
    without = 2 * norm.sf(abs(ours.score) / np.sqrt(ours.variance))
    assert without == pytest.approx(tau.pvalue, rel=1e-9)
    assert ours.p > tau.pvalue


def test_seasonal_mann_kendall_is_that_of_scipy():
    rng = np.random.default_rng(15)
    table = rng.normal(0, 1, (6, 12)) - 0.3 * np.arange(6)[:, None] + 5 * np.cos(np.arange(12) * np.pi / 6)
    other = mstats.kendalltau_seasonal(np.ma.masked_invalid(table))
    assert mann_kendall(table).p == pytest.approx(float(other["global p-value (indep)"]), rel=1e-9)


def test_seasonal_mann_kendall_is_blind_to_the_season():
    season = np.tile(np.cos(np.arange(12) * np.pi / 6), (5, 1))
    assert mann_kendall(season).score == 0.0
    assert mann_kendall(season - 0.01 * np.arange(5)[:, None]).score == -12 * 10


@pytest.mark.parametrize(
    ("days", "seen", "after", "expected"),
    [  # closed form of the square-root law; the first figure is published as 8.6 %
        pytest.param(120, 0.025, 10, 0.0866, id="2.5 % at 10 months, at 120"),
        pytest.param(1, 0.20, 10, 0.0632, id="20 % at 10 years, at 1"),
        pytest.param(3, 0.20, 10, 0.1095, id="at 3"),
        pytest.param(5, 0.20, 10, 0.1414, id="at 5"),
    ],
)
def test_calendar_fade_goes_with_the_root_of_time(days: float, seen: float, after: float, expected: float):
    assert calendar_fade(days, seen, after) == pytest.approx(expected, abs=5e-5)


def test_life_doubles_every_ten_kelvin_cooler():
    # A maker's rule for its parts: 1000 h at 70 degC is 1000 h x 2^4.5 = 22 627 h at 25 degC.
    assert life_at(1000.0, 70.0, 25.0) == pytest.approx(22_627, abs=0.5)


def test_a_rate_knows_its_interval_is_about_its_rate():
    found: FadeRate = fade_rate(*capacity_like(np.random.default_rng(17), 2))
    assert found.low < found.rate < found.high
    assert (found.high - found.low) / 2 == pytest.approx(1.645 * found.sd, rel=0.02)  # many independent samples

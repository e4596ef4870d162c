"""Scores of past forecasts, warnings by lead, and corrections; small cases by hand, and other software."""

from dataclasses import replace

import numpy as np
import pytest
import scoringrules
import statsmodels.api as sm
from scipy.special import expit, logit

from analysis import backtest
from analysis.backtest import FORECAST, HORIZONS, SLOPE, WEEKDAY, Event, Pairs, Warned
from analysis.correction import corrected, recalibrate, try_corrections
from analysis.depletion import forecast
from analysis.scores import Correction
from tests.analysis.outlooks import budget, node, steady

DAY = 86400.0


def pairs(said, dark_in, known, origin=None, **more):
    """Pairs whose probabilities are the same at all horizons."""
    n = len(dark_in)
    tripled = {name: np.repeat(np.asarray(p, dtype=float)[:, None], 3, axis=1) for name, p in said.items()}
    blank = {
        "node": np.arange(n), "origin": np.zeros(n, dtype=np.int64) if origin is None else np.asarray(origin),
        "said": tripled, "crps": {}, "dark_in": np.asarray(dark_in, dtype=float),
        "known": np.asarray(known, dtype=float), "usable": np.zeros((n, 2, 4)), "usable_came": np.zeros((n, 2)),
        "usable_full": np.ones(n), "autonomy": np.ones(n),
        "back": np.zeros((0, 4)),
    }  # fmt: skip
    return Pairs(**blank | more)


def figures(rows):
    return {(row.score, row.horizon_days, row.method): row for row in rows}


@pytest.mark.parametrize(
    ("dark_in", "known", "came"),
    [
        pytest.param(3.0, 50.0, 1.0, id="dark in time"),
        pytest.param(12.0, 50.0, 0.0, id="dark later"),
        pytest.param(np.inf, 50.0, 0.0, id="never"),
        pytest.param(np.inf, 5.0, np.nan, id="not known to the end"),
        pytest.param(6.0, 5.0, np.nan, id="dark after somebody was there"),
        pytest.param(5.0, 6.0, 1.0, id="dark before somebody was there"),
    ],
)
def test_what_happened_within_a_week(dark_in, known, came):
    np.testing.assert_equal(float(backtest.happened(dark_in, known, 7.0)), came)


def test_brier_and_skill_are_over_the_pairs_whose_outcome_is_known():
    said = {FORECAST: [0.9, 0.2, 0.0, 0.5], SLOPE: [1.0, 1.0, 0.0, 0.0]}
    rows = figures(backtest.dark_scores(pairs(said, [3, np.inf, np.inf, np.inf], [99, 99, 99, 2])))
    # By hand, over three pairs: forecast (0.01 + 0.04 + 0) / 3, slope 1/3, climatology 1/3 of 2/9 + ... = 2/9.
    assert rows["brier", 7, FORECAST].value == pytest.approx(0.05 / 3)
    assert rows["brier", 7, "climatology"].value == pytest.approx(2 / 9)
    assert rows["skill", 7, FORECAST].value == pytest.approx(1 - (0.05 / 3) / (2 / 9))
    assert rows["skill", 7, SLOPE].value == pytest.approx(1 - (1 / 3) / (2 / 9))
    assert {row.n for row in rows.values() if row.horizon_days == 7} == {3}
    random = np.random.default_rng(2)
    p, y = random.random(50), random.integers(0, 2, 50)
    mine = figures(backtest.dark_scores(pairs({FORECAST: p}, np.where(y == 1, 1.0, np.inf), np.full(50, 99.0))))
    # scoringrules, another implementation of the Brier score
    assert mine["brier", 30, FORECAST].value == pytest.approx(float(np.mean(scoringrules.brier_score(y, p))))


def test_crps_counts_no_unknown_outcome():
    sample = np.array([[1.0, 2.0, 3.0, 4.0, 5.0]] * 2)
    score = backtest.crps_known(sample, np.array([2.5, np.inf]), np.array([50.0, 3.0]), 7.0)
    assert score[0] == pytest.approx(0.5)  # closed form for the sample 1..5 at 2.5
    assert np.isnan(score[1])


def test_coverage_of_energy_ahead_with_and_without_pinned_intervals():
    usable = np.tile([0.1, 0.2, 0.6, 0.7], (4, 2, 1)).astype(float)
    usable[3] = [0.976, 0.981, 1.0, 1.0]  # held at full, but for what readings err
    came = np.array([[0.4, 0.65], [0.65, 0.1], [0.2, np.nan], [1.0, 0.9]])
    rows = figures(backtest.energy_scores(pairs({}, [1] * 4, [9] * 4, usable=usable, usable_came=came)))
    assert (rows["coverage_80", 7, "all"].value, rows["coverage_80", 7, "all"].n) == (0.75, 4)
    assert (rows["coverage_80", 7, "open"].value, rows["coverage_80", 7, "open"].n) == (pytest.approx(2 / 3), 3)
    assert rows["coverage_90", 7, "open"].value == 1.0
    assert (rows["coverage_90", 30, "all"].value, rows["coverage_90", 30, "all"].n) == (pytest.approx(2 / 3), 3)
    assert rows["coverage_80", 7, "all"].low == pytest.approx(0.8 - 1.96 * 0.2)


def test_return_of_dark_nodes_counts_what_is_known_of_it():
    nan, inf = np.nan, np.inf
    back = np.array([
        [1.0, 4.0, 2.0, 50.0],  # held
        [1.0, 4.0, 0.5, 50.0],  # sooner
        [1.0, 4.0, inf, 30.0],  # not back by the end: later
        [1.0, nan, inf, 30.0],  # may take longer than the horizon: not known
        [1.0, nan, 9.0, 30.0],  # held
        [1.0, 9.0, 5.0, 3.0],  # somebody was there before
    ])  # fmt: skip
    (row,) = backtest.recovery_scores(pairs({}, [], [], back=back))
    assert (row.score, row.value, row.n) == ("recovery_80", 0.5, 4)


def test_reliability_groups_say_what_was_said_and_what_came():
    said = {FORECAST: [0.05, 0.06, 0.45, 0.45], WEEKDAY: [np.nan, 0.0, 0.0, 1.0]}
    found = backtest.reliabilities(pairs(said, [np.inf, np.inf, 3, np.inf], [99] * 4))
    mine = found[7, FORECAST]
    np.testing.assert_allclose(mine.said, [0.055, 0.45])
    np.testing.assert_allclose(mine.came, [0.0, 0.5])
    assert mine.count.tolist() == [2, 2]
    assert found[7, WEEKDAY].count.sum() == 3


def test_warnings_stand_and_fall_by_the_limits_of_the_alarms():
    moments = np.arange(6) * 7 * DAY
    p30 = np.array([[0.4, 0.46, 0.1, np.nan, 0.04, 0.5]])  # raised at 0.45, kept above 0.05 and while unknown
    found = backtest.warnings(np.where(np.isnan(p30), np.nan, 0.0), p30, moments)
    assert found == [Warned(0, 7 * DAY, 28 * DAY), Warned(0, 35 * DAY, np.inf)]


def test_an_event_is_going_dark_after_a_week_up_and_its_chances_are_the_forecasts_while_it_was_up():
    moments = np.arange(0, 60, 7) * DAY
    gone, back = np.array([20.0, 25.0, 50.0]) * DAY, np.array([22.0, 30.0, np.inf]) * DAY
    live = np.ones(len(moments), dtype=bool)
    found = backtest.events(3, gone, back, moments, live, np.arange(len(moments), dtype=float))
    assert [event.at / DAY for event in found] == [20.0, 50.0]  # on day 25 it had been up for three days only
    assert found[0].chances.tolist() == [20.0, 13.0, 6.0]
    assert found[1].chances.tolist() == [15.0, 8.0, 1.0]  # made on days 35, 42 and 49
    assert found[1].autonomy == 7.0
    assert backtest.events(3, gone, back, moments, ~live, np.zeros(len(moments))) == []


def test_recall_asks_for_a_lead_no_longer_than_the_autonomy():
    long, short = Event(0, 50 * DAY, np.array([36.0, 8.0, 1.0]), 20.0), Event(1, 50 * DAY, np.array([8.0, 3.0]), 2.0)
    raised = [Warned(0, 45 * DAY, np.inf), Warned(1, 47 * DAY, np.inf)]
    rows = figures(backtest.warning_scores(FORECAST, raised, [long, short], [1.0, 0.0, np.nan], 2.0))
    assert rows["recall", 3, FORECAST].value == 1.0  # 5 d and 3 d before
    assert rows["recall", 7, FORECAST].value == 0.5  # the short one needs its 2 d only
    assert rows["recall", 14, FORECAST].n == 1  # the long one had no forecast from 14 to 28 days before
    assert rows["false_warnings", 30, FORECAST].value == 0.5
    assert rows["warnings_right", 30, FORECAST].value == 0.5
    unasked = figures(backtest.warning_scores(FORECAST, [], [replace(long, chances=np.array([6.0]))], [], 2.0))
    assert ("recall", 7, FORECAST) not in unasked  # no forecast was made seven days before
    assert unasked["recall", 3, FORECAST].value == 0.0


def test_a_warning_cleared_before_the_event_is_none():
    event = Event(0, 50 * DAY, np.array([8.0]), 20.0)
    assert backtest.lead(event, [Warned(0, 10 * DAY, 30 * DAY)]) == 0.0
    assert backtest.lead(event, [Warned(1, 10 * DAY, np.inf)]) == 0.0
    assert backtest.lead(event, [Warned(0, 10 * DAY, 30 * DAY), Warned(0, 40 * DAY, np.inf)]) == 10.0


@pytest.mark.parametrize(
    ("cleared", "gone", "known", "verdict"),
    [
        pytest.param(np.inf, [25.0], 99.0, 1.0, id="dark within 30 d"),
        pytest.param(np.inf, [35.0], 99.0, 0.0, id="dark later than 30 d"),
        pytest.param(45.0, [40.0], 99.0, 1.0, id="dark while it stood"),
        pytest.param(7.0, [25.0], 99.0, 1.0, id="cleared, but dark within 30 d"),
        pytest.param(7.0, [], 99.0, 0.0, id="never dark"),
        pytest.param(7.0, [], 12.0, np.nan, id="visited before it could show"),
        pytest.param(7.0, [20.0], 12.0, np.nan, id="dark after the visit"),
        pytest.param(7.0, [-3.0], 99.0, 0.0, id="dark before it was raised"),
    ],
)
def test_whether_a_warning_was_right(cleared, gone, known, verdict):
    warned = Warned(0, 0.0, cleared * DAY)
    np.testing.assert_equal(backtest.verdict(warned, np.array(gone) * DAY, known * DAY), verdict)


# --- correction ---------------------------------------------------------------------------------------------------


def overconfident(n, seed=4):
    """Forecasts over 400 days of which the odds came only as the square root of what was said."""
    random = np.random.default_rng(seed)
    said = random.uniform(0.02, 0.98, n)
    came = random.random(n) < expit(0.5 * logit(said))
    moments = np.arange(400.0) * DAY
    return pairs({FORECAST: said}, np.where(came, 1.0, np.inf), np.full(n, 999.0), np.arange(n) % 400), moments


def test_a_correction_is_fitted_to_the_first_half_and_tried_on_the_second():
    told, moments = overconfident(20_000)
    trials = {trial.horizon_days: trial for trial in try_corrections(told, moments)}
    assert set(trials) == set(HORIZONS)
    assert trials[30].helps
    assert trials[30].n == 10_000
    assert trials[30].correction.slope == pytest.approx(0.5, abs=0.05)
    # Spoiling what came of the later forecasts leaves the fit as it is; statsmodels' unpenalised fit agrees with it.
    late = np.asarray(told.origin) >= 200
    spoilt = replace(told, dark_in=np.where(late, np.inf, told.dark_in))
    assert try_corrections(spoilt, moments)[1].correction == trials[30].correction
    early = told.origin + 30 <= 199.5
    p, y = told.said[FORECAST][early, 1], np.isfinite(told.dark_in[early])
    other = sm.Logit(y, sm.add_constant(logit(p))).fit(disp=False).params
    assert trials[30].correction.slope == pytest.approx(other[1], abs=0.02)
    assert trials[30].correction.shift == pytest.approx(other[0], abs=0.02)


def test_few_outcomes_are_not_corrected():
    told, moments = overconfident(60)
    assert try_corrections(told, moments) == []


def test_corrected_probabilities_never_fall_with_the_horizon_and_stay_without_a_table():
    said = [np.array([0.2, 0.5]), np.array([0.3, 0.6]), np.array([0.35, 0.9])]
    np.testing.assert_array_equal(recalibrate(said, {}), said)
    found = np.stack(recalibrate(said, {7: Correction(2.0, 1.0)}))
    assert found[0, 0] == pytest.approx(float(expit(2 + logit(0.2))))
    assert (np.diff(found, axis=0) >= 0).all()


def test_dates_move_with_the_corrected_probabilities():
    # Spends 1.44 J a day, known to a tenth, of 8 J and 1.2 J a day: futures spread over weeks and months.
    futures = forecast([node(steady(1.2, days=120), budget(), 8.0, rate_sd=0.1)], paths=400, seed=1)
    assert corrected(futures, {}) is futures
    table = dict.fromkeys(HORIZONS, Correction(1.5, 1.0))
    moved = corrected(futures, table)
    assert 0 < futures.p_dark_30d[0] < 1
    assert moved.p_dark_30d[0] == pytest.approx(float(table[30](futures.p_dark_30d[0])))
    assert moved.days_p50[0] < futures.days_p50[0]
    for level, date in ((0.1, moved.days_p10), (0.5, moved.days_p50)):
        share = float((futures.dark_day[0] <= date[0]).mean())
        assert float(table[30](share)) >= level
        assert float(table[30](share - 1 / 400)) < level

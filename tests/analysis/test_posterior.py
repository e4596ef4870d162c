"""The estimator: closed forms of the filter, what can be told apart and what cannot, recovered truth with intervals."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from quiet_parts import Truth, gathered, node

from analysis.evidence import gather, terms
from analysis.kalman import C_C, C_E, E_E, C, E, L, S, Standing, smooth
from analysis.ledger import day_sums, node_terms
from analysis.load import sleep_power, wake_energy
from analysis.nominal_days import nominal_days
from analysis.posterior import LAG_DAYS, Posterior, Start, estimate
from analysis.quiet import sunless
from analysis.quiet_runs import MEASURED, POINTS, RIGHT, SECONDS, SUMS
from analysis.series import Series, calendar
from analysis.state import (
    CAPACITY,
    DRIFT_PER_DAY,
    FADE,
    FIRMWARE,
    LEAK,
    RISE,
    SLEEP,
    STATES,
    STORAGE_REPLACED,
    WAKE,
    hold,
    prior,
)
from fixtures.scatter import scattered_fleet
from fixtures.simulate import Simulated, simulate

BUDGET = conveyor_budget()
START = datetime(2025, 1, 1, tzinfo=UTC)


# --- the filter -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "filtered", "smoothed"),
    [  # closed form of the local level model with R = 1, Q = q: P = (q + sqrt(q^2 + 4 q))/2, filtered P/(P + 1),
        pytest.param(0.01, 0.095125, 0.049938, id="q = 0.01"),  # smoothed q/sqrt(q^2 + 4 q)
        pytest.param(0.1, 0.270156, 0.156174, id="q = 0.1"),
        pytest.param(1.0, 0.618034, 0.447214, id="q = 1"),
    ],
)
def test_filter_and_smoother_reach_the_steady_state_of_the_local_level_model(share, filtered, smoothed):
    """Seen once a week is wake energy per capacity; both drift, and their ratio is the level."""
    weekly = 7.0 * (DRIFT_PER_DAY[WAKE] ** 2 + DRIFT_PER_DAY[FADE] ** 2)
    noise, days = weekly / share, 7 * 300
    sums = np.zeros((1, days, SUMS), dtype=np.float32)
    sums[..., MEASURED] = 1.0
    sums[0, 6::7, 0] = sums[0, 6::7, RIGHT] = 1.0 / noise
    sums[0, 6::7, POINTS] = 1.0
    mean, covariance = np.zeros((1, STATES)), np.zeros((1, STATES, STATES))
    covariance[0, WAKE, WAKE] = 1e-3
    now = Standing(np.array([days]), mean.copy(), covariance.copy(), np.array([[0.0, 1.0, 0.0]]))
    earlier = Standing(np.array([0]), mean.copy(), covariance.copy(), np.zeros((1, 3)))
    path, changes = np.zeros((1, days, 10)), np.zeros((1, days), np.bool_)
    work = np.zeros((1, days), np.uint8)
    smooth(sums, work, np.zeros(1), now, earlier, mean, covariance, path, changes)
    p = now.covariance[0]
    assert (p[WAKE, WAKE] + p[FADE, FADE] - 2 * p[WAKE, FADE]) / noise == pytest.approx(filtered, rel=1e-4)
    middle = path[0, days // 2]
    assert (middle[E_E] + middle[C_C] - 2 * middle[C_E]) / noise == pytest.approx(smoothed, rel=1e-4)


def test_without_evidence_the_posterior_is_the_budget():
    nothing = estimate(np.zeros((1, 40, SUMS), dtype=np.float32), [BUDGET])
    mean, sd = prior(BUDGET)
    assert nothing.mean[0] == pytest.approx(mean)
    kept = [CAPACITY, WAKE, LEAK]
    # 40 days of drift are all that is added, 0.2 % of wake energy.
    assert np.sqrt(np.diag(nothing.covariance[0]))[kept] == pytest.approx(sd[kept], rel=1e-3)
    assert not nothing.changes.any()


def test_carrying_on_from_a_state_gives_what_the_whole_history_gives():
    sums = gathered(node(126, Truth(0.9, 1.05, 1.2, 0.8)), BUDGET, 126).sums
    whole = estimate(sums, [BUDGET])
    half = estimate(sums[:, :98], [BUDGET])
    (day,) = half.earlier.day
    assert 98 - LAG_DAYS - 7 < day <= 98 - LAG_DAYS
    rest = estimate(sums[:, day:], [BUDGET], start=Start(half.earlier, half.sleep_shift))
    sd = np.sqrt(np.diag(whole.covariance[0]))
    # Not exactly: the whole is linear about its smoothed path, the rest about a month's.
    assert (np.abs(rest.mean - whole.mean)[0] < 0.35 * sd + 1e-9).all()
    assert np.sqrt(np.diag(rest.covariance[0])) == pytest.approx(sd, rel=0.1, abs=1e-9)


# --- what can be told apart -------------------------------------------------------------------------------------------


def told(days: int, truth: Truth | list[Truth], **kwargs) -> Posterior:
    return estimate(gathered(node(days, truth, **kwargs), BUDGET, days).sums, [BUDGET])


def sd(p: np.ndarray, plus: list[int], minus: list[int]) -> float:
    h = np.zeros(STATES)
    h[plus], h[minus] = 1.0, -1.0
    return float(np.sqrt(h @ p @ h))


def test_quiet_hours_tell_wake_energy_per_capacity_and_not_the_common_scale():
    p = told(120, Truth()).covariance[0]
    assert sd(p, [WAKE], [CAPACITY, FADE]) < 0.5 * sd(p, [CAPACITY, FADE], [])
    assert 0.05 < sd(p, [CAPACITY, FADE], []) < 0.1  # from tolerances of 20, 10, 20 and 50 %: no better can be
    assert 0.05 < sd(p, [WAKE], []) < 0.1


@pytest.mark.parametrize("times", [0.2, 2.0])
def test_a_storage_far_from_its_budget_from_the_beginning_has_no_load_that_changed(times):
    """Load per capacity 3 to 5 standard deviations off: the wider tolerance, that of capacity, has most of it."""
    sums = gathered(node(120, Truth()), BUDGET, 120).sums
    sums[..., RIGHT:POINTS] *= times
    mean = estimate(sums, [BUDGET]).mean[0]
    assert mean[CAPACITY] == pytest.approx(-0.8 * np.log(times), rel=0.1)
    assert abs(mean[WAKE]) < 0.3


def test_at_a_constant_wake_rate_wakes_and_rest_are_not_separable():
    varied = told(120, Truth()).covariance[0]
    spread = sd(varied, [WAKE], [SLEEP])
    # At whole wakes an hour, all the same, nothing distinguishes the two; a prior of 10 and 20 % is all there is.
    series = node(120, Truth(), rate=(1.0, 1.0))
    steady = Series(
        series.offsets, series.time, constant_voltage(120), np.arange(len(series.time)) * 2 % 65536,
        series.loaded_v, series.temp_c, series.boot,
    )  # fmt: skip
    p = estimate(gathered(steady, BUDGET, 120).sums, [BUDGET]).covariance[0]
    assert sd(p, [WAKE], [SLEEP]) > 2 * spread
    assert sd(p, [WAKE], [SLEEP]) > 0.8 * np.hypot(0.1, 0.2)


def constant_voltage(days: int) -> np.ndarray:
    """Hourly voltage of a budget node with two wakes every hour: falling by night, at full by day."""
    volts, v = np.empty(days * 24), 5.0
    for h in range(days * 24):
        volts[h] = v
        if h % 24 >= 6 and h % 24 < 22 and h // 24 % 7 < 6:
            v = 5.0
        else:
            leak = 1.5e-6 / 5 * v * v * 2.0 ** ((22.0 + 2.0 * np.sin((h % 24 - 9) / 24 * 2 * np.pi) - 25) / 10)
            v = np.sqrt(v * v - 2 * (2 * 3 * 14e-3 * 0.7 / 0.85 + 3600 * (3 * 2.4e-6 / 0.85 + leak)))
    rng = np.random.default_rng(3)
    return np.round((volts + 0.8e-3 * rng.normal(size=len(volts))) / 1.465e-3) * 1.465e-3


# --- changes ----------------------------------------------------------------------------------------------------------


def test_a_drain_is_dated_and_put_down_to_sleep():
    days = 150
    found = told(days, [Truth(sleep=1.0 if d < 80 else 3.0) for d in range(days)])
    when = np.flatnonzero(found.changes[0])
    assert len(when) >= 1
    assert abs(int(when[0]) - 80) <= 2
    assert found.path[0, 70, S] == pytest.approx(1.0, abs=0.3)
    assert found.path[0, -1, S] == pytest.approx(3.0, rel=0.2)
    assert found.path[0, -1, L] < 2.5
    assert abs(found.mean[0, FADE]) < 3 * np.sqrt(found.covariance[0, FADE, FADE])


def test_odd_nights_at_the_end_are_no_change_until_they_last():
    """A closed plant's, or a cold yard's: a leak of 29 times was told of them, surely so, and gone ten days later."""
    days = 150
    usual, odd = (gathered(node(days, Truth(sleep=sleep)), BUDGET, days).sums for sleep in (1.0, 1.5))
    for nights, changed in ((1, False), (3, False), (8, True)):
        sums = np.concatenate([usual[:, :-nights], odd[:, -nights:]], axis=1)
        found = estimate(sums, [BUDGET])
        assert found.changes[0].any() == changed
        assert (found.path[0, -1, S] > 1.3) == changed


def test_leakage_that_rises_is_put_down_to_leakage():
    days = 150
    found = told(days, [Truth(leak=1.0 + min(max(d - 80, 0) / 20, 1.0) * 4.0) for d in range(days)])
    rise = np.exp(found.mean[0, RISE])
    assert 3.0 < rise < 8.0
    assert found.path[0, -1, S] == pytest.approx(1.0, abs=0.5)


def test_leakage_does_not_vanish_whatever_harvest_was_left_in_its_hours():
    state = np.full(STATES, -3.0)
    hold(state)
    assert state[RISE] == -1.0  # to 37 % of its beginning
    assert state[LEAK] == -3.0  # which may have been far below the budget


def test_leakage_that_grows_for_months_is_not_put_down_to_capacity():
    found = told(200, [Truth(leak=1.0 + 9.0 * min(max(d - 60, 0) / 140, 1.0)) for d in range(200)])
    assert found.path[0, -1, L] / found.path[0, :28, L].mean() > 4.0
    assert found.path[0, -1, C] / found.path[0, :28, C].mean() > 0.88
    assert abs(found.mean[0, FADE]) < 1.645 * np.sqrt(found.covariance[0, FADE, FADE])


@pytest.mark.parametrize("rate", [(0.5, 1.5), (1.0, 1.0)], ids=["varied", "steady"])
def test_a_wake_that_comes_to_cost_more_within_weeks_is_no_loss_of_capacity(rate):
    truths = [Truth(wake=1.0 + 0.5 * min(max(d - 80, 0) / 20, 1.0)) for d in range(200)]
    found = told(200, truths, rate=rate)
    ratio = found.path[0, -1] / found.path[0, :28].mean(axis=0)
    # The change is found in weeks; what comes before and after it slowly is shared with capacity.
    assert ratio[E] > 1.25
    assert ratio[C] > 0.85
    assert ratio[E] / ratio[C] == pytest.approx(1.5, rel=0.1)


def test_a_fade_of_thirty_per_cent_a_year_shows_within_120_days():
    days = 60 + 120
    found = told(days, [Truth(capacity=1.0 - 0.3 * max(d - 60, 0) / 365) for d in range(days)])
    lost, doubt = -found.mean[0, FADE], np.sqrt(found.covariance[0, FADE, FADE])
    assert lost > 0.03 + 2 * doubt  # surely more than any season makes
    assert np.log(1 / (1 - 0.3 * 120 / 365)) == pytest.approx(lost, abs=2.5 * doubt)
    assert not found.changes.any()


def test_a_new_storage_begins_anew():
    days = 160
    sums = gathered(node(days, [Truth(capacity=0.7 if d < 80 else 1.1) for d in range(days)]), BUDGET, days).sums
    work = np.zeros((1, days), np.uint8)
    work[0, 80] = STORAGE_REPLACED
    found = estimate(sums, [BUDGET], work)
    ratio = found.path[0, [70, -1]]
    assert ratio[1, C] / ratio[0, C] == pytest.approx(1.1 / 0.7, rel=0.12)
    assert ratio[0, E] == pytest.approx(ratio[1, E], rel=0.02)  # the load is the same node's
    assert abs(found.mean[0, FADE]) < 0.06  # nothing of the exchange counts as wear


def test_new_firmware_may_change_the_load_without_being_a_fault():
    days = 140
    truths = [Truth(sleep=1.0 if d < 70 else 0.5, wake=1.0 if d < 70 else 1.1) for d in range(days)]
    work = np.zeros((1, days), np.uint8)
    work[0, 70] = FIRMWARE
    found = estimate(gathered(node(days, truths), BUDGET, days).sums, [BUDGET], work)
    assert found.path[0, -1, S] == pytest.approx(0.5, abs=0.2)
    assert found.path[0, -1, E] / found.path[0, 60, E] == pytest.approx(1.1, abs=0.04)


# --- recovered truth --------------------------------------------------------------------------------------------------


def reports(history: Simulated) -> Series:
    kept = history.reported
    blank = {
        "loaded": np.array([habit.loaded for habit in history.firmware])[:, None],
        "temp": np.array([habit.temp for habit in history.firmware])[:, None],
        "boot": np.array([habit.boot for habit in history.firmware])[:, None],
    }
    return Series(
        np.concatenate([[0], np.cumsum(kept.sum(axis=1))]).astype(np.int64),
        history.observed_at[kept], history.storage_v[kept].astype(float), history.wakes[kept],
        np.where(blank["loaded"], history.loaded_v, np.nan)[kept],
        np.where(blank["temp"], history.temp_c, np.nan)[kept].astype(float),
        np.where(blank["boot"], history.boot, -1)[kept],
    )  # fmt: skip


DAYS = 180


@pytest.fixture(scope="module")
def field():
    """A scattered fleet, half of it faulty, by the simulator's own physics, and what the estimator makes of it."""
    scattered = scattered_fleet(150, 31, START, DAYS, 0.5)
    history = simulate(scattered.fleet, START, DAYS, 31, scattered.faults, scattered.firmware)
    fleet = scattered.fleet
    nodes = [fleet.nodes[node_id] for node_id in history.node_ids]
    budgets = [fleet.budgets[n.budget] for n in nodes]
    places = [fleet.sites[name] for name in sorted(fleet.sites)]
    days_of = [calendar(p.zone, START.date(), DAYS) for p in places]
    before = [calendar(p.zone, START.date() - timedelta(days=1), DAYS + 1) for p in places]
    sun = np.stack([sunless(c, p.latitude, p.longitude) for c, p in zip(before, places, strict=True)])
    site = np.array([sorted(fleet.sites).index(n.site) for n in nodes])
    series = reports(history)
    found = gather(series, terms(budgets), days_of, site, sun)
    days = nominal_days(day_sums(series, node_terms(budgets), days_of, site), budgets)
    return budgets, days, found, estimate(found.sums, budgets), history


def estimates(budgets, posterior: Posterior) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Ratio and standard deviation of each line at the end."""
    x, p = posterior.mean, posterior.covariance

    def of(states: list[int]) -> tuple[np.ndarray, np.ndarray]:
        ratio = np.exp(x[:, states].sum(axis=1))
        return ratio, ratio * np.sqrt(p[:, states][:, :, states].sum(axis=(1, 2)))

    shown, doubt = of([SLEEP])
    return {
        "capacity": of([CAPACITY, FADE]),
        "wake": of([WAKE]),
        "sleep": (shown + posterior.sleep_shift, np.hypot(doubt, np.sqrt(posterior.sleep_hidden))),
        "leakage": of([LEAK, RISE]),
    }


def truths(budgets, history: Simulated) -> dict[str, np.ndarray]:
    truth, middle = history.truth, history.truth.reference_voltage
    warm = np.exp2((truth.temperature_c[:, -24:] - 25.0) / 10.0).mean(axis=1)
    full = np.array([b.storage.leakage_current * b.storage.full_voltage for b in budgets])
    wake = np.array([float(wake_energy(b.load, v)) for b, v in zip(budgets, middle, strict=True)])
    sleep = np.array([float(sleep_power(b.load, v)) for b, v in zip(budgets, middle, strict=True)])
    return {
        "capacity": truth.day_capacity_ratio[:, -1],
        "wake": truth.day_wake_energy_j[:, -1] / wake,
        "sleep": truth.day_sleep_power_w[:, -1] / sleep,
        "leakage": truth.day_leakage_full_w[:, -1] / full / warm,
    }


@pytest.mark.parametrize("line", ["capacity", "wake", "sleep", "leakage"])
def test_ninety_per_cent_intervals_cover_the_truth(field, line):
    budgets, _, _, posterior, history = field
    value, doubt = estimates(budgets, posterior)[line]
    inside = np.abs(value - truths(budgets, history)[line]) < 1.645 * doubt
    assert 0.82 <= inside.mean() <= 0.97  # binomial: 0.90 +- 0.06 for 150 nodes (two and a half sd)


def test_wake_energy_per_capacity_is_known_far_better_than_either(field):
    budgets, _, found, posterior, history = field
    seen = (found.sums[:, :, SECONDS] > 0).mean(axis=1) > 0.8
    got, true = estimates(budgets, posterior), truths(budgets, history)
    ratio = np.log(got["wake"][0] / got["capacity"][0]) - np.log(true["wake"] / true["capacity"])
    alone = np.log(got["wake"][0]) - np.log(true["wake"])
    # About 0.6; a median of 70 nodes is good to 15 %.
    assert np.median(np.abs(ratio[seen])) < 0.7 * np.median(np.abs(alone[seen]))


def test_mean_net_harvest_is_nearer_the_truth_than_by_nameplate(field):
    """Over the hours observed: harvest less what is lost inside, against truth; nodes that quiet hours tell of."""
    _, days, found, posterior, history = field
    truth = history.truth
    net = truth.harvest_j - truth.leakage_j - truth.slow_j + truth.moved_j
    through = np.concatenate([np.zeros((len(net), 1)), np.cumsum(net, axis=1, dtype=float)], axis=1)
    true = np.empty(len(net))
    for i, seen in enumerate(history.reported):
        at = np.flatnonzero(seen)
        joined = (np.diff(at) <= 4) & (np.diff(history.boot[i, at]) == 0)  # longer silences are not observed
        true[i] = np.diff(through[i, at + 1])[joined].sum() / (3600.0 * np.diff(at)[joined].sum())
    seconds = days.observed_s.sum(axis=1)
    nameplate = (days.stored_j + days.wake_j + days.sleep_j).sum(axis=1) / seconds
    path = posterior.path.astype(float)
    energies = path[..., C] * days.stored_j + path[..., E] * days.wake_j + path[..., S] * days.sleep_j
    told_of = (found.sums[:, :, SECONDS] > 0).mean(axis=1) > 0.05
    before, now = (np.abs(x - true)[told_of].mean() for x in (nameplate, energies.sum(axis=1) / seconds))
    # The common scale stays with the tolerances: at 15, 10 and 20 % no estimator does much better than 0.7.
    assert now < 0.75 * before


def test_sound_storage_is_not_called_faded(field):
    _, _, found, posterior, history = field
    fading = {f.node_id for f in history.truth.faults if f.finding == "capacity-fade"}
    sound = np.array([node_id not in fading for node_id in history.node_ids])
    seen = (found.sums[:, :, SECONDS] > 0).mean(axis=1) > 0.05
    lost = -posterior.mean[:, FADE]
    doubt = np.sqrt(posterior.covariance[:, FADE, FADE])
    assert not (sound & seen & (lost - 2.0 * doubt > 0.04)).any()
    # Of seven that fade, cells among them, whose curve's slope is in doubt.
    assert ((lost - doubt > 0.02) & ~sound & seen).sum() >= 0.4 * (~sound & seen).sum()

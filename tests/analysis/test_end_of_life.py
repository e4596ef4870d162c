"""When a storage reaches its limits: against drawn lines, and against the truth of simulated wear."""

from datetime import UTC, datetime

import numpy as np
import pytest

from analysis.end_of_life import HORIZON_DAYS, Loss, Pace, end_of_life, pace
from analysis.run import analyse
from fixtures.demo import load_history
from fixtures.faults import Fault
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.budget import DAYS_PER_YEAR
from ingest.store import Store

START, DAYS, SEED, NODES = datetime(2025, 3, 1, tzinfo=UTC), 330, 5, 80
CENTURY = np.arange(36_500)


@pytest.mark.parametrize(
    ("lost", "lost_sd", "rate", "rate_sd"),
    [(0.05, 0.02, 0.05, 0.01), (0.15, 0.03, 0.10, 0.05), (0.0, 0.01, 0.3, 0.1), (0.1, 0.04, 0.02, 0.005)],
)
def test_end_of_life_is_that_of_drawn_lines(lost: float, lost_sd: float, rate: float, rate_sd: float):
    # Loss and pace err together, as they are told from the same readings.
    error = np.random.default_rng(16).normal(0, 1, 200_000)
    start, slope = lost + lost_sd * error, rate + rate_sd * error
    days = np.where(start >= 0.2, 0.0, np.where(slope > 0, (0.2 - start) / np.maximum(slope, 1e-12), np.inf) * 365.25)
    found = end_of_life(lost, lost_sd, Pace(rate, rate_sd), 0.2)
    for share, quantile in zip((0.1, 0.5, 0.9), found, strict=True):
        if np.isnan(quantile):
            assert np.mean(days <= HORIZON_DAYS) < share + 0.01
        else:
            assert np.mean(days <= quantile) == pytest.approx(share, abs=0.01)


def test_end_of_life_without_doubt_is_the_crossing():
    # By hand: 0.1 more at 0.05 a year is two years, 730.5 days, rounded up.
    assert end_of_life(0.1, 0.0, Pace(0.05, 0.0), 0.2) == (731, 731, 731)
    assert end_of_life(0.3, 0.02, Pace(0.05, 0.01), 0.2) == (0, 0, 0)


def test_end_of_life_past_ten_years_is_left_empty():
    assert np.isnan(end_of_life(0.0, 0.001, Pace(0.018, 0.001), 0.2)).all()


def test_the_pace_is_that_of_the_later_half_and_as_doubtful_as_it_has_changed():
    # By hand: 0.02 in the first year, 0.10 in the second.
    found = pace(Loss(365.25, 0.02, 0.0), Loss(730.5, 0.12, 0.0))
    assert found is not None
    assert found.rate == pytest.approx(0.10)
    assert found.sd == pytest.approx(np.hypot((0.10 - 0.02) / 2, 0.2 * 0.10))


def test_slow_wear_that_only_the_whole_time_tells_goes_on_at_the_pace_of_the_whole():
    # By hand: 0.08 in two years, give or take 0.018, of which the second year alone tells 0.04 +- 0.025.
    found = pace(Loss(365.25, 0.04, 0.018), Loss(730.5, 0.08, 0.018))
    assert found is not None
    assert found.rate == pytest.approx(0.04)
    assert found.sd == pytest.approx(np.hypot(0.009, 0.2 * 0.04))


@pytest.mark.parametrize(
    ("then", "now"),
    [
        pytest.param(Loss(180, 0.01, 0.02), Loss(360, 0.02, 0.02), id="lost in doubt"),
        pytest.param(Loss(180, 0.10, 0.01), Loss(360, 0.10, 0.01), id="has stopped"),
        pytest.param(Loss(180, np.nan, np.inf), Loss(360, np.nan, np.inf), id="not told"),
        pytest.param(Loss(180, -0.02, 0.001), Loss(360, -0.04, 0.001), id="has grown"),
    ],
)
def test_without_wear_that_stands_out_there_is_no_pace(then: Loss, now: Loss):
    assert pace(then, now) is None


# A fleet whose storages wear at known paces. The simulator's physics shares no code with the analysis.


@pytest.fixture(scope="module")
def worn():
    """By criterion: days ahead of each node's true end of life, the kind of node, and what the table says."""
    scattered = scattered_fleet(NODES, SEED, START, DAYS, faulty=0.0)
    rng = np.random.default_rng(SEED)
    faults = []
    for i, node in enumerate(scattered.fleet.nodes):
        if i % 4 == 0:
            faults.append(Fault(node, "capacity-fade", START, factor=rng.uniform(0.7, 0.92)))
        elif i % 4 == 1:
            faults.append(Fault(node, "resistance-rise", START, factor=rng.uniform(2, 5), ramp_days=600.0))
    simulated = simulate(scattered.fleet, START, DAYS, SEED, tuple(faults), scattered.firmware)
    with Store.open(":memory:") as book:
        book.save_fleet(scattered.fleet)
        load_history(book, simulated, float("inf"), lambda *_: None)
        analyse(book)
        rows = book.cursor().execute(
            "SELECT node_id, criterion, date_diff('day', as_of::DATE, unnest([by_p10, by_p50, by_p90]))"
            " FROM end_of_life"
        )
        said: dict[tuple[str, str], list[float]] = {}
        for node, criterion, days in rows.fetchall():
            said.setdefault((node, criterion), []).append(np.inf if days is None else days)
    of_node = {fault.node_id: fault for fault in faults}
    parts = simulated.truth.parts
    truth = {}
    for i, node in enumerate(simulated.node_ids):
        fault = of_node.get(node)
        years, kind = CENTURY / DAYS_PER_YEAR, fault.finding if fault else "sound"
        capacity, resistance = 1 - parts.fade_per_year[i] * years, 1 + parts.esr_rise_per_year[i] * years
        if fault and kind == "capacity-fade":
            capacity = capacity * np.maximum(1 - (1 - fault.factor) * years, 0.2)
        elif fault:
            resistance = resistance * (1 + np.clip(CENTURY / fault.ramp_days, 0, 1) * (fault.factor - 1))
        truth[node, "capacity"] = int(np.argmax(capacity / capacity[:30].mean() < 0.8)) - DAYS, kind
        truth[node, "resistance"] = int(np.argmax(resistance / resistance[:30].mean() > 2)) - DAYS, kind
    return truth, said


def test_the_interval_holds_the_true_day_of_wear_that_goes_on(worn):
    truth, said = worn
    ahead = [(truth[key][0], days) for key, days in said.items() if truth[key][0] > 0 and np.isfinite(days[2])]
    held = [days[0] <= true <= days[2] for true, days in ahead]
    assert len(held) >= 12
    assert np.mean(held) >= 0.7  # 80 % intervals; other seeds 0.73 to 1.0, as the doubt of a change of pace is in them


def test_a_storage_long_past_its_limit_is_said_to_be_worn_now(worn):
    truth, said = worn
    past = [days[0] for key, days in said.items() if truth[key][0] < -30]
    assert len(past) >= 5
    assert np.mean(np.array(past) == 0) >= 0.9


def test_sound_storages_are_given_no_day_within_three_years(worn):
    truth, said = worn
    sound = [days[0] for key, days in said.items() if truth[key][0] > 5 * 365]
    assert len(sound) >= 10  # resistance rises by 1 to 6 % a year, which is measured
    assert np.mean(np.array(sound) > 3 * 365) >= 0.9


def test_a_short_history_has_no_day(book, admit):
    from tests.analysis.test_run import history

    admit(*history("mf-01", range(60 * 24), -0.01))
    analyse(book)
    assert book.cursor().execute("SELECT count(*) FROM end_of_life").fetchone() == (0,)

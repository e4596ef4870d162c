"""What wakes tell while harvest goes on, against generalised least squares and against truths that made the data."""

from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest
from quiet_parts import LEAK_W, SLEEP_W, STEPS, WAKE_J, Truth, gathered, node

from analysis.loud_runs import COLUMNS, WANDER, _innovations
from analysis.posterior import estimate
from analysis.quiet_runs import LINES, POINTS, RIGHT, SECONDS
from analysis.run import analyse
from analysis.series import Series
from analysis.state import FADE
from ingest.budget import parse_budget
from ingest.fleet import Fleet, Node, Site
from ingest.store import Store
from tests.conftest import CONVEYOR

TEXT = CONVEYOR.replace('"vibration"', '"thermal"').replace('active_hours = "06:00-22:00"\n', "")
TEXT = TEXT.replace('active_days = "mon-sat"\n', "").replace("wakes_per_day = 48", "wakes_per_day = 96")
KILN = parse_budget(TEXT, "kiln.toml")
EVEN = Truth()
BUSY = (1.9, 2.1)  # by so many times 48 wakes a day


def heat(days: int, seed: int, truth: Truth = EVEN, times: float = 1.0) -> np.ndarray:
    """Harvest of a process that never rests, about what the node spends, or so many times as much. [W]

    It scatters from hour to hour, has a course of the day, and a level that comes and goes by the week.
    """
    rng, hours = np.random.default_rng([7, seed]), np.arange(days * 24)
    spent = 2 * 48 * truth.wake * WAKE_J / 86400 + truth.sleep * SLEEP_W + truth.leak * LEAK_W * 3.6**2
    level = 1 + 0.05 * np.sin(hours / 24 * 2 * np.pi / 9 + rng.uniform(0, 6)) + 0.2 * np.sin((hours - 8) / 12 * np.pi)
    return np.repeat(times * spent * level * np.exp(0.15 * rng.normal(size=len(hours))), STEPS)


def slope(sums: np.ndarray) -> tuple[float, float]:
    """The wakes' coefficient of loud days and its sd, with nothing that comes back with a wake."""
    told = sums[sums[:, SECONDS] == 0.0]
    return float(told[:, RIGHT].sum() / told[:, 0].sum()), float(told[:, 0].sum() ** -0.5)


def test_the_filters_innovations_are_generalised_least_squares():
    # The best linear unbiased estimate under a known covariance (Aitken 1935, from memory), written out with matrices:
    # white scatter and a random walk of the level, differences of readings, the first level unknown.
    rng, count, scatter, noise = np.random.default_rng(5), 30, 4.0, 9.0
    seconds = rng.uniform(0.8, 1.2, size=count)
    columns = rng.normal(size=(count, COLUMNS))
    gram, told = _innovations(columns, seconds, 1.0, scatter, noise * 1.0)
    assert told == count - 1
    at, differences = np.arange(count), np.diff(np.eye(count + 1), axis=0) / seconds[:, None]
    walk = WANDER * scatter * np.minimum(at, at[:, None])
    covariance = scatter * np.eye(count) + walk + noise * differences @ differences.T
    weights = np.linalg.inv(covariance)
    ones = np.ones(count)
    weights -= np.outer(weights @ ones, weights @ ones) / (ones @ weights @ ones)
    assert gram == pytest.approx(columns.T @ weights @ columns, rel=1e-9)


@pytest.mark.parametrize(
    "truth", [Truth(), Truth(0.8, 1.1, 1.3, 1.5), Truth(1.2, 0.9, 0.8, 0.5)], ids=["by the budget", "small", "large"]
)
def test_wakes_over_capacity_are_told_while_harvest_goes_on(truth):
    histories = [node(60, truth, seed, rate=BUSY, offered=heat(60, seed, truth)) for seed in range(12)]
    ratio, sd = np.array([slope(gathered(history, KILN, 60).sums[0]) for history in histories]).T
    true = truth.wake / truth.capacity
    assert np.sqrt(np.mean(((ratio - true) / sd) ** 2)) < 1.6
    assert ratio.mean() == pytest.approx(true, rel=0.04)
    assert sd.max() < 0.1


def test_the_slow_branch_lags_behind_what_wakes_take():
    # E(V) = a - (e/c) W - r R with R = -W: with a share r of the wakes' coefficient less, the same balance.
    sums = gathered(node(20, Truth(), rate=BUSY, offered=heat(20, 2)), KILN, 20).sums[0].astype(float)
    of_both, of_lag = LINES - 1, LINES * (LINES + 1) // 2 - 1  # by rows of the upper triangle
    assert sums[:, of_both] == pytest.approx(-sums[:, 0], rel=1e-6)
    assert sums[:, of_lag] == pytest.approx(sums[:, 0], rel=1e-6)
    assert sums[:, RIGHT + LINES - 1] == pytest.approx(-sums[:, RIGHT], rel=1e-6)
    other = np.delete(sums[:, :RIGHT], [0, of_both, of_lag], axis=1)
    assert not other.any()


def test_a_constant_rate_and_a_full_storage_tell_nothing():
    timed = gathered(node(40, Truth(), timer=72.0, offered=heat(40, 1)), KILN, 40).sums[0]
    assert timed[:, 0].sum() < 1.0  # a sd of the whole coefficient
    full = gathered(node(40, Truth(), rate=BUSY, offered=heat(40, 1, times=4.0)), KILN, 40).sums[0]
    assert not full[5:, POINTS].any()


def test_a_machine_that_may_bring_harvest_with_its_wakes_is_not_read_so():
    presses = parse_budget(TEXT.replace('"thermal"', '"vibration"'), "p.toml")
    sums = gathered(node(40, Truth(), rate=BUSY, offered=heat(40, 1)), presses, 40).sums[0]
    assert not sums[:, POINTS].any()


def test_capacity_lost_by_a_node_whose_source_never_rests_shows():
    days, loss = 330, 0.3 / 365
    fading = [Truth(capacity=1.0 - loss * max(day - 60, 0)) for day in range(days)]
    z = {}
    for name, truth in (("fading", fading), ("sound", Truth())):
        mean, sd = [], []
        for seed in range(5):
            series = node(days, truth, seed, rate=BUSY, offered=heat(days, seed))
            found = estimate(gathered(series, KILN, days).sums, [KILN])
            mean.append(found.mean[0, FADE])
            sd.append(np.sqrt(found.covariance[0, FADE, FADE]))
        z[name] = np.array(mean) / np.array(sd)
    assert np.median(z["fading"]) < -2.0  # a fifth is lost; before, nothing was told and this was 0
    assert np.abs(z["sound"]).max() < 2.0
    assert np.abs(np.median(z["sound"])) < 1.0


def kept(book: Store, series: dict[str, Series]) -> None:
    """Give a store of kiln nodes their reports."""
    site = Site(site="kiln-row", name="Kiln row", latitude=52.0, longitude=0.0, timezone="UTC")
    nodes = {
        n: Node(node_id=n, site="kiln-row", budget="kiln", commissioned=datetime(2026, 1, 5, tzinfo=UTC))
        for n in series
    }
    book.save_fleet(Fleet(sites={"kiln-row": site}, nodes=nodes, budgets={"kiln": KILN}, budget_texts={"kiln": TEXT}))
    numbers = dict(book.cursor().execute("SELECT node_id, node_no FROM nodes").fetchall())
    for name, own in series.items():
        at = pa.array(np.round(own.time * 1000).astype(np.int64)).cast(pa.timestamp("ms"))
        reports = pa.table({
            "node_no": np.full(len(own.time), numbers[name], dtype=np.int32), "observed_at": at, "received_at": at,
            "storage_v": own.storage_v, "wakes": own.wakes, "temp_c": own.temp_c,
        })  # fmt: skip
        with book.write() as cursor:
            cursor.register("reports", reports)
            cursor.execute("INSERT INTO report_log BY NAME SELECT * FROM reports ORDER BY observed_at")
            cursor.execute("INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log")


def test_health_of_a_node_whose_source_never_rests_is_of_capacity_alone():
    days = 330
    fading = [Truth(capacity=1.0 - 0.3 / 365 * max(day - 60, 0)) for day in range(days)]
    series = {
        "kr-fading": node(days, fading, 3, rate=BUSY, offered=heat(days, 3)),
        "kr-sound": node(days, Truth(), 4, rate=BUSY, offered=heat(days, 4)),
        "kr-timed": node(days, Truth(), 5, timer=96.0, offered=heat(days, 5)),
    }
    with Store.open(":memory:") as book:
        kept(book, series)
        analyse(book)
        told = {name: book.cursor().table(name).to_arrow_table().to_pandas() for name in ("health", "findings")}
    health = told["health"].set_index("node_id")
    assert health.loc["kr-fading", "capacity_ratio"] == pytest.approx(0.8, abs=0.08)
    assert health.loc["kr-sound", "capacity_ratio"] == pytest.approx(1.0, abs=0.06)
    assert health.loc["kr-timed", "verdict"] == "not-enough-data"
    assert health["leakage_ratio"].isna().all()  # nothing tells it from sleep, and neither from the harvest
    (found,) = told["findings"].itertuples()
    assert (found.node_id, found.finding) == ("kr-fading", "capacity-fade")
    assert "(drain-over) is not separable from it" in found.evidence

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis import kalman, sisters
from analysis.run import analyse
from analysis.run_days import NumberedFleet
from analysis.run_field import estimate_field, read_evidence
from analysis.run_past import read_history
from analysis.run_sisters import by_sisters
from fixtures.demo import load_history
from fixtures.simulate import simulate
from ingest.budget import parse_budget
from ingest.fleet import Fleet, Node, Site
from ingest.store import Store
from tests.conftest import CONVEYOR

START, DAYS, COUNT = datetime(2026, 1, 5, tzinfo=UTC), 120, 20
# Batting averages of 18 players in their first 45 times at bat of 1970 and in the rest of that season: B. Efron and
# C. Morris, Data analysis using Stein's estimator and its generalizations, J. Am. Stat. Assoc. 70 (1975), table 1 (the
# figures from memory).
FIRST = np.array([400, 378, 356, 333, 311, 311, 289, 267, 244, 244, 222, 222, 222, 222, 222, 200, 178, 156]) / 1000
REST = np.array([346, 298, 276, 222, 273, 270, 263, 210, 269, 230, 264, 256, 303, 264, 226, 285, 316, 200]) / 1000


def of(log, open_, kind=None, tolerance=0.3):
    nodes = len(log)
    kind = np.zeros(nodes, dtype=np.int64) if kind is None else kind
    found = sisters.Levels(np.exp(log), np.zeros(nodes))
    return sisters.shares(found, np.full(nodes, open_), kind, np.full(nodes, tolerance))


def test_levels_are_found_whatever_came_on_the_days_and_whichever_were_seen():
    rng = np.random.default_rng(1)
    level, came = rng.lognormal(0, 0.3, 30), rng.lognormal(0, 0.8, (3, 100))
    node, day = np.nonzero(rng.random((30, 100)) < 0.6)
    kind = np.arange(30) % 3
    harvest = level[node] * came[kind[node], day] * (1 + rng.normal(0, 0.1, len(node)))
    found = sisters.levels(node, day, harvest, kind, np.zeros(30))
    for k in range(3):
        off = np.log(found.level / level)[kind == k]
        assert np.abs(off - off.mean()).max() < 0.06
        assert (off - off.mean()).std() < np.sqrt(found.variance[kind == k].mean())  # for days in a row are alike


def test_a_node_without_a_harvest_has_no_level():
    found = sisters.levels(
        np.array([0, 1, 1]), np.array([0, 0, 1]), np.array([1.0, 1.0, 1.0]), np.zeros(3, int), np.zeros(3)
    )
    assert np.isfinite(found.level[:2]).all()
    assert np.isnan(found.level[2])
    none = np.zeros(0, dtype=np.int64)
    assert np.isnan(sisters.levels(none, none, np.zeros(0), np.zeros(2, int), np.zeros(2)).level).all()


def test_known_spread_is_the_conditioning_of_a_normal(monkeypatch):
    """The joint normal of scale and levels, conditioned by numpy's own algebra."""
    monkeypatch.setattr(sisters, "SPREADS", np.array([0.1]))
    monkeypatch.setattr(sisters, "FREEDOM", 1e6)
    rng = np.random.default_rng(2)
    log = rng.normal(0, 0.13, 12)
    shift, known = of(log, 0.08**2)
    noise = sisters.AGAINST * 0.1 * 0.08
    each = 0.1**2 + 0.08**2 + 2 * noise
    levels = each * np.eye(12) + 100.0  # what came on the days is anything
    to_first = np.where(np.arange(12) == 0, 0.08**2 + noise, 0.0)
    assert shift[0] == pytest.approx(-to_first @ np.linalg.solve(levels, log), rel=1e-3)
    assert known[0] * 0.08**2 == pytest.approx(to_first @ np.linalg.solve(levels, to_first), rel=1e-3)


def test_batters_are_foretold_three_times_as_well_as_by_their_first_hits(monkeypatch):
    monkeypatch.setattr(sisters, "AGAINST", 0.0)
    shift, _ = of(FIRST, 0.265 * 0.735 / 45, tolerance=0.1)  # here what is open is chance, and the spread is of skill
    plain, shrunk = ((x - REST) @ (x - REST) for x in (FIRST, FIRST + shift))
    assert plain == pytest.approx(0.077, abs=0.002)  # published, and 0.022 for the estimator of James and Stein
    assert shrunk == pytest.approx(0.022, abs=0.004)


@pytest.mark.parametrize(("spread", "least", "most"), [(0.05, 0.35, 0.75), (0.1, 0.12, 0.45), (0.4, 0.0, 0.03)])
def test_what_sisters_tell_comes_true_as_said(spread, least, most):
    rng = np.random.default_rng(3)
    kind = np.arange(2000) // 20
    off = rng.normal(0, 0.08, 2000)
    own = sisters.AGAINST * spread * off / 0.08 + spread * np.sqrt(1 - sisters.AGAINST**2) * rng.normal(size=2000)
    shift, known = of(own + off + rng.normal(0, 1, 100)[kind], 0.08**2, kind)
    z = (off + shift) / (0.08 * np.sqrt(1 - known))
    assert 0.9 < z.std() < 1.1
    assert least <= 1 - (off + shift).var() / off.var() + 0.01 <= most + 0.01


def test_one_that_is_shaded_moves_neither_itself_nor_its_sisters():
    log = np.random.default_rng(4).normal(0, 0.05, 15)
    calm, _ = of(log, 0.08**2)
    log[0] = np.log(0.4)
    shift, known = of(log, 0.08**2)
    assert abs(shift[0]) < 0.08
    assert known[0] < 0.05
    assert np.abs(shift - calm)[1:].max() < 0.02


def test_two_sisters_tell_nothing():
    shift, known = of(np.array([0.1, -0.1, 0.3]), 0.01, kind=np.array([0, 0, 1]))
    assert not shift.any()
    assert not known.any()


@pytest.mark.parametrize("ratio", [0.2, 0.5, 1.0])
def test_how_much_parts_scatter_is_found(ratio):
    """Of a hundred nodes; along two directions of three the evidence tells nearly all."""
    rng = np.random.default_rng(5)
    before = np.tile([0.15, 0.1, 0.2], (100, 1))
    part = np.sqrt(ratio) * before * rng.normal(size=(100, 3))
    seen = np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])  # only ratios to the capacity
    noise = 0.02**2 * np.eye(2)
    prior = np.diag(before[0] ** 2)
    gain = prior @ seen.T @ np.linalg.inv(seen @ prior @ seen.T + noise)
    found = (part @ seen.T + rng.normal(0, 0.02, (100, 2))) @ gain.T
    covariance = np.tile(prior - gain @ seen @ prior, (100, 1, 1))
    assert sisters.scatter(found, covariance, before) == pytest.approx(ratio, rel=0.35)


@pytest.fixture(scope="module")
def alike():
    """Sisters on one conveyor, whose harvests are within 6 % of each other."""
    text = CONVEYOR.replace('mean_power = "70 uW"', 'mean_power = "48 uW"\ntolerance = 0.06')
    budget = parse_budget(text, "conveyor.toml")
    site = Site(site="floor", name="Mill floor", latitude=54.6, longitude=-1.6, timezone="Europe/London")
    nodes = {
        f"mm-c{i:02d}": Node(node_id=f"mm-c{i:02d}", site="floor", budget=budget.name, commissioned=START)
        for i in range(COUNT)
    }
    fleet = Fleet(sites={"floor": site}, nodes=nodes, budgets={budget.name: budget}, budget_texts={budget.name: text})
    simulated = simulate(fleet, START, DAYS, 8)
    with Store.open(":memory:") as book:
        book.save_fleet(fleet)
        load_history(book, simulated, float("inf"), lambda *_: None)
        done = analyse(book)
        known = NumberedFleet.of(book)
        field = estimate_field(read_evidence(book.cursor(), known), known, done.as_of.date() + timedelta(days=1))
        alone = field.path.copy()
        fields, _ = by_sisters(known, [(known, field)], read_history(book, known).sums)
        names = "estimates", "ledger", "scales", "day_sums"
        tables = {name: book.cursor().table(name).to_arrow_table().to_pandas() for name in names}
    return simulated, alone, fields[0][1], tables


def test_capacities_are_nearer_the_truth_with_sisters_and_their_doubt_is_less(alike):
    simulated, alone, field, _ = alike
    true, last = simulated.truth.day_capacity_ratio[:, -2], field.days - 1
    at = np.arange(COUNT), last
    before, after = (np.log(path[at][:, kalman.C] / true).std() for path in (alone, field.path))
    assert after < 0.8 * before
    sd = np.sqrt(field.path[at][:, kalman.C_C]) / field.path[at][:, kalman.C]
    assert np.mean(np.abs(np.log(field.path[at][:, kalman.C] / true)) < 1.645 * sd) >= 0.75
    assert (field.path[..., kalman.C_C] < alone[..., kalman.C_C] * 1.1).all()


def test_the_ledgers_doubt_is_that_of_the_ratios_with_what_sisters_tell(alike):
    """The view reckons in SQL what the path holds; against plain algebra on its covariance."""
    _, _, field, tables = alike
    sums, first = tables["day_sums"].sort_values(["node_no", "day"]), np.array(field.first, dtype="datetime64[D]")
    node = sums["node_no"].rank(method="dense").astype(int).to_numpy() - 1
    day = (sums["day"].to_numpy().astype("datetime64[D]") - first[node]).astype(int)
    row = field.path[node, np.clip(day, 0, field.days[node] - 1)].astype(float)
    joules = sums[["stored_j", "wake_j", "sleep_j"]].to_numpy()
    covariance, place = np.zeros((len(row), 3, 3)), kalman.C_C
    for i in range(3):
        for j in range(i, 3):
            covariance[:, i, j] = covariance[:, j, i] = row[:, place]
            place += 1
    variance = row[:, kalman.C] ** 2 * sums["stored_var_j2"] + np.einsum("ni,nij,nj->n", joules, covariance, joules)
    ledger = tables["ledger"].sort_values(["node_id", "day"])
    np.testing.assert_allclose(ledger["net_harvest_sd_j"], np.sqrt(variance), rtol=2e-3)


def test_estimates_and_ledger_follow(alike):
    _, alone, field, tables = alike
    capacity = tables["estimates"].query("line == 'capacity_ratio'")["estimate"].to_numpy(dtype=float)
    state = field.mean[:, 0] + field.mean[:, 1]
    np.testing.assert_allclose(capacity, np.exp(state), rtol=1e-3)
    assert np.abs(tables["scales"]["kc"] - 1).max() > 0.02
    ledger = tables["ledger"]
    closes = ledger["stored_change_j"] + ledger["wake_j"] + ledger["sleep_j"] - ledger["net_harvest_j"]
    assert closes.abs().max() < 1e-9
    assert np.isfinite(ledger["net_harvest_sd_j"]).all()
    assert (ledger["net_harvest_sd_j"] > 0).all()
    assert alone.shape == field.path.shape

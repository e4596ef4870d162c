"""What is left in a cell: by hand, and against the truth of simulated cells."""

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from analysis.remaining import FRESH_SD, Spent, by_counting, by_voltage, capacity_told, full_since
from analysis.run import analyse
from analysis.storage import storage_curve
from fixtures.demo import load_history
from fixtures.mill import FIRMWARE, FOLDER
from fixtures.simulate import simulate
from ingest.budget import parse_budget
from ingest.fleet import Fleet, Node, Site
from ingest.store import Store

START, DAYS, SEED = datetime(2025, 3, 1, tzinfo=UTC), 200, 7
PRIMARY = (FOLDER / "budgets" / "floor-primary.toml").read_text()
# A cell of lithium and thionyl chloride holds 3.6 V over most of its discharge (from memory).
FLAT = (
    PRIMARY.replace("floor-primary", "floor-flat")
    .replace(
        PRIMARY[PRIMARY.index("ocv = ") : PRIMARY.index("capacitance_tolerance")],
        "ocv = [[0.0, 2.0], [0.03, 3.2], [0.08, 3.5], [0.15, 3.6], [0.3, 3.622], [0.5, 3.63], [0.8, 3.636],"
        " [0.95, 3.64], [1.0, 3.67]]\n",
    )
    .replace('full_voltage = "3.2 V"', 'full_voltage = "3.67 V"')
    .replace('cutoff_voltage = "2.3 V"', 'cutoff_voltage = "2.8 V"')
)
BUDGETS = {name: parse_budget(text, name) for name, text in (("floor-primary", PRIMARY), ("floor-flat", FLAT))}


def test_the_share_by_voltage_is_as_doubtful_as_the_curve_is_flat():
    steep, flat = (storage_curve(BUDGETS[name].storage) for name in BUDGETS)
    assert by_voltage(flat, 3.632, 3.67, 1e-3)[1] > 5 * by_voltage(steep, 2.75, 3.2, 1e-3)[1]
    assert by_voltage(steep, 3.2, 3.2, 1e-3)[0] == pytest.approx(1.0)
    assert by_voltage(steep, 2.0, 3.2, 1e-3)[0] == 0.0


def test_a_converter_that_reads_low_hides_charge_but_not_at_full():
    """Of cells read half a per cent low or high, two in three are within one sd; at full all of them are full."""
    curve = storage_curve(BUDGETS["floor-primary"].storage)
    shown = np.random.default_rng(4).normal(1.0, 0.005, 400)
    true = curve.usable(2.75) / curve.usable(3.2)
    share, sd = by_voltage(curve, 2.75 * shown, 3.2 * shown, 1e-3)
    assert 0.6 < np.mean(np.abs(share - true) < sd) < 0.85
    assert by_voltage(curve, 3.2 * shown, 3.2 * shown, 1e-3)[0] == pytest.approx(1.0)


def test_counting_adds_up_and_drifts_in_proportion_to_time():
    curve = storage_curve(BUDGETS["floor-flat"].storage)
    full = curve.full_j - curve.cutoff_j
    spent = {"load": 20e-6, "load_sd": 2e-6, "leakage": 1e-6, "leakage_sd": 0.0, "harvest": 0.0, "harvest_sd": 0.0}
    for days in (100, 200):
        seconds = days * 86400.0
        share, sd = by_counting(curve, Spent(seconds, 0.0, 0.0, **spent), (1.0, 0.0))
        # By hand: 21 uW over the days, of what the cell holds.
        assert share == pytest.approx(1 - 21e-6 * seconds / full)
        assert sd == pytest.approx(2e-6 * seconds / full)


def test_a_primary_cell_is_counted_from_new_and_another_from_when_it_read_full():
    days, none = np.array(["2026-01-05", "2026-01-06"], "datetime64[D]"), np.zeros(2)
    primary, fresh = BUDGETS["floor-primary"], date(2026, 1, 1)
    assert full_since(primary, 0.1, fresh, days, none) == (fresh, FRESH_SD)
    storage = primary.storage.model_copy(update={"technology": "lithium-ion"})
    other = primary.model_copy(update={"storage": storage})
    assert full_since(other, 0.1, fresh, days, none) is None
    found = full_since(other, 0.1, fresh, days, np.array([60.0, 0.0]))
    assert found is not None
    assert found[0] == date(2026, 1, 5)


def test_a_capacity_as_doubtful_as_wear_alone_would_make_it_is_not_told():
    # By hand: 0.004 a root day is 0.04 after 100 days.
    told = capacity_told(np.ones(2), np.array([0.039, 0.030]), np.array([100, 100]), 0.004)
    assert told.tolist() == [False, True]


def test_what_was_spent_before_the_first_report_is_not_known_and_no_share_is_off_by_more_than_half():
    curve = storage_curve(BUDGETS["floor-flat"].storage)
    seconds = 0.25 * (curve.full_j - curve.cutoff_j) / 20e-6
    spent = {"load": 20e-6, "load_sd": 0.0, "leakage": 0.0, "leakage_sd": 0.0, "harvest": 0.0, "harvest_sd": 0.0}
    # By hand: a quarter of the cell in all, four fifths of it unseen, give or take half.
    share, sd = by_counting(curve, Spent(seconds, 0.8 * seconds, 0.0, **spent), (1.0, 0.0))
    assert share == pytest.approx(0.75)
    assert sd == pytest.approx(0.1)
    assert by_counting(curve, Spent(20 * seconds, 20 * seconds, 0.0, **spent), (1.0, 0.0)) == (0.0, 0.5)


@pytest.fixture(scope="module")
def simulated():
    """A fleet of cells without a harvester, and its history."""
    site = Site(site="hall", name="Hall", latitude=44.5, longitude=-73.2, timezone="America/New_York")
    names = [f"{budget}-{i}" for budget in BUDGETS for i in range(10)]
    nodes = {n: Node(node_id=n, site="hall", budget=n.rsplit("-", 1)[0], commissioned=START) for n in names}
    fleet = Fleet(
        sites={"hall": site}, nodes=nodes, budgets=BUDGETS,
        budget_texts={"floor-primary": PRIMARY, "floor-flat": FLAT},
    )  # fmt: skip
    habits = dict.fromkeys(BUDGETS, FIRMWARE["floor-primary"])
    return fleet, simulate(fleet, START, DAYS, SEED, (), habits)


def _told(fleet, history):
    """True share left of each node, and the rows of `remaining`, `health` and `forecast`."""
    names = list(fleet.nodes)
    with Store.open(":memory:") as book:
        book.save_fleet(fleet)
        load_history(book, history, float("inf"), lambda *_: None)
        analyse(book)
        cursor = book.cursor()
        tables = [
            cursor.table(name).to_arrow_table().to_pandas().set_index("node_id").reindex(names)
            for name in ("remaining", "health", "forecast")
        ]
    curves = {name: storage_curve(budget.storage) for name, budget in BUDGETS.items()}
    truth = []
    for name, volts in zip(history.node_ids, history.truth.voltage[:, -1], strict=True):
        curve = curves[fleet.nodes[name].budget]
        truth.append(float(np.asarray(curve.usable(volts))) / (curve.full_j - curve.cutoff_j))
    return np.array(truth), *tables


@pytest.fixture(scope="module")
def cells(simulated):
    return _told(*simulated)


def test_a_primary_cell_is_counted_from_its_commissioning_long_before_the_first_report(simulated):
    fleet, history = simulated
    late = history.times >= START.timestamp() + 100 * 86400
    truth, remaining, _, _ = _told(fleet, replace(history, reported=history.reported & late))
    assert (remaining["counted_from"] == START.date()).all()
    off = remaining["by_counting"] - truth
    assert np.mean(np.abs(off / remaining["by_counting_sd"]) < 1.645) >= 0.8
    # Half of the time is unseen: counted from the first report, they would be too high by half of what is gone.
    assert abs(off.mean()) < 0.25 * (1 - truth).mean()


def test_both_ways_hold_the_truth(cells):
    truth, remaining, _, _ = cells
    for way in ("by_voltage", "by_counting"):
        z = (remaining[way] - truth) / remaining[f"{way}_sd"]
        assert (
            np.mean(np.abs(z) < 1.645) >= 0.8
        )  # 90 % intervals of 20 nodes; the simulated curve has no error of its own


def test_on_a_flat_curve_counting_knows_more_and_a_sloping_one_tells_more_than_a_flat_one(cells):
    _, remaining, _, _ = cells
    assert (remaining["by_counting_sd"] < remaining["by_voltage_sd"])[10:].all()
    told = remaining["by_voltage_sd"]
    assert told[:10].median() < told[10:].median() / 2


def test_the_capacity_of_a_primary_cell_is_not_told(cells):
    _, _, health, _ = cells
    assert health["capacity_ratio"].isna().sum() >= 18  # a cell near its end may begin to show
    assert health["fade_per_year"].isna().sum() >= 18


def test_a_node_without_harvester_has_a_balance_of_what_it_spends(cells):
    _, _, _, forecast = cells
    assert ((forecast["balance_w"] < -15e-6) & (forecast["balance_w"] > -30e-6)).all()

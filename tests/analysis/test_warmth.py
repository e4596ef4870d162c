"""Temperature lent by neighbours: who lends, to whom, and what it is worth to the node that has none."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest

from analysis.series import Series
from analysis.warmth import REPORTERS, Warmth, agree, lend, place_names, thermometers
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.contract import REPORT_BATCH
from ingest.store import Store
from tests.benchmarks.bench_observability import judged

START, DAYS, NODES, SEED = datetime(2025, 11, 1, tzinfo=UTC), 60, 40, 3


def test_a_few_thermometers_of_each_place_lend_where_one_is_missing():
    place = ["a"] * 10 + ["b"] * 3 + ["c"] * 2
    reports = [True] * 9 + [False] + [True] * 3 + [False] * 2
    assert thermometers(place, reports) == list(range(REPORTERS))  # b needs none, c has none


def test_thermometers_that_scatter_and_one_alone_lend_nothing():
    assert agree(np.full(48, 0.3**2))
    assert not agree(np.full(48, 3.0**2))
    assert not agree(np.full(48, np.nan))


def test_what_is_lent_is_that_of_the_time_and_only_to_who_has_none():
    hours = np.arange(6) * 3600.0
    own = np.array([10.0, np.nan, 12.0, 13.0, 14.0, 15.0])
    blind = np.full(6, np.nan)
    one, counts = np.ones(12), np.ones(12, dtype=np.int64)
    temp_c = np.append(own, blind)
    series = Series(np.array([0, 6, 12]), np.tile(hours, 2), one, counts, one, temp_c, counts)
    known = Warmth(np.array([0.0, 1.0, 2.0, 30.0]) * 3600.0 - 600.0, np.array([20.0, 21.0, 22.0, 5.0]))
    lent = lend(series, ["hall", "hall"], {"hall": known}).temp_c
    np.testing.assert_array_equal(lent[:6], own)
    np.testing.assert_allclose(lent[6:9], [20 + 1 / 6, 21 + 1 / 6, 22 - 17 / 28 * 10 / 60], atol=1e-2)
    assert np.isnan(lent[11])  # nothing was known within three hours
    np.testing.assert_array_equal(lend(series, ["yard", "yard"], {"hall": known}).temp_c, series.temp_c)


@pytest.fixture(scope="module")
def leakage():
    """Estimates of leakage of nodes without a thermometer, by themselves and among neighbours that have one."""
    fleet = scattered_fleet(NODES, SEED, START, DAYS, faulty=0.0)
    simulated = simulate(fleet.fleet, START, DAYS, SEED, (), fleet.firmware)
    places = place_names(fleet.fleet, list(fleet.fleet.nodes.values()))
    blind = np.array([name.endswith("outdoors") for name in places]) & (np.arange(NODES) % 2 == 0)
    found = []
    for having in (np.zeros(NODES, dtype=bool), ~blind):
        with Store.open(":memory:") as book:
            book.save_fleet(fleet.fleet)
            book.admit(reports(simulated, having))
            estimates, _ = judged(book, START + timedelta(days=DAYS))
        rows = estimates.query("line == 'leakage_power_w'").set_index("node_id").loc[list(simulated.node_ids)]
        late = slice(-28 * 24, None)
        true = simulated.truth.leakage_j[:, late].mean(axis=1) / 3600.0
        found.append(((rows["estimate"].to_numpy() / true)[blind], (rows["sd"] / rows["estimate"]).to_numpy()[blind]))
    return found


def reports(simulated, having):
    i, k = np.nonzero(simulated.reported)
    known = {
        "node_id": np.array(simulated.node_ids, dtype=object)[i],
        "observed_at": simulated.observed_at[i, k],
        "received_at": simulated.observed_at[i, k] + 2.0,
        "storage_v": simulated.storage_v[i, k].round(4),
        "wakes": simulated.wakes[i, k],
        "boot": simulated.boot[i, k],
        "redelivered": np.zeros(len(i), dtype=bool),
        "temp_c": pa.array(simulated.temp_c[i, k].astype(float).round(1), mask=~having[i]),
    }
    columns = [pa.array(known[f.name], f.type) if f.name in known else pa.nulls(len(i), f.type) for f in REPORT_BATCH]
    return pa.table(columns, schema=REPORT_BATCH)


def test_neighbours_tell_the_leakage_of_a_node_outdoors_without_a_thermometer(leakage):
    (alone, doubt_alone), (lent, doubt) = leakage
    assert len(lent) >= 4
    assert np.median(np.abs(np.log(lent))) < 0.24  # half of what these nodes were off by alone when lending was begun
    assert np.median(np.abs(np.log(lent))) < 0.6 * np.median(np.abs(np.log(alone)))
    assert np.median(doubt) < 0.8 * np.median(doubt_alone)

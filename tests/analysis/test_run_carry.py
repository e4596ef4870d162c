"""A new day carries on from where the filter stood, as near to what the whole history gives as is stated here."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis import kalman
from analysis.posterior import LAG_DAYS
from analysis.run_carry import TURN_DAYS, read_earlier
from analysis.run_days import NumberedFleet, update_days
from analysis.run_field import estimate_field, read_evidence, update_field
from analysis.run_health import judge_nodes
from fixtures.demo import load_history
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.bulk import import_file
from ingest.contract import batch_table
from ingest.fleet import read_fleet
from ingest.store import Store
from tests.benchmarks import slow_causes
from tests.conftest import reading

START, DAYS, SEED, NODES = datetime(2025, 11, 1, tzinfo=UTC), 120, 8, 24
CARRIED_DAYS = 8
HELD_BACK = START + timedelta(days=60, hours=6), START + timedelta(days=60, hours=18)


def quietly(*_):
    pass


def carried(book, moment):
    """One analysis up to the estimates: its parts, joined by node_no."""
    known = NumberedFleet.of(book)
    update_days(book, known, moment, quietly)
    parts = update_field(book, known, (moment + timedelta(days=1)).date(), quietly)
    return {int(n): (field, i) for part, field in parts for i, n in enumerate(part.numbers)}


def anew(book, moment):
    """The same evidence, the whole history gone through."""
    known = NumberedFleet.of(book)
    return estimate_field(read_evidence(book.cursor(), known), known, (moment + timedelta(days=1)).date())


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    """A store analysed up to its last few days, and the reports of node 1 at HELD_BACK, which it has not had."""
    fleet = scattered_fleet(NODES, SEED, START, DAYS)
    simulated = simulate(fleet.fleet, START, DAYS, SEED, fleet.faults, fleet.firmware)
    path = tmp_path_factory.mktemp("carry") / "carry.duckdb"
    with Store.open(path) as book:
        book.save_fleet(fleet.fleet)
        load_history(book, simulated, float("inf"), quietly)
        bounds = {"first": HELD_BACK[0].replace(tzinfo=None), "last": HELD_BACK[1].replace(tzinfo=None)}
        late = "node_no = 1 AND observed_at BETWEEN $first AND $last"
        held = book.cursor().execute(f"FROM report_log WHERE {late}", bounds).fetchall()
        book.cursor().execute(f"DELETE FROM report_log WHERE {late}", bounds)  # noqa: S608 - the text above
        carried(book, START + timedelta(days=DAYS - CARRIED_DAYS))
    return path, held


@pytest.fixture
def book(history, tmp_path):
    copy = tmp_path / "copy.duckdb"
    copy.write_bytes(history[0].read_bytes())
    with Store.open(copy) as opened:
        yield opened


def days_on(book):
    for day in range(DAYS - CARRIED_DAYS + 1, DAYS + 1):
        moment = START + timedelta(days=day) - timedelta(seconds=1)
        found = carried(book, moment)
    return moment, found


def test_days_carried_on_agree_with_the_whole_history_gone_through_anew(book):
    moment, found = days_on(book)
    standing = {int(n): day for n, day in zip(*read_standings(book), strict=True)}
    assert len(standing) > 0.6 * NODES  # the others had their turn meanwhile, or stood nowhere yet
    whole = anew(book, moment)
    off, past = [], []
    for n, (field, i) in found.items():
        k = n - 1
        assert field.days[i] == whole.days[k]
        assert field.evidence_days[i] == whole.evidence_days[k]
        np.testing.assert_array_equal(field.resistance[i, : field.days[i]], whole.resistance[k, : whole.days[k]])
        sd = np.sqrt(np.diag(whole.covariance[k]))
        off.append(np.abs(field.mean[i] - whole.mean[k]) / np.maximum(sd, 1e-9))
        path = whole.path[k, : whole.days[k]]
        ratio = np.abs(field.path[i, : field.days[i], :3] - path[:, :3])
        past.append(ratio / np.sqrt(path[:, [kalman.C_C, kalman.E_E, kalman.S_S]]))
    # What came before stays linear about a path known four weeks later: a hundredth of a sd as a rule, and a third
    # where a sudden change is told by later days alone.
    assert np.median(np.concatenate(off)) < 0.01
    assert np.quantile(np.concatenate(off), 0.95) < 0.3
    assert np.median(np.concatenate(past)) < 0.02
    assert np.quantile(np.concatenate(past), 0.95) < 0.3


def read_standings(book):
    rows = book.cursor().execute("SELECT node_no, day FROM standings ORDER BY node_no").fetchall()
    return [row[0] for row in rows], [row[1] for row in rows]


def test_a_day_carried_on_reads_no_evidence_from_before_the_standing(book):
    """What a day costs does not grow with the history: evidence of before is not even looked at."""
    moment = START + timedelta(days=DAYS - CARRIED_DAYS + 1) - timedelta(seconds=1)
    kept = read_earlier(book.cursor(), (moment + timedelta(days=1)).date()).numbers.tolist()
    assert len(kept) > NODES / 2
    clean = carried(book, moment)
    with book.write() as cursor:
        cursor.execute("DELETE FROM touched")  # else the day under way is learnt a second time
        cursor.execute(
            "UPDATE day_evidence SET sums = [9 FOR x IN sums] FROM standings s"
            " WHERE day_evidence.node_no = s.node_no AND day_evidence.day < s.day"
        )
    spoilt = carried(book, moment)
    for n in kept:
        (field, i), (other, k) = clean[n], spoilt[n]
        np.testing.assert_array_equal(field.mean[i], other.mean[k])
        np.testing.assert_array_equal(field.path[i, : field.days[i]], other.path[k, : other.days[k]])


def test_whether_temperature_is_measured_is_known_of_a_node_that_has_told_nothing_since(book):
    moment = START + timedelta(days=DAYS - CARRIED_DAYS + 1) - timedelta(seconds=1)
    kept = read_earlier(book.cursor(), (moment + timedelta(days=1)).date()).numbers.tolist()
    clean = carried(book, moment)
    with book.write() as cursor:
        cursor.execute("DELETE FROM touched")
        cursor.execute(
            "UPDATE day_evidence SET sums = [0 FOR x IN sums] FROM standings s"
            " WHERE day_evidence.node_no = s.node_no AND day_evidence.day >= s.day"
        )
    silent = carried(book, moment)
    measured = [(clean[n][0].measured[clean[n][1]], silent[n][0].measured[silent[n][1]]) for n in kept]
    assert any(before for before, _ in measured)
    assert [before for before, _ in measured] == [after for _, after in measured]


def test_late_reports_before_the_standing_have_the_whole_history_gone_through(book, history):
    moment, before = days_on(book)
    assert 1 in read_standings(book)[0]
    fleet = NumberedFleet.of(book)
    columns = [c[0] for c in book.cursor().execute("FROM report_log LIMIT 0").description]
    rows = [dict(zip(columns, row, strict=True)) for row in history[1]]
    assert len(rows) > 6
    late = [
        reading(
            fleet.nodes[0].node_id, row["observed_at"].replace(tzinfo=UTC).timestamp(), row["storage_v"], row["wakes"],
            received_at=moment.timestamp(), loaded_v=row["loaded_v"], temp_c=row["temp_c"], boot=row["boot"],
        )
        for row in rows
    ]  # fmt: skip
    assert book.admit(batch_table(late)).accepted == len(rows)
    after, whole = carried(book, moment), anew(book, moment)
    field, i = after[1]
    np.testing.assert_array_equal(field.mean[i], whole.mean[0])
    np.testing.assert_array_equal(field.path[i, : field.days[i]], whole.path[0, : whole.days[0]])
    old, k = before[1]
    assert (field.mean[i] != old.mean[k]).any()


def test_every_node_has_its_turn_within_four_weeks(book):
    made = (START + timedelta(days=DAYS - CARRIED_DAYS + 1)).date()
    left = [len(read_earlier(book.cursor(), made + timedelta(days=ahead)).numbers) for ahead in range(TURN_DAYS + 1)]
    assert left[0] > NODES / 2
    assert left[-1] == 0
    assert max(-np.diff(left)) <= 2  # never many at once
    ages = [made - day for day in read_standings(book)[1]]
    assert min(ages) >= timedelta(days=LAG_DAYS)


def test_health_does_not_depend_on_which_nodes_are_estimated_together(book):
    """What a budget's parts do at a wake is told by all of them, not by those whose turn it is."""
    moment, known = START + timedelta(days=DAYS - CARRIED_DAYS + 1), NumberedFleet.of(book)
    update_days(book, known, moment, quietly)
    parts = list(update_field(book, known, (moment + timedelta(days=1)).date(), quietly))
    alone = [
        (part.only(part.numbers[[i]]), field.only(np.arange(len(part.nodes)) == i))
        for part, field in parts
        for i in range(len(part.nodes))
    ]
    assert 1 < len(parts) < len(alone) == NODES
    found, other = ([node.health for node in judge_nodes(known, of, [], {}, moment)] for of in (parts, alone))
    assert sum(row[2] == row[2] for row in found) > NODES / 3  # have a ratio of resistance
    np.testing.assert_equal(found, other)


# --- ledger rows ------------------------------------------------------------------------------------------------------

HOPS = 90, 104, 118, 132, 146, 160, 174  # days: analysed at each, as a store that is looked at now and then


@pytest.fixture(scope="module")
def slow_store(tmp_path_factory):
    """A store that holds a fleet whose nodes leak, fade and work ever more, up to the last of HOPS; not analysed."""
    folder = tmp_path_factory.mktemp("slow")
    slow_causes.write(folder / "fleet", 40, HOPS[-1], 3)
    path = folder / "slow.duckdb"
    with Store.open(path) as book:
        book.save_fleet(read_fleet(folder / "fleet"))
        import_file(book, folder / "fleet" / "reports.parquet")
    return path


def ledger(book):
    columns = "n.node_no, l.day, l.net_harvest_j, l.net_harvest_sd_j"
    query = f"SELECT {columns} FROM ledger l JOIN nodes n USING (node_id) ORDER BY ALL"  # noqa: S608 - our own names
    return book.cursor().execute(query).to_arrow_table().to_pandas()


def test_ledger_rows_carried_on_stay_near_those_of_the_whole_history(slow_store):
    """Where wear moves leakage and sleep against each other, what came before must be looked at anew."""
    start = slow_causes.START.to_pydatetime()
    with Store.open(slow_store) as book:
        for day in HOPS:
            carried(book, start + timedelta(days=day))
        rows = ledger(book)
        with book.write() as cursor:
            cursor.execute("DELETE FROM standings")
        carried(book, start + timedelta(days=HOPS[-1]))
        whole = ledger(book)
    off = ((rows.net_harvest_j - whole.net_harvest_j) / whole.net_harvest_sd_j).abs()
    assert off.max() < 1.0  # 2.4 where every node is carried on, whatever it has come to

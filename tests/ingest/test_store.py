"""The store admits a reading once, says why it refuses, and keeps its shape."""

import duckdb
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.contract import Refusal, batch_table
from ingest.errors import StoreError
from ingest.fleet import read_fleet
from ingest.store import TABLES, Store
from tests.conftest import NODES, START, reading

DAY = 86400.0


def stored(book):
    return book.cursor().execute("SELECT node_id, epoch(observed_at), wakes FROM reports ORDER BY ALL").fetchall()


def test_a_reading_is_stored_once_within_a_batch_and_across_batches(book, admit):
    assert admit(reading(wakes=7), reading(wakes=7), reading(t=START + 60)) == (2, 1, {})
    assert admit(reading(wakes=8), reading("mf-02")) == (1, 1, {})
    assert stored(book) == [("mf-01", START, 7), ("mf-01", START + 60, 1), ("mf-02", START, 1)]


def test_late_readings_days_apart_are_checked_against_their_own_days(book, admit):
    admit(*(reading(t=START + day * DAY) for day in range(20)))
    again = [reading(t=START + day * DAY + shift) for day in (3, 4, 11) for shift in (0, 60)]
    assert admit(*again) == (3, 3, {})


def test_a_reading_without_a_clock_is_observed_when_it_arrives(book, admit):
    admit(reading(t=None, received_at=START + 5.5))
    assert stored(book) == [("mf-01", START + 5.5, 1)]


@pytest.mark.parametrize(
    ("row", "reason", "detail"),
    [
        (reading("mf-99"), "unknown-node", "node mf-99 is not in the fleet"),
        (reading(topic="joulebook/kiln-row/mf-01"), "wrong-topic", "node mf-01 belongs to site mill-floor"),
        (reading(volts=None), "missing-field", "storage_v is missing"),
        (reading(wakes=None), "missing-field", "wakes is missing"),
        (reading(volts=float("nan")), "not-finite", "storage_v nan: a value"),
        (reading(volts=3.0, loaded_v=float("inf")), "not-finite", "inf"),
        (reading(volts=6.1), "voltage-out-of-range", "storage_v 6.1 V; expected 0 to 6.0 V"),
        (reading(volts=-0.1), "voltage-out-of-range", "-0.1 V"),
        (reading(volts=3.0, loaded_v=9.0), "voltage-out-of-range", "loaded_v 9.0 V"),
        (reading(temp_c=400.0), "temperature-out-of-range", "400.0 degC"),
        (reading(wakes=-1), "count-out-of-range", "wakes -1; expected 0 to"),
        (reading(t=START + 900, received_at=START), "time-in-future",
         "observed 2026-01-01 00:15:00 UTC, but arrived 2026-01-01 00:00:00 UTC; a clock may run ahead by 300"),
        (reading(t=START - 3600), "before-commissioning",
         "observed 2025-12-31 23:00:00 UTC, before commissioning 2026-01-01 00:00:00 UTC"),
        (reading(t=-1e300), "before-commissioning", "observed -1e.300 s since 1970, before commissioning 2026-01-01"),
        (reading(t=1e300), "time-in-future", "observed 1e.300 s since 1970, but arrived 2028-11-07"),
    ],
)  # fmt: skip
def test_bad_telemetry_is_kept_with_its_reason(book, admit, row, reason, detail):
    assert admit(row, reading("kr-01")) == (1, 0, {reason: 1})
    ((found, text),) = book.cursor().execute("SELECT reason, detail FROM rejects").fetchall()
    assert found == reason
    assert pd.Series([text]).str.contains(detail).all(), text


def test_refused_payloads_are_kept_beside(book):
    counts = book.admit(batch_table([]), [Refusal(START, "joulebook/x/y", "malformed", "not JSON", "{", "y", True)])
    assert counts == (0, 0, {"malformed": 1})
    row = book.cursor().execute("SELECT epoch(received_at), topic, reason, detail, payload FROM rejects").fetchone()
    assert row == (START, "joulebook/x/y", "malformed", "not JSON", "{")


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["mf-01", "kr-01"]), st.integers(0, 9)), max_size=9), st.randoms())
def test_order_and_repetition_do_not_matter(keys, random):
    def run(order):
        with Store.open(":memory:") as book:
            book.cursor().execute(
                "INSERT INTO nodes SELECT i, n, 's', 'b', '2020-01-01', NULL, NULL, '', false, 9, 60"
                " FROM (VALUES (1, 'mf-01'), (2, 'kr-01')) t(i, n)"
            )
            for node, hour in order:
                book.admit(batch_table([reading(node, START + hour * DAY / 3)]))
            return stored(book)

    shuffled = keys + keys
    random.shuffle(shuffled)
    assert run(keys) == run(shuffled)
    assert len(run(keys)) == len(set(keys))


def test_a_refresh_says_what_changed_and_keeps_history(book, admit, fleet_folder):
    admit(reading(), reading("mf-02"))
    changed = NODES.replace("mf-02,mill-floor", "mf-02,kiln-row").replace("mf-01", "mf-03")
    (fleet_folder / "nodes.csv").write_text(changed)
    change = book.save_fleet(read_fleet(fleet_folder))
    assert (change.added, change.changed, change.retired) == (("mf-03",), ("mf-02",), ("mf-01",))
    assert len(stored(book)) == 2
    assert book.admit(batch_table([reading(t=START + 60)])).rejected == {"unknown-node": 1}
    assert book.save_fleet(read_fleet(fleet_folder)).added == ()
    assert set(book.fleet().nodes) == {"mf-03", "mf-02", "kr-01"}


def test_a_retired_node_comes_back_with_its_history(book, admit, fleet_folder):
    admit(reading())
    (fleet_folder / "nodes.csv").write_text(NODES.replace("mf-01,mill-floor,conveyor,2026-01-01\n", ""))
    book.save_fleet(read_fleet(fleet_folder))
    (fleet_folder / "nodes.csv").write_text(NODES)
    assert book.save_fleet(read_fleet(fleet_folder)).added == ("mf-01",)
    assert admit(reading()).duplicate == 1


def test_the_fleet_comes_back_as_it_went_in(book, fleet_folder):
    (fleet_folder / "visits.csv").write_text("node_id,at,work,note\nmf-01,2026-02-01T10:00:00Z,cleaned,dusty\n")
    (fleet_folder / "closures.csv").write_text("site,start,end,harvest_factor\nmill-floor,2026-12-24,2026-12-26,0.1\n")
    fleet = read_fleet(fleet_folder)
    book.save_fleet(fleet)
    assert book.fleet() == fleet


def test_every_table_has_the_columns_of_the_contract(book):
    columns = {
        "reports": "node_id observed_at received_at storage_v wakes loaded_v temp_c boot",
        "ledger": "node_id day net_harvest_j net_harvest_sd_j wake_j sleep_j stored_change_j wakes full_s observed_s",
        "estimates": "node_id as_of line budget budget_sd estimate sd separable",
        "forecast": "node_id as_of p_dark_7d p_dark_30d p_dark_90d days_p10 days_p50 days_p90 autonomy_days balance_w",
        "prospects": "node_id as_of visit_by_days low_day low_usable_j back_p10_days back_p50_days back_p90_days"
        " wake_interval_s driver harvest_w harvest_sd_w full_from_v full_v full_autonomy_days silent_s saves_below"
        " saves_factor visit_by_02_days visit_by_05_days visit_by_20_days visit_by_30_days",
        "health": "node_id as_of capacity_ratio capacity_sd esr_ratio esr_sd leakage_ratio leakage_sd fade_per_year"
        " fade_sd verdict",
        "end_of_life": "node_id as_of criterion by_p10 by_p50 by_p90",
        "remaining": "node_id as_of by_voltage by_voltage_sd by_counting by_counting_sd counted_from",
        "findings": "node_id as_of finding since probability evidence site",
        "alarms": "alarm_id node_id site kind priority state raised_at acknowledged_at cleared_at note",
        "rejects": "received_at topic reason detail payload",
    }
    assert set(columns) == set(TABLES)
    for table, names in columns.items():
        assert book.cursor().table(table).columns == names.split()


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_an_export_reads_back(book, admit, tmp_path, ending):
    admit(reading(loaded_v=3.25, boot=2))
    target = tmp_path / f"reports.{ending}"
    assert book.export("reports", target) == 1
    frame = pd.read_csv(target) if ending == "csv" else pd.read_parquet(target)
    row = frame.iloc[0]
    assert (row["node_id"], row["storage_v"], row["loaded_v"], row["wakes"], row["boot"]) == ("mf-01", 3.5, 3.25, 1, 2)
    assert pd.Timestamp(row["observed_at"]) == pd.Timestamp(START, unit="s", tz="UTC")


def test_an_export_of_the_ledger_is_in_order_of_node_and_day(book, tmp_path):
    with book.write() as writing:
        numbers = [number for (number,) in writing.execute("SELECT node_no FROM nodes").fetchall()]
        for number in numbers:
            writing.execute(
                "INSERT INTO ratios (node_no, first, c, e, s, cc, ce, cs, ee, es, ss)"
                " VALUES (?, '2026-01-01', 1, 1, 1, 0, 0, 0, 0, 0, 0)", [number]
            )  # fmt: skip
        writing.execute(
            "INSERT INTO day_sums (node_no, day, stored_j, stored_var_j2, wake_j, sleep_j, wakes, full_s, observed_s)"
            " SELECT node_no, day::DATE, 0, 0, 0, 0, 0, 0, 0 FROM nodes,"
            " (VALUES ('2026-01-03'), ('2026-01-01'), ('2026-01-02')) AS days(day) ORDER BY node_no DESC"
        )
    book.export("ledger", tmp_path / "ledger.csv")
    rows = pd.read_csv(tmp_path / "ledger.csv")[["node_id", "day"]].values.tolist()
    assert len(rows) == 3 * len(numbers)
    assert rows == sorted(rows)


def test_an_export_that_cannot_be_written_is_one_line_and_leaves_nothing(book, tmp_path):
    with pytest.raises(StoreError, match=r"no such table; expected one of reports, ledger"):
        book.export("secrets", tmp_path / "x.csv")
    with pytest.raises(StoreError, match=r"expected a name ending in \.csv or \.parquet"):
        book.export("reports", tmp_path / "x.xlsx")
    with pytest.raises(StoreError, match="cannot be written"):
        book.export("reports", tmp_path / "no" / "x.csv")
    assert list(tmp_path.glob("x*")) == []


def test_a_newer_store_is_refused_untouched(tmp_path):
    path = tmp_path / "s.duckdb"
    with Store.open(path) as book:
        book.cursor().execute("UPDATE meta SET value = '99' WHERE key = 'schema_version'")
    with pytest.raises(StoreError, match=r"newer version \(schema 99, this program knows 1\)"):
        Store.open(path)


def test_what_is_not_a_store_is_refused(tmp_path):
    (tmp_path / "text.duckdb").write_text("hello" * 1000)
    with pytest.raises(StoreError, match="not a store"):
        Store.open(tmp_path / "text.duckdb")
    duckdb.connect(str(tmp_path / "other.duckdb")).execute("CREATE TABLE t (i INTEGER)").close()
    with pytest.raises(StoreError, match="not a store of this program"):
        Store.open(tmp_path / "other.duckdb")
    with pytest.raises(StoreError, match="no such store; load a fleet first"):
        Store.open(tmp_path / "none.duckdb", must_exist=True)


def test_a_failed_write_leaves_nothing(book):
    def half_done():
        with book.write() as cursor:
            cursor.execute("INSERT INTO touched VALUES (1, '2026-01-01')")
            cursor.execute("INSERT INTO nowhere VALUES (1)")

    with pytest.raises(duckdb.Error, match="nowhere"):
        half_done()
    assert book.cursor().execute("SELECT count(*) FROM touched").fetchone() == (0,)

"""Ledger, estimates, health and findings of a whole fleet, as ratios to a bare scan of the same reports and to pandas.

Size by JOULEBOOK_BENCH_NODES (default 200; 10,000 is the size the claim in DEVELOPERS.md is for) and
JOULEBOOK_BENCH_DAYS (default 120; 365). Nothing here fails by time.
"""

import os
import resource
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analysis.run import read_ledger, read_states, read_windows
from analysis.run_books import read_recent, site_books
from analysis.run_days import NumberedFleet, update_days
from analysis.run_field import update_field
from analysis.run_findings import find_all, judge_nodes
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.fleet import Fleet
from ingest.store import Store

NODES = int(os.environ.get("JOULEBOOK_BENCH_NODES", "200"))
DAYS = int(os.environ.get("JOULEBOOK_BENCH_DAYS", "120"))
PATTERN = 100  # nodes simulated; the fleet repeats them under other names
START = datetime(2025, 10, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A store with the reports of NODES nodes over DAYS days, in the store's own physical order."""
    scattered = scattered_fleet(PATTERN, 3, START, DAYS)
    simulated = simulate(scattered.fleet, START, DAYS, 3, scattered.faults, scattered.firmware)
    nodes = {
        f"{i:03d}-{node.node_id}": node.model_copy(update={"node_id": f"{i:03d}-{node.node_id}"})
        for i in range(max(NODES // PATTERN, 1))
        for node in scattered.fleet.nodes.values()
    }
    plain = scattered.fleet
    fleet = Fleet(sites=plain.sites, nodes=nodes, budgets=plain.budgets, budget_texts=plain.budget_texts)
    with Store.open(tmp_path_factory.mktemp("bench") / "bench.duckdb") as opened:
        opened.save_fleet(fleet)
        numbers = dict(opened.cursor().execute("SELECT node_id, node_no FROM nodes").fetchall())
        per_day = round(86400 / (simulated.times[1] - simulated.times[0]))
        for day in range(0, len(simulated.times), per_day * 5):
            load(opened, simulated, slice(day, day + per_day * 5), numbers, list(nodes))
        with opened.write() as cursor:
            cursor.execute("INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log")
        yield opened


def load(book, simulated, part, numbers, names):
    """The pattern's reports of some days under every name, sorted as the store sorts a batch."""
    i, k = np.nonzero(simulated.reported[:, part])
    k = k + part.start
    millis = np.round(simulated.observed_at[i, k] * 1000).astype(np.int64)
    values = {
        "observed_at": pa.array(millis).cast(pa.timestamp("ms")),
        "received_at": pa.array(millis).cast(pa.timestamp("ms")),
        "storage_v": simulated.storage_v[i, k].astype(float).round(4),
        "wakes": simulated.wakes[i, k].astype(np.int64),
        "loaded_v": pa.array(simulated.loaded_v[i, k].astype(float).round(4), from_pandas=True),
        "temp_c": pa.array(simulated.temp_c[i, k].astype(float).round(1), from_pandas=True),
        "boot": simulated.boot[i, k].astype(np.int64),
    }
    with book.write() as cursor:
        for copy in range(len(names) // PATTERN):
            order = np.array([numbers[name] for name in names[copy * PATTERN : (copy + 1) * PATTERN]], dtype=np.int32)
            cursor.register("new", pa.table({"node_no": order[i], **values}))
            cursor.execute(
                "INSERT INTO report_log BY NAME SELECT * FROM new ORDER BY observed_at::DATE, node_no, observed_at"
            )


def timed(call):
    begin = time.perf_counter()
    result = call()
    return time.perf_counter() - begin, result


def results(book, moment):
    """Everything that follows from the days, but for the forecast."""
    known, cursor = NumberedFleet.of(book), book.cursor()
    fields = list(update_field(book, known, moment.date() + timedelta(days=1), lambda *_: None))
    states = read_states(cursor, moment)
    recent = read_recent(cursor, fields, states, moment)
    books = list(site_books(known, fields, read_ledger(cursor, known), states, recent, moment))
    nodes = judge_nodes(known, fields, books, read_windows(cursor, moment))
    return len(find_all(books, nodes))


def pandas_ledger(reports, budget_wake_j, budget_sleep_w):
    """What an analyst would write: differences within nodes, summed by day."""
    reports = reports.sort_values(["node_no", "observed_at"])
    group = reports.groupby("node_no")
    seconds = group["observed_at"].diff().dt.total_seconds()
    stored = group["storage_v"].transform(lambda v: (v**2 / 2).diff())
    wakes = group["wakes"].diff().clip(lower=0)
    net = stored + wakes * budget_wake_j + seconds * budget_sleep_w
    return net.groupby([reports["node_no"], reports["observed_at"].dt.date]).sum()


def test_full_rebuild_and_one_new_day(book):
    moment = START + timedelta(days=DAYS) - timedelta(seconds=1)
    cursor = book.cursor()
    update_days(book, NumberedFleet.of(book), START + timedelta(days=5), lambda *_: None)  # compiled and warm
    results(book, START + timedelta(days=5))
    scan, _ = timed(
        lambda: cursor.execute(
            "SELECT node_no, observed_at::DATE, min(storage_v), max(storage_v), avg(temp_c), max(wakes) - min(wakes),"
            " count(*) FROM report_log GROUP BY ALL"
        ).to_arrow_table()
    )
    rows = cursor.execute("SELECT count(*) FROM report_log").fetchone()[0]
    days, _ = timed(lambda: update_days(book, NumberedFleet.of(book), moment, lambda *_: None))
    rest, found = timed(lambda: results(book, moment))
    with book.write() as writer:
        writer.execute("DELETE FROM touched")
        writer.execute(
            "INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log WHERE observed_at >= $day",
            {"day": (moment - timedelta(days=1)).replace(tzinfo=None)},
        )
    new_day, _ = timed(lambda: update_days(book, NumberedFleet.of(book), moment, lambda *_: None))
    tenth = (
        cursor.execute("SELECT node_no, observed_at, storage_v, wakes FROM report_log WHERE node_no % 10 = 0")
        .to_arrow_table()
        .to_pandas()
    )
    by_hand, _ = timed(lambda: pandas_ledger(tenth, 0.03, 9e-6))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"\n{NODES} nodes, {DAYS} days, {rows:,} reports, {found} findings; peak memory {peak:.1f} GiB"
        f"\n  bare scan and group           {scan:8.2f} s   1.0"
        f"\n  days: sums and evidence       {days:8.2f} s   {days / scan:.1f} x the scan"
        f"\n  estimates, health, findings   {rest:8.2f} s   {rest / scan:.1f} x the scan"
        f"\n  one new day: sums, evidence   {new_day:8.2f} s   1 / {days / new_day:.0f} of all days"
        f"\n  pandas, ledger of a tenth     {by_hand:8.2f} s   x 10: {10 * by_hand / (days + rest):.1f} x the rebuild"
    )
    assert found >= 0
    assert pd.notna(by_hand)

"""Ledger, estimates, health and findings of a whole fleet, as ratios to a bare scan of the same reports and to pandas.

Size by JOULEBOOK_BENCH_NODES (default 200; 10,000 is the size the claim in DEVELOPERS.md is for) and
JOULEBOOK_BENCH_DAYS (default 120; 365); half that many nodes go before, to show how it grows. Ratios are of seconds of
processor, which other work on the machine changes least; seconds on the clock stand beside them. Nothing here fails by
time.
"""

import os
import resource
import time
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analysis.evidence import middle_voltage
from analysis.load import sleep_power, wake_energy
from analysis.run import at_work, read_late, read_windows
from analysis.run_books import site_books
from analysis.run_days import NumberedFleet, update_days
from analysis.run_field import update_field
from analysis.run_findings import find_all
from analysis.run_health import judge_nodes
from analysis.run_sisters import settle
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.fleet import Fleet
from ingest.store import Store

NODES = int(os.environ.get("JOULEBOOK_BENCH_NODES", "200"))
DAYS = int(os.environ.get("JOULEBOOK_BENCH_DAYS", "120"))
PATTERN = 100  # nodes simulated; the fleet repeats them under other names
START = datetime(2025, 10, 1, tzinfo=UTC)
END = START + timedelta(days=DAYS)
SCAN = """
    SELECT node_no, observed_at::DATE, min(storage_v), max(storage_v), avg(temp_c), max(wakes) - min(wakes), count(*)
    FROM report_log GROUP BY ALL
"""


class Took(NamedTuple):
    seconds: float
    processor: float

    def line(self, name, other, unit, times=1):
        ratio = times * self.processor / other.processor
        print(f"  {name:36s}{self.seconds:9.2f} s {self.processor:9.2f} s of processor {ratio:8.2f} {unit}")


def timed(call, *args):
    begin, processor = time.perf_counter(), time.process_time()
    result = call(*args)
    return Took(time.perf_counter() - begin, time.process_time() - processor), result


@pytest.fixture(scope="module")
def pattern():
    scattered = scattered_fleet(PATTERN, 3, START, DAYS)
    return scattered.fleet, simulate(scattered.fleet, START, DAYS, 3, scattered.faults, scattered.firmware)


def fill(book, pattern, count):
    """Give a new store the pattern's reports under the names of so many nodes, in the store's own order."""
    plain, simulated = pattern
    nodes = {
        f"{i:03d}-{node.node_id}": node.model_copy(update={"node_id": f"{i:03d}-{node.node_id}"})
        for i in range(max(count // PATTERN, 1))
        for node in plain.nodes.values()
    }
    book.save_fleet(Fleet(sites=plain.sites, nodes=nodes, budgets=plain.budgets, budget_texts=plain.budget_texts))
    numbers = dict(book.cursor().execute("SELECT node_id, node_no FROM nodes").fetchall())
    named = pa.table({
        "place": np.tile(np.arange(PATTERN), len(nodes) // PATTERN), "node_no": [numbers[name] for name in nodes],
    })  # fmt: skip
    per_day = round(86400 / (simulated.times[1] - simulated.times[0]))
    for day in range(0, len(simulated.times), per_day * 5):
        with book.write() as cursor:
            cursor.register("reports_of", reports(simulated, slice(day, day + per_day * 5)))
            cursor.register("named", named)
            cursor.execute(
                "INSERT INTO report_log BY NAME SELECT node_no, r.* EXCLUDE (place) FROM reports_of r"
                " JOIN named USING (place) ORDER BY observed_at, node_no"
            )
    with book.write() as cursor:
        cursor.execute("INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log")


def reports(simulated, part):
    """The pattern's reports of some hours."""
    i, k = np.nonzero(simulated.reported[:, part])
    at = i, k + part.start
    millis = pa.array(np.round(simulated.observed_at[at] * 1000).astype(np.int64)).cast(pa.timestamp("ms"))
    return pa.table({
        "place": i,
        "observed_at": millis,
        "received_at": millis,
        "storage_v": simulated.storage_v[at].astype(float).round(4),
        "wakes": simulated.wakes[at].astype(np.int64),
        "loaded_v": pa.array(simulated.loaded_v[at].astype(float).round(4), from_pandas=True),
        "temp_c": pa.array(simulated.temp_c[at].astype(float).round(1), from_pandas=True),
        "boot": simulated.boot[at].astype(np.int64),
    })  # fmt: skip


def findings(book, known, fields, moment):
    """Health and findings, and the books they rest on; how many findings."""
    fields, sums = settle(book, known, fields)
    recent, ledger = read_late(book, known, fields, moment, sums)
    books = site_books(known, fields, ledger, recent, moment)
    return len(find_all(books, judge_nodes(known, fields, books, read_windows(book.cursor(), moment), moment)))


def analysis(book, moment):
    """What days, estimates, and findings with health took; the forecast left out; and how many findings."""
    known, quietly = NumberedFleet.of(book), lambda *_: None
    with at_work(book):
        days, _ = timed(update_days, book, known, moment, quietly)
        fields, parts = timed(lambda: list(update_field(book, known, moment.date() + timedelta(days=1), quietly)))
        rest, found = timed(findings, book, known, parts, moment)
    return [days, fields, rest, Took(*map(sum, zip(days, fields, rest, strict=True)))], found


def pandas_ledger(reports, farads, wake_j, sleep_w, zone):
    """What an analyst would write: differences within nodes at the budgets' figures, summed by the site's day."""
    reports = reports.sort_values(["node_no", "observed_at"])
    group = reports.groupby("node_no")
    seconds = group["observed_at"].diff().dt.total_seconds()
    stored = (reports["storage_v"] ** 2).groupby(reports["node_no"]).diff() / 2 * reports["node_no"].map(farads)
    wakes = group["wakes"].diff().clip(lower=0) * reports["node_no"].map(wake_j)
    net = stored + wakes + seconds * reports["node_no"].map(sleep_w)
    day = reports["observed_at"].dt.tz_localize("UTC").dt.tz_convert(zone).dt.normalize()
    parts = pd.DataFrame({"net": net, "stored": stored, "wakes": wakes, "seconds": seconds})
    return parts.groupby([reports["node_no"], day]).sum()


def by_hand(book):
    """What the pandas ledger of every tenth node took, from the store to the end."""
    known = NumberedFleet.of(book)
    figures = [
        (b.storage.capacitance or 1.0, float(wake_energy(b.load, volts)), float(sleep_power(b.load, volts)))
        for b in known.budgets
        for volts in [middle_voltage(b)]
    ]
    columns = (dict(zip(known.numbers.tolist(), column, strict=True)) for column in zip(*figures, strict=True))
    query = "SELECT node_no, observed_at, storage_v, wakes FROM report_log WHERE node_no % 10 = 0"
    zone = next(iter(known.fleet.sites.values())).zone
    return timed(lambda: pandas_ledger(book.cursor().execute(query).to_arrow_table().to_pandas(), *columns, zone))


def test_full_rebuild_and_one_new_day(pattern, tmp_path):
    with Store.open(":memory:") as small:  # compiled and warm
        fill(small, pattern, PATTERN)
        analysis(small, END - timedelta(days=1, seconds=1))
        analysis(small, END - timedelta(seconds=1))
    before = None
    for count in sorted({max(NODES // 2, PATTERN), NODES}):
        with Store.open(tmp_path / f"{count}.duckdb") as book:
            fill(book, pattern, count)
            book.cursor().execute(SCAN).to_arrow_table()
            scan, _ = timed(lambda book=book: book.cursor().execute(SCAN).to_arrow_table())
            rows = book.cursor().execute("SELECT count(*) FROM report_log").fetchone()[0]
            full, found = analysis(book, END - timedelta(days=1, seconds=1))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
            day, _ = analysis(book, END - timedelta(seconds=1))
            notebook, ledger = by_hand(book)
        (tmp_path / f"{count}.duckdb").unlink()
        print(f"\n{count} nodes, {DAYS} days, {rows:,} reports, {found} findings; peak memory {peak:.1f} GiB")
        scan.line("bare scan and group", scan, "x the scan")
        names = ("days: sums and evidence", "estimates", "health, findings, their books", "full rebuild")
        for name, took in zip(names, full, strict=True):
            took.line(name, scan, "x the scan")
        for name, took, whole in zip(names, day, full, strict=True):
            took.line("new day: " + name if took is not day[-1] else "one new day", whole, "of the rebuild's")
        notebook.line("pandas ledger of a tenth", full[-1], "of the rebuild, times ten", times=10)
        if before is not None:
            print(f"  twice the nodes: {full[-1].processor / before:.2f} times the rebuild")
        before = full[-1].processor
        assert found >= 0
        assert len(ledger) > 0.08 * count * DAYS

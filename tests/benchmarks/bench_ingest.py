"""The claims about ingest, as ratios and counts in one run.

Small unless JOULEBOOK_BENCH=full: a backlog of 200,000 messages, and 3,000,000 reports of history.
"""

import os
import sys
import threading
import time
from pathlib import Path

import duckdb
import psutil
import pytest

from ingest.bulk import import_file
from ingest.listener import Listener
from ingest.mqtt import BrokerSettings, connect, make_client
from ingest.store import Store

sys.path.insert(0, str(Path(__file__).parent.parent / "ingest"))
from mqtt_helpers import MOSQUITTO, Mosquitto

FULL = os.environ.get("JOULEBOOK_BENCH") == "full"
BACKLOG = 200_000 if FULL else 20_000
REPORTS = 3_000_000 if FULL else 300_000
NODES = 1_000
SITES = ("mill-floor", "packing-hall", "yard", "kiln-row")
HISTORY = """
    SELECT format('node-{:05d}', n) AS node_id,
           make_timestamp_ms(1735689600000 + k * 1800000 + (n * 7919 % 1800) * 1000) AS time,
           round(3 + 0.5 * sin(k * 0.13 + n) + 0.0015 * (hash(n, k) % 10), 4) AS storage_v,
           (k + n * 17) % 65536 AS wakes, round(2.99 + 0.5 * sin(k * 0.13 + n), 4) AS loaded_v,
           round(20 + 5 * sin(k * 0.13), 1) AS temp_c, 1 AS boot
    FROM range($reports) t(k), range($nodes) s(n) ORDER BY time"""
V5 = BrokerSettings.model_construct(version="5")


@pytest.fixture
def book(tmp_path: Path):
    """A store in a file that knows many nodes."""
    with Store.open(tmp_path / "store.duckdb") as opened:
        opened.cursor().execute(
            "INSERT INTO nodes SELECT i, format('node-{:05d}', i), $sites[1 + i % 4], 'b', '2020-01-01', NULL, NULL,"
            " '', false, 9, 1800 FROM range($nodes) t(i)",
            {"sites": list(SITES), "nodes": NODES},
        )
        yield opened


@pytest.fixture
def mosquitto(tmp_path: Path):
    if MOSQUITTO is None:
        pytest.fail("the benchmark needs mosquitto")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.stop()


def fill(broker: Mosquitto, count: int, first: int = 0) -> None:
    """Publish reports of many nodes, each on its own topic."""
    client = make_client(broker.address, BrokerSettings.model_construct(version="3.1.1"), "filler")
    client.max_inflight_messages_set(2_000)
    connect(client, broker.address)
    client.loop_start()
    for number in range(first, first + count):
        node = number % NODES
        client.publish(
            f"joulebook/{SITES[node % 4]}/node-{node:05}",
            b'{"t": %d, "storage_v": %.3f, "wakes": %d, "loaded_v": 3.391, "temp_c": 21.5, "boot": 3}'
            % (1_760_000_000 + number // NODES * 60, 3 + number % 997 / 1000, number),
            1,
        )
        while len(client._out_messages) > 5_000:
            time.sleep(0.001)
    while client._out_messages:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


def count_bare(broker: Mosquitto, count: int, name: str) -> float:
    """Seconds in which a bare client, which does nothing but count and acknowledge, takes a backlog."""
    client = make_client(broker.address, V5, name)
    client.manual_ack_set(False)
    seen, done = 0, threading.Event()

    def on_message(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen >= count:
            done.set()

    client.on_message = on_message
    started = time.monotonic()
    connect(client, broker.address)
    client.loop_start()
    assert done.wait(300)
    took = time.monotonic() - started
    client.disconnect()
    client.loop_stop()
    return took


def subscribe(broker: Mosquitto, name: str) -> None:
    """Open the session of the bare client, for which the broker then queues."""
    client = make_client(broker.address, V5, name)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    connect(client, broker.address)
    client.loop_start()
    client.subscribe("joulebook/+/+", 1)
    assert subscribed.wait(10)
    client.disconnect()
    client.loop_stop()


def take(book: Store, broker: Mosquitto, count: int, before: int = 0) -> float:
    """Seconds in which the listener stores a backlog, its start and the last commit included."""
    heard = Listener(book, broker.address, V5)
    started = time.monotonic()
    heard.start()
    while heard.stats.accepted + heard.stats.duplicate < count:
        assert time.monotonic() - started < 300
        time.sleep(0.005)
    took = time.monotonic() - started
    heard.stop()
    assert heard.failure is None
    return took


def test_drain_against_a_bare_loop(book: Store, mosquitto: Mosquitto) -> None:
    heard = Listener(book, mosquitto.address, V5)
    heard.start()
    heard.stop()
    ratios = []
    for turn in range(2 if FULL else 1):
        subscribe(mosquitto, f"bare-{turn}")
        fill(mosquitto, BACKLOG, turn * BACKLOG)
        bare = count_bare(mosquitto, BACKLOG, f"bare-{turn}")
        ours = take(book, mosquitto, BACKLOG)
        ratios.append(bare / ours)
        print(f"\ndrain of {BACKLOG:,}: bare loop {BACKLOG / bare:,.0f}/s, listener {BACKLOG / ours:,.0f}/s,"
              f" ratio {bare / ours:.2f}")  # fmt: skip
    stored = book.cursor().execute("SELECT count(*), count(DISTINCT wakes) FROM reports").fetchone()
    assert stored == (BACKLOG * len(ratios),) * 2
    assert max(ratios) > (0.8 if FULL else 0.3)  # the small size is mostly start-up


def test_bulk_import(book: Store, tmp_path: Path) -> None:
    history = duckdb.sql(HISTORY, params={"reports": REPORTS // NODES, "nodes": NODES})
    history.write_parquet(str(tmp_path / "h.parquet"))
    history.project("* REPLACE (strftime(time, '%Y-%m-%dT%H:%M:%SZ') AS time)").write_csv(str(tmp_path / "h.csv"))
    for name in ("h.parquet", "h.csv"):
        with book.write() as cursor:
            cursor.execute("DELETE FROM report_log")
        cpu, started = time.process_time(), time.monotonic()
        assert import_file(book, tmp_path / name) == (REPORTS, 0, {})
        took, cpu = time.monotonic() - started, time.process_time() - cpu
        started = time.monotonic()
        assert import_file(book, tmp_path / name) == (0, REPORTS, {})
        again = REPORTS / (time.monotonic() - started)
        cost = f"{cpu / REPORTS * 1e6:.2f} CPU s a million"
        print(f"\nimport of {REPORTS:,} from {name}: {REPORTS / took:,.0f}/s, {cost}; again {again:,.0f}/s")


def test_bytes_a_report(book: Store, tmp_path: Path) -> None:
    test_bulk_import(book, tmp_path)
    book.checkpoint()
    with Store.open(tmp_path / "small.duckdb") as copy:
        for table in ("nodes", "report_log"):
            rows = book.cursor().table(table).to_arrow_table()
            copy.cursor().from_arrow(rows).insert_into(table)
        copy.checkpoint()
    size = (tmp_path / "small.duckdb").stat().st_size
    print(f"\n{size / REPORTS:.1f} bytes a stored report")
    assert size / REPORTS < (16 if FULL else 24)  # blocks of 256 KiB weigh on a small store


def test_memory_of_the_listener(book: Store, mosquitto: Mosquitto) -> None:
    rounds, process = (10 if FULL else 3), psutil.Process()
    heard = Listener(book, mosquitto.address, V5)
    heard.start()
    sizes = []
    for turn in range(rounds):
        fill(mosquitto, BACKLOG, turn * BACKLOG)
        while heard.stats.accepted < (turn + 1) * BACKLOG:
            time.sleep(0.01)
        sizes.append(process.memory_info().rss / 2**20)
        print(f"\nafter {(turn + 1) * BACKLOG:,} messages: {sizes[-1]:.0f} MiB")
    heard.stop()
    assert max(sizes[1:]) < 1.5 * sizes[1] if not FULL else max(sizes[2:]) < 1.1 * sizes[2]

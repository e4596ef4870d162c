"""The listener against real brokers and a real store. What was published is the outside count in every test."""

import json
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import cbor2
import pyarrow as pa
import pytest
from conftest import NODES
from fault_helpers import until
from mqtt_helpers import Mosquitto, Publisher
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from ingest import connection, listener
from ingest.broker import EmbeddedBroker
from ingest.contract import Refusal
from ingest.errors import BrokerError, StoreError, UsageError
from ingest.listener import Listener
from ingest.mqtt import BrokerAddress, BrokerSettings, connect, make_client
from ingest.store import Admitted, Store

T0 = 1_760_000_000  # 2025-10-09
V5 = BrokerSettings.model_construct(version="5")
V311 = BrokerSettings.model_construct(version="3.1.1")
BOTH_VERSIONS = pytest.mark.parametrize("settings", [pytest.param(V5, id="5"), pytest.param(V311, id="3.1.1")])


class Unreliable:
    """A store that fails its first admissions, before or after the commit, or waits to be let go on."""

    def __init__(self, store: Store, *, failures: int = 0, after_commit: bool = False) -> None:
        self._store = store
        self.failures = failures
        self._after_commit = after_commit
        self.go_on = threading.Event()
        self.go_on.set()

    def admit(self, batch: pa.Table, refusals: Sequence[Refusal] = ()) -> Admitted:
        self.go_on.wait(20)
        fails = self.failures > 0
        self.failures -= fails
        if fails and not self._after_commit:
            raise StoreError("the disk is full")
        admitted = self._store.admit(batch, refusals)
        if fails:
            raise StoreError("lost sight of the commit")
        return admitted


def report(number: int) -> tuple[str, str]:
    """Topic and payload of the report with this number; node and time follow from it."""
    body = {"t": T0 + number // len(NODES) * 60, "storage_v": 3.4, "wakes": number}
    return f"joulebook/mill-floor/{NODES[number % len(NODES)]}", json.dumps(body)


def stored(store: Store) -> list[int]:
    """The wake counts in the store, which number the reports."""
    return [row[0] for row in store.cursor().execute("SELECT wakes FROM reports ORDER BY wakes").fetchall()]


@contextmanager
def listening(store: Any, address: BrokerAddress, settings: BrokerSettings = V5, **more: Any) -> Iterator[Listener]:
    opened = Listener(store, address, settings, **more)
    opened.start()
    try:
        yield opened
    finally:
        opened.stop()
    assert opened.failure is None


@contextmanager
def publishing(
    address: BrokerAddress, version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv311
) -> Iterator[Publisher]:
    publisher = Publisher(address, version=version)
    try:
        yield publisher
    finally:
        publisher.close()


def test_reports_through_the_embedded_broker_arrive_once(embedded: EmbeddedBroker, store: Store) -> None:
    with listening(store, embedded.address, embedded.settings) as heard, publishing(embedded.address) as publisher:
        for number in range(500):
            publisher.send(*report(number))
        until(lambda: heard.stats.accepted == 500)
        assert (heard.stats.received, heard.stats.duplicate, heard.stats.rejected) == (500, 0, {})
    assert stored(store) == list(range(500))


def test_a_failed_write_loses_nothing_on_a_broker_that_forgets_sessions(embedded: EmbeddedBroker, store: Store) -> None:
    unreliable = Unreliable(store, failures=1)
    with listening(unreliable, embedded.address, embedded.settings) as heard, publishing(embedded.address) as publisher:
        for number in range(50):
            publisher.send(*report(number))
        until(lambda: len(stored(store)) == 50)
        assert heard.stats.failed_commits == 1
        assert heard.stats.reconnects == 1


def test_what_cannot_be_read_becomes_a_reject_and_the_listener_goes_on(embedded: EmbeddedBroker, store: Store) -> None:
    topic = "joulebook/mill-floor/mf-001"
    with listening(store, embedded.address, embedded.settings) as heard, publishing(embedded.address) as publisher:
        for bad in (
            b"",
            b"\xff\xfe",
            b"[",
            b"{}",
            b'{"storage_v": 1e999, "wakes": 1}',
            b"[[[[",
            b'{"wakes": ' + b"9" * 400,
        ):
            publisher.send(topic, bad)
        publisher.send("joulebook//mf-001", report(1)[1])  # an empty level matches the filter (MQTT 5.0, 4.7.1.3)
        publisher.send("joulebook/mill-floor/mf-999", report(2)[1])
        publisher.send(*report(3))
        until(lambda: heard.stats.accepted == 1)
        assert heard.stats.rejected["wrong-topic"] == 1
        assert heard.stats.rejected["unknown-node"] == 1
        assert heard.stats.rejected["missing-field"] == 1
        assert sum(heard.stats.rejected.values()) == 9
    kept = store.cursor().execute("SELECT reason, payload FROM rejects WHERE topic = 'joulebook//mf-001'").fetchall()
    assert kept == [("wrong-topic", report(1)[1])]


def test_the_good_readings_of_a_batch_with_a_bad_one_are_stored(embedded: EmbeddedBroker, store: Store) -> None:
    elements = [json.loads(report(number)[1]) for number in (0, 100, 200)]
    elements[1]["storage_v"] = "full"
    with listening(store, embedded.address, embedded.settings) as heard, publishing(embedded.address) as publisher:
        publisher.send(report(0)[0], json.dumps(elements))
        until(lambda: heard.stats.accepted == 2)
        assert heard.stats.rejected == {"malformed": 1}
    assert stored(store) == [0, 200]


def test_a_report_without_a_time_gets_the_time_of_arrival(embedded: EmbeddedBroker, store: Store) -> None:
    with (
        listening(store, embedded.address, embedded.settings, clock=lambda: T0 + 0.5) as heard,
        publishing(embedded.address) as publisher,
    ):
        publisher.send("joulebook/mill-floor/mf-001", '{"storage_v": 3.4, "wakes": 7}')
        until(lambda: heard.stats.accepted == 1)
        assert heard.stats.last_commit == T0 + 0.5
    rows = store.cursor().execute("SELECT epoch(observed_at), epoch(received_at) FROM reports").fetchall()
    assert rows == [(T0 + 0.5, T0 + 0.5)]


def test_a_broker_that_is_not_there_is_named_in_one_line(store: Store, embedded: EmbeddedBroker) -> None:
    embedded.stop()
    with pytest.raises(BrokerError, match=rf"127\.0\.0\.1 port {embedded.address.port}: .*refused; start it") as raised:
        Listener(store, embedded.address, V5).start()
    assert "\n" not in str(raised.value)


def test_a_broker_of_the_older_version_is_explained(
    store: Store, embedded: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "WELCOME_TIMEOUT_S", 0.3)
    with pytest.raises(BrokerError, match=r"set JOULEBOOK_BROKER_VERSION=3\.1\.1"):
        Listener(store, embedded.address, V5).start()


@pytest.mark.parametrize("prefix", ["", "/", "mill/", "mill/+", "#"])
def test_a_prefix_that_cannot_be_a_topic_is_refused(store: Store, prefix: str) -> None:
    with pytest.raises(UsageError, match="topic prefix"):
        Listener(store, BrokerAddress("127.0.0.1", 1883), V5, prefix=prefix)


def test_a_batch_that_the_broker_would_never_fill_is_refused(store: Store) -> None:
    with pytest.raises(UsageError, match=r"batch_rows must be from 1 to 9999, got 10000"):
        Listener(store, BrokerAddress("127.0.0.1", 1883), V5, batch_rows=10_000)


@pytest.mark.server
@BOTH_VERSIONS
def test_a_failed_write_is_sent_again_and_stored_once(
    mosquitto: Mosquitto, store: Store, settings: BrokerSettings
) -> None:
    unreliable = Unreliable(store, failures=2)
    with listening(unreliable, mosquitto.address, settings) as heard, publishing(mosquitto.address) as publisher:
        for number in range(300):
            publisher.send(*report(number))
        until(lambda: heard.stats.accepted == 300)
        assert heard.stats.failed_commits == 2
        assert heard.stats.reconnects == 2
        assert heard.stats.duplicate == 0
    assert stored(store) == list(range(300))


@pytest.mark.server
def test_a_commit_of_unknown_outcome_counts_no_report_twice(mosquitto: Mosquitto, store: Store) -> None:
    unreliable = Unreliable(store, failures=1, after_commit=True)
    with listening(unreliable, mosquitto.address) as heard, publishing(mosquitto.address) as publisher:
        for number in range(300):
            publisher.send(*report(number))
        until(lambda: heard.stats.accepted + heard.stats.duplicate == 300)
        assert heard.stats.duplicate > 0
    assert stored(store) == list(range(300))


@pytest.mark.server
@BOTH_VERSIONS
def test_what_was_not_committed_was_not_acknowledged(
    mosquitto: Mosquitto, store: Store, settings: BrokerSettings
) -> None:
    with (
        listening(Unreliable(store, failures=10**9), mosquitto.address, settings) as heard,
        publishing(mosquitto.address) as publisher,
    ):
        for number in range(200):
            publisher.send(*report(number))
        publisher.confirmed()
        until(lambda: heard.stats.failed_commits > 0)
    assert stored(store) == []
    with listening(store, mosquitto.address, settings) as heard:
        until(lambda: heard.stats.accepted == 200)
    assert stored(store) == list(range(200))


@pytest.mark.server
def test_a_stop_drains_and_the_next_start_goes_on(mosquitto: Mosquitto, store: Store) -> None:
    with listening(store, mosquitto.address, batch_rows=50) as heard, publishing(mosquitto.address) as publisher:
        for number in range(3000):
            publisher.send(*report(number))
        until(lambda: heard.stats.received > 100)
        heard.stop()
        assert heard.stats.received == heard.stats.accepted == len(stored(store)) < 3000
        assert heard.stats.waiting == 0
        publisher.confirmed()
    before = len(stored(store))
    with listening(store, mosquitto.address) as heard:
        until(lambda: len(stored(store)) == 3000)
        assert heard.stats.received == 3000 - before  # all that was stored had been acknowledged: none comes again
    assert stored(store) == list(range(3000))


@pytest.mark.server
def test_a_backlog_of_50_000_drains_with_the_brokers_own_in_flight_limit(mosquitto: Mosquitto, store: Store) -> None:
    with listening(store, mosquitto.address):
        pass  # opens the session that the broker queues for
    topic = f"joulebook/mill-floor/{NODES[0]}"
    mosquitto.publish_lines(topic, (report(number * len(NODES))[1] for number in range(50_000)))
    with listening(store, mosquitto.address) as heard:
        until(lambda: heard.stats.accepted == 50_000)
        assert (heard.stats.received, heard.stats.duplicate) == (50_000, 0)
    assert stored(store) == list(range(0, 50_000 * len(NODES), len(NODES)))


@pytest.mark.server
@pytest.mark.parametrize(("window", "backlog"), [(1, 30), (20, 2000)])
def test_a_small_in_flight_window_does_not_stop_the_flow(
    mosquitto: Mosquitto, store: Store, window: int, backlog: int
) -> None:
    mosquitto.stop()
    mosquitto.configure(f"max_inflight_messages {window}\n")
    mosquitto.start()
    with listening(store, mosquitto.address, V311):
        pass
    with publishing(mosquitto.address) as publisher:
        for number in range(backlog):
            publisher.send(*report(number))
        publisher.confirmed()
    started = time.monotonic()
    with listening(store, mosquitto.address, V311, batch_seconds=10.0) as heard:
        until(lambda: heard.stats.accepted == backlog)
    # Waiting for `batch_seconds` at every full window would take 300 s and 1000 s.
    assert time.monotonic() - started < 10


@pytest.mark.server
def test_a_broker_restart_is_survived_quietly(mosquitto: Mosquitto, store: Store) -> None:
    with listening(store, mosquitto.address) as heard:
        with publishing(mosquitto.address) as publisher:
            publisher.send(*report(0))
            until(lambda: heard.stats.accepted == 1)
        mosquitto.stop()
        until(lambda: not heard.stats.connected)
        mosquitto.start()
        with publishing(mosquitto.address) as publisher:
            publisher.send(*report(1))
            publisher.confirmed()
        until(lambda: heard.stats.accepted == 2)
        assert heard.stats.connected
        assert heard.stats.reconnects == 1
    assert stored(store) == [0, 1]


@pytest.mark.server
def test_memory_is_bounded_while_the_disk_is_slow(
    mosquitto: Mosquitto, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listener, "WAITING_MAX_BYTES", 100_000)
    slow = Unreliable(store)
    slow.go_on.clear()
    with listening(slow, mosquitto.address, batch_rows=50) as heard, publishing(mosquitto.address) as publisher:
        for number in range(1000):
            topic, payload = report(number)
            publisher.send(topic, payload + " " * 1000)
        publisher.confirmed()
        until(lambda: heard.stats.waiting >= 90)
        time.sleep(0.3)
        assert heard.stats.waiting <= 100  # of about 1050 bytes each, besides the batch in the hands of the store
        slow.go_on.set()
        until(lambda: heard.stats.accepted == 1000)


@pytest.mark.server
def test_old_retained_reports_are_not_taken_for_new(mosquitto: Mosquitto, store: Store) -> None:
    with publishing(mosquitto.address) as publisher:
        publisher.send("joulebook/mill-floor/mf-001", '{"storage_v": 3.4, "wakes": 7}', retain=True)
        publisher.confirmed()
        for settings in (V5, V311):
            with listening(store, mosquitto.address, settings, client_id=settings.version) as heard:
                publisher.send(*report(8))
                until(lambda heard=heard: heard.stats.accepted + heard.stats.duplicate == 1)  # type: ignore[misc]
    assert stored(store) == [8]


@pytest.mark.server
def test_the_content_type_of_mqtt_5_reaches_the_decoder(mosquitto: Mosquitto, store: Store) -> None:
    # RFC 8428 section 6, labels: bn -2, bt -3, n 0, u 1, v 2; encoded by cbor2.
    pack = cbor2.dumps([{-2: "mf-001:", -3: T0, 0: "storage", 1: "V", 2: 3.4}, {0: "wakes", 1: "count", 2: 12}])
    with (
        listening(store, mosquitto.address) as heard,
        publishing(mosquitto.address, MQTTProtocolVersion.MQTTv5) as publisher,
    ):
        publisher.send("joulebook/mill-floor/mf-001", pack, content_type="application/senml+cbor")
        publisher.send("joulebook/mill-floor/mf-002", pack, content_type="application/senml+json")
        until(lambda: heard.stats.accepted == 1 and heard.stats.rejected == {"malformed": 1})
    assert stored(store) == [12]


@pytest.mark.server
def test_alarms_are_published_retained_and_not_taken_for_reports(mosquitto: Mosquitto, store: Store) -> None:
    topic = "joulebook/alarms/mill-floor/mf-001"
    with listening(store, mosquitto.address) as heard:
        heard.publish(topic, "raised", retain=True)
        until(lambda: retained(mosquitto, topic) == b"raised")
        mosquitto.stop()
        until(lambda: not heard.stats.connected)
        heard.publish(topic, "raised again", retain=True)
        heard.publish(topic, "cleared", retain=True)
        mosquitto.start()
        until(lambda: retained(mosquitto, topic) == b"cleared")
        heard.publish(topic, "last word", retain=True)
    assert retained(mosquitto, topic) == b"last word"
    assert heard.stats.received == 0
    with pytest.raises(UsageError, match="cannot publish on topic"):
        heard.publish("joulebook/alarms/#", "raised")


def retained(mosquitto: Mosquitto, topic: str) -> bytes | None:
    """What a new subscriber to the topic is told at once."""
    told: list[bytes] = []

    def on_message(_client: Any, _data: Any, message: MQTTMessage) -> None:
        told.append(message.payload)

    client = make_client(mosquitto.address, V311, "passer-by")
    client.on_message = on_message
    connect(client, mosquitto.address)
    client.loop_start()
    client.subscribe(topic, 0)
    deadline = time.monotonic() + 0.3
    while not told and time.monotonic() < deadline:
        time.sleep(0.005)
    client.disconnect()
    client.loop_stop()
    return told[0] if told else None

"""What a running listener tells of itself, read as Prometheus and an operator's watchdog would."""

import json
import logging
import urllib.error
import urllib.request

import pytest
from mqtt_helpers import Publisher
from prometheus_client.parser import text_string_to_metric_families

from ingest.broker import EmbeddedBroker
from ingest.errors import UsageError
from ingest.listener import Listener
from ingest.metrics import STALL_S, JsonLines, MetricsServer
from ingest.store import Store

from fault_helpers import until  # isort: skip


def fetch(address: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def figures(address: str) -> dict[tuple[str, tuple[str, ...]], float]:
    """The metrics as the parser of prometheus-client reads them, by name and labels."""
    _, text = fetch(address + "/metrics")
    return {
        (sample.name, tuple(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_metrics_tell_what_became_of_the_messages(embedded: EmbeddedBroker, store: Store) -> None:
    heard = Listener(store, embedded.address, embedded.settings, clock=lambda: 1_760_000_000.0)
    heard.start()
    server = MetricsServer(heard, "127.0.0.1", 0, clock=lambda: 1_760_000_000.0)
    server.start()
    publisher = Publisher(embedded.address)
    for payload in ('{"t": 1759999990, "storage_v": 3.4, "wakes": 1}',) * 2 + (
        "rubbish",
        '{"storage_v": 99, "wakes": 2}',
    ):
        publisher.send("joulebook/mill-floor/mf-001", payload)
    until(lambda: heard.stats.accepted + heard.stats.duplicate + sum(heard.stats.rejected.values()) == 4)
    found = figures(server.address)
    assert found["joulebook_messages_total", ()] == 4
    assert found["joulebook_readings_accepted_total", ()] == 1
    assert found["joulebook_readings_duplicate_total", ()] == 1
    assert found["joulebook_rejects_total", ("malformed",)] == 1
    assert found["joulebook_rejects_total", ("voltage-out-of-range",)] == 1
    assert found["joulebook_connected", ()] == 1
    assert found["joulebook_queue_messages", ()] == 0
    assert found["joulebook_batch_messages_sum", ()] == 4
    assert found["joulebook_commit_seconds_count", ()] == found["joulebook_batch_messages_count", ()] >= 1
    assert found["joulebook_commit_seconds_sum", ()] > 0
    assert found["joulebook_last_report_timestamp_seconds", ("mill-floor",)] == 1_760_000_000
    assert fetch(server.address + "/health") == (200, '{"healthy": true, "ailments": []}')
    assert fetch(server.address + "/elsewhere")[0] == 404
    publisher.close()
    embedded.stop()
    until(lambda: not heard.stats.connected)
    status, text = fetch(server.address + "/health")
    assert (status, json.loads(text)["ailments"]) == (503, ["the broker is lost"])
    heard.stop()
    server.stop()


def test_a_commit_that_stalls_makes_it_unhealthy(embedded: EmbeddedBroker, store: Store) -> None:
    now = [1_760_000_000.0]
    heard = Listener(store, embedded.address, embedded.settings, clock=lambda: now[0])
    heard.start()
    server = MetricsServer(heard, "127.0.0.1", 0, clock=lambda: now[0])
    server.start()
    publisher = Publisher(embedded.address)
    with store.write():  # nobody else may write
        publisher.send("joulebook/mill-floor/mf-001", '{"storage_v": 3.4, "wakes": 1}')
        until(lambda: heard.stats.received == 1)
        assert fetch(server.address + "/health")[0] == 200
        now[0] += STALL_S + 1
        status, text = fetch(server.address + "/health")
        assert (status, json.loads(text)["ailments"]) == (503, ["a report has waited 61 s for its commit"])
        assert figures(server.address)["joulebook_lag_seconds", ()] == 61
    until(lambda: heard.stats.accepted == 1)
    assert fetch(server.address + "/health")[0] == 200
    with pytest.raises(UsageError, match=r"cannot serve metrics on 127\.0\.0\.1 port .*choose another --metrics-port"):
        MetricsServer(heard, "127.0.0.1", int(server.address.rpartition(":")[2]))
    publisher.close()
    heard.stop()
    server.stop()


def test_a_log_line_is_json_with_what_was_given() -> None:
    record = logging.makeLogRecord(
        {"name": "ingest", "levelname": "ERROR", "msg": "cannot store %d", "args": (3,), "created": 1.5, "messages": 3}
    )
    record.msecs = 500
    assert json.loads(JsonLines().format(record)) == {
        "time": "1970-01-01T00:00:01.500Z", "level": "error", "logger": "ingest", "message": "cannot store 3",
        "messages": 3,
    }  # fmt: skip

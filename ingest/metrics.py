"""What a running listener tells of itself: Prometheus metrics, a health page, and logs as JSON lines.

`/metrics` is in the Prometheus text format; `/health` answers 200 while reports are being stored, and 503 with the
reasons when they are not.
"""

import json
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric, SummaryMetricFamily
from prometheus_client.exposition import make_wsgi_app

from ingest.errors import UsageError
from ingest.listener import Listener, ListenerStats

STALL_S = 60.0  # a report may wait so long for its commit
STANDARD_FIELDS = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


def ailments(stats: ListenerStats, now: float) -> list[str]:
    """Why reports are not being stored as they should; empty if they are.

    Parameters
    ----------
    now : float
        [s since 1970 UTC]
    """
    found = [] if stats.connected else ["the broker is lost"]
    if stats.oldest_waiting is not None and now - stats.oldest_waiting > STALL_S:
        found.append(f"a report has waited {now - stats.oldest_waiting:.0f} s for its commit")
    return found


class ListenerCollector:
    """The listener's figures, as of each time they are asked for."""

    def __init__(self, listener: Listener, clock: Callable[[], float] = time.time) -> None:
        self._listener = listener
        self._clock = clock

    def collect(self) -> Iterator[Metric]:
        """All metrics; the names end in their units."""
        stats = self._listener.stats
        for name, text, value in (
            ("messages", "Messages received.", stats.received),
            ("readings_accepted", "Readings stored.", stats.accepted),
            ("readings_duplicate", "Readings that were stored already.", stats.duplicate),
            ("reconnects", "Connections to the broker after the first.", stats.reconnects),
            ("failed_commits", "Batches that could not be stored at first.", stats.failed_commits),
        ):
            yield CounterMetricFamily(f"joulebook_{name}", text, value=value)
        rejected = CounterMetricFamily("joulebook_rejects", "Readings and payloads refused.", labels=["reason"])
        for reason, count in stats.rejected.items():
            rejected.add_metric([reason], count)
        yield rejected
        lag = 0.0 if stats.oldest_waiting is None else max(0.0, self._clock() - stats.oldest_waiting)
        yield GaugeMetricFamily("joulebook_connected", "1 while the broker is there.", value=stats.connected)
        yield GaugeMetricFamily("joulebook_queue_messages", "Messages read but not yet stored.", value=stats.waiting)
        yield GaugeMetricFamily("joulebook_lag_seconds", "Age of the oldest message not yet stored.", value=lag)
        yield SummaryMetricFamily(
            "joulebook_commit_seconds", "Time to judge and store a batch.", stats.commits, stats.commit_seconds
        )
        yield SummaryMetricFamily(
            "joulebook_batch_messages", "Messages committed together.", stats.commits, stats.committed
        )
        last = GaugeMetricFamily(
            "joulebook_last_report_timestamp_seconds", "Arrival of a site's last report.", labels=["site"]
        )
        for site, at in stats.last_report.items():
            last.add_metric([site], at)
        yield last


class _Server(ThreadingMixIn, WSGIServer):
    daemon_threads = True


class _Quiet(WSGIRequestHandler):
    def log_message(self, *_: Any) -> None:
        """Requests are not logged."""


class MetricsServer:
    """Serves `/metrics` and `/health` in a thread of its own.

    Raises
    ------
    UsageError
        The port is in use or may not be opened.
    """

    def __init__(self, listener: Listener, host: str, port: int, clock: Callable[[], float] = time.time) -> None:
        self._listener = listener
        self._clock = clock
        registry = CollectorRegistry()
        registry.register(ListenerCollector(listener, clock))
        self._metrics = make_wsgi_app(registry)
        try:
            self._server = make_server(host, port, self._answer, _Server, _Quiet)
        except OSError as error:
            msg = f"cannot serve metrics on {host} port {port}: {error.strerror}; choose another --metrics-port"
            raise UsageError(msg) from error
        self.address = f"http://{host}:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, name="metrics", daemon=True)

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Close the port."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _answer(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        path = environ.get("PATH_INFO")
        if path == "/metrics":
            answer: Iterable[bytes] = self._metrics(environ, start_response)
            return answer
        if path != "/health":
            start_response("404 Not Found", [("Content-Type", "text/plain")])
            return [b"there is /metrics and /health\n"]
        found = ailments(self._listener.stats, self._clock())
        start_response("503 Service Unavailable" if found else "200 OK", [("Content-Type", "application/json")])
        return [json.dumps({"healthy": not found, "ailments": found}).encode()]


class JsonLines(logging.Formatter):
    """A log record as one line of JSON: time, level, logger, message, and what was given as `extra`."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        line = {
            "time": time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created)) + f".{int(record.msecs):03}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= {name: value for name, value in vars(record).items() if name not in STANDARD_FIELDS}
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)

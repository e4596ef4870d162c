"""Stores what the nodes report so that nothing is lost: a message is acknowledged only once it is committed.

The thread of the connection reads; a worker decodes what has come and has the store admit it, a batch at a time. A
batch goes as soon as it is full, as old as `batch_seconds`, or nothing more comes; the last also covers a broker that
waits for acknowledgements (its in-flight window is full) before it sends on.
"""

import logging
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from paho.mqtt.client import MQTTMessage

from ingest.connection import Connection
from ingest.contract import DEFAULT_PREFIX, Refusal, batch_table
from ingest.errors import JoulebookError, UsageError
from ingest.intake import take
from ingest.mqtt import RECEIVE_MAXIMUM, BrokerAddress, BrokerSettings

log = logging.getLogger(__name__)

BATCH_MAX_BYTES = 8 * 1024 * 1024  # payload bytes in one batch
WAITING_MAX_BYTES = 64 * 1024 * 1024  # read but not yet stored; beyond it the socket is left unread
IDLE_S = 0.03  # nothing new for this long: the batch goes
SITES_MAX = 1_000  # whose last report is remembered: anyone may name one
WINDOW_MIN = 10  # the smallest in-flight window that is remembered


class Admits(Protocol):
    """What the listener needs of the store."""

    def admit(self, batch: pa.Table, refusals: Sequence[Refusal] = ()) -> Any:
        """Judge and store in one transaction; return the counts accepted, duplicate and rejected by reason."""


@dataclass(frozen=True)
class ListenerStats:
    """How a listener is doing: counts since it started, and what is waiting now."""

    connected: bool
    received: int  # messages
    accepted: int  # readings
    duplicate: int  # readings
    rejected: dict[str, int]  # by reason
    last_commit: float | None  # seconds since 1970 UTC
    waiting: int  # messages read but not yet stored
    reconnects: int
    failed_commits: int
    oldest_waiting: float | None  # when the oldest message read but not yet stored arrived [s since 1970 UTC]
    commits: int
    committed: int  # messages, in all commits
    commit_seconds: float  # in all commits
    last_report: dict[str, float]  # by site: arrival [s since 1970 UTC]


class _Waiting(NamedTuple):
    session: int  # of the connection it came by
    packet_id: int  # to acknowledge it by; 0: not asked for
    retained: bool  # an old report, of which no one knows when it came
    redelivered: bool  # sent before, and perhaps stored
    received_at: float  # seconds since 1970 UTC
    topic: str
    payload: bytes
    content_type: str | None


@dataclass
class _Batch:
    taken: list[_Waiting] = field(default_factory=list)
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    size: int = 0  # [bytes]


class Listener:
    """Stores what the nodes report, from `start()` until `stop()`.

    Parameters
    ----------
    store : Store
        Admits the readings; called from one thread only.
    address, settings
        The broker, and what is needed to be let in.
    prefix : str
        Reports come on `<prefix>/<site>/<node_id>`.
    client_id : str
        Names our session on the broker. Change it and the broker's queue for us is lost; share it and each
        listener throws the other out.
    batch_rows : int
        Readings committed together. The last message may bring more.
    batch_seconds : float
        The longest a reading waits for others. [s]
    clock : callable
        Time of arrival, seconds since 1970 UTC.

    Raises
    ------
    UsageError
        The prefix or the batch size is impossible.
    BrokerError
        A password or certificate file cannot be used.
    """

    def __init__(
        self,
        store: Admits,
        address: BrokerAddress,
        settings: BrokerSettings,
        *,
        prefix: str = DEFAULT_PREFIX,
        client_id: str = "joulebook-listener",
        batch_rows: int = 5000,
        batch_seconds: float = 1.0,
        clock: Callable[[], float] = time.time,
    ) -> None:
        if not prefix or prefix != prefix.strip("/") or set(prefix) & set("+#\0"):
            msg = f"topic prefix {prefix!r}: expected words joined by '/', without '+' or '#', such as {DEFAULT_PREFIX}"
            raise UsageError(msg)
        if not 0 < batch_rows < RECEIVE_MAXIMUM:  # more than the broker sends unacknowledged would never come together
            msg = f"batch_rows must be from 1 to {RECEIVE_MAXIMUM - 1}, got {batch_rows}"
            raise UsageError(msg)
        self._store = store
        self._prefix = prefix
        self._batch_rows = batch_rows
        self._batch_seconds = batch_seconds
        self._clock = clock
        self._connection = Connection(
            address,
            settings,
            client_id,
            f"{prefix}/+/+",
            receive=self._receive,
            has_room=self._has_room,
            changed=self._look,
        )
        self._waiting: deque[_Waiting] = deque()
        self._received = 0
        self._bytes_in = 0  # counted by the thread of the connection
        self._bytes_out = 0  # counted by the worker
        self._flush_at = batch_rows  # messages
        self._lock = threading.Lock()  # of the counts
        self._counts: Counter[str] = Counter()
        self._rejected: Counter[str] = Counter()
        self._last_commit: float | None = None
        self._commit_seconds = 0.0
        self._last_report: dict[str, float] = {}
        self._committing: float | None = None  # arrival of the first message of the batch in the hands of the store
        self._failure: BaseException | None = None
        self._stopping = threading.Event()
        self._nudge = threading.Event()
        self._asleep = False  # the worker waits for the first message
        self._worker = threading.Thread(target=self._guarded, name="listener", daemon=True)

    def start(self) -> None:
        """Connect and subscribe; returns once the broker has let us in.

        Raises
        ------
        BrokerError
            It cannot be reached, does not answer, or refuses.
        """
        self._connection.start()
        self._worker.start()

    def stop(self, timeout: float = 30.0) -> None:
        """Store and acknowledge what has been read, send what is to be published, and leave; may be called again.

        Messages the broker has not sent yet stay in its queue for the next start.
        """
        deadline = time.monotonic() + timeout
        self._stopping.set()
        self._nudge.set()
        if self._worker.is_alive():
            self._worker.join(timeout)
        left = self._connection.stop(max(1.0, deadline - time.monotonic()))
        if self._worker.is_alive() or not left:
            log.error(
                "listener: still busy %.0f s after the stop; what it has not stored stays with the broker", timeout
            )

    @property
    def stats(self) -> ListenerStats:
        """How the listener is doing now."""
        with self._lock:
            return ListenerStats(
                connected=self._connection.online,
                received=self._received,
                accepted=self._counts["accepted"],
                duplicate=self._counts["duplicate"],
                rejected=dict(self._rejected),
                last_commit=self._last_commit,
                waiting=len(self._waiting),
                reconnects=self._connection.reconnects,
                failed_commits=self._counts["failed"],
                oldest_waiting=self._oldest_waiting(),
                commits=self._counts["commits"],
                committed=self._counts["committed"],
                commit_seconds=self._commit_seconds,
                last_report=dict(self._last_report),
            )

    def _oldest_waiting(self) -> float | None:
        if self._committing is not None:
            return self._committing
        with suppress(IndexError):  # nothing waits
            return self._waiting[0].received_at
        return None

    @property
    def failure(self) -> BaseException | None:
        """What ended the listener without a `stop()`: a fault of the program."""
        return self._failure or self._connection.failure

    def publish(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Send a message at QoS 1; while the broker is away only the last one of a topic waits for it.

        Raises
        ------
        UsageError
            The topic is empty or has a wildcard.
        """
        self._connection.publish(topic, payload, retain=retain)

    # Called by the thread of the connection.

    def _receive(self, session: int, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""  # refused as a wrong topic
        content_type = getattr(message.properties, "ContentType", None)
        # Not the message itself: the client's objects are large, and thousands of them wait.
        self._waiting.append(
            _Waiting(
                session,
                message.mid,
                message.retain,
                message.dup,
                self._clock(),
                topic,
                bytes(message.payload),
                content_type,
            )
        )
        self._bytes_in += len(message.payload)
        self._received += 1

    def _has_room(self) -> bool:
        return (
            not self._stopping.is_set()
            and len(self._waiting) < RECEIVE_MAXIMUM
            and self._bytes_in - self._bytes_out < WAITING_MAX_BYTES
        )

    def _look(self) -> None:
        if self._asleep or len(self._waiting) >= self._flush_at:
            self._nudge.set()

    # The worker.

    def _guarded(self) -> None:
        try:
            self._work()
        except BaseException as error:
            self._failure = error
            self._connection.stop(0.0)  # nothing is acknowledged from here on: the broker keeps it
            raise

    def _work(self) -> None:
        while self._wait_for_batch():
            stored = self._commit(self._gather())
            if not stored and self._stopping.is_set():
                break

    def _wait_for_batch(self) -> bool:
        """Return when a batch is due; False when stopping and nothing is left."""
        started = 0.0
        while not self._stopping.is_set():
            self._nudge.clear()
            self._asleep = True
            count = len(self._waiting) if self._connection.online else 0
            if not count:
                started = 0.0
                self._nudge.wait()
                continue
            self._asleep = False
            started = started or time.monotonic()
            if self._is_due(count, started):
                return True
            seen = self._received
            self._nudge.wait(IDLE_S)
            if self._received == seen:
                if count >= WINDOW_MIN:
                    self._flush_at = min(count, self._batch_rows)
                return True
        return bool(self._waiting)

    def _is_due(self, count: int, started: float) -> bool:
        if count > self._flush_at:  # the broker sends more than that at once after all
            self._flush_at = self._batch_rows
        return (
            count >= self._flush_at
            or self._bytes_in - self._bytes_out >= BATCH_MAX_BYTES
            or time.monotonic() - started >= self._batch_seconds
        )

    def _gather(self) -> _Batch:
        batch = _Batch()
        while (
            self._waiting and max(len(batch.taken), len(batch.rows)) < self._batch_rows and batch.size < BATCH_MAX_BYTES
        ):
            item = self._waiting.popleft()
            size = len(item.payload)
            self._bytes_out += size
            if item.session >= self._connection.resent_from:
                batch.size += size
                batch.taken.append(item)
                if not item.retained:
                    take(
                        self._prefix, item.topic, item.payload, item.content_type, item.received_at,
                        item.redelivered, batch.rows, batch.refusals,
                    )  # fmt: skip
        return batch

    def _commit(self, batch: _Batch) -> bool:
        self._committing = batch.taken[0].received_at if batch.taken else None
        started = time.monotonic()
        table = batch_table(batch.rows)
        try:
            admitted = self._store.admit(table, batch.refusals)
        except (JoulebookError, duckdb.Error, OSError) as error:
            self._put_back(batch, error)
            return False
        self._committing = None
        with self._lock:
            self._counts.update(accepted=admitted.accepted, duplicate=admitted.duplicate, commits=1)
            self._counts["committed"] += len(batch.taken)
            self._rejected.update(admitted.rejected)
            self._last_commit = self._clock()
            self._commit_seconds += time.monotonic() - started
            self._note_sites(table)
        self._connection.acknowledge((item.session, item.packet_id) for item in batch.taken if item.packet_id)
        return True

    def _note_sites(self, table: pa.Table) -> None:
        for topic in pc.unique(table["topic"]).to_pylist():
            site = topic.rsplit("/", 2)[1]
            if site in self._last_report or len(self._last_report) < SITES_MAX:
                self._last_report[site] = table["received_at"][-1].as_py()

    def _put_back(self, batch: _Batch, error: Exception) -> None:
        """Keep a batch that could not be stored until the broker sends it again, or for good if it has forgotten it."""
        log.error(
            "listener: cannot store %d messages, reconnecting to get them again: %s",
            len(batch.taken), error, extra={"messages": len(batch.taken), "waiting": len(self._waiting)},
        )  # fmt: skip
        with self._lock:
            self._counts["failed"] += 1
        self._waiting.extendleft(reversed(batch.taken))
        self._bytes_out -= batch.size
        self._connection.reconnect()

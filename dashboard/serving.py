"""Keeps analysing while the store is being filled, and tells the broker of alarms that stand."""

import json
import logging
import threading
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import duckdb

from analysis.alarms import WHOLE_SITE
from analysis.run import analyse, open_alarms
from ingest.errors import JoulebookError
from ingest.listener import Listener
from ingest.store import Store

log = logging.getLogger(__name__)

STOP_TIMEOUT_S = 5.0  # an analysis that takes longer is left: its writes are transactions, and the next one repeats it


@dataclass
class Schedule:
    """Analyses again and again in a thread of its own, and publishes the alarms that changed.

    Attributes
    ----------
    every : float
        From the end of one analysis to the next. [s]
    clock : callable
        The moment of an analysis, UTC and aware.
    afterwards : callable
        What else is to be done after each, in the same thread, since two that write would wait for one another.
    """

    book: Store
    listener: Listener
    prefix: str
    every: float
    clock: Callable[[], datetime]
    afterwards: Callable[[], object] = lambda: None

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)
        self._alarms = AlarmBoard(self.book, self.listener, self.prefix)
        self.failure: Exception | None = None  # what ended it without a `stop()`, if anything did

    def start(self) -> None:
        """Begin with an analysis at once."""
        self._thread.start()

    def stop(self) -> None:
        """Let the analysis under way finish if it does so soon, then end; what it has not written is not lost."""
        self._stop.set()
        self._thread.join(STOP_TIMEOUT_S)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                analyse(self.book, self.clock())
                self._alarms.publish()
                self.afterwards()
            except (JoulebookError, duckdb.Error) as error:  # the next one may find the disk with room again
                if not self._stop.is_set():
                    log.warning("analysis: %s", error)
            except Exception as error:  # noqa: BLE001 - whoever waits is told, whatever it was
                self.failure = error
                return
            self._stop.wait(self.every)


class AlarmBoard:
    """The standing alarms of each node as one retained message on `<prefix>/alarms/<site>/<node_id>`.

    That of a whole site is on `<prefix>/alarms/<site>/whole site`.
    """

    def __init__(self, book: Store, listener: Listener, prefix: str) -> None:
        self._book = book
        self._listener = listener
        self._prefix = prefix
        self._published: dict[str, str] = {}

    def publish(self) -> None:
        """Publish what differs from what was last published: an empty list where no alarm stands any more."""
        cursor = self._book.cursor()
        standing: defaultdict[tuple[str | None, str], list[dict[str, Any]]] = defaultdict(list)
        for alarm in open_alarms(cursor):
            standing[alarm.node_id, alarm.site].append(asdict(alarm))
        for node_id, site in cursor.execute("SELECT DISTINCT node_id, site FROM alarms ORDER BY ALL").fetchall():
            message = {"node_id": node_id, "site": site, "alarms": standing[node_id, site]}
            payload = json.dumps(message, default=lambda moment: moment.isoformat())
            topic = f"{self._prefix}/alarms/{site}/{WHOLE_SITE if node_id is None else node_id}"
            if self._published.get(topic) != payload:
                self._listener.publish(topic, payload, retain=True)
                self._published[topic] = payload

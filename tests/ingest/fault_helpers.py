"""What the tests of faults need: a listener in a process of its own, a stream of reports, and a network to cut."""

import json
import multiprocessing
import multiprocessing.process
import os
import random
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb
from conftest import NODES
from mqtt_helpers import PATIENCE_S, Publisher

import joulebook
from ingest.mqtt import BrokerAddress

T0 = 1_760_000_000  # 2025-10-09
FORKS = multiprocessing.get_context("forkserver")  # `joulebook` is loaded once, and every process starts at once
FORKS.set_forkserver_preload(["joulebook", "pyarrow.dataset"])


def run_command(arguments: list[str], log: str, version: str) -> None:
    """The program as the command line starts it, in a process of its own."""
    with open(log, "ab") as target:
        os.dup2(target.fileno(), 1)
        os.dup2(target.fileno(), 2)
    os.environ["JOULEBOOK_BROKER_VERSION"] = version
    os._exit(joulebook.main(arguments))


class ListenProcess:
    """`joulebook listen` in a process of its own."""

    def __init__(self, store: Path, address: BrokerAddress, *more: str, version: str = "5") -> None:
        self.log = store.with_suffix(".log")
        self.log.touch()
        self._log_before = self.log.stat().st_size
        arguments = ["listen", "--store", str(store), "--broker", str(address), *more]
        self.process = FORKS.Process(target=run_command, args=(arguments, str(self.log), version), daemon=True)
        self.process.start()

    @property
    def pid(self) -> int:
        assert self.process.pid is not None
        return self.process.pid

    def said(self) -> str:
        """What it wrote to its log."""
        return self.log.read_bytes()[self._log_before :].decode()

    def until_said(self, words: str) -> None:
        """Wait until it has written this; fails if it ends before."""
        until(lambda: words in self.said() or self.process.exitcode is not None)
        assert words in self.said(), self.said()

    def end(self, number: int) -> int | None:
        """Send a signal and wait; the exit code."""
        os.kill(self.pid, number)
        return self.wait()

    def wait(self) -> int | None:
        self.process.join(PATIENCE_S)
        assert self.process.exitcode is not None, "still running"
        return self.process.exitcode


@contextmanager
def listen_process(store: Path, address: BrokerAddress, *more: str, version: str = "5") -> Iterator[ListenProcess]:
    listener = ListenProcess(store, address, *more, version=version)
    try:
        yield listener
    finally:
        if listener.process.is_alive():
            listener.end(signal.SIGTERM)


def report(number: int) -> tuple[str, str]:
    """Topic and payload of the report with this number, which is its wake count; every seventh node has no clock."""
    node = number % len(NODES)
    body: dict[str, float] = {"storage_v": 3.4, "wakes": number}
    if node % 7:
        body["t"] = T0 + number // len(NODES) * 60
    return f"joulebook/mill-floor/{NODES[node]}", json.dumps(body)


class Stream:
    """Publishes numbered reports in bursts until stopped; `sent` of them are then with the broker."""

    def __init__(self, address: BrokerAddress, burst: int = 40) -> None:
        self.sent = 0
        self._publisher = Publisher(address)
        self._burst = burst
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._publisher.confirmed()
        self._publisher.close()

    def _run(self) -> None:
        while not self._stop.wait(0.08):  # long enough for the listener to think that nothing more comes, and commit
            for _ in range(self._burst):
                self._publisher.send(*report(self.sent))
                self.sent += 1


def stored(path: Path) -> list[int]:
    """The wake counts in a store that no process has open, which number the reports."""
    with duckdb.connect(str(path)) as store:
        return [row[0] for row in store.execute("SELECT wakes FROM reports ORDER BY wakes").fetchall()]


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.02)


class Wire:
    """A stretch of network between a client and a broker, to be cut after some bytes of the broker's."""

    def __init__(self, broker: BrokerAddress) -> None:
        self._broker = broker
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = BrokerAddress("127.0.0.1", self._server.getsockname()[1])
        self.cuts = 0
        self.cut_after = random.Random(7)  # how many bytes each connection lives
        self.whole = False  # from now on nothing is cut
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        self._server.close()

    def _serve(self) -> None:
        with suppress(OSError):  # closed
            while True:
                near, _ = self._server.accept()
                far = socket.create_connection((self._broker.host, self._broker.port))
                threading.Thread(target=self._carry, args=(near, far, None), daemon=True).start()
                life = None if self.whole else self.cut_after.randint(2_000, 60_000)
                threading.Thread(target=self._carry, args=(far, near, life), daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket, life: int | None) -> None:
        with suppress(OSError), source, target:
            while data := source.recv(4096 if life is None else min(4096, life)):
                target.sendall(data)
                if life is not None:
                    life -= len(data)
                    if life <= 0:
                        self.cuts += 1
                        break
            for end in (source, target):
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

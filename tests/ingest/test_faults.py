"""Whatever fails, every report that the broker was told is safe is in the store exactly once.

What was published is the outside count: the broker keeps what is not acknowledged and sends it again, so after a
fault every report must be there once. A real mosquitto, and the listener as `joulebook listen` in a process of its own.
"""

import os
import random
import resource
import shutil
import signal
import time
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

import pytest
from conftest import NODES
from fault_helpers import FORKS, T0, ListenProcess, Stream, Wire, listen_process, report, stored, until
from mqtt_helpers import Mosquitto, Publisher

from ingest import connection
from ingest.contract import batch_table
from ingest.listener import Listener
from ingest.mqtt import BrokerSettings
from ingest.store import Store

pytestmark = pytest.mark.server
KILLS = 25


@pytest.fixture
def path(store: Store) -> Path:
    """A store that knows the nodes and that no process has open."""
    store.close()
    return Path(store.path)


def open_session(path: Path, broker: Mosquitto) -> None:
    """Make the listener known to the broker, which from then on queues for it."""
    with listen_process(path, broker.address) as listener:
        listener.until_said("listening on")


def drain(path: Path, broker: Mosquitto, count: int) -> None:
    """Let listeners take what the broker still has; then every report is there, and once."""
    for _ in range(20):
        with listen_process(path, broker.address) as listener:
            listener.until_said("listening on")
            time.sleep(1.0)
        assert listener.process.exitcode == 0, listener.said()
        if len(stored(path)) >= count:
            break
    assert stored(path) == list(range(count))


def log_size(path: Path) -> int:
    """Bytes in the store's log of writes."""
    log = path.with_name(path.name + ".wal")
    return log.stat().st_size if log.exists() else 0


def in_a_copy(path: Path, folder: Path) -> list[int]:
    """What someone finds who opens a copy of the store's files, as they are on the disk at this moment."""
    folder.mkdir(exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for file in path.parent.glob(path.name + "*"):
        shutil.copy(file, folder)
    return stored(folder / path.name)


def test_a_listener_killed_at_random_25_times_in_one_stream_loses_and_repeats_nothing(
    mosquitto: Mosquitto, path: Path, tmp_path: Path
) -> None:
    pauses = random.Random(11)
    open_session(path, mosquitto)
    stream = Stream(mosquitto.address)
    grown = []
    for kill in range(KILLS):
        listener = ListenProcess(path, mosquitto.address)
        if kill % 5:
            listener.until_said("listening on")
        if kill % 2:  # as it has just stored something: a good time to be killed before it acknowledges
            before = log_size(path)
            until(lambda before=before: log_size(path) > before)  # type: ignore[misc]
            time.sleep(pauses.uniform(0.0, 0.02))
        else:
            time.sleep(pauses.uniform(0.0, 0.4))
        assert listener.end(signal.SIGKILL) == -signal.SIGKILL
        grown.append(in_a_copy(path, tmp_path / "copy"))
    stream.stop()
    sizes = [len(found) for found in grown]
    assert sizes == sorted(sizes)  # what was stored before a kill is there after it
    assert all(len(set(found)) == len(found) for found in grown)
    assert len(set(sizes)) > KILLS // 3  # many of the kills came while it was at work
    drain(path, mosquitto, stream.sent)


def test_a_broker_that_restarts_in_the_stream_loses_and_repeats_nothing(mosquitto: Mosquitto, path: Path) -> None:
    with listen_process(path, mosquitto.address) as listener:
        listener.until_said("listening on")
        stream = Stream(mosquitto.address)
        for _ in range(3):
            time.sleep(0.7)
            mosquitto.stop()
            time.sleep(0.2)
            mosquitto.start()
        stream.stop()
    assert listener.process.exitcode == 0
    drain(path, mosquitto, stream.sent)


def test_a_network_cut_in_the_middle_of_batches_loses_and_repeats_nothing(
    mosquitto: Mosquitto, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "BACK_OFF_S", (0.02, 0.1))
    count = 3000
    wire = Wire(mosquitto.address)
    wire.whole = True
    heard = Listener(store, wire.address, BrokerSettings.model_construct(version="5"), batch_rows=200)
    heard.start()
    wire.whole = False
    heard._connection.reconnect()
    publisher = Publisher(mosquitto.address)
    for number in range(count):
        publisher.send(*report(number))
    publisher.confirmed()
    until(lambda: wire.cuts >= 5)
    wire.whole = True
    until(lambda: len(rows(store)) >= count)
    heard.stop()
    publisher.close()
    wire.close()
    assert rows(store) == list(range(count))


def rows(store: Store) -> list[int]:
    return [row[0] for row in store.cursor().execute("SELECT wakes FROM reports ORDER BY wakes").fetchall()]


def test_a_full_disk_is_waited_out(mosquitto: Mosquitto, path: Path) -> None:
    """The disk is full for the listener when its files may not grow: the same failed write, without a disk to fill."""
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    with listen_process(path, mosquitto.address) as listener:
        listener.until_said("listening on")
        resource.prlimit(listener.pid, resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
        stream = Stream(mosquitto.address, burst=200)
        listener.until_said("cannot store")
        time.sleep(0.5)
        stream.stop()
        resource.prlimit(listener.pid, resource.RLIMIT_FSIZE, unlimited)
        at_full = listener.log.stat().st_size
        time.sleep(2.0)
        assert listener.process.exitcode is None, listener.said()
        assert at_full < 20_000  # it does not fill what is left of the disk with complaints
    assert listener.process.exitcode == 0, listener.said()
    drain(path, mosquitto, stream.sent)


def test_a_store_that_another_process_has_open_costs_nothing(mosquitto: Mosquitto, path: Path) -> None:
    open_session(path, mosquitto)
    publisher = Publisher(mosquitto.address)
    for number in range(200):
        publisher.send(*report(number))
    publisher.confirmed()
    publisher.close()
    with Store.open(path):
        refused = ListenProcess(path, mosquitto.address)
        assert refused.wait() == 1
        assert "another process has this store open" in refused.said()
    drain(path, mosquitto, 200)


def admit_on(path: str, told: Pipe) -> None:
    """Admit batches of 50 without end, with a checkpoint every few, and tell the number of each once it is safe."""
    with Store.open(path) as book:
        book.cursor().execute("SET checkpoint_threshold = '20KB'")
        for batch in range(10**9):
            numbers = range(batch * 50, batch * 50 + 50)
            rows = [(NODES[n % 100], T0 + n, T0 + n + 1, 3.4, n, None, None, None, None, False, True) for n in numbers]
            book.admit(batch_table(rows))
            told.send(batch)


def test_the_files_of_a_store_at_any_moment_hold_all_that_was_safe(path: Path, tmp_path: Path) -> None:
    """The power is cut: what is left is a copy of the files as they were while the program was writing them."""
    listens, tells = FORKS.Pipe(duplex=False)
    process = FORKS.Process(target=admit_on, args=(str(path), tells))
    process.start()
    tells.close()
    pauses, safe, checkpoints = random.Random(5), -1, 0
    try:
        for _ in range(20):
            safe = max(safe, listens.recv())
            time.sleep(pauses.uniform(0.0, 0.1))
            os.kill(process.pid or 0, signal.SIGSTOP)
            while listens.poll():
                safe = listens.recv()
            found = in_a_copy(path, tmp_path / "copy")
            checkpoints += not path.with_name(path.name + ".wal").exists()
            os.kill(process.pid or 0, signal.SIGCONT)
            assert len(found) in ((safe + 1) * 50, (safe + 2) * 50)  # the batch under way is there whole, or not at all
            assert found == list(range(len(found)))
    finally:
        process.kill()
        process.join()
    assert path.stat().st_size > 1_000_000  # checkpoints did come in between

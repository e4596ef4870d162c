"""Upkeep: what is dropped, what is put in order, and a backup that opens while the store is in use."""

import os
import signal
import threading
import time
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from ingest import upkeep
from ingest.contract import batch_table
from ingest.errors import StoreError, UsageError
from ingest.fleet import read_fleet
from ingest.store import Store
from tests.conftest import START, reading

DAY = 86400.0
LATER = START + 400 * DAY


@pytest.fixture
def filed(tmp_path: Path, fleet_folder: Path):
    """A store in a file."""
    with Store.open(tmp_path / "s.duckdb") as book:
        book.save_fleet(read_fleet(fleet_folder))
        yield book


def count(book, table="report_log"):
    return book.cursor().table(table).count("*").fetchone()[0]


def analysed(book):
    with book.write() as cursor:
        cursor.execute("DELETE FROM touched")


def test_reports_are_dropped_only_when_analysed_and_their_days_stay_closed(book, admit):
    admit(*(reading(t=START + day * DAY, received_at=LATER) for day in range(100)))
    with book.write() as cursor:
        cursor.execute("DELETE FROM touched WHERE day < '2026-02-10'")
    assert upkeep.drop_reports(book, date(2026, 3, 1)) == 37  # to 2026-02-07: three days before the first that waits
    analysed(book)
    assert upkeep.drop_reports(book, date(2026, 3, 1)) == 22
    assert count(book) == 100 - 59
    late = (reading(t=START + day * DAY + 5, received_at=LATER) for day in (40, 61, 62))
    assert admit(*late) == (1, 0, {"too-late": 2})
    assert count(book, "touched") == 1


def test_a_changed_fleet_leaves_the_days_without_reports_alone(book, admit, fleet_folder):
    admit(*(reading(t=START + day * DAY) for day in range(60)))
    analysed(book)
    upkeep.drop_reports(book, date(2026, 2, 1))
    (fleet_folder / "visits.csv").write_text("node_id,at,work,note\nmf-01,2026-02-01T10:00:00Z,cleaned,\n")
    assert book.save_fleet(read_fleet(fleet_folder)).changed == ("mf-01",)
    assert book.cursor().execute("SELECT min(day) FROM touched").fetchone() == (date(2026, 2, 4),)


def test_tidying_keeps_everything_but_what_is_too_old(filed):
    now = datetime.fromtimestamp(LATER, UTC)
    filed.admit(batch_table([reading(t=START + day * DAY, received_at=LATER) for day in range(400)]))
    filed.admit(batch_table([reading("x", received_at=LATER - 91 * DAY), reading("x", received_at=LATER)]))
    analysed(filed)
    upkeep.tidy(filed, keep_days=100, now=now)
    assert count(filed) == 100
    assert count(filed, "reject_log") == 1
    assert filed.cursor().execute("SELECT refused, kept FROM reject_counts").fetchall() == [(2, 1)]


def test_days_stored_out_of_order_are_put_in_order_and_nothing_else_changes(book, monkeypatch):
    monkeypatch.setattr(upkeep, "GROUP_ROWS", 100)
    monkeypatch.setattr(upkeep, "SORT_ROWS", 500)
    for hour in range(24):  # every batch brings one hour of each of 30 days
        book.admit(batch_table([reading(t=START + day * DAY + hour * 3600 + m * 60, wakes=day) for day in range(30)
                                for m in range(10)]))  # fmt: skip
    before = book.cursor().execute("FROM reports ORDER BY ALL").fetchall()
    assert upkeep.put_in_order(book) == 24 * 300
    assert book.cursor().execute("FROM reports ORDER BY ALL").fetchall() == before
    times = [row[0] for row in book.cursor().execute("SELECT observed_at FROM report_log ORDER BY rowid").fetchall()]
    assert times == sorted(times)
    assert upkeep.put_in_order(book) == 0


def test_a_backup_opens_while_the_store_is_written(filed, tmp_path):
    filed.admit(batch_table([reading(t=START + i) for i in range(5000)]))
    stop = threading.Event()

    def write_on():
        for i in range(10**6):
            if stop.is_set():
                break
            filed.admit(batch_table([reading("mf-02", t=START + i * 10 + j) for j in range(10)]))

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        upkeep.backup(filed, tmp_path / "copy of 'it'.duckdb")
    finally:
        stop.set()
        writer.join()
    with Store.open(tmp_path / "copy of 'it'.duckdb") as copy:
        assert copy.fleet() == filed.fleet()
        found = copy.cursor().execute("SELECT node_id, count(*) FROM reports GROUP BY 1 ORDER BY 1").fetchall()
        assert found[0] == ("mf-01", 5000)
        assert found == found[:1] or found[1][1] % 10 == 0  # whole batches only
        assert copy.admit(batch_table([reading(t=START)])).duplicate == 1
    with pytest.raises(StoreError, match="is there already"):
        upkeep.backup(filed, tmp_path / "copy of 'it'.duckdb")
    with pytest.raises(StoreError, match="cannot be written"):
        upkeep.backup(filed, tmp_path / "no" / "copy.duckdb")
    assert not list(tmp_path.glob("*.part"))


def test_a_backup_is_written_for_another_process(filed, tmp_path, monkeypatch):
    monkeypatch.setattr(upkeep, "LOOK_S", 0.01)
    filed.admit(batch_table([reading()]))
    keeper = upkeep.Upkeep(filed)
    keeper.start()
    try:
        upkeep.request_backup(Path(filed.path), tmp_path / "copy.duckdb", timeout=20)
        with pytest.raises(StoreError, match="its folder is not there"):
            upkeep.request_backup(Path(filed.path), tmp_path / "no" / "copy.duckdb", timeout=20)
    finally:
        keeper.stop()
    with Store.open(tmp_path / "copy.duckdb") as copy:
        assert count(copy) == 1
    with pytest.raises(StoreError, match=r"has not answered within 0\.1 s; listen, serve, dashboard and demo answer"):
        upkeep.request_backup(Path(filed.path), tmp_path / "copy2.duckdb", timeout=0.1)
    assert not list(tmp_path.glob("*.backup-*"))


def test_a_request_is_withdrawn_on_interruption_and_its_waiting_is_told(filed, tmp_path, monkeypatch):
    told = []
    monkeypatch.setattr(upkeep.time, "sleep", lambda _: signal.raise_signal(signal.SIGINT))
    with pytest.raises(KeyboardInterrupt):
        upkeep.request_backup(Path(filed.path), tmp_path / "copy.duckdb", progress=told.append)
    assert not list(tmp_path.glob("*.backup-*"))
    assert ["asked for the copy; waiting up to 15 s" in text for text in told] == [True]


def test_a_request_that_nobody_waits_for_any_more_is_not_carried_out(filed, tmp_path, monkeypatch):
    monkeypatch.setattr(upkeep, "LOOK_S", 0.01)
    request = Path(filed.path + upkeep.REQUEST)
    request.write_text(str(tmp_path / "copy.duckdb"))
    os.utime(request, (time.time() - 60, time.time() - 60))  # of a process that was killed a minute ago
    keeper = upkeep.Upkeep(filed)
    keeper.start()
    deadline = time.monotonic() + 20
    while list(tmp_path.glob("*.backup-*")) and time.monotonic() < deadline:
        time.sleep(0.01)
    keeper.stop()
    assert not list(tmp_path.glob("*.backup-*"))
    assert not (tmp_path / "copy.duckdb").exists()


def test_too_short_a_memory_is_refused(filed):
    with pytest.raises(UsageError, match="kept for 30 days or more, got 7"):
        upkeep.Upkeep(filed, keep_days=7)

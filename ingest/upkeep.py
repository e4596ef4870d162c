"""Keeps a store small and quick while it is in use: retention, order of the reports, checkpoints, and backups."""

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb

from ingest.admission import sql
from ingest.errors import StoreError, UsageError
from ingest.store import Store

log = logging.getLogger(__name__)

GROUP_ROWS = 122_880  # of a row group of DuckDB
SPARE_PLACES = 4  # of a day's reports, before they are put in order
SORT_ROWS = 5_000_000  # put in order together, which holds up the listener for some seconds
REJECTS_KEPT = timedelta(days=90)
MARGIN = timedelta(days=3)  # days so near to dropped reports are not computed anew
KEEP_DAYS_MIN = 30  # of reports: what a forecast looks back on
EVERY_S = 6 * 3600.0
LOOK_S = 1.0  # for a request from one look to the next
REQUEST = ".backup-request"  # beside the store: names the file that another process wants a backup in
TAKEN = ".backup-taken"  # what the request is renamed to while it is carried out
TAKE_UP_S = 15.0  # within which a request is taken up, or withdrawn
COPY_S = 600.0  # within which it is carried out then


def tidy(store: Store, keep_days: int | None = None, now: datetime | None = None) -> None:
    """Drop what need not be kept, put in order what came out of order, and write everything to the store's file.

    Parameters
    ----------
    keep_days : int, optional
        Reports observed longer ago are dropped once the analysis has taken them up; the ledger stays.
    """
    now = now or datetime.now(UTC)
    if keep_days is not None:
        drop_reports(store, now.date() - timedelta(days=keep_days))
    with store.write() as cursor:
        cursor.execute("DELETE FROM reject_log WHERE received_at < $day::TIMESTAMP", {"day": now.date() - REJECTS_KEPT})
        cursor.execute(sql("recount_rejects"))
    put_in_order(store)
    store.checkpoint()


def drop_reports(store: Store, before: date) -> int:
    """Drop the reports observed before a UTC day, but none near a day that is still to be analysed; how many."""
    with store.write() as cursor:
        (waiting,) = cursor.execute("SELECT min(day) FROM touched").fetchall()[0]
        if waiting is not None:
            before = min(before, waiting - MARGIN)
        dropped = cursor.execute(
            "DELETE FROM report_log WHERE observed_at < $day::TIMESTAMP", {"day": before}
        ).fetchall()
    if dropped[0][0]:
        store.set_meta("open_from", (before + MARGIN).isoformat())
    return int(dropped[0][0])


def put_in_order(store: Store) -> int:
    """Store anew, in order of time, the days whose reports lie scattered; how many reports."""
    days = store.cursor().execute(sql("scattered"), {"group_rows": GROUP_ROWS, "spare": SPARE_PLACES}).fetchall()
    moved = 0
    while days:
        part = [days.pop(0)]
        while days and sum(count for _, count in part) + days[0][1] <= SORT_ROWS:
            part.append(days.pop(0))
        wanted = {"days": [day for day, _ in part], "first": part[0][0], "last": part[-1][0] + timedelta(days=1)}
        where = (
            "observed_at BETWEEN $first::TIMESTAMP AND $last::TIMESTAMP AND observed_at::DATE IN (SELECT unnest($days))"
        )
        with store.write() as cursor:
            cursor.execute(f"CREATE OR REPLACE TEMP TABLE taken AS FROM report_log WHERE {where}", wanted)
            cursor.execute(f"DELETE FROM report_log WHERE {where}", wanted)  # noqa: S608 - the text above
            cursor.execute("INSERT INTO report_log FROM taken ORDER BY observed_at, node_no")
            cursor.execute("DROP TABLE taken")
        moved += sum(count for _, count in part)
    return moved


def backup(store: Store, target: Path) -> None:
    """Write a copy of the store as of now, while it is in use; the target appears only when it is whole.

    Raises
    ------
    StoreError
        The target is there already or cannot be written.
    """
    _must_be_new(target)
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        store.copy_to(part)
        part.replace(target)
    except (duckdb.Error, OSError) as error:
        part.unlink(missing_ok=True)
        msg = f"{target}: cannot be written: {str(error).splitlines()[0]}"
        raise StoreError(msg) from None


def _must_be_new(target: Path) -> None:
    if target.exists():
        msg = f"{target}: is there already; name a new file"
        raise StoreError(msg)


def request_backup(
    path: Path, target: Path, timeout: float = TAKE_UP_S, progress: Callable[[str], object] = lambda _: None
) -> None:
    """Have the process that holds the store write a backup, and wait for it; what is given up before is withdrawn.

    Parameters
    ----------
    timeout : float
        Within which the request must be taken up. [s]
    progress : callable
        Told what is being waited for.

    Raises
    ------
    StoreError
        It cannot be written, or nobody takes it up or carries it out in time.
    """
    _must_be_new(target)
    if not target.absolute().parent.is_dir():
        msg = f"{target}: its folder is not there; make it, or name another file"
        raise StoreError(msg)
    request, taken = (path.with_name(path.name + ending) for ending in (REQUEST, TAKEN))
    progress(f"{path} is open in another process, which is asked for the copy; waiting up to {timeout:.0f} s for it")
    try:
        request.write_text(str(target.absolute()), encoding="utf-8")
        if not _gone(request, timeout):
            msg = (
                f"{path}: the process that has it open has not answered within {timeout:g} s; listen, serve, dashboard"
                " and demo answer: wait for another command to end, or stop what holds the store, and try again"
            )
            raise StoreError(msg)
    except OSError as error:
        msg = f"{request}: the request for a backup cannot be written: {error.strerror}"
        raise StoreError(msg) from None
    finally:
        request.unlink(missing_ok=True)
    progress("it is copying")
    if not _gone(taken, COPY_S):
        msg = f"{target}: not finished within {COPY_S:g} s; if the process that has the store open goes on, it will be"
        raise StoreError(msg)
    if not target.exists():
        msg = f"{target}: was not written; the log of the process that has the store open says why"
        raise StoreError(msg)


def _gone(file: Path, timeout: float) -> bool:
    """Wait until a file is gone; whether that was so in time [s]."""
    deadline = time.monotonic() + timeout
    while there := file.exists():
        if time.monotonic() > deadline:
            break
        time.sleep(0.1)
    return not there


class Upkeep:
    """Tidies a store on a schedule, and writes the backups that are asked for, in a thread of its own.

    Parameters
    ----------
    keep_days : int, optional
        See `tidy`.

    Raises
    ------
    UsageError
        Fewer days than the forecast needs.
    """

    def __init__(self, store: Store, keep_days: int | None = None) -> None:
        if keep_days is not None and keep_days < KEEP_DAYS_MIN:
            msg = f"reports must be kept for {KEEP_DAYS_MIN} days or more, got {keep_days}; the forecast needs them"
            raise UsageError(msg)
        self._store = store
        self._keep_days = keep_days
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="upkeep", daemon=True)

    def start(self) -> None:
        """Begin; the first tidying comes after a while."""
        self._thread.start()

    def stop(self) -> None:
        """Let the work under way finish, then end."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        due = time.monotonic() + EVERY_S
        request = Path(self._store.path + REQUEST)
        while not self._stop.wait(LOOK_S):
            try:
                if request.exists():
                    self._answer(request)
                if time.monotonic() >= due:
                    due = time.monotonic() + EVERY_S
                    tidy(self._store, self._keep_days)
            except (StoreError, duckdb.Error, OSError) as error:
                log.error("upkeep: %s", str(error).splitlines()[0])

    def _answer(self, request: Path) -> None:
        """Write the backup that is asked for; a request so old that nobody waits for it any more is dropped."""
        taken = Path(self._store.path + TAKEN)
        try:
            asked_at = request.stat().st_mtime
            request.replace(taken)
        except FileNotFoundError:  # withdrawn
            return
        try:
            if time.time() - asked_at <= TAKE_UP_S:
                target = Path(taken.read_text(encoding="utf-8"))
                backup(self._store, target)
                log.info("upkeep: backup written to %s", target)
        finally:
            taken.unlink(missing_ok=True)

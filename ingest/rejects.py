"""What was refused: listing it, counting it, and admitting it once the cause is mended."""

from collections.abc import Callable
from datetime import datetime
from typing import Any, NamedTuple

import duckdb

from ingest.admission import sql, store_new
from ingest.contract import PayloadError, batch_table
from ingest.decode import decode
from ingest.store import Store

READMIT_ROWS = 5_000  # rejects tried together


class Readmitted(NamedTuple):
    """What became of the rejects that were tried again."""

    admitted: int  # stored now, or before
    refused: int  # again; they stay
    not_whole: int  # not tried: only a part of the payload was kept


class RejectCount(NamedTuple):
    """How much was refused of one node for one reason."""

    node: str
    reason: str
    refused: int  # ever
    kept: int  # now
    readmitted: int  # later
    last: datetime  # arrival [UTC]


class Reject(NamedTuple):
    """What was refused once."""

    received: datetime  # [UTC]
    node: str
    reason: str
    detail: str
    payload: str


def counts(store: Store) -> list[RejectCount]:
    """The counts by node and reason, most refused first."""
    found = store.cursor().execute(
        "SELECT node_id, reason, refused, kept, readmitted, last_at FROM reject_counts"
        " ORDER BY refused DESC, node_id, reason"
    )
    return [RejectCount(*row) for row in found.fetchall()]


def refused_since(store: Store, moment: float) -> dict[str, list[str]]:
    """Which nodes had reports refused that came since a moment [s since 1970 UTC], by reason, in order of name."""
    return dict(
        store.cursor()
        .execute(
            "SELECT reason, list(node_id ORDER BY node_id) FROM reject_counts"
            " WHERE last_at >= make_timestamp_ms(floor($moment * 1000)::BIGINT) AND node_id NOT IN ('', '(others)')"
            " GROUP BY reason",
            {"moment": moment},
        )
        .fetchall()
    )


def latest(store: Store, limit: int) -> list[Reject]:
    """What was refused last, newest first."""
    found = store.cursor().execute(
        "SELECT received_at, node_id, reason, detail, payload FROM reject_log"
        " ORDER BY received_at DESC, rowid DESC LIMIT $limit",
        {"limit": limit},
    )
    return [Reject(*row) for row in found.fetchall()]


def readmit(store: Store, progress: Callable[[int], None] = lambda _: None) -> Readmitted:
    """Try again all that is kept whole, in one transaction; what is stored now, or was before, leaves the rejects.

    Parameters
    ----------
    progress : callable
        Told how many have been tried.
    """
    mended: list[int] = []
    with store.write() as cursor:
        kept = cursor.execute(
            "SELECT rowid, epoch_ms(received_at) / 1000, topic, node_id, alone, payload FROM reject_log WHERE whole"
            " ORDER BY rowid"
        ).fetchall()
        for start in range(0, len(kept), READMIT_ROWS):
            mended += _try(cursor, kept[start : start + READMIT_ROWS])
            progress(min(start + READMIT_ROWS, len(kept)))
        if mended:
            _strike(cursor, mended)
    (left,) = store.cursor().execute("SELECT count(*) FROM reject_log WHERE NOT whole").fetchall()[0]
    return Readmitted(len(mended), len(kept) - len(mended), left)


def _try(cursor: duckdb.DuckDBPyConnection, kept: list[tuple[Any, ...]]) -> list[int]:
    """Store what is good now; the row numbers of the rejects of which nothing is refused any more."""
    batch: list[tuple[Any, ...]] = []
    origins: list[int] = []
    bad: set[int] = set()
    for number, received_at, topic, node_id, alone, payload in kept:
        try:
            readings = decode(payload.encode(), None, node_id, received_at)
        except PayloadError:
            bad.add(number)
            continue
        # "Sent again", since it may have been refused twice; a reading without a clock would be stored twice.
        again = (topic, True, len(readings) == 1 if alone is None else alone)
        batch += [(node_id, reading[0], received_at, *reading[1:], *again) for reading in readings]
        origins += [number] * len(readings)
    store_new(cursor, batch_table(batch))
    refused = cursor.execute("SELECT seq FROM judged WHERE reason IS NOT NULL").fetchall()
    bad |= {origins[place] for (place,) in refused}
    return [number for number, *_ in kept if number not in bad]


def _strike(cursor: duckdb.DuckDBPyConnection, mended: list[int]) -> None:
    """Take rows out of the rejects, and count them as admitted later."""
    cursor.execute("CREATE OR REPLACE TEMP TABLE mended AS SELECT unnest($rows) AS id", {"rows": mended})
    cursor.execute(sql("count_mended"))
    cursor.execute("DELETE FROM reject_log WHERE rowid IN (SELECT id FROM mended)")
    cursor.execute(sql("recount_rejects"))

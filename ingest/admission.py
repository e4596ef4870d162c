"""Admits a batch in one transaction: judges it, stores what is new, and keeps and counts what is refused."""

from collections.abc import Sequence
from datetime import timedelta
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest import contract
from ingest.contract import REFUSALS, Refusal

LIMITS = {
    "lead_s": contract.CLOCK_LEAD_S,
    "temp_min": contract.TEMPERATURE_RANGE_C[0],
    "temp_max": contract.TEMPERATURE_RANGE_C[1],
    "count_max": 2**53,
}  # parameters of judge.sql
REDELIVERY_MAX = timedelta(days=31)  # a broker keeps our session, and what it may send again, for a month
REJECTS_PER_NODE = 1_000  # kept of one node for one reason
REJECTS_OF_STRANGERS = 100_000  # kept of all nodes that are not in the fleet
STRANGERS = 1_000  # names that are not of the fleet and counted each
REJECTS_MAX_BYTES = 256 * 1024 * 1024  # kept in all


@cache
def sql(name: str, package: str = "ingest") -> str:
    """The text of a query kept in a file of its own."""
    return files(package).joinpath(f"{name}.sql").read_text(encoding="utf-8")


class Admitted(NamedTuple):
    """What became of a batch."""

    accepted: int
    duplicate: int
    rejected: dict[str, int]


def admit(cursor: duckdb.DuckDBPyConnection, batch: pa.Table, refusals: Sequence[Refusal]) -> Admitted:
    """Judge a batch, store what is new, keep and count what is refused; inside the cursor's transaction."""
    accepted, rejected = store_new(cursor, batch)
    reasons = _refuse(cursor, refusals) if rejected or refusals else {}
    return Admitted(accepted, batch.num_rows - accepted - rejected, reasons)


def store_new(cursor: duckdb.DuckDBPyConnection, batch: pa.Table) -> tuple[int, int]:
    """Judge a batch and store what is new; how many that is, and how many are rejected.

    The temporary table `judged` stays for a look; `seq` in it is the place in the batch.
    """
    rejected, clockless, lost = _judge(cursor, batch)
    if clockless:
        _place_clockless(cursor)
    if lost:
        cursor.execute(
            "INSERT INTO clock_losses SELECT node_no, received_at::DATE, count(*), min(claimed_s) FROM judged"
            " WHERE claimed_s IS NOT NULL GROUP BY ALL"
        )
    return _store(cursor), rejected


def _judge(cursor: duckdb.DuckDBPyConnection, batch: pa.Table) -> tuple[Any, ...]:
    """Make `judged`; how many of its rows are rejected, and of the others are without a clock, and lost theirs."""
    cursor.register("batch", _with_nodes(cursor, batch))
    cursor.execute(f"CREATE OR REPLACE TEMP TABLE judged AS {sql('judge')}", LIMITS)
    return _row(
        cursor.execute(
            "SELECT count(*) FILTER (reason IS NOT NULL), count(*) FILTER (reason IS NULL AND clockless),"
            " count(*) FILTER (claimed_s IS NOT NULL) FROM judged"
        )
    )


def _with_nodes(cursor: duckdb.DuckDBPyConnection, batch: pa.Table) -> pa.Table:
    """The batch with its places and what is known of its nodes.

    Looked up here, as DuckDB does not know the size of an Arrow table and would build its join on the larger side.
    """
    nodes = cursor.execute(
        "SELECT node_id, node_no, site, epoch_ms(commissioned) / 1000 AS commissioned_s, voltage_max"
        " FROM nodes WHERE NOT retired"
    ).to_arrow_table()
    known = nodes.take(pc.index_in(batch["node_id"], nodes["node_id"]))
    for name in nodes.column_names[1:]:
        batch = batch.append_column(name, known[name])
    return batch.append_column("seq", pa.array(np.arange(batch.num_rows)))


def _row(cursor: duckdb.DuckDBPyConnection) -> tuple[Any, ...]:
    """The one row of a statement that always has one."""
    (row,) = cursor.fetchall()
    return row


def _place_clockless(cursor: duckdb.DuckDBPyConnection) -> None:
    """Leave out what was stored before it was sent again, and give every other reading a millisecond of its own."""
    bounds = "SELECT min(observed_at), max(observed_at) FROM judged WHERE reason IS NULL AND clockless"
    first, last = _row(cursor.execute(bounds))
    cursor.execute(sql("redelivered"), {"since": first - REDELIVERY_MAX})
    moved = 1
    while moved:
        first, last = _row(cursor.execute(bounds))
        (moved,) = _row(cursor.execute(sql("move_on"), {"first": first, "last": last}))


def _store(cursor: duckdb.DuckDBPyConnection) -> int:
    """Store the admitted readings that are new; how many."""
    cursor.execute(sql("repeated"))
    accepted = 0
    for first, last in cursor.execute(sql("stretches")).fetchall():
        bounds = {"first": first, "last": last}
        (stored,) = _row(cursor.execute(sql("admit"), bounds))
        accepted += stored
        if stored:
            cursor.execute(sql("touch"), bounds)
    return accepted


def _refuse(cursor: duckdb.DuckDBPyConnection, refusals: Sequence[Refusal]) -> dict[str, int]:
    """Keep what is refused, within bounds, and count it; the counts by reason."""
    columns = zip(*refusals, strict=True) if refusals else [[] for _ in REFUSALS]
    arrays = [pa.array(column, field.type) for column, field in zip(columns, REFUSALS, strict=True)]
    cursor.execute(f"CREATE OR REPLACE TEMP TABLE explained AS {sql('explain')}", LIMITS)
    cursor.register("refusals", pa.table(arrays, REFUSALS))
    cursor.execute(
        f"CREATE OR REPLACE TEMP TABLE refused AS {sql('refused')}",
        {
            "strangers": STRANGERS,
            "per_node": REJECTS_PER_NODE,
            "per_strangers": REJECTS_OF_STRANGERS,
            "bytes": REJECTS_MAX_BYTES,
        },
    )
    cursor.execute("INSERT INTO reject_log SELECT * EXCLUDE (bytes, kept) FROM refused WHERE kept")
    cursor.execute(sql("count_refused"))
    return dict(cursor.execute("SELECT reason, count(*) FROM refused GROUP BY 1").fetchall())

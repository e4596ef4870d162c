"""Bulk import of history from CSV or Parquet: streamed, judged like live reports, and harmless to repeat."""

import time
from collections import Counter
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from ingest.admission import Admitted, sql
from ingest.contract import REPORT_BATCH, Refusal
from ingest.errors import ImportFileError
from ingest.store import Store

REQUIRED = ("node_id", "time", "storage_v", "wakes")
OPTIONAL = ("loaded_v", "temp_c", "boot")
PART_ROWS = 122_880  # read at a time; several are judged in parallel
CHUNK_PARTS = 8  # judged and committed together


def import_file(store: Store, path: Path, progress: Callable[[int], None] = lambda _: None) -> Admitted:
    """Import one history file; what the store already has counts as duplicate.

    Parameters
    ----------
    progress : callable
        Told how many rows are done.

    Raises
    ------
    ImportFileError
        If the file cannot be read or lacks a required column. Rows that cannot be used are rejects, not errors.
    """
    cursor = store.cursor()
    try:
        _open(cursor, path).create_view("history", replace=True)
        reader = cursor.execute(sql("bulk"), {"received_at": time.time()}).to_arrow_reader(PART_ROWS)
        return _admit_all(store, reader, path.name, progress)
    except (duckdb.Error, pa.ArrowInvalid) as error:
        msg = f"{path}: cannot be read: {str(error).splitlines()[0]}"
        raise ImportFileError(msg) from None
    finally:
        cursor.close()


def _open(cursor: duckdb.DuckDBPyConnection, path: Path) -> duckdb.DuckDBPyRelation:
    if not path.is_file():
        msg = f"{path}: no such file"
        raise ImportFileError(msg)
    if path.suffix == ".parquet":
        relation = cursor.read_parquet(str(path))
    elif path.suffixes[-1:] == [".csv"] or path.suffixes[-2:] == [".csv", ".gz"]:
        relation = cursor.read_csv(str(path), header=True, all_varchar=True, delimiter=",")
    else:
        msg = f"{path}: cannot tell the format; expected a name ending in .csv, .csv.gz or .parquet"
        raise ImportFileError(msg)
    names = {"observed_at": "time"} if "time" not in relation.columns else {}  # the column's name in our own exports
    columns = [
        f'"{name}" AS {names.get(name, name)}'
        for name in relation.columns
        if names.get(name, name) in REQUIRED + OPTIONAL
    ]
    missing = [name for name in REQUIRED if name not in {names.get(column, column) for column in relation.columns}]
    if missing:
        msg = f"{path}: no column {', '.join(missing)}; expected {','.join(REQUIRED)} and optional {','.join(OPTIONAL)}"
        raise ImportFileError(msg)
    columns += [f"NULL::VARCHAR AS {name}" for name in OPTIONAL if name not in relation.columns]
    return relation.project(", ".join(columns))


def _admit_all(store: Store, reader: pa.RecordBatchReader, name: str, progress: Callable[[int], None]) -> Admitted:
    accepted = duplicate = rows = 0
    rejected: Counter[str] = Counter()
    while parts := list(islice(reader, CHUNK_PARTS)):
        table = pa.Table.from_batches(parts)
        problem = table.column("problem")
        bad = table.filter(pc.is_valid(problem))
        good = table.filter(pc.is_null(problem)) if bad.num_rows else table
        admitted = store.admit(good.select(REPORT_BATCH.names).cast(REPORT_BATCH), _refusals(bad, name))
        accepted, duplicate = accepted + admitted.accepted, duplicate + admitted.duplicate
        rejected.update(admitted.rejected)
        rows += table.num_rows
        progress(rows)
    return Admitted(accepted, duplicate, dict(rejected))


def _refusals(bad: pa.Table, name: str) -> list[Refusal]:
    return [
        Refusal(row["received_at"], name, "malformed", row["problem"], "", row["node_id"] or "", whole=False)
        for row in bad.select(["received_at", "problem", "node_id"]).to_pylist()
    ]

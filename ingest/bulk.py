"""Bulk import of history from CSV or Parquet: streamed, judged like live reports, and harmless to repeat."""

import csv
import gzip
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from ingest.admission import Admitted, sql
from ingest.contract import REPORT_BATCH, Refusal, batch_table, kept
from ingest.errors import ImportFileError
from ingest.store import Store

REQUIRED = ("node_id", "time", "storage_v", "wakes")
OPTIONAL = ("loaded_v", "temp_c", "boot")
ALSO_TIME = "observed_at"  # the column's name in our own exports
SCANNED = 1 << 20  # bytes of a CSV looked through at a time
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
    cursor, received_at = store.cursor(), time.time()
    try:
        with TemporaryDirectory() as folder:
            tidied, odd = _tidied(path, Path(folder) / "history.csv")
            _open(cursor, path, tidied).create_view("history", replace=True)
            reader = cursor.execute(sql("bulk"), {"received_at": received_at}).to_arrow_reader(PART_ROWS)
            parts = _parts(reader, path.name)
            if path.suffix != ".parquet":
                parts = chain(parts, _broken(cursor, path.name, received_at))
            refused = [
                _malformed(received_at, path.name, f"line {n}: a quote is not closed", text, "") for n, text in odd
            ]
            return _admit_all(store, chain(parts, [(batch_table([]), refused)]), progress)
    except (duckdb.Error, pa.ArrowInvalid) as error:
        msg = f"{path}: cannot be read: {str(error).splitlines()[0]}"
        raise ImportFileError(msg) from None
    except (OSError, EOFError) as error:
        msg = f"{path}: cannot be read: {error}"
        raise ImportFileError(msg) from None
    finally:
        cursor.close()


def _tidied(path: Path, copy: Path) -> tuple[Path, list[tuple[int, str]]]:
    """A CSV, or a copy of it in which each line ends alike and closes its quotes; and the lines that do not, numbered.

    An open quote would take all up to the next for one value.
    """
    if path.suffix not in (".csv", ".gz") or not path.is_file():
        return path, []
    opened, odd = _opener(path), []
    with opened(path, "rb") as file:
        quoted, ends, returns, last = False, 0, 0, b""
        while part := file.read(SCANNED):
            quoted |= b'"' in part
            ends, returns = ends + part.count(b"\n"), returns + (last[-1:] + part).count(b"\r\n")
            last = part
    if not quoted and returns in (0, ends):
        return path, []
    with opened(path, "rb") as file, copy.open("wb") as out:
        for number, line in enumerate(file, 1):
            if line.count(b'"') % 2:
                odd.append((number, line.decode(errors="replace")))
                out.write(b"\n")
            else:
                out.write(line.rstrip(b"\r\n") + b"\n")
    return copy, odd


def _opener(path: Path) -> Callable[..., Any]:
    return gzip.open if path.suffix == ".gz" else open


def _open(cursor: duckdb.DuckDBPyConnection, path: Path, tidied: Path) -> duckdb.DuckDBPyRelation:
    if not path.is_file():
        msg = f"{path}: is a folder; name the files in it" if path.is_dir() else f"{path}: no such file"
        raise ImportFileError(msg)
    if path.suffix == ".parquet":
        relation = cursor.read_parquet(str(path))
    elif path.suffixes[-1:] == [".csv"] or path.suffixes[-2:] == [".csv", ".gz"]:
        relation = _open_csv(cursor, tidied)
    else:
        msg = f"{path}: cannot tell the format; expected a name ending in .csv, .csv.gz or .parquet"
        raise ImportFileError(msg)
    names = {ALSO_TIME: "time"} if "time" not in relation.columns else {}
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


def _open_csv(cursor: duckdb.DuckDBPyConnection, path: Path) -> duckdb.DuckDBPyRelation:
    """The rows of a CSV, every column as text; lines that are broken are left out, for `_broken` to tell."""
    opened = _opener(path)
    with opened(path, "rt", encoding="utf-8-sig", errors="replace", newline="") as file:
        header = next(csv.reader(file), [])
    columns: dict[str, str] = {}
    for place, name in enumerate(map(str.strip, header)):  # what is not read needs no name of its own
        known = name in (*REQUIRED, *OPTIONAL, ALSO_TIME) and name not in columns
        columns[name if known else f"column {place}"] = "VARCHAR"
    return cursor.read_csv(
        str(path), header=True, delimiter=",", auto_detect=False, columns=columns or {"": "VARCHAR"}, store_rejects=True
    )


def _parts(reader: pa.RecordBatchReader, name: str) -> Iterator[tuple[pa.Table, list[Refusal]]]:
    """What can be judged, and what cannot, some rows at a time."""
    while parts := list(islice(reader, CHUNK_PARTS)):
        table = pa.Table.from_batches(parts)
        problem = table.column("problem")
        bad = table.filter(pc.is_valid(problem))
        good = table.filter(pc.is_null(problem)) if bad.num_rows else table
        yield (
            good.select(REPORT_BATCH.names).cast(REPORT_BATCH),
            [
                _malformed(row["received_at"], name, row["problem"], row["payload"], row["node_id"] or "")
                for row in bad.select(["received_at", "problem", "payload", "node_id"]).to_pylist()
            ],
        )


def _broken(
    cursor: duckdb.DuckDBPyConnection, name: str, received_at: float
) -> Iterator[tuple[pa.Table, list[Refusal]]]:
    """The lines of a CSV that have not the columns of its header, or cannot be told apart, once all are read."""
    found = cursor.execute(
        "SELECT line, lower(first(error_type::VARCHAR)), first(csv_line) FROM reject_errors GROUP BY line ORDER BY line"
    )
    while rows := found.fetchmany(PART_ROWS):
        yield (
            batch_table([]),
            [_malformed(received_at, name, f"line {line}: {what}", text, "") for line, what, text in rows],
        )


def _malformed(received_at: float, name: str, detail: str, text: str, node_id: str) -> Refusal:
    return Refusal(received_at, name, "malformed", detail, kept(text.strip("\r\n").encode())[0], node_id, whole=False)


def _admit_all(
    store: Store, parts: Iterable[tuple[pa.Table, list[Refusal]]], progress: Callable[[int], None]
) -> Admitted:
    accepted = duplicate = rows = 0
    rejected: Counter[str] = Counter()
    for batch, refusals in parts:
        admitted = store.admit(batch, refusals)
        accepted, duplicate = accepted + admitted.accepted, duplicate + admitted.duplicate
        rejected.update(admitted.rejected)
        rows += batch.num_rows + len(refusals)
        progress(rows)
    return Admitted(accepted, duplicate, dict(rejected))

"""The store: one DuckDB file, its schema, the one writer, and the readers of what was stored."""

import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

import duckdb
import pandas as pd
import pyarrow as pa

from ingest.admission import Admitted, admit
from ingest.admission import sql as sql  # for those above that keep queries in files too
from ingest.budget import Budget, parse_budget
from ingest.contract import Refusal
from ingest.errors import StoreError, StoreHeldError
from ingest.fleet import Closure, Fleet, Node, Site, Visit

SCHEMA_VERSION = 1
TABLES = (
    "reports",
    "ledger",
    "estimates",
    "forecast",
    "prospects",
    "health",
    "end_of_life",
    "remaining",
    "findings",
    "alarms",
    "rejects",
)
STORAGE_VERSION = "v1.5.0"  # of DuckDB's file format: older ones need more room
VOLTAGE_MARGIN = 1.2  # a converter or an overcharged cell may read this far above full voltage


@dataclass(frozen=True)
class FleetChange:
    """What a refresh of the fleet folder changed: ids by kind of change."""

    added: tuple[str, ...]
    changed: tuple[str, ...]
    retired: tuple[str, ...]


class Store:
    """One open store; `cursor` gives each thread its own way in, and writing takes turns."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: str) -> None:
        self._connection = connection
        self._writing = threading.RLock()
        self.path = path

    @classmethod
    def open(cls, path: str | Path, *, must_exist: bool = False) -> Self:
        """The store in a file, made if it is not there; ":memory:" is one that is forgotten.

        Raises
        ------
        StoreError
            If the file is held by another process, is not a store, or was made by a newer version.
        """
        name = str(path)
        if must_exist and name != ":memory:" and not Path(name).exists():
            msg = f"{name}: no such store; load a fleet first (joulebook fleet DIR) or name another with --store"
            raise StoreError(msg)
        try:
            connection = duckdb.connect(name, config={"storage_compatibility_version": STORAGE_VERSION})
        except duckdb.IOException as error:
            raise _why_not_open(name, str(error)) from None
        except duckdb.Error as error:
            msg = f"{name}: cannot be opened as a store: {str(error).splitlines()[0]}"
            raise StoreError(msg) from None
        try:
            connection.execute("SET TimeZone = 'UTC'")
            _prepare_schema(connection, name)
        except BaseException:
            connection.close()
            raise
        return cls(connection, name)

    def close(self) -> None:
        """Write everything down and let go of the file."""
        with self._writing:
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """A way in for the calling thread."""
        return self._connection.cursor()

    def meta(self, key: str) -> str | None:
        """A note kept with the store, such as the moment of its last analysis."""
        row = self.cursor().execute("SELECT value FROM meta WHERE key = $key", {"key": key}).fetchone()
        return str(row[0]) if row else None

    def set_meta(self, key: str, value: str) -> None:
        """Keep a note with the store."""
        with self.write() as cursor:
            cursor.execute("INSERT OR REPLACE INTO meta VALUES ($key, $value)", {"key": key, "value": value})

    def write(self) -> "_Writing":
        """A cursor inside a transaction, for one writer at a time; committed on leaving, undone on an error."""
        return _Writing(self.cursor(), self._writing)

    def admit(self, batch: pa.Table, refusals: Sequence[Refusal] = ()) -> Admitted:
        """Judge a batch of readings and store it: on return it is committed.

        Parameters
        ----------
        batch : pyarrow.Table
            Of the schema `contract.REPORT_BATCH`.
        refusals : sequence of Refusal
            Payloads refused before they became readings; kept in `rejects`.

        Returns
        -------
        Admitted
            Counts; `rejected` by reason, the refusals included.
        """
        with self.write() as cursor:
            return admit(cursor, batch, refusals)

    def checkpoint(self) -> None:
        """Write what the log of writes holds into the file itself, and give back what is free at its end."""
        with self._writing:
            self.cursor().execute("CHECKPOINT")

    def copy_to(self, target: Path) -> None:
        """Copy the store, as it is now, into a new file; readers and the writer go on meanwhile."""
        cursor = self.cursor()
        (name,) = cursor.execute("SELECT current_database()").fetchall()[0]
        place = str(target).replace("'", "''")
        cursor.execute(f"ATTACH '{place}' AS backup (STORAGE_VERSION '{STORAGE_VERSION}')")
        try:
            cursor.execute(f'COPY FROM DATABASE "{name}" TO backup')
        finally:
            cursor.execute("DETACH backup")

    def save_fleet(self, fleet: Fleet) -> FleetChange:
        """Make the store's fleet equal to a folder's; nodes no longer in it are retired and keep their history.

        A node whose budget, site or visits changed has all its days computed anew.
        """
        before = self.fleet()
        with self.write() as cursor:
            _replace_plain_tables(cursor, fleet)
            change = FleetChange(
                added=tuple(sorted(fleet.nodes.keys() - before.nodes.keys())),
                changed=tuple(
                    sorted(n for n in fleet.nodes.keys() & before.nodes.keys() if _differs(n, before, fleet))
                ),
                retired=tuple(sorted(before.nodes.keys() - fleet.nodes.keys())),
            )
            rows = [_node_row(node, fleet.budgets[node.budget]) for node in fleet.nodes.values()]
            cursor.register("new_nodes", pd.DataFrame(rows))
            cursor.execute(sql("save_nodes"))
            cursor.execute(
                "UPDATE nodes SET retired = node_id NOT IN (SELECT unnest($ids))", {"ids": list(fleet.nodes)}
            )
            cursor.execute(
                "INSERT INTO touched SELECT DISTINCT node_no, observed_at::DATE FROM report_log"
                " JOIN nodes USING (node_no)"
                " WHERE node_id IN (SELECT unnest($ids)) AND observed_at >= $first::TIMESTAMP"
                " EXCEPT SELECT node_no, day FROM touched",
                {"ids": list(change.changed), "first": self.meta("open_from") or "0001-01-01"},
            )
        return change

    def fleet(self) -> Fleet:
        """The fleet as last loaded, without retired nodes."""
        cursor = self.cursor()
        texts = dict(cursor.execute("SELECT budget, toml FROM budgets").fetchall())
        return Fleet(
            sites={s.site: s for s in _models(cursor, Site, "SELECT * FROM sites ORDER BY site")},
            nodes={
                n.node_id: n
                for n in _models(
                    cursor,
                    Node,
                    "SELECT node_id, site, budget, commissioned, latitude, longitude, note FROM nodes"
                    " WHERE NOT retired ORDER BY node_id",
                )
            },
            budgets={name: parse_budget(text, name) for name, text in texts.items()},
            budget_texts=texts,
            closures=tuple(
                _models(
                    cursor,
                    Closure,
                    'SELECT site, start_at AS start, end_at AS "end", harvest_factor, reason FROM closures'
                    " ORDER BY start_at, site",
                )
            ),
            visits=tuple(
                _models(cursor, Visit, "SELECT node_id, visited_at AS at, work, note FROM visits ORDER BY ALL")
            ),
        )

    def export(self, table: str, target: Path) -> int:
        """Write one public table as CSV or Parquet, by the target's ending; the number of rows written.

        Raises
        ------
        StoreError
            For another ending, an unknown table or a target that cannot be written.
        """
        if table not in TABLES:
            msg = f"{table}: no such table; expected one of {', '.join(TABLES)}"
            raise StoreError(msg)
        relation = self.cursor().table(table)
        if table == "ledger":  # its view yields it in no order; reports are too many to sort
            relation = relation.order("node_id, day")
        partial = target.with_name(target.name + ".part")
        try:
            if target.suffix == ".csv":
                relation.write_csv(str(partial))
            elif target.suffix == ".parquet":
                relation.write_parquet(str(partial))
            else:
                msg = f"{target}: cannot tell the format; expected a name ending in .csv or .parquet"
                raise StoreError(msg)
            partial.replace(target)
        except (duckdb.IOException, OSError) as error:
            partial.unlink(missing_ok=True)
            msg = f"{target}: cannot be written: {str(error).splitlines()[0]}"
            raise StoreError(msg) from None
        count = relation.count("*").fetchone()
        return int(count[0]) if count else 0


class _Writing:
    """A transaction; see `Store.write`."""

    def __init__(self, cursor: duckdb.DuckDBPyConnection, lock: threading.RLock) -> None:
        self._cursor = cursor
        self._lock = lock

    def __enter__(self) -> duckdb.DuckDBPyConnection:
        self._lock.acquire()
        try:
            self._cursor.begin()
        except BaseException:
            self._lock.release()
            raise
        return self._cursor

    def __exit__(self, kind: object, *_: object) -> None:
        try:
            if kind is None:
                self._cursor.commit()
            else:
                self._cursor.rollback()
        finally:
            self._cursor.close()
            self._lock.release()


def _why_not_open(name: str, error: str) -> StoreError:
    if "lock" in error.lower():
        return StoreHeldError(
            f"{name}: another process has this store open; stop listen, serve, dashboard or demo first, or wait for"
            " another command to end"
        )
    if "not a valid DuckDB database file" in error:
        return StoreError(f"{name}: not a store (not a DuckDB file); name another with --store")
    return StoreError(f"{name}: cannot be opened: {error.splitlines()[0]}")


def _prepare_schema(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    found = connection.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal").fetchall()
    if found and ("meta",) not in found:
        msg = f"{name}: a DuckDB file, but not a store of this program; name another with --store"
        raise StoreError(msg)
    if found:
        row = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
        version = int(row[0]) if row else 0
        if version > SCHEMA_VERSION:
            msg = f"{name}: made by a newer version (schema {version}, this program knows {SCHEMA_VERSION}); upgrade"
            raise StoreError(msg)
    connection.begin()
    connection.execute(sql("schema"))
    connection.execute(
        "INSERT INTO meta VALUES ('schema_version', $version) ON CONFLICT DO NOTHING", {"version": str(SCHEMA_VERSION)}
    )
    connection.commit()


def plain(moment: datetime) -> datetime:
    """UTC without a zone, as the TIMESTAMP columns hold it."""
    return moment.astimezone(UTC).replace(tzinfo=None)


def _models(cursor: duckdb.DuckDBPyConnection, model: Any, query: str) -> Iterable[Any]:
    cursor.execute(query)
    names = [column[0] for column in cursor.description or ()]
    for row in cursor.fetchall():
        values = (v.replace(tzinfo=UTC) if isinstance(v, datetime) else v for v in row)
        yield model.model_validate(dict(zip(names, values, strict=True)))


def _node_row(node: Node, budget: Budget) -> dict[str, Any]:
    return {
        "node_id": node.node_id, "site": node.site, "budget": node.budget, "commissioned": plain(node.commissioned),
        "latitude": node.latitude, "longitude": node.longitude, "note": node.note,
        "voltage_max": budget.storage.full_voltage * VOLTAGE_MARGIN,
        "report_interval_s": budget.telemetry.report_interval,
    }  # fmt: skip


def _replace_plain_tables(cursor: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    for statement, rows in (
        (
            "INSERT INTO sites VALUES (?, ?, ?, ?, ?)",
            [tuple(site.model_dump().values()) for site in fleet.sites.values()],
        ),
        ("INSERT INTO budgets VALUES (?, ?)", list(fleet.budget_texts.items())),
        (
            "INSERT INTO closures VALUES (?, ?, ?, ?, ?)",
            [(c.site, plain(c.start), plain(c.end), c.harvest_factor, c.reason) for c in fleet.closures],
        ),
        ("INSERT INTO visits VALUES (?, ?, ?, ?)", [(v.node_id, plain(v.at), v.work, v.note) for v in fleet.visits]),
    ):
        cursor.execute(f"DELETE FROM {statement.split()[2]}")  # noqa: S608 - a name from the list above
        if rows:
            cursor.executemany(statement, rows)


def _differs(node_id: str, before: Fleet, after: Fleet) -> bool:
    old, new = before.nodes[node_id], after.nodes[node_id]
    return (
        old != new
        or before.budgets[old.budget] != after.budgets[new.budget]
        or before.sites[old.site] != after.sites[new.site]
        or [v for v in before.visits if v.node_id == node_id] != [v for v in after.visits if v.node_id == node_id]
    )

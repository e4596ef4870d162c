"""What was known at past moments, the whole history cut off there, and the forecast made from it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from analysis.depletion import FleetForecast, forecast
from analysis.outlook import NodeOutlook
from analysis.run_ahead import SEED, node_outlooks
from analysis.run_books import ledger_of, read_sums, site_books
from analysis.run_days import NumberedFleet
from analysis.run_field import PART_NODES, estimate_field, read_evidence
from analysis.run_recent import read_recent
from analysis.run_sisters import by_sisters
from analysis.series import Counts, Floats, a_day
from ingest.store import Store, sql


@dataclass(frozen=True)
class History:
    """The whole history, to be cut off at each moment."""

    known: NumberedFleet
    evidence: list[tuple[NumberedFleet, pa.Table]]
    sums: pa.Table
    first: np.datetime64  # of the arrays over days
    voltage: Floats  # daily means, shape (nodes, days) [V]
    net_harvest: Floats  # at the budget's figures, shape (nodes, days), NaN where less than half was seen [J/d]
    load: Floats  # the same [J/d]


def read_history(store: Store, known: NumberedFleet) -> History:
    """The store's whole history."""
    cursor = store.cursor()
    sums = read_sums(store)
    volts = cursor.execute(sql("daily_voltage", "analysis")).to_arrow_table()
    first, last = _days(volts).min(), _days(volts).max()
    span = first, int((last - first).astype(np.int64)) + 2
    seen = sums.column("observed_s").to_numpy()
    spent = sums.column("wake_j").to_numpy() + sums.column("sleep_j").to_numpy()
    net = sums.column("stored_j").to_numpy() + spent
    return History(
        known,
        [(part, read_evidence(cursor, part)) for part in known.parts(PART_NODES)],
        sums,
        first,
        _by_day(volts, volts.column("storage_v").to_numpy(), known.numbers, *span),
        _by_day(sums, a_day(net, seen), known.numbers, *span),
        _by_day(sums, a_day(spent, seen), known.numbers, *span),
    )


def _days(table: pa.Table) -> np.ndarray[Any, Any]:
    days: np.ndarray[Any, Any] = table.column("day").to_numpy().astype("datetime64[D]")
    return days


def _by_day(table: pa.Table, values: Floats, numbers: Counts, first: np.datetime64, days: int) -> Floats:
    """A column as an array (nodes, days), NaN where there is none."""
    dense = np.full((len(numbers), days), np.nan)
    number, day = table.column("node_no").to_numpy(), (_days(table) - first).astype(np.int64)
    row = np.minimum(np.searchsorted(numbers, number), len(numbers) - 1)
    kept = (numbers[row] == number) & (day >= 0) & (day < days)  # a retired node has days, but no row
    dense[row[kept], day[kept]] = values[kept]
    return dense


def forecast_at(
    store: Store, history: History, moment: datetime, days: int, paths: int
) -> tuple[list[int], list[NodeOutlook], FleetForecast]:
    """The forecast that an analysis at a moment would have made, `days` ahead: places, outlooks and futures."""
    today = np.datetime64(moment.date())
    fields = [
        (part, estimate_field(_before(found, today), part.at(moment), moment.date() + timedelta(days=1)))
        for part, found in history.evidence
    ]
    known, sums = history.known.at(moment), _before(history.sums, today)
    fields, _ = by_sisters(known, fields, sums)
    ledger = ledger_of(sums, fields)
    recent = read_recent(store.cursor(), known, fields, moment, ledger)
    books = site_books(known, fields, ledger, recent, moment)
    rows, found = node_outlooks(books, days)
    return rows, found, forecast(found, paths=paths, seed=SEED)


def _before(table: pa.Table, today: np.datetime64) -> pa.Table:
    """The days that were over."""
    return table.filter(pa.array(np.asarray(_days(table) < today)))

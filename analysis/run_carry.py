"""Where the filter of each node stood some weeks ago, as the store keeps it: a new day carries on from there.

A node's whole history is gone through anew every TURN_DAYS, each node on a day of its own, when late reports or a
changed fleet touch a day before its standing (`run_days` then drops it), and when the days since tell otherwise of what
was before (`posterior.outgrown`). On all other days only what came since is.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from analysis import kalman
from analysis.posterior import Start
from analysis.run_days import lists
from analysis.series import Counts, Floats
from analysis.state import STATES
from ingest.store import sql

TURN_DAYS = 28
Dates = np.ndarray[Any, Any]  # of datetime64[D]


@dataclass(frozen=True)
class Earlier:
    """How the filter stood; arrays over nodes.

    Attributes
    ----------
    numbers : ndarray of int64
    first, day : ndarray of datetime64[D]
        The node's first day, and the first that the standing does not know.
    told : ndarray of int64
        Days before `day` and since the present storage came that told something.
    changed : ndarray of datetime64[D]
        The last sudden change before `day`; NaT if there was none.
    measured : ndarray of bool
        Whether the days that told something told of temperature.
    start : Start
        `day` counts from `first`.
    """

    numbers: Counts
    first: Dates
    day: Dates
    told: Counts
    changed: Dates
    measured: np.ndarray[Any, Any]
    start: Start

    def only(self, wanted: Counts) -> "Earlier":
        """The part with these numbers."""
        kept = np.isin(self.numbers, wanted)
        day, mean, covariance, begun = self.start.standing
        standing = kalman.Standing(day[kept], mean[kept], covariance[kept], begun[kept])
        start = Start(standing, self.start.sleep_shift[kept])
        return Earlier(
            self.numbers[kept], self.first[kept], self.day[kept], self.told[kept], self.changed[kept],
            self.measured[kept], start,
        )  # fmt: skip


def read_earlier(cursor: duckdb.DuckDBPyConnection, today: date) -> Earlier:
    """The standings of the nodes whose turn to be gone through anew has not come since they were made."""
    found = cursor.execute(sql("read_standings", "analysis"), {"today": today, "turn": TURN_DAYS}).to_arrow_table()

    def days(name: str) -> Dates:
        values: Dates = found.column(name).to_numpy().astype("datetime64[D]")
        return values

    def arrays(name: str, *shape: int) -> Floats:
        flat = found.column(name).combine_chunks().flatten().to_numpy(zero_copy_only=False)
        return np.asarray(flat.reshape(found.num_rows, *shape), dtype=np.float64)

    count = (days("day") - days("first")).astype(np.int64)
    matrices = arrays("covariance", STATES, STATES)
    standing = kalman.Standing(count, arrays("mean", STATES), matrices, arrays("begun", 3))
    return Earlier(
        found.column("node_no").to_numpy().astype(np.int64), days("first"), days("day"),
        found.column("told").to_numpy().astype(np.int64), days("changed"),
        found.column("measured").fill_null(False).to_numpy(),
        Start(standing, found.column("sleep_shift").to_numpy()),
    )  # fmt: skip


def standing_rows(earlier: Earlier, made: date) -> pa.Table:
    """The rows of the table `standings` of those nodes that have one."""
    has = np.flatnonzero(earlier.start.standing.day > 0)
    standing = earlier.start.standing
    return pa.table({
        "node_no": earlier.numbers[has],
        "first": earlier.first[has],
        "day": earlier.day[has],
        "made": pa.array([made] * len(has), pa.date32()),
        "told": earlier.told[has],
        "changed": pa.array(earlier.changed[has], from_pandas=True),
        "measured": earlier.measured[has],
        "mean": lists(standing.mean[has]),
        "covariance": lists(standing.covariance[has].reshape(len(has), STATES**2)),
        "begun": lists(standing.begun[has]),
        "sleep_shift": earlier.start.sleep_shift[has],
    })  # fmt: skip


def held(columns: np.ndarray[Any, Any], rows: Counts, place: Counts, shape: tuple[int, int]) -> np.ndarray[Any, Any]:
    """Rows of numbers, in order of node and day, each held up to the next of its node, as (nodes, days, columns)."""
    last = np.zeros(shape, dtype=np.int32)
    last[rows, place] = np.arange(1, len(rows) + 1)
    np.maximum.accumulate(last, axis=1, out=last)
    return np.concatenate([np.zeros((1, columns.shape[1]), np.float32), columns])[last]

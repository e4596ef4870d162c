"""What the page of past forecasts asks the store: the figures of the latest backtest."""

import duckdb
import pandas as pd

from analysis.scores import Correction
from dashboard.queries import frame

EXAMPLES = (0.1, 0.3, 0.6)  # chances whose correction is shown


def run(cursor: duckdb.DuckDBPyConnection) -> str:
    """When the latest backtest was run; empty before the first."""
    row = cursor.execute("SELECT max(run_at)::VARCHAR FROM backtests").fetchone()
    return str(row[0]) if row and row[0] else ""


def scores(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The figures of the latest backtest, rows of the table `backtests`; times UTC."""
    return frame(cursor, "SELECT * FROM backtests WHERE run_at = (SELECT max(run_at) FROM backtests)")


def groups(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What the latest backtest's forecasts said against what came, rows of the table `reliability`."""
    return frame(
        cursor,
        "SELECT horizon_days, method, said, came, low, high, n FROM reliability"
        " WHERE run_at = (SELECT max(run_at) FROM backtests) ORDER BY horizon_days, method, said",
    )


def corrections(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The corrections in use: `horizon_days, events`, and in `at_10` and so on what EXAMPLES become."""
    rows = frame(cursor, "SELECT horizon_days, shift, slope, events FROM calibration ORDER BY horizon_days")
    for said in EXAMPLES:
        rows[column(said)] = [
            float(Correction(shift, slope)(said)) for shift, slope in zip(rows["shift"], rows["slope"], strict=True)
        ]
    return rows


def column(said: float) -> str:
    """The column of `corrections` that holds what a chance becomes."""
    return f"at_{round(100 * said)}"

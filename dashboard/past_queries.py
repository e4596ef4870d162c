"""What the page of past forecasts asks the store: the figures of the latest backtest."""

import duckdb
import pandas as pd

from analysis.scores import Correction

EXAMPLES = (0.1, 0.3, 0.6)  # chances whose correction is shown


def run(cursor: duckdb.DuckDBPyConnection) -> str:
    """When the latest backtest was run; empty before the first."""
    row = cursor.execute("SELECT max(run_at)::VARCHAR FROM backtests").fetchone()
    return str(row[0]) if row and row[0] else ""


def scores(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The figures of the latest backtest, rows of the table `backtests`; times UTC."""
    rows = _frame(cursor, "SELECT * FROM backtests WHERE run_at = (SELECT max(run_at) FROM backtests)")
    times = ("run_at", "first_origin", "last_origin")
    return rows.assign(**{name: rows[name].dt.tz_convert("UTC") for name in times})


def groups(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What the latest backtest's forecasts said against what came, rows of the table `reliability`."""
    return _frame(
        cursor,
        "SELECT horizon_days, method, said, came, low, high, n FROM reliability"
        " WHERE run_at = (SELECT max(run_at) FROM backtests) ORDER BY horizon_days, method, said",
    )


def corrections(cursor: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The corrections in use: `horizon_days, events`, and in `at_10` and so on what EXAMPLES become."""
    rows = _frame(cursor, "SELECT horizon_days, shift, slope, events FROM calibration ORDER BY horizon_days")
    for said in EXAMPLES:
        rows[column(said)] = [
            float(Correction(shift, slope)(said)) for shift, slope in zip(rows["shift"], rows["slope"], strict=True)
        ]
    return rows


def column(said: float) -> str:
    """The column of `corrections` that holds what a chance becomes."""
    return f"at_{round(100 * said)}"


def _frame(cursor: duckdb.DuckDBPyConnection, query: str) -> pd.DataFrame:
    frame: pd.DataFrame = cursor.execute(query).to_arrow_table().to_pandas()
    return frame

"""What the commands print as tables: the fleet's summary, and how past forecasts came out."""

from datetime import datetime
from typing import Any

from rich.table import Table

from dashboard.queries import fleet_rows
from dashboard.wording import NOTHING, chance, day_range, missing
from ingest.store import Store

SUMMARY_COLUMNS = (
    "node",
    "site",
    "storage V",
    "autonomy d",
    "P(dark in 30 d)",
    "depletion d, P10-P90",
    "balance 7 d uW",
)


def summary_table(book: Store, title: str, now: datetime) -> Table:
    """The fleet, those that go dark first on top."""
    rows = fleet_rows(book.cursor(), book.fleet().budgets, now)
    table = Table(title=f"{title} as of {now:%Y-%m-%d %H:%M} UTC")
    for name in SUMMARY_COLUMNS:
        table.add_column(name, justify="left" if name in SUMMARY_COLUMNS[:2] else "right")
    for row in rows.to_dict("records"):
        table.add_row(
            row["node_id"],
            row["site"],
            _told(row["storage_v"], 2),
            _told(row["autonomy_days"], 1),
            chance(row["p_dark_30d"]),
            day_range(row["days_p10"], row["days_p90"]),
            _told(row["balance_w"] * 1e6, 1),
        )
    return table


def _told(value: float, digits: int) -> str:
    return NOTHING if missing(value) else f"{value:.{digits}f}"


BACKTEST_METHODS = {
    "forecast": "forecast", "weekday": "weekdays", "slope": "slope", "mean": "30 days", "wcma": "WCMA",
    "pro_energy": "Pro-Energy", "climatology": "base rate",
}  # fmt: skip
BACKTEST_ROWS = {  # how a score is told, and whether in per cent
    "brier": ("dark in {:g} d, Brier", False),
    "skill": ("better at {:g} d by", True),
    "crps": ("date to {:g} d, CRPS d", False),
    "recall": ("warned {:g} d before", True),
    "false_warnings": ("false a node-year", False),
    "warnings_right": ("warnings came true", True),
}
BACKTEST_NOTE = (
    "better: Brier score over the better of base rate and slope; weekdays: past days drawn by weekday; slope: of the"
    " voltage, 14 d; 30 days: mean balance; WCMA, Pro-Energy: their next harvest kept up, a week's days as slots"
)
NO_EVENT = (
    "no node went dark after a forecast: there is no dark event to score by, and the figures tell only how far from"
    " nought the chances of going dark were, and of false warnings\n"
)


def backtest_table(done: Any) -> Table:
    """How the forecasts of a backtest came out, beside the plain ways; rows without figures are left out."""
    happened = any(row.value > 0 for row in done.scores if row.score == "base_rate")
    days = f"{done.moments[0]:%Y-%m-%d} to {done.moments[-1]:%Y-%m-%d}, every {done.every_days:g} d"
    table = Table(
        title=f"{done.forecasts:,} forecasts of {done.nodes} nodes, {days}",
        caption=BACKTEST_NOTE if happened else NO_EVENT + BACKTEST_NOTE,
        caption_justify="left",
    )
    for name in ("", *BACKTEST_METHODS.values(), "of"):
        table.add_column(name, justify="right" if name else "left")
    told = {(row.score, row.horizon_days, row.method): row for row in done.scores}
    for score, (text, per_cent) in BACKTEST_ROWS.items():
        for horizon in sorted({row.horizon_days for row in done.scores if row.score == score}):
            mine = [told.get((score, horizon, method)) for method in BACKTEST_METHODS]
            if all(row is None or missing(row.value) for row in mine):
                continue
            values = ["" if row is None else _scored(row.value, per_cent) for row in mine]
            table.add_row(text.format(horizon), *values, f"{next(row.n for row in mine if row):,}")
    return table


def _scored(value: float, per_cent: bool) -> str:
    if missing(value):
        return NOTHING
    return f"{value:.0%}" if per_cent else f"{value:.4f}"


def coverage_table(done: Any) -> Table:
    """How often the intervals of the energy ahead, and of when a dark node runs again, held what came."""
    table = Table(title="energy ahead, and return, inside their intervals")
    for name in ("", "held", "by chance", "of"):
        table.add_column(name, justify="right" if name else "left")
    for row in done.scores:
        if row.score.startswith("coverage") and row.n:
            which = "" if row.method == "all" else ", not pinned at full or empty"
            text = f"{row.score.removeprefix('coverage_')} %, {row.horizon_days:g} d ahead{which}"
            table.add_row(text, *_held(row))
        elif row.score == "recovery_80" and row.n:
            table.add_row("80 %, days until a dark node runs again", *_held(row))
    return table


def _held(row: Any) -> tuple[str, str, str]:
    """How often an interval held, the band that chance allows, and of how many."""
    return f"{row.value:.1%}", f"{row.low:.1%} to {row.high:.1%}", f"{row.n:,}"

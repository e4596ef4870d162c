"""A store with a small fleet in known states, for queries, pages and the browser."""

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from ingest.store import Store
from tests.conftest import reading

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
AS_OF = datetime(2026, 3, 10, 6, tzinfo=UTC)
EARLIER = AS_OF - timedelta(days=1)
DIP_AT = datetime(2026, 2, 20, 3, 17, tzinfo=UTC)
LATE_NOTE = "One in ten: within 12 d"
LINES = {  # budget, its deviation, estimate, its deviation, separable
    "capacity_ratio": (1.0, 0.2, 0.91, 0.03, True),
    "esr_ohm": (0.4, 0.12, 0.48, 0.02, True),
    "wake_energy_j": (0.0346, 0.0035, 0.0346, 0.0035, False),
    "sleep_power_w": (8.47e-6, 1.7e-6, 8.47e-6, 1.7e-6, False),
    "leakage_power_w": (6e-6, 3e-6, 6e-6, 3e-6, False),
    "net_harvest_w": (64e-6, 21e-6, 41e-6, 2e-6, True),
}


def table_rows(store: Store, table: str, rows: list[dict]) -> None:
    frame = pd.DataFrame(rows)
    with store.write() as cursor:
        cursor.register("new_rows", frame)
        cursor.execute(f"INSERT INTO {table} BY NAME SELECT * FROM new_rows")  # noqa: S608 - a name from these tests
        cursor.unregister("new_rows")


def outlook(node_id: str, as_of: datetime, p30: float, days: tuple[float | None, ...], **more) -> dict:
    return {
        "node_id": node_id, "as_of": as_of, "p_dark_7d": 0.04, "p_dark_30d": p30, "p_dark_90d": 0.9,
        "days_p10": days[0], "days_p50": days[1], "days_p90": days[2], "autonomy_days": 3.4, "balance_w": -2.5e-6,
    } | more  # fmt: skip


def prospect(node_id: str, visit_by: float | None, **more) -> dict:
    return {
        "node_id": node_id, "as_of": AS_OF, "visit_by_days": visit_by, "low_day": 28.0, "low_usable_j": 0.41,
        "back_p10_days": 0.0, "back_p50_days": 0.0, "back_p90_days": 0.0, "wake_interval_s": 600.0, "driver": "",
    } | more  # fmt: skip


def found(node_id: str | None, finding: str, **more) -> dict:
    return {"node_id": node_id, "as_of": AS_OF, "finding": finding, "since": AS_OF, "probability": 0.95,
            "evidence": ""} | more  # fmt: skip


def ledger_day(node_no: int, day: date, harvest_j: float, full_s: float = 0.0) -> dict:
    """The sums from which the ledger has a day of this net harvest, 2 J of wakes and 1 J of sleep."""
    return {
        "node_no": node_no, "day": day, "stored_j": harvest_j - 3.0, "stored_var_j2": 0.01, "wake_j": 2.0,
        "sleep_j": 1.0, "wakes": 48, "full_s": full_s, "observed_s": 86400.0,
    }  # fmt: skip


def alarm(node_id: str | None, kind: str, priority: str, **more) -> dict:
    return {
        "alarm_id": f"{node_id}/{kind}/{more.get('raised_at', AS_OF):%d}", "node_id": node_id, "site": "mill-floor",
        "kind": kind, "priority": priority, "state": "active", "raised_at": AS_OF, "acknowledged_at": None,
        "cleared_at": None, "note": "",
    } | more  # fmt: skip


@pytest.fixture
def mill(book: Store, admit) -> Store:
    """mf-01 goes dark in weeks, kr-01 fell silent nearly empty, mf-02 has never been heard from nor analysed."""
    hours = [NOW - timedelta(minutes=30) - timedelta(hours=h) for h in range(24 * 40)]
    rows = [reading("mf-01", at.timestamp(), 3.5, 9000 - i, loaded_v=3.47, temp_c=21.5, boot=3,
                    received_at=at.timestamp() + 2) for i, at in enumerate(hours)]  # fmt: skip
    rows.append(reading("mf-01", DIP_AT.timestamp(), 2.345, 8500, received_at=DIP_AT.timestamp() + 2))
    rows.append(reading("kr-01", (NOW - timedelta(days=5)).timestamp(), 2.21, 70))
    admit(*rows)
    table_rows(book, "forecast", [
        outlook("mf-01", EARLIER, 0.05, (80.0, 90.0, None)),
        outlook("mf-01", AS_OF, 0.45, (12.0, 31.0, None)),
        outlook("kr-01", AS_OF, 0.02, (None, None, None)),
        {"node_id": "mf-02", "as_of": AS_OF},
    ])  # fmt: skip
    table_rows(book, "estimates", [
        {"node_id": "mf-01", "as_of": at, "line": line, "budget": b, "budget_sd": b_sd, "estimate": e + (at == EARLIER),
         "sd": sd, "separable": told}
        for at in (EARLIER, AS_OF) for line, (b, b_sd, e, sd, told) in LINES.items()
    ])  # fmt: skip
    first = date(2026, 1, 1)
    number = book.cursor().execute("SELECT node_no FROM nodes WHERE node_id = 'mf-01'").fetchone()[0]
    as_budgeted = dict.fromkeys("ces", 1.0) | dict.fromkeys(("cc", "ce", "cs", "ee", "es", "ss"), 0.0)
    table_rows(book, "ratios", [{"node_no": number, "first": first} | as_budgeted])
    table_rows(book, "day_sums", [
        ledger_day(number, first + timedelta(days=i), 5.0 if i < 40 else 3.2, full_s=3600.0 if i == 50 else 0.0)
        for i in range(68)
    ])  # fmt: skip
    table_rows(book, "forecast_path", [
        {"node_id": "mf-01", "as_of": AS_OF, "days_ahead": float(d), "usable_p05_j": 0.0,
         "usable_p10_j": max(0.0, 3.0 - d / 4), "usable_p50_j": max(0.0, 3.7 - d / 8), "usable_p90_j": 4.0,
         "usable_p95_j": 4.5}
        for d in (*range(31), *range(37, 366, 7))
    ])  # fmt: skip
    table_rows(book, "prospects", [
        prospect("mf-01", 12.0, wake_interval_s=2100.4, harvest_w=77e-6, full_autonomy_days=3.9,
                 driver="the weekly stops outlast the 3.4-day autonomy"),
        prospect("kr-01", 0.0, back_p10_days=0.5, back_p50_days=2.0, back_p90_days=None, wake_interval_s=None,
                 driver="dark; as likely as not it runs again by itself within 2.0 d"),
    ])  # fmt: skip
    book.set_meta("analysed_as_of", AS_OF.isoformat())
    table_rows(book, "health", [{
        "node_id": "mf-01", "as_of": AS_OF, "capacity_ratio": 0.91, "capacity_sd": 0.03, "esr_ratio": 1.2,
        "esr_sd": 0.1, "leakage_ratio": 1.0, "leakage_sd": 0.4, "fade_per_year": 0.06, "fade_sd": 0.02,
        "verdict": "watch",
    }])  # fmt: skip
    table_rows(book, "findings", [
        {"node_id": "mf-01", "as_of": EARLIER, "finding": "wakes-over", "since": EARLIER, "probability": 0.99,
         "evidence": "no longer so"},
        {"node_id": "mf-01", "as_of": AS_OF, "finding": "capacity-fade", "since": AS_OF, "probability": 0.2,
         "evidence": "capacity 91 % of commissioning"},
        {"node_id": "mf-01", "as_of": AS_OF, "finding": "harvest-short", "since": datetime(2026, 2, 10, 5, tzinfo=UTC),
         "probability": 0.8, "evidence": "37 µW against 64 ± 21 µW"},
    ])  # fmt: skip
    table_rows(book, "alarms", [
        alarm("mf-01", "depletion", "medium", note=LATE_NOTE),
        alarm("kr-01", "silent", "high", site="kiln-row", raised_at=EARLIER),
        alarm("mf-01", "silent", "high", state="cleared", raised_at=EARLIER, cleared_at=AS_OF),
    ])  # fmt: skip
    return book

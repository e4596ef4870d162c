"""What many tests share: a small fleet folder written out, and a store that knows it."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.budget import Budget, parse_budget
from ingest.contract import batch_table
from ingest.fleet import read_fleet
from ingest.store import Store

CONVEYOR = """
name = "conveyor"
[harvest]
source = "vibration"
mean_power = "70 uW"
active_hours = "06:00-22:00"
active_days = "mon-sat"
[storage]
technology = "supercapacitor"
capacitance = "1.0 F"
esr = "0.4 ohm"
leakage_current = "1.5 uA"
full_voltage = "5.0 V"
cutoff_voltage = "2.2 V"
restart_voltage = "2.6 V"
[load]
rail_voltage = "3.0 V"
regulator = "switching"
efficiency = 0.85
sleep_current = "2.4 uA"
wake_current = "14 mA"
wake_duration = "0.7 s"
wakes_per_day = 48
[telemetry]
report_interval = "1 h"
adc_step = "1.465 mV"
wake_counter_bits = 16
"""
BARE = """
name = "bare"
[harvest]
source = "none"
[storage]
technology = "primary"
capacity = "220 mAh"
ocv = [[0.0, 2.0], [0.5, 2.9], [1.0, 3.2]]
full_voltage = "3.2 V"
cutoff_voltage = "2.4 V"
[load]
regulator = "none"
sleep_current = "3 uA"
wake_current = "8 mA"
wake_duration = "0.2 s"
wakes_per_day = 48
[telemetry]
report_interval = "1 h"
"""  # no key that may be left out
SITES = """site,name,latitude,longitude,timezone
mill-floor,Mill floor,44.5,-73.2,America/New_York
kiln-row,Kiln row,44.5,-73.2,UTC
"""
NODES = """node_id,site,budget,commissioned
mf-01,mill-floor,conveyor,2026-01-01
mf-02,mill-floor,conveyor,2026-01-01
kr-01,kiln-row,conveyor,2026-01-01
"""
START = datetime(2026, 1, 1, tzinfo=UTC).timestamp()


@pytest.fixture
def conveyor() -> Budget:
    return parse_budget(CONVEYOR, "conveyor.toml")


@pytest.fixture
def fleet_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "fleet"
    (folder / "budgets").mkdir(parents=True)
    (folder / "sites.csv").write_text(SITES)
    (folder / "nodes.csv").write_text(NODES)
    (folder / "budgets" / "conveyor.toml").write_text(CONVEYOR)
    return folder


@pytest.fixture
def book(fleet_folder: Path) -> Iterator[Store]:
    with Store.open(":memory:") as opened:
        opened.save_fleet(read_fleet(fleet_folder))
        yield opened


def reading(node_id: str = "mf-01", t: float | None = START, volts: float | None = 3.5, wakes: int | None = 1, **more):
    """One row of a batch; `received_at` is an hour after START's day unless given."""
    return (
        node_id, t, more.get("received_at", START + 90_000_000.0), volts, wakes, more.get("loaded_v"),
        more.get("temp_c"), more.get("boot"), more.get("topic"), more.get("redelivered", False),
        more.get("alone", False),
    )  # fmt: skip


@pytest.fixture
def admit(book: Store):
    """Admit rows made by `reading`."""
    return lambda *rows: book.admit(batch_table(list(rows)))

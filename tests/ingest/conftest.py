"""A real mosquitto on a free loopback port, an embedded broker, and a store that knows the nodes of one hall."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from mqtt_helpers import MOSQUITTO, Mosquitto

from ingest.broker import EmbeddedBroker
from ingest.fleet import read_fleet
from ingest.store import Store

NODES = [f"mf-{number:03}" for number in range(100)]
BUDGET = """
name = "gearbox-vibration"
[harvest]
source = "vibration"
mean_power = "70 uW"
tolerance = 0.3
[storage]
technology = "supercapacitor"
capacitance = "1.0 F"
capacitance_tolerance = 0.2
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
[targets]
autonomy = "3 day"
service_life = "10 year"
[telemetry]
report_interval = "30 min"
adc_step = "1.465 mV"
wake_counter_bits = 16
"""


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.fail("these tests need mosquitto; install it or leave them out with -m 'not server'")
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def embedded() -> Iterator[EmbeddedBroker]:
    broker = EmbeddedBroker()
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store that knows the nodes of one hall."""
    folder = tmp_path / "fleet"
    (folder / "budgets").mkdir(parents=True)
    (folder / "budgets" / "gearbox-vibration.toml").write_text(BUDGET)
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,timezone\nmill-floor,Marrowmere Mill floor,53.4,-1.5,Europe/London\n"
    )
    rows = "".join(f"{node},mill-floor,gearbox-vibration,2025-01-01\n" for node in NODES)
    (folder / "nodes.csv").write_text("node_id,site,budget,commissioned\n" + rows)
    with Store.open(tmp_path / "store.duckdb") as opened:
        opened.save_fleet(read_fleet(folder))
        yield opened

"""A real mosquitto on a free loopback port, an embedded broker, and a store that knows the nodes of one hall."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from mqtt_helpers import MOSQUITTO, Mosquitto

from ingest.broker import EmbeddedBroker
from ingest.fleet import read_fleet
from ingest.store import Store
from tests.conftest import CONVEYOR

NODES = [f"mf-{number:03}" for number in range(100)]


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
    (folder / "budgets" / "conveyor.toml").write_text(CONVEYOR)
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,timezone\nmill-floor,Marrowmere Mill floor,53.4,-1.5,Europe/London\n"
    )
    rows = "".join(f"{node},mill-floor,conveyor,2025-01-01\n" for node in NODES)
    (folder / "nodes.csv").write_text("node_id,site,budget,commissioned\n" + rows)
    with Store.open(tmp_path / "store.duckdb") as opened:
        opened.save_fleet(read_fleet(folder))
        yield opened

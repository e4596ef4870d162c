"""The fleet folder is read as a whole and refused as a whole."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from ingest.errors import FleetError
from ingest.fleet import read_fleet
from tests.conftest import CONVEYOR

SITES_HEADER = "site,name,latitude,longitude,timezone\n"
HEADER = "node_id,site,budget,commissioned\n"


def test_a_folder_is_read(fleet_folder):
    fleet = read_fleet(fleet_folder)
    assert list(fleet.nodes) == ["mf-01", "mf-02", "kr-01"]
    assert fleet.nodes["mf-01"].latitude is None
    assert fleet.budgets["conveyor"].storage.full_voltage == 5.0


def test_a_bare_commissioning_date_is_the_earlier_midnight(fleet_folder):
    # Site midnight in New York is 05:00 UTC; a report of 00:30 UTC must not count as before commissioning.
    assert read_fleet(fleet_folder).nodes["mf-01"].commissioned == datetime(2026, 1, 1, tzinfo=UTC)


def test_bare_dates_of_a_closure_are_whole_site_days(fleet_folder):
    (fleet_folder / "closures.csv").write_text(
        "site,start,end,harvest_factor,reason\nmill-floor,2026-12-24,2026-12-26,0.1,stop\n"
    )
    (closure,) = read_fleet(fleet_folder).closures
    assert closure.start == datetime(2026, 12, 24, 5, tzinfo=UTC)  # New York winter: UTC-5
    assert closure.end == datetime(2026, 12, 27, 5, tzinfo=UTC)


def test_a_storage_is_new_at_commissioning_and_at_its_last_replacement(fleet_folder):
    (fleet_folder / "visits.csv").write_text(
        "node_id,at,work\nmf-01,2026-02-03T15:00Z,storage-replaced\nmf-01,2026-02-02T15:00Z,storage-replaced\n"
        "mf-01,2026-02-04T15:00Z,cleaned\nmf-01,2026-05-01T15:00Z,storage-replaced\n"
    )
    fleet = read_fleet(fleet_folder)
    since = fleet.storage_since(datetime(2026, 3, 1, tzinfo=UTC))
    assert since["mf-01"] == date(2026, 2, 3)  # that of May is planned
    assert since["mf-02"] == date(2026, 1, 1)  # a bare date, kept as UTC's midnight: in New York the day before


def test_a_site_is_described_once(fleet_folder):
    sites = (fleet_folder / "sites.csv").read_text()
    (fleet_folder / "sites.csv").write_text(sites + sites.splitlines()[1] + "\n")
    with pytest.raises(FleetError, match="already"):
        read_fleet(fleet_folder)


def test_visits_to_a_node_that_was_struck_out_are_left_out_and_told(fleet_folder):
    (fleet_folder / "visits.csv").write_text(
        "node_id,at,work\nmf-09,2025-02-03,cleaned\nmf-01,2026-02-02,cleaned\nmf-09,2025-03-03,firmware\n"
    )
    fleet = read_fleet(fleet_folder)
    assert [visit.node_id for visit in fleet.visits] == ["mf-01"]
    assert fleet.left_out == ("mf-09", "mf-09")


def test_a_list_that_is_told_in_part_ends_in_an_ellipsis(fleet_folder):
    rows = "".join(f"hall-{i},Hall,44.5,-73.2,UTC\n" for i in range(9))
    (fleet_folder / "sites.csv").write_text(SITES_HEADER + rows)
    with pytest.raises(FleetError, match=r"unknown site 'mill-floor'; expected one of hall-0, .*, hall-7, …$"):
        read_fleet(fleet_folder)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('mean_power = "70 uW"', "", 'must be given and above 0 W with source = "vibration"'),
        ('mean_power = "70 uW"', 'mean_power = "0 W"', 'must be given and above 0 W with source = "vibration"'),
        ('source = "vibration"', 'source = "none"', 'must be 0 W or left out with source = "none", got 7e-05 W'),
    ],
)
def test_a_harvester_has_a_power_and_nothing_else_has(fleet_folder, old, new, message):
    (fleet_folder / "budgets" / "conveyor.toml").write_text(CONVEYOR.replace(old, new))
    with pytest.raises(FleetError, match=rf"^budgets/conveyor\.toml: harvest\.mean_power: {message}"):
        read_fleet(fleet_folder)


CELL = (
    CONVEYOR.replace('capacitance = "1.0 F"', 'capacity = "20 mAh"\nocv = [[0.0, 2.2], [0.5, 3.7], [1.0, 5.0]]')
    .replace("switching", "linear").replace('"3.0 V"', '"2.2 V"')
)  # fmt: skip


def test_a_cell_is_not_fuller_than_its_table(fleet_folder):
    (fleet_folder / "budgets" / "conveyor.toml").write_text(CELL)
    assert read_fleet(fleet_folder).warnings == ()
    (fleet_folder / "budgets" / "conveyor.toml").write_text(CELL.replace("5.0]]", "4.9]]"))
    with pytest.raises(FleetError, match=r"full_voltage: must be at most .* highest voltage 4\.9 V, got 5 V; give"):
        read_fleet(fleet_folder)


@pytest.mark.parametrize(
    ("old", "new", "warning"),
    [
        ("[0.0, 2.2]", "[0.0, 2.5]", "storage.cutoff_voltage 2.2 V lies below the ocv table's lowest voltage 2.5 V"),
        ('rail_voltage = "2.2 V"', 'rail_voltage = "2.4 V"',
         "load.rail_voltage 2.4 V lies above storage.cutoff_voltage 2.2 V"),
    ],
)  # fmt: skip
def test_what_is_odd_in_a_budget_is_told(fleet_folder, old, new, warning):
    assert old in CELL
    (fleet_folder / "budgets" / "conveyor.toml").write_text(CELL.replace(old, new))
    (told,) = read_fleet(fleet_folder).warnings
    assert told.startswith(f"budgets/conveyor.toml: {warning}")


def test_unknown_columns_and_visits_before_commissioning_are_told(fleet_folder):
    nodes = (fleet_folder / "nodes.csv").read_text().splitlines()
    misspelt = [f"{line},{value}\n" for line, value in zip(nodes, ("lattitude", 44, 44, 44), strict=True)]
    (fleet_folder / "nodes.csv").write_text("".join(misspelt))
    (fleet_folder / "visits.csv").write_text(
        "node_id,at,work\nmf-01,2025-12-31,cleaned\nmf-01,2026-01-01,cleaned\nmf-01,2999-01-01,cleaned\n"
    )
    assert [line.partition(";")[0] for line in read_fleet(fleet_folder).warnings] == [
        "nodes.csv: column lattitude is not known and was passed over",
        "visits.csv: before the node was commissioned: mf-01 on 2025-12-31",
    ]  # work planned ahead is none, nor is that of the day itself


def test_the_mill_gives_no_cause_for_warnings():
    assert read_fleet(Path(__file__).parents[2] / "fixtures" / "marrowmere").warnings == ()


@pytest.mark.parametrize(
    ("file", "text", "message"),
    [
        ("nodes.csv", "node_id,site,budget\na,mill-floor,conveyor\n", "nodes.csv: no column commissioned"),
        ("nodes.csv", HEADER + "a,attic,conveyor,2026-01-01\n",
         "nodes.csv line 2: site: unknown site 'attic'; expected one of kiln-row, mill-floor"),
        ("nodes.csv", HEADER + "a,mill-floor,x,2026-01-01\n", "line 2: budget: unknown budget 'x'"),
        ("nodes.csv", HEADER + "a,mill-floor,conveyor,soon\n",
         "nodes.csv line 2: commissioned: expected a date or time .*, got 'soon'"),
        ("nodes.csv", HEADER + "a/b,mill-floor,conveyor,2026-01-01\n", "line 2: node_id: .*'a/b'"),
        ("nodes.csv", HEADER + "a,mill-floor,conveyor,2026-01-01\n" * 2,
         "nodes.csv line 3: node_id 'a' is already listed above"),
        ("nodes.csv", HEADER, r"^nodes\.csv: no line below its header; expected at least one"),
        ("sites.csv", SITES_HEADER, r"^sites\.csv: no line below its header; expected at least one"),
        ("sites.csv", SITES_HEADER + "mill-floor,M,95,0,UTC\n", "line 2: latitude: .*90, got '95'"),
        ("sites.csv", SITES_HEADER + "mill-floor,M,5,0,Mars/Olympus\n",
         "line 2: timezone: expected an IANA time zone"),
        ("visits.csv", "node_id,at,work\nmf-01,2026-02-01,painted\n", "visits.csv line 2: work: .*'painted'"),
        ("visits.csv", "node_id,at,work\n,2026-02-01,cleaned\n", "visits.csv line 2: node_id: unknown node_id ''"),
        ("closures.csv", "site,start,end,harvest_factor,reason\nmill-floor,2026-02-03,2026-02-01,0,x\n",
         "closures.csv line 2: end 2026-02-01 must be later than start 2026-02-03"),
    ],
)  # fmt: skip
def test_a_wrong_folder_is_one_clear_line(fleet_folder, file, text, message):
    (fleet_folder / file).write_text(text)
    with pytest.raises(FleetError, match=message) as caught:
        read_fleet(fleet_folder)
    assert "\n" not in str(caught.value)


def test_a_missing_folder_and_missing_budgets_are_named(tmp_path):
    with pytest.raises(FleetError, match=r"nowhere: no such folder"):
        read_fleet(tmp_path / "nowhere")
    with pytest.raises(FleetError, match="no budgets found"):
        read_fleet(tmp_path)

"""Budgets: units in, SI out, and a message that names file, key, value and what was expected."""

import math
import re
from pathlib import Path

import pytest

from ingest.budget import Budget, Harvest, Load, Storage, Targets, Telemetry, parse_budget
from ingest.errors import FleetError
from tests.conftest import BARE, CONVEYOR


def test_quantities_become_si(conveyor):
    assert conveyor.harvest.mean_power == pytest.approx(70e-6)
    assert conveyor.storage.capacitance == 1.0
    assert conveyor.load.sleep_current == pytest.approx(2.4e-6)
    assert conveyor.load.wake_duration == 0.7
    assert conveyor.telemetry.report_interval == 3600
    assert conveyor.harvest.active_hours == (6.0, 22.0)
    assert conveyor.harvest.active_days == (0, 1, 2, 3, 4, 5)
    assert conveyor.targets.autonomy == 3 * 86400


def test_capacity_in_milliampere_hours_becomes_coulombs():
    text = CONVEYOR.replace('capacitance = "1.0 F"', 'capacity = "20 mAh"\nocv = [[0.0, 3.0], [0.5, 3.7], [1.0, 4.2]]')
    text = text.replace('"5.0 V"', '"4.2 V"').replace('"2.2 V"', '"3.1 V"').replace('"2.6 V"', '"3.3 V"')
    assert parse_budget(text, "b.toml").storage.capacity == pytest.approx(72.0)  # 1 mAh is 3.6 C by definition


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"70 uW"', '"70 uX"', r'conveyor\.toml: harvest\.mean_power: unknown unit in "70 uX".*unit of W'),
        ('"70 uW"', '"70 uV"', r'harvest\.mean_power: expected a quantity in units of W, got "70 uV"'),
        ('"70 uW"', "70", r"harvest\.mean_power: expected a string with a unit of W.*got 70"),
        ('"70 uW"', '"nan W"', r"harvest\.mean_power: expected a finite quantity"),
        ('capacitance = "1.0 F"', 'capacitance = "0 F"', r'storage\.capacitance: must be positive, got "0 F"$'),
        ('"2.4 uA"', '"-1.5 uA"', r'load\.sleep_current: must not be negative, got "-1\.5 uA"$'),
        ('capacitance = "1.0 F"', "", r"storage: give either capacitance"),
        ('"2.2 V"', '"6 V"', r"storage: cutoff_voltage 6 V must be below full_voltage 5 V"),
        ('"2.6 V"', '"2.0 V"', r"storage: restart_voltage 2 V must lie between"),
        ('"switching"', '"magic"', r"load\.regulator: .*'magic'"),
        ('rail_voltage = "3.0 V"', "", r"load: rail_voltage is missing; expected with regulator = \"switching\""),
        ("wakes_per_day = 48", "", r"load\.wakes_per_day: is missing"),
        ("wakes_per_day = 48", "wakes_per_day = 48\nwaeks = 1", r"load\.waeks: Extra inputs"),
        ('"06:00-22:00"', '"6-22"', r"harvest\.active_hours: expected hours such as"),
        ('"mon-sat"', '"mon-samstag"', r"harvest\.active_days: expected days such as"),
        ("wake_counter_bits = 16", "wake_counter_bits = 4", r"telemetry\.wake_counter_bits: .*8, got 4"),
        ("[harvest]", "[harvest", r"conveyor\.toml: not valid TOML"),
    ],
)
def test_a_wrong_budget_is_one_clear_line(old, new, message):
    assert old in CONVEYOR
    with pytest.raises(FleetError, match=message) as caught:
        parse_budget(CONVEYOR.replace(old, new, 1), "conveyor.toml")
    assert "\n" not in str(caught.value)
    assert "{" not in str(caught.value)  # no whole table of the file


def test_days_may_wrap_over_the_week_and_be_listed():
    wrapped = parse_budget(CONVEYOR.replace("mon-sat", "sat-mon"), "b")
    assert wrapped.harvest.active_days == (0, 5, 6)
    assert parse_budget(CONVEYOR.replace("mon-sat", "mon,wed"), "b").harvest.active_days == (0, 2)


def test_what_a_budget_may_leave_out_is_taken_as_the_readme_says():
    bare = parse_budget(BARE, "bare.toml")
    assert (bare.harvest.mean_power, bare.storage.esr, bare.storage.leakage_current) == (0.0, 0.0, 0.0)
    assert bare.storage.voltage_restart == bare.storage.cutoff_voltage
    assert math.isnan(bare.load.voltage_rail)
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    _, _, told = readme.partition("| key of a budget |")
    table, _, _ = told.partition("\n\n")
    optional = {
        name
        for part in (Budget, Harvest, Storage, Load, Targets, Telemetry)
        for name, field in part.model_fields.items()
        if not field.is_required()
    }
    listed = {name for line in table.splitlines() for name in re.findall(r"`(\w+)`", line.split("|")[1])}
    assert listed == optional - {"targets", "capacitance", "capacity", "ocv"}  # a table of two, and one of two ways

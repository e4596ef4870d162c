"""Storage and load physics against closed forms, handbook figures and an independent integrator."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from analysis.load import load_power, sleep_power, wake_energy
from analysis.storage import (
    capacitor_energy,
    leakage_form,
    leakage_power,
    slope_doubt,
    slope_lean,
    storage_curve,
    table_doubt,
)
from ingest.budget import Budget, Load, parse_budget
from tests.conftest import BARE, CONVEYOR


def budget_with(**replacements: str) -> Budget:
    text = CONVEYOR
    for old, new in (pair.split(" -> ") for pair in replacements.values()):
        assert old in text
        text = text.replace(old, new)
    return parse_budget(text, "b.toml")


CELL = (
    CONVEYOR.replace(
        'capacitance = "1.0 F"',
        'capacity = "100 mAh"\nocv = [[0.0, 3.00], [0.1, 3.45], [0.5, 3.70], [0.9, 4.05], [1.0, 4.20]]',
    )
    .replace('"5.0 V"', '"4.2 V"')
    .replace('"2.2 V"', '"3.0 V"')
    .replace('"2.6 V"', '"3.3 V"')
)


def test_energy_of_a_voltage_dependent_capacitor():
    # Closed form of dQ/dV = C0 + kV (two-branch model, Zubieta and Bonert 2000): 20 F, 3 F/V, 3 V -> 117 J. The static
    # convention Q = (C0 + kV)V would give 144 J; budgets state the differential one.
    assert capacitor_energy(3.0, 20.0, 3.0) == pytest.approx(117.0)
    assert capacitor_energy(3.0, 20.0, 3.0) + 3.0 * 3.0**3 / 3 == pytest.approx(144.0)


def test_small_capacitor_charged_in_seven_seconds():
    # Common practice, no source: 22 uF brought to 5 V holds 275 uJ; in 7 s that is 39 uW.
    assert capacitor_energy(5.0, 22e-6) == pytest.approx(275e-6)
    assert capacitor_energy(5.0, 22e-6) / 7 == pytest.approx(39e-6, abs=0.5e-6)


def test_the_form_of_leakage_follows_an_exponential_near_full_and_never_vanishes():
    # A current that falls by e every 1.5 V (our choice), in closed form.
    storage = parse_budget(CONVEYOR, "b.toml").storage
    volts = np.linspace(3.5, 5.0, 7)
    steep = np.exp((volts - 5.0) / 1.5) / (volts / 5.0)  # over an ohmic path
    by = np.polyfit(volts / 5.0 - 1.0, steep, 2)[1::-1]
    np.testing.assert_allclose(leakage_form(storage, (*by, 0.0), volts, 25.0), steep, atol=0.02)
    assert leakage_form(storage, (0.0, 0.0, 0.0), 2.0, 60.0) == 1.0
    assert 0 < leakage_form(storage, (4.0, 0.0, 0.0), 2.5, 25.0) < 0.1


def test_constant_power_discharge_takes_the_energy_between():
    # Closed form: 1 F from 3.6 V to 2.0 V at 100 uW lasts 12.44 h.
    hours = (capacitor_energy(3.6, 1.0) - capacitor_energy(2.0, 1.0)) / 100e-6 / 3600
    assert hours == pytest.approx(12.44, abs=0.005)


def test_a_hybrid_capacitor_in_the_field():
    # A public field note: 8 F from 4.139 V to 3.883 V in 65 h is 8.752 uA, 8.215 J, 35.10 uW (closed form).
    seconds = 65 * 3600
    lost = capacitor_energy(4.139, 8.0) - capacitor_energy(3.883, 8.0)
    assert 8.0 * (4.139 - 3.883) / seconds == pytest.approx(8.752e-6, rel=1e-4)
    assert lost == pytest.approx(8.215, abs=5e-4)
    assert lost / seconds == pytest.approx(35.10e-6, rel=2e-4)


def test_curve_reads_both_ways_and_knows_its_ends(conveyor):
    curve = storage_curve(conveyor.storage)
    volts = np.linspace(0.1, 5.0, 50)
    np.testing.assert_allclose(curve.voltage_at(curve.energy(volts)), volts, rtol=1e-4)
    # 1 F between 2.2 V and 5 V: (25 - 4.84) / 2. The grid reads linearly between points 12 mV apart.
    assert curve.full_j - curve.cutoff_j == pytest.approx(10.08, rel=1e-5)
    assert float(curve.usable(2.0)) == 0.0
    assert np.isnan(curve.energy(float("nan")))


@given(st.floats(0, 5), st.floats(0, 5))
def test_energy_rises_with_voltage(low, high):
    curve = storage_curve(parse_budget(CONVEYOR, "b").storage)
    low, high = sorted((low, high))
    assert curve.energy(low) <= curve.energy(high)


def test_a_cell_holds_its_capacity_over_its_table():
    storage = parse_budget(CELL, "cell.toml").storage
    curve = storage_curve(storage)
    assert float(curve.charge_at(4.2) - curve.charge_at(3.0)) == pytest.approx(360.0, rel=1e-4)  # 100 mAh
    # By hand: trapezia of the table, 360 C x sum of dsoc x mean voltage; the smooth curve runs within a part in 500.
    by_hand = 360 * (0.1 * 3.225 + 0.4 * 3.575 + 0.4 * 3.875 + 0.1 * 4.125)
    assert curve.full_j - curve.cutoff_j == pytest.approx(by_hand, rel=2e-3)
    assert float(curve.charge_at(4.25)) > float(curve.charge_at(4.2))


def test_a_cell_of_three_points_holds_its_capacity_at_full():
    # By hand: 220 mAh are 792 C. A cubic through these three points lies flat at the top.
    curve = storage_curve(parse_budget(BARE, "bare.toml").storage)
    assert float(curve.charge_at(3.2)) == pytest.approx(792.0, rel=0.02)
    assert float(curve.charge_at(3.21)) == pytest.approx(792.0 * (1 + 0.01 * 0.5 / 0.3), rel=0.02)


def test_a_cells_slope_is_in_doubt_at_a_knee_and_a_capacitors_nowhere(conveyor):
    storage = parse_budget(CELL, "cell.toml").storage
    assert slope_doubt(conveyor.storage, np.array([2.5, 4.0])).tolist() == [0.0, 0.0]
    knee, straight = slope_doubt(storage, np.array([3.45, 3.85]))
    assert knee > 3 * straight
    assert straight < 0.1
    # Below the knee the curve is steep, above it flat: read higher, the energy of a volt comes out larger.
    assert (np.diff(slope_lean(storage, np.array([3.45]))[:, 0]) > 0).all()


def test_self_discharge_through_a_resistor_matches_the_exponential():
    # Closed form: 1 F across 1 Mohm from 3.0 V is at 2.7517 V after 24 h. Ohmic leakage of 5 uA at 5 V is 1 Mohm.
    storage = budget_with(leak='"1.5 uA" -> "5 uA"').storage
    curve = storage_curve(storage)

    def change(_, energy):
        return -leakage_power(storage, curve.voltage_at(energy))

    end = solve_ivp(change, (0, 86400), [float(curve.energy(3.0))], rtol=1e-9, atol=1e-12).y[0, -1]
    assert float(curve.voltage_at(end)) == pytest.approx(2.7517, abs=1e-4)


def test_leakage_doubles_in_ten_kelvin(conveyor):
    # Arrhenius near 0.6 eV at room temperature; common practice, no source.
    assert leakage_power(conveyor.storage, 4.0, 35.0) == pytest.approx(2 * leakage_power(conveyor.storage, 4.0, 25.0))
    assert float(leakage_power(conveyor.storage, 5.0)) == pytest.approx(7.5e-6)


def test_self_discharge_of_a_cell_in_amperes():
    # 2 %/month of 100 mAh is 2.74 uA: closed form over a month of 30.4 days (percentage from secondary sources).
    budget = parse_budget(CELL.replace('"1.5 uA"', '"2.74 uA"'), "cell.toml")
    month = 30.4375 * 86400
    lost = budget.storage.leakage_current * month
    assert lost / budget.storage.capacity == pytest.approx(0.02, abs=1e-4)


def test_an_independent_integrator_agrees_on_a_capacitor_under_constant_power_with_leakage(conveyor):
    # scipy integrates the voltage, C V dV/dt = P - P_leak(V); the curve keeps the books in energy.
    power, leak, seconds = 20e-6, 1.5e-6 / 5.0, 40 * 3600
    voltage = solve_ivp(
        lambda _, v: (power - leak * v**2) / (1.0 * v), (0, seconds), [2.5], rtol=1e-10, atol=1e-12, dense_output=True
    )
    t = np.linspace(0, seconds, 4001)
    v = voltage.sol(t)[0]
    lost = np.trapezoid(np.asarray(leakage_power(conveyor.storage, v)), t)
    curve = storage_curve(conveyor.storage)
    change = float(curve.energy(v[-1]) - curve.energy(v[0]))
    assert change == pytest.approx(power * seconds - lost, rel=2e-5)  # the grid's linear reading is the limit


def node_of_the_trade(regulator: str = "switching") -> Load:
    return Load(
        rail_voltage="3.3 V", regulator=regulator, efficiency=1.0, sleep_current="3 uA", wake_current="10 mA",
        wake_duration="1 s", wakes_per_day=24,
    )  # fmt: skip


def test_hourly_node_and_its_cell():
    # Common practice, no source: 3.3 V, 10 mA for 1 s each hour and 3 uA asleep: 33.0 mJ a wake, 68.6 mJ an hour,
    # 19.06 uW; a 7.4 Wh cell carries it 44.3 years.
    load = node_of_the_trade()
    assert float(wake_energy(load, 3.7)) == pytest.approx(33.0e-3)
    # The hour is one wake and 3599 s of sleep; the model lets sleep current run on through the wake, 0.01 % more.
    assert float(load_power(load, 3.7)) * 3600 == pytest.approx(68.6e-3, abs=0.05e-3)
    assert float(load_power(load, 3.7)) == pytest.approx(19.06e-6, abs=0.01e-6)
    assert 7.4 * 3600 / float(load_power(load, 3.7)) / (365.25 * 86400) == pytest.approx(44.3, abs=0.05)


@pytest.mark.parametrize(
    ("regulator", "factor"),
    [("switching", 3.0 / 0.85), ("linear", 4.0), ("none", 4.0)],
)
def test_regulators_seen_from_the_storage(conveyor, regulator, factor):
    # By hand: a switching regulator draws rail power over efficiency; otherwise the current itself flows at 4 V.
    load = conveyor.load.model_copy(update={"regulator": regulator})
    assert float(wake_energy(load, 4.0)) == pytest.approx(14e-3 * 0.7 * factor)
    assert float(sleep_power(load, 4.0)) == pytest.approx(2.4e-6 * factor)


def test_sustainable_duty_cycle():
    # Algebra of energy-neutral operation: 0.7 mW harvested, 10 uW asleep, 20 mW awake carry a duty of 0.03452. With
    # 1 s wakes that is 2982.5 wakes a day, at which the load must equal the harvest.
    load = Load(
        rail_voltage="1 V", regulator="switching", sleep_current="10 uA", wake_current="19.99 mA", wake_duration="1 s",
        wakes_per_day=0.03452 * 86400,
    )  # fmt: skip
    assert float(load_power(load, 1.0)) == pytest.approx(0.7e-3, rel=1e-4)


def test_two_thermoelectric_modules_reach_a_red_led():
    # Common practice, no source: a red LED needs about 1.8 V forward; one module of 1 V stays below it, two in series
    # pass it. A budget whose storage could not reach its rail is the same mistake.
    forward, module = 1.8, 1.0
    assert module < forward < 2 * module


def test_a_table_of_few_points_leaves_its_slope_open():
    storage = parse_budget(CELL, "c.toml").storage
    assert table_doubt(budget_with().storage, np.array([2.5, 4.0])).tolist() == [0.0, 0.0]
    rough, middle = table_doubt(storage, np.array([3.2, 3.6]))
    # From empty the table rises at 4.5 V a unit of charge, then at 0.6: the smooth curve bends over the whole stretch.
    assert rough > 0.2
    assert 0.0 < middle < 0.5
    state = np.linspace(0.0, 1.0, 41)
    points = [[float(x), float(3.0 + 1.2 * x + 0.2 * x**2)] for x in state]
    fine = storage.model_copy(update={"ocv": tuple((a, b) for a, b in points)})
    assert table_doubt(fine, np.array([3.3, 3.8])).max() < 0.01

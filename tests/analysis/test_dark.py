import numpy as np
import pytest
from outlooks import budget

from analysis.dark import DarkSpell, Days, dark_spells, usual_silence, with_dark
from analysis.storage import storage_curve

DAY = 86400.0


def test_a_dark_spell_tells_the_harvest_that_ended_it() -> None:
    of = budget()
    storage, curve = of.storage, storage_curve(of.storage)
    hours = np.concatenate([np.arange(0.0, 49.0), np.arange(120.0, 169.0)])
    falling = np.linspace(storage.full_voltage, storage.cutoff_voltage + 0.005, 49)
    rising = np.linspace(storage.voltage_restart, storage.full_voltage, 49)
    voltage = np.concatenate([falling, rising])
    boot = np.repeat([1, 2], 49)
    (spell,) = dark_spells(of, curve, hours * 3600, voltage, np.arange(98), boot, 0.9)
    assert (spell.begin, spell.end) == (48 * 3600.0, 120 * 3600.0)
    # By hand: from cut-off to restart, at nine tenths of the capacity of the budget, over three days.
    energy = 0.5 * storage.capacitance * (storage.voltage_restart**2 - storage.cutoff_voltage**2)
    assert spell.net_harvest_w == pytest.approx(0.9 * energy / (3 * DAY), rel=0.01)


def test_a_gateway_that_was_down_is_no_dark_spell() -> None:
    of = budget()
    hours = np.concatenate([np.arange(0.0, 49.0), np.arange(120.0, 169.0)])
    voltage = np.full(98, of.storage.full_voltage - 0.2)
    assert dark_spells(of, storage_curve(of.storage), hours * 3600, voltage, np.arange(98), np.ones(98, int), 1.0) == ()


def test_dark_days_join_the_ledger_days() -> None:
    day = np.array(["1970-01-02", "1970-01-05"], dtype="datetime64[D]")
    seen = np.array([0.5 * DAY, 0.25 * DAY])
    spell = DarkSpell(1.5 * DAY, 4.75 * DAY, 1e-6)
    whole = with_dark(
        Days(day, np.array([1.0, 2.0]), *np.ones((2, 2)), np.zeros(2), seen, *np.zeros((2, 2))), (spell,), 0.0
    )
    assert whole.day.astype(int).tolist() == [1, 2, 3, 4]
    np.testing.assert_allclose(whole.observed_s, DAY)
    np.testing.assert_allclose(
        whole.net_harvest_j, [1 + 0.5e-6 * DAY, 1e-6 * DAY, 1e-6 * DAY, 2 + 0.75e-6 * DAY], rtol=1e-12
    )
    np.testing.assert_allclose(whole.wake_j, [1, 0, 0, 1])


def test_a_habit_of_silence_takes_three_and_dark_spells_are_none() -> None:
    # Hourly, with silences of 10, 20 and 30 h: half as long again as the third longest.
    time = np.cumsum([0.0, *[1.0] * 50, 10.0, *[1.0] * 50, 20.0, *[1.0] * 50, 30.0, 1.0]) * 3600
    assert usual_silence(time, ()) == 15 * 3600
    longest = time[:-1][np.argmax(np.diff(time))]
    assert usual_silence(time, (DarkSpell(longest, longest + 30 * 3600, 0.0),)) == 1.5 * 3600
    assert usual_silence(time[:2], ()) == 0.0

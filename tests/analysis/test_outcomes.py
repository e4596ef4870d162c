"""When a node went dark, told from its reports: cases by hand, and a simulated fleet's truth."""

from datetime import UTC, datetime

import numpy as np
import pytest

from analysis.outcomes import outcomes, spells, usable_after
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate

HOUR, DAY = 3600.0, 86400.0
# Of the conveyor budget in tests/conftest.py, by hand: usable at full (5.0^2 - 2.2^2) / 2 = 10.08 J; the load is
# 48 wakes of 3 V x 14 mA x 0.7 s / 0.85 = 34.6 mJ and 3 V x 2.4 uA / 0.85 = 8.47 uW asleep: 27.7 uW without leakage,
# which is at most 7.5 uW. A silence is longer than 4 reporting intervals of an hour.


def told(budget, reports, end):
    """The spells of reports (hour, voltage, wakes, boot), in hours."""
    time, voltage, wakes, boot = (np.array(column) for column in zip(*reports, strict=True))
    found = spells(
        time * HOUR, voltage.astype(float), wakes.astype(np.int64), boot.astype(np.int64), budget, end * HOUR
    )
    return found.gone / HOUR, found.back / HOUR, found.lost / HOUR


def steady(hours, voltage, boot=1):
    return [(float(h), voltage, 2 * int(h), boot) for h in hours]


def test_a_node_heard_from_to_the_end_was_never_dark_nor_lost(conveyor):
    gone, back, lost = told(conveyor, steady(range(100), 3.5), 101)
    assert not len(gone)
    assert not len(back)
    assert not len(lost)


def test_dark_from_the_report_at_cut_off_until_heard_again_above_it(conveyor):
    reports = [*steady(range(10), 3.5), (10.0, 2.2, 20, 1), (11.0, 2.19, 22, 1), *steady(range(30, 40), 2.7, boot=2)]
    gone, back, _ = told(conveyor, reports, 40)
    assert gone.tolist() == [10.0]
    assert back.tolist() == [30.0]


def test_silent_since_nearly_empty_is_dark_when_the_rest_would_have_lasted(conveyor):
    # 2.40 V: (2.40^2 - 2.2^2) / 2 = 0.46 J, under 5 % of 10.08 J; at 27.7 to 35.2 uW it lasts 3.6 to 4.6 h.
    gone, back, lost = told(conveyor, steady(range(10), 2.40), 200)
    assert 9 + 3.6 < gone[0] < 9 + 4.6
    assert back.tolist() == [np.inf]
    assert not len(lost)


def test_it_is_said_to_be_dark_no_later_than_it_was_heard_again(conveyor):
    reports = [*steady(range(10), 2.40), (11.0, 2.62, 1, 2), (12.0, 2.62, 3, 2)]
    gone, back, _ = told(conveyor, reports, 13)  # started anew within two hours: it was dark in between
    assert gone.tolist() == [11.0]
    assert back.tolist() == [11.0]


@pytest.mark.parametrize(
    ("voltage", "silence", "boot", "dark", "lost"),
    [
        pytest.param(4.0, 48.0, 1, 0, 0, id="counters-go-on: it lived"),
        pytest.param(4.0, 8.0, 2, 0, 1, id="new start with 5.6 J in hand after 8 h: cannot have run empty, not known"),
        pytest.param(2.8, 48.0, 2, 1, 0, id="new start: 1.5 J last about 13 h"),
        pytest.param(3.0, 3.0, 2, 0, 0, id="a new start without silence or need is no darkness"),
    ],
)
def test_a_silence_with_energy_in_hand(conveyor, voltage, silence, boot, dark, lost):
    after = [(9.0 + silence + h, 3.0, (18 + int(2 * silence) if boot == 1 else 0) + 2 * h, boot) for h in range(5)]
    found = told(conveyor, [*steady(range(10), voltage), *after], 9.0 + silence + 5)
    assert len(found[0]) == dark
    assert found[2].tolist() == [9.0] * lost


def test_a_silence_with_energy_in_hand_that_does_not_end_does_not_tell(conveyor):
    gone, _, lost = told(conveyor, steady(range(10), 4.0), 100)
    assert not len(gone)
    assert lost.tolist() == [9.0]


def test_a_counter_that_falls_back_is_a_new_start_where_no_boot_is_reported(conveyor):
    reports = [*steady(range(10), 2.5, boot=-1), *[(80.0 + h, 2.7, h, -1) for h in range(3)]]
    gone, back, _ = told(conveyor, reports, 83)
    assert len(gone) == 1
    assert back.tolist() == [80.0]


def test_what_came_after_a_moment(conveyor):
    time = np.arange(0.0, 60 * DAY, HOUR)
    voltage = np.where((time >= 20 * DAY) & (time < 22 * DAY), 2.1, 3.5)
    wakes, boot = (2 * time / HOUR).astype(np.int64), np.ones(len(time), dtype=np.int64)
    end = 60 * DAY
    found = spells(time, voltage, wakes, boot, conveyor, end)
    moments = np.array([-1.0, 10.0, 21.0, 30.0]) * DAY
    visits = np.array([15 * DAY, 50 * DAY])
    came = outcomes(found, time, visits, moments, 4 * HOUR, end)
    assert came.live.tolist() == [False, True, False, True]
    assert came.dark.tolist() == [False, False, True, False]
    assert came.dark_in[1:].tolist() == [10.0, np.inf, np.inf]
    assert came.known[1:].tolist() == [5.0, 29.0, 20.0]  # a visit, a visit, a visit
    assert outcomes(found, time, np.zeros(0), moments, 4 * HOUR, end).known.tolist()[1:] == [50.0, 39.0, 30.0]


def test_energy_ahead_is_that_of_the_report_by_then_none_when_dark_and_unknown_in_a_silence(conveyor):
    time = np.concatenate([np.arange(0.0, 10 * DAY, HOUR), np.arange(20 * DAY, 30 * DAY, HOUR)])
    voltage = np.where(time < 8 * DAY, 3.5, np.where(time < 10 * DAY, 2.1, 4.0))
    usable = np.maximum(voltage**2 - 2.2**2, 0) / 2
    wakes, boot = np.zeros(len(time), dtype=np.int64), np.where(time < 10 * DAY, 1, 2)
    found = spells(time, voltage, wakes, boot, conveyor, 31 * DAY)
    then = usable_after(found, time, usable, np.array([0.0, 2.0, 8.0, 14.0, 23.9]) * DAY, 7.0, 4 * HOUR)
    by_hand = [(3.5**2 - 2.2**2) / 2, 0.0, 0.0, (4.0**2 - 2.2**2) / 2, np.nan]
    np.testing.assert_allclose(then, by_hand)


def test_dark_spells_of_a_simulated_fleet_are_found_and_none_is_invented():
    # The simulator's physics shares no code with the analysis and knows when each node was dark.
    start, days = datetime(2025, 10, 1, tzinfo=UTC), 120
    fleet = scattered_fleet(60, 8, start, days, faulty=1.0)
    simulated = simulate(fleet.fleet, start, days, 8, fleet.faults, fleet.firmware)
    deaf = {fault.node_id for fault in fleet.faults if fault.finding == "silent-charged"}
    true = hits = told = 0
    for i, node in enumerate(simulated.node_ids):
        time, heard = simulated.observed_at[i], simulated.reported[i]
        budget = fleet.fleet.budgets[simulated.budgets[i]]
        columns = (simulated.storage_v[i, heard], simulated.wakes[i, heard], simulated.boot[i, heard])
        gone = spells(time[heard], *columns, budget, float(time[-1])).gone
        begins = time[np.flatnonzero(np.diff(simulated.truth.dark[i].astype(int), prepend=0) == 1)]
        if node in deaf:
            continue  # nobody can know
        true, told = true + len(begins), told + len(gone)
        hits += sum(bool(len(gone)) and bool(np.abs(gone - at).min() < 6 * HOUR) for at in begins)
    assert true > 20
    assert hits >= 0.97 * true
    assert told <= 1.03 * true

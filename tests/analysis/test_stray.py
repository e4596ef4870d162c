"""Which voltages are believed: falls that no load explains are not, if the next report takes them back."""

from datetime import UTC, datetime

import numpy as np
import pytest

from analysis.series import Series
from analysis.stray import without_strays
from ingest.budget import parse_budget
from ingest.counters import BOOT_MISSING
from tests.conftest import CONVEYOR

BUDGET = parse_budget(CONVEYOR, "conveyor.toml")  # 1 F from 5.0 to 2.2 V; 28 uW take 0.03 V an hour
HOUR = 3600.0


def kept(volts, hours=None, wakes=None, later=0.5):
    n = len(volts)
    time = HOUR * (np.arange(n) if hours is None else np.asarray(hours, dtype=float))
    count = 2 * np.arange(n) if wakes is None else np.asarray(wakes)
    blank = np.full(n, np.nan)
    series = Series(
        np.array([0, n]), time, np.asarray(volts, dtype=float), count.astype(np.int64), blank, blank,
        np.full(n, BOOT_MISSING),
    )  # fmt: skip
    found = without_strays(series, [BUDGET], datetime.fromtimestamp(time[-1] + later * HOUR, UTC))
    assert found.offsets[-1] == len(found.time) == len(found.wakes)
    return (found.time / HOUR).round().astype(int).tolist()


@pytest.mark.parametrize(
    ("volts", "gone"),
    [
        pytest.param([3.5, 3.5, 1.23, 3.5, 3.5], {2}, id="one low: a reference before it has settled"),
        pytest.param([3.5, 3.5, 5.0, 3.5, 3.5], {2}, id="one high"),
        pytest.param([0.0, 3.5, 3.5], {0}, id="nothing runs at no voltage, first"),
        pytest.param([3.5, 0.0, 0.0, 3.5], {1, 2}, id="nor twice"),
        pytest.param([3.5, 3.5, 2.3], {2}, id="the last waits for the next"),
        pytest.param([3.5, 3.5, 2.3, 2.3, 2.29], set(), id="which bears it out"),
        pytest.param([3.5, 3.6, 4.9, 4.9, 4.8], set(), id="a bright hour"),
        pytest.param([3.5, 3.45, 3.4, 3.35, 3.3], set(), id="ordinary load"),
        pytest.param([5.0, 2.5, 5.0, 2.5, 5.0], {1, 3}, id="every other one"),
    ],
)
def test_a_voltage_that_no_load_explains_and_the_next_takes_back_is_left_out(volts, gone):
    assert kept(volts) == [i for i in range(len(volts)) if i not in gone]


def test_a_node_that_falls_silent_after_a_great_fall_is_believed():
    assert kept([3.5, 3.5, 2.3, 3.4], hours=[0, 1, 2, 80]) == [0, 1, 2, 80]
    assert kept([3.5, 3.5, 2.3], later=9.0) == [0, 1, 2]  # hours that are no observation any more


def test_what_many_wakes_cost_is_no_stray():
    # By hand: a wake takes 3.0 V x 14 mA x 0.7 s / 0.85 = 34.6 mJ, 100 of them 3.5 J; so much 1 F gives as it falls.
    assert kept([3.5, 2.3, 3.5], wakes=[0, 100, 100]) == [0, 1, 2]
    assert kept([3.5, 2.3, 3.5], wakes=[0, 1, 2]) == [0, 2]

"""The chance of a fall of harvest comes true about as often as it says, on series made here by a plain recipe."""

import numpy as np
import pytest

from analysis.change import find_changes
from analysis.fallen import chance_fallen, counts

DAYS = 300
NONE = np.zeros(DAYS)


def level(rng: np.random.Generator) -> np.ndarray:
    """A harvest that scatters by 20 % from day to day and wanders by 6 % over a month, about one."""
    slow = np.zeros(DAYS)
    for day in range(1, DAYS):
        slow[day] = 0.967 * slow[day - 1] + rng.normal(0, 0.06 * np.sqrt(1 - 0.967**2))
    return 1 + slow + rng.normal(0, 0.2, DAYS)


def chance(harvest: np.ndarray, bound: np.ndarray = NONE > 0, lost: np.ndarray = NONE, outdoors: bool = False) -> float:
    (change,) = find_changes(np.where(bound, np.nan, harvest)[None], counts(lost)[None], slow=True)
    return 0.0 if change is None else chance_fallen(change, harvest, bound, lost, outdoors)


def test_chances_come_true_as_often_as_they_say_and_most_falls_are_named():
    # Outside check: the frequency with which series that were given a fall, one in five, are among those called.
    rng = np.random.default_rng(7)
    said, true, large = [], [], []
    for i in range(600):
        harvest, size = level(rng), rng.uniform(0.2, 0.9)
        if i % 5 == 0:
            harvest = harvest * np.where(np.arange(DAYS) < rng.integers(60, DAYS - 40), 1.0, 1 - size)
            large.append((size > 0.4, len(said)))
        said.append(chance(harvest))
        true.append(i % 5 == 0)
    said, true = np.array(said), np.array(true)
    stated = said >= 0.7
    # 100 or so are stated; four standard deviations of chance, or four false ones, beyond what is said.
    assert (~true & stated).sum() <= (1 - said[stated]).sum() + 4
    assert np.mean([said[k] >= 0.7 for big, k in large if big]) > 0.9


def test_a_fall_that_has_ended_is_unlikely_and_one_seen_for_longer_likelier():
    rng = np.random.default_rng(8)
    plain = level(rng)
    day = np.arange(DAYS)
    young, old = (chance(np.where(day < begin, 1.0, 0.6) * plain) for begin in (DAYS - 7, 150))
    assert young < old
    assert old > 0.8
    assert chance(np.where((day < 150) | (day >= DAYS - 20), 1.0, 0.6) * plain) < 0.5  # stated from 0.7 on


def test_what_is_made_up_for_and_the_sun_leave_a_fall_in_doubt():
    plain = level(np.random.default_rng(9)) * np.where(np.arange(DAYS) < 200, 1.0, 0.6)
    sure = chance(plain)
    assert chance(plain, outdoors=True) < sure
    assert chance(plain, lost=np.where(np.arange(DAYS) < 200, 0.75, 0.0)) < sure


def test_a_day_counts_less_the_more_of_it_was_lost():
    assert counts(np.array([0.0, 0.5, 0.9, 1.0])) == pytest.approx([1.0, 0.571, 0.039, 0.039], abs=2e-3)

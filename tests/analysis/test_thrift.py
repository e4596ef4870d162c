from dataclasses import replace

import numpy as np
import pytest
from outlooks import budget, node, steady

from analysis.depletion import forecast
from analysis.thrift import NONE, Thrift, as_usual, learn_thrift, waking

FIRST = np.datetime64("2025-03-03")  # a Monday
DAY = FIRST + np.arange(200)
WEEK = np.where(np.arange(200) % 7 < 5, 1.0, 0.4)  # the work of each day
ALWAYS = np.ones(200, dtype=bool)


def stored(rng: np.random.Generator) -> np.ndarray:
    """A storage that goes down to a fifth and up again in seven weeks."""
    return 0.6 + 0.4 * np.cos(2 * np.pi * np.arange(200) / 49) + rng.normal(0, 0.02, 200)


def test_a_firmware_that_saves_is_told_from_a_few_low_days() -> None:
    rng = np.random.default_rng(1)
    nodes = []
    for _ in range(3):
        share = stored(rng)
        rate = 100 * WEEK * rng.normal(1, 0.1, 200) * np.where(share < 0.4, 0.5, 1.0)
        nodes.append(waking(DAY, share, rate, ALWAYS))
    found = learn_thrift(nodes)
    assert found.below == pytest.approx(0.4, abs=0.051)
    assert found.factor == pytest.approx(0.5, abs=0.06)
    np.testing.assert_array_equal(found.of(np.array([0.1, 0.9, np.nan])), [found.factor, 1.0, 1.0])


def test_a_rate_that_rose_for_good_or_scatters_is_no_thrift() -> None:
    rng = np.random.default_rng(2)
    share = stored(rng)
    plain = 100 * WEEK * rng.normal(1, 0.2, 200)
    for rate in (plain, plain * np.linspace(2.0, 1.0, 200), plain * np.where(share < 0.4, 0.93, 1.0)):
        assert learn_thrift([waking(DAY, share, rate, ALWAYS)] * 3) == NONE
    assert learn_thrift([]) == NONE
    assert waking(DAY, np.full(200, 0.9), plain, ALWAYS).shape == (2, 0)


def test_wakes_that_follow_the_work_are_no_thrift() -> None:
    """In stops of a week both the work and the harvest fail, and the storage sinks; then it fills again."""
    rng = np.random.default_rng(3)
    stop = np.arange(200) % 40 > 32
    share = np.where(stop, 0.3, 0.9)
    rate = 100 * np.where(stop, 0.4, 1.0) * rng.normal(1, 0.1, 200)
    harvest = np.where(stop, 0.5, 5.0)
    works = as_usual(harvest, np.zeros(200, dtype=bool))
    assert not works[stop].any()
    assert learn_thrift([waking(DAY, share, rate, works)] * 3) == NONE


def test_a_node_that_saves_lasts_longer() -> None:
    # By hand: 10.5 J usable at 1.44 J a day for wakes last 7.3 d; at half of that from 0.4 on, 4.4 + 5.8 = 10.2 d.
    plain = node(steady(0.0, 30), budget(wakes=48), usable=10.5)
    saving = replace(plain, thrift=Thrift(0.4, 0.5))
    assert saving.autonomy() == pytest.approx(10.2, abs=0.15)  # the load's table has 33 steps
    days = forecast([plain, saving], paths=10).days_p50
    np.testing.assert_allclose(days, [7.3, 10.2], atol=0.2)

"""A node that was full day by day and is no more has lost harvest: by how much, its own scatter tells."""

import numpy as np
import pytest

from analysis.less_full import chance_short, changes_of_share, much_seldomer

DAYS, LOAD = 240, 1.0


def told(
    level: np.ndarray, scatter: float, seed: int, tilt: float = 0.0, believed: tuple[float, float] = (2.0, 1.0)
) -> tuple[float, float]:
    """A node that takes in its load where there is more; nothing shows of the rest."""
    offered = level * np.random.default_rng(seed).normal(1.0, scatter, DAYS)
    bound = offered > LOAD
    harvest = np.minimum(offered, LOAD)
    (change,) = changes_of_share(harvest[None, :], bound[None, :])
    return chance_short(change, harvest, bound, False, tilt, believed) if much_seldomer(change) else (0.0, 0.0)


@pytest.mark.parametrize("seed", range(5))
def test_a_fall_that_leaves_about_the_load_is_found(seed: int) -> None:
    chance, fall = told(np.where(np.arange(DAYS) < 150, 2.2, 0.95), 0.25, seed)
    assert chance > 0.85
    assert 0.3 < fall < 0.8  # truly 0.57; of the days before only the least is known


def test_sound_nodes_have_none_whether_full_often_or_seldom() -> None:
    for seed in range(40):
        for level in (0.95, 1.05, 1.3, 2.0):
            assert told(np.full(DAYS, level), 0.25, seed)[0] < 0.5


def test_a_level_that_wanders_a_little_has_none() -> None:
    for seed in range(10):
        assert told(np.where(np.arange(DAYS) < 150, 1.15, 1.0), 0.15, seed)[0] < 0.9


def test_a_fall_that_has_passed_or_that_another_season_explains_is_none() -> None:
    day = np.arange(DAYS)
    assert told(np.where((day > 150) & (day < 200), 0.8, 2.2), 0.25, 1)[0] < 0.5
    assert told(np.where(day < 150, 2.2, 0.95), 0.25, 0, tilt=0.8)[0] < 0.9


def test_what_it_was_designed_to_harvest_tells_how_much_may_have_gone() -> None:
    # Little scatter, and a level near the load: full days alone do not tell a fall from a level that wanders.
    level = np.where(np.arange(DAYS) < 150, 1.4, 0.95)
    ample, scarce = (told(level, 0.15, 3, believed=(mean, 0.25 * mean))[0] for mean in (2.0, 1.0))
    assert scarce + 0.2 < ample

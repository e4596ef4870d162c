"""The noise of readings, by readings of known noise."""

import numpy as np
import pytest

from analysis.reading import calm_noise, noise_of, off_line

BELIEVED, MOST = 0.3e-3, 10e-3


def readings(count: int, sd: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Times with some jitter, and levels that fall in a straight line, of noise sd."""
    rng = np.random.default_rng(seed)
    t = 600.0 * np.arange(count) + rng.uniform(-60, 60, count)
    return t, 4.0 - 1e-6 * t + sd * rng.normal(size=count)


@pytest.mark.parametrize("sd", [0.5e-3, 2e-3])
def test_noise_is_told_whatever_the_slope_and_the_step_of_the_converter(sd):
    t, v = readings(2000, sd)
    size = np.array([off_line(t, v, i) for i in range(1, len(t) - 1)])
    # Second differences share readings: a median of 2000 of them is good to about 4 %.
    assert noise_of(size, BELIEVED) == pytest.approx(sd, rel=0.08)
    assert calm_noise(t, v, np.ones(len(t)), BELIEVED, MOST) == pytest.approx(sd, rel=0.1)


@pytest.mark.parametrize(("calm", "most"), [(0.35, 1.7), (0.6, 1.3)])
def test_harvest_that_comes_and_goes_is_hardly_noise(calm, most):
    found = []
    for seed in range(40):  # days of 144 reports, in the first hours of which harvest moves the level up and down
        t, v = readings(144, 2e-3, seed)
        works = np.arange(144) >= calm * 144
        v += np.cumsum(works * np.random.default_rng(seed).gamma(1.0, 20e-3, 144))
        found.append(calm_noise(t, v, np.ones(144), BELIEVED, MOST))
    assert 0.8 < np.median(found) / 2e-3 < most


def test_few_reports_tell_what_is_believed_and_no_converter_is_better_or_endlessly_worse():
    t, v = readings(4, 2e-3)
    assert calm_noise(t, v, np.ones(4), BELIEVED, MOST) == BELIEVED
    t, v = readings(200, 0.0)
    assert calm_noise(t, v, np.ones(200), BELIEVED, MOST) == BELIEVED
    t, v = readings(200, 0.1)
    assert calm_noise(t, v, np.ones(200), BELIEVED, MOST) == MOST
    joined = np.arange(200) % 2  # every other interval is a hole
    assert calm_noise(t, v, joined, BELIEVED, MOST) == BELIEVED

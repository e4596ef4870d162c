from types import SimpleNamespace

import numpy as np
import pytest

from analysis import state as places
from analysis.run_ahead import _fade


def book(kept: float, sd: float, days: int) -> SimpleNamespace:
    mean, covariance = np.zeros((1, places.STATES)), np.zeros((1, places.STATES, places.STATES))
    mean[0, places.FADE], covariance[0, places.FADE, places.FADE] = np.log(kept), sd**2
    return SimpleNamespace(
        row=0, field=SimpleNamespace(mean=mean, covariance=covariance, days=np.array([days]), renewed=np.array([0]))
    )


def test_fade_that_is_known_goes_on() -> None:
    fade, sd = _fade(book(0.8, 0.004, 365))  # a fifth lost in a year is a quarter of what is left
    assert fade == pytest.approx(0.25, rel=0.02)
    assert sd == pytest.approx(0.004, rel=0.05)


def test_fade_that_is_not_known_is_the_usual_one() -> None:
    fade, sd = _fade(book(0.97, 0.1, 60))
    assert fade == pytest.approx(0.02, abs=0.003)
    assert sd == pytest.approx(0.05, rel=0.02)

"""When a node that is dark runs again by itself: by what was due while it was silent, and was not enough."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from outlooks import budget, linear_noise, steady

from analysis.depletion import FleetForecast, forecast
from analysis.outlook import NodeOutlook, Silence
from analysis.run_ahead import _silence
from analysis.site_days import Closure, SiteDays
from ingest.budget import Budget

MILL = budget(harvest=10.0, wakes=0)
YARD = MILL.model_copy(update={"harvest": MILL.harvest.model_copy(update={"source": "light-outdoor"})})
USUAL = 10e-6 * 86400  # 0.864 J a day
NEED = 0.8 * (2.5**2 - 2.0**2) / 2  # 0.9 J lift 0.8 F from the cut-off to where the node restarts
HARVEST = steady(USUAL, mean_sd=0.1)
NOISY = linear_noise(0.5)


def silence(days: float, site: SiteDays, today: str, of: Budget = MILL, **stop: float) -> Silence:
    book: Any = SimpleNamespace(budget=of, silent_for=days * 86400)
    return _silence(book, replace(HARVEST, **stop), site, np.datetime64(today))


def mill(*closures: Closure) -> SiteDays:
    return SiteDays(52.0, 0.0, 0.0, np.datetime64("2026-01-01"), 600, closures)


def back(days: float, due: float, sd: float = 0.0, of: Budget = MILL) -> FleetForecast:
    node = NodeOutlook(
        "n", "mill", of, HARVEST, 2.0, 0.0, dark=True, silence=Silence(days, due, sd), capacity_ratio=0.8
    )
    return forecast([node], paths=2000)


def test_what_was_due_goes_by_weekdays_closures_and_the_season():
    assert silence(10.0, mill(), "2026-04-01").due == pytest.approx(10 * USUAL)
    shut = Closure(np.datetime64("2026-03-18"), np.datetime64("2026-04-02"), 0.0)
    assert silence(10.0, mill(shut), "2026-04-01").due == 0.0
    arctic = SiteDays(78.0, 0.0, 0.0, np.datetime64("2025-09-01"), 600)
    assert silence(80.0, arctic, "2026-02-01", YARD).due < 1.5 * USUAL
    assert silence(40.0, arctic, "2026-06-01", YARD).due > 30 * USUAL
    stopped = silence(10.0, mill(), "2026-04-01", stop_days=3.0, stop_share=0.9, stop_factor=0.0)
    assert stopped.due == pytest.approx(USUAL)  # one in ten times it was not


def test_what_came_in_while_it_was_silent_brings_it_back_sooner():
    # By hand: 0.9 J at 0.864 J a day, of which half a day has passed.
    assert back(0.0, 0.0).back_p50[0] == pytest.approx(NEED / USUAL, rel=0.02)
    assert back(0.5, 0.5 * USUAL).back_p50[0] == pytest.approx(NEED / USUAL - 0.5, rel=0.05)


def test_a_silence_longer_than_the_weather_explains_tells_that_the_harvest_has_failed():
    """By hand: after d days at most a share s = 0.9 J / (d 0.864 J) of it is left, and of all 0.3 is none.

    So it never runs again with a chance of 0.3 / (0.3 + 0.7 s), and else after d (1 / u - 1) days more, u being even.
    """
    for days in (1.5, 2.0, 3.0, 4.0):
        share = NEED / (days * USUAL)
        comes = 0.7 * share / (0.3 + 0.7 * share)
        told = back(days, days * USUAL)
        assert told.back_p10[0] == pytest.approx(days * (1 / (1 - 0.1 / comes) - 1), rel=0.25, abs=0.1)
        assert np.isnan(told.back_p90[0])
    assert np.isnan(back(50.0, 50 * USUAL).back_p10[0])  # 0.05
    # Where dull days explain it, it is the days ahead that count.
    assert back(2.0, 2 * USUAL, sd=0.6).back_p50[0] < 2.0


def test_leakage_empties_what_is_dark():
    leaky = budget(harvest=10.0, wakes=0, leakage=1.0)
    fresh, long_dark = back(0.5, 0.0, of=leaky), back(100.0, 0.0, of=leaky)
    # By hand: 1 uA at 5 V is an ohmic 5 Mohm; in 100 days the energy of 0.8 F falls by a factor exp(2 x 100 d / RC).
    full = 0.8 * 2.5**2 / 2
    kept = 0.8 * 2.0**2 / 2 * np.exp(-2 * 100 * 86400 / (5e6 * 0.8))
    assert long_dark.back_p50[0] > 1.5 * fresh.back_p50[0]
    assert long_dark.back_p50[0] > (full - kept) / USUAL


def test_what_the_silence_tells_covers_when_nodes_came_back():
    """Random walks of another make: harvests of 12 nodes a fleet, each watched until it restarts."""
    random = np.random.default_rng(5)
    inside, total = 0, 0
    for _ in range(60):
        rate = USUAL * max(1 + 0.1 * random.standard_normal(), 0.05)
        days = np.maximum(rate * (1 + 0.5 * random.standard_normal(80)), 0.0)
        gathered = np.cumsum(days)
        restart = int(np.argmax(gathered >= 4 * NEED)) + 1  # of a storage four times as large
        asked = int(random.integers(0, restart))
        if asked == 0:
            continue
        node = NodeOutlook(
            "n", "mill", budget(capacitance=4.0, harvest=10.0, wakes=0), replace(HARVEST, noise=NOISY), 2.0, 0.0,
            dark=True, silence=Silence(float(asked), asked * USUAL, 0.5 / asked**0.5), capacity_ratio=0.8,
        )  # fmt: skip
        found = forecast([node], paths=400)
        inside += found.back_p10[0] <= restart - asked + 0.5 and restart - asked - 1 <= found.back_p90[0]
        total += 1
    assert total > 30
    assert inside / total > 0.7

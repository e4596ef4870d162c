"""What a silence tells of the harvest of a node that is dark, and when it comes back."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from outlooks import budget, steady

from analysis import kalman
from analysis.depletion import forecast
from analysis.outlook import HarvestOutlook, NodeOutlook
from analysis.run_ahead import DARK_SD, _while_dark
from analysis.site_days import Closure, SiteDays
from analysis.storage import storage_curve
from ingest.budget import Budget

MILL = budget(harvest=200.0, wakes=0)
YARD = MILL.model_copy(update={"harvest": MILL.harvest.model_copy(update={"source": "light-outdoor"})})
USUAL = 200e-6 * 86400  # J a day


def told(days: float, site: SiteDays, today: str, of: Budget = MILL, volts: float = 2.1) -> HarvestOutlook:
    now = np.ones(40)
    now[kalman.C] = 0.8
    book: Any = SimpleNamespace(
        budget=of, silent_for=days * 86400, curve=storage_curve(of.storage), now=lambda: now,
        state=SimpleNamespace(voltage=volts, mean_voltage=4.0), recent=SimpleNamespace(leakage=0.0),
    )  # fmt: skip
    return _while_dark(book, steady(USUAL), site, np.datetime64(today))


def mill(*closures: Closure) -> SiteDays:
    return SiteDays(52.0, 0.0, 0.0, np.datetime64("2026-01-01"), 600, closures)


@pytest.mark.parametrize("volts", [2.1, 2.9])  # of the last report: it went on down to the cut-off from either
def test_what_the_silence_allows_brings_it_back_in_as_long_again(volts):
    harvest = told(10.0, mill(), "2026-04-01", volts=volts)
    # By hand: 0.8 F from 2.0 V to 2.5 V, in ten days.
    assert harvest.mean == pytest.approx(0.8 * (2.5**2 - 2.0**2) / 2 / 10, rel=1e-4)
    assert harvest.mean_sd == DARK_SD
    node = NodeOutlook("n", "mill", MILL, harvest, 2.0, 0.0, dark=True, capacity_ratio=0.8)
    found = forecast([node], paths=2000)
    assert found.back_p50[0] == pytest.approx(10.0, rel=0.1)


def test_days_on_which_nothing_was_due_tell_nothing():
    assert told(0.05, mill(), "2026-04-01").mean == USUAL  # 0.9 J are not there within the hour
    shut = Closure(np.datetime64("2026-03-18"), np.datetime64("2026-04-02"), 0.0)
    assert told(10.0, mill(shut), "2026-04-01").mean == USUAL
    arctic = SiteDays(78.0, 0.0, 0.0, np.datetime64("2025-09-01"), 600)
    assert told(90.0, arctic, "2026-02-01", YARD).mean == USUAL
    assert told(90.0, arctic, "2026-06-01", YARD).mean < 0.1 * USUAL

"""What the findings of a node are judged by, and what a finding is."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np

from analysis.health import Health
from analysis.series import Floats
from ingest.budget import Budget

SURE = 0.9  # a finding is stated from this chance on
OF_STORAGE = frozenset({"capacity-fade", "resistance-rise", "leakage-rise"})  # findings that say that a storage wears


def silence(seconds: float) -> str:
    """How long a node has not been heard from, as findings and alarms tell it."""
    hours = seconds / 3600
    return f"{hours:.0f} h" if hours <= 48 else f"{hours / 24:.0f} days"


class Rise(NamedTuple):
    """A ratio to its own beginning and its standard deviation, and the day it changed, if one stands out."""

    ratio: float
    sd: float
    since: date | None


class NodeFacts(NamedTuple):
    """What the findings of one node are judged by.

    Attributes
    ----------
    first : date
        Site day of the first entry of the daily series.
    harvest_w, harvest_bound : ndarray, shape (days,)
        Harvest freed of season, weekday and closures [W], NaN where unknown; whether it is only a lower bound.
    wakes : ndarray, shape (days,)
        Wakes a day, NaN where not observed.
    sleep, leakage, wake, load, rest : Rise
        Of sleep power, leakage, the energy of a wake, wakes and sleep together at the recent wake rate, and of all that
        empties the storage at rest, per capacity, against the node's first weeks.
    health : Health
    commissioned : date
    silent_for_s : float
        Zero while the node is heard from.
    usable_share, usable_j : float
        In hand at the last report, of full and in joules.
    load_w : float
    heard : date
        Site day of the last report.
    leak_odds : float
        Of `health.leak_over_sleep`; near 0 a risen leakage is not told from risen sleep.
    fade_tie, wake_tie : float
        Correlation in the posterior of capacity's fade with leakage's rise and with the energy of a wake; near 1 or -1
        they cannot be told apart.
    blur : float
        Doubt that the evidence has left between wakes and sleep, over that before it; near 1 only their sum is known.
    fall : float
        Of voltage by the wake's own charge, in its step at a wake, over that by resistance.
    stood : float
        For how long capacity has been as good as what it is now, over how long its fall took.
    faded : date
        Day on which capacity began to fall (`health.stood`).
    worn : date, optional
        When resistance began to change.
    harvest_lost : ndarray, shape (days,)
        Share of each day's harvest that was curtailed at full and is made up for.
    harvest_pace : ndarray, shape (days,)
        `harvest_behind.PastHarvest.pace`.
    harvest_season_sd : ndarray, shape (days,), optional
        `harvest_behind.PastHarvest.season_sd`.
    fade : sequence
        `health.fade_or_leak`; empty where only `health` tells of capacity.
    """

    node_id: str
    site: str
    budget: Budget
    first: date
    harvest_w: Floats
    harvest_bound: np.ndarray
    harvest_lost: Floats
    wakes: Floats
    sleep: Rise
    leakage: Rise
    wake: Rise
    load: Rise
    rest: Rise
    health: Health
    commissioned: date
    silent_for_s: float
    usable_share: float
    usable_j: float
    load_w: float
    heard: date
    leak_odds: float
    fade_tie: float
    wake_tie: float
    blur: float
    fall: float
    stood: float
    faded: date
    worn: date | None = None
    fade: Sequence[Sequence[float]] = ()
    harvest_season_sd: Floats | None = None
    harvest_pace: Floats | float = 1.0


@dataclass(frozen=True)
class Finding:
    """One row of the table `findings`; node_id is empty for a site-wide one."""

    node_id: str | None
    finding: str
    since: date
    probability: float
    evidence: str
    site: str = ""

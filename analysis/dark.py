"""What silences tell: of a dark spell, that harvest was just enough to lift the storage from cut-off to restart.

A dark node reports nothing, and it is dark on its poor days: to leave these out would make the harvest look better than
it is, and the node come back to the same trouble unannounced.
"""

from typing import NamedTuple

import numpy as np

from analysis.ledger import longest_interval
from analysis.outcomes import spells
from analysis.series import Counts, Floats
from analysis.storage import StorageCurve
from ingest.budget import SECONDS_PER_DAY, Budget

HABIT = 3  # silences of the last weeks, dark spells aside, that show what a node keeps silent for (our choice),
SOME_MORE = 1.5  # and by how much longer the next may be


class DarkSpell(NamedTuple):
    """An unobserved stretch in which a node was dark, from its last report to the next. [s since 1970 UTC]"""

    begin: float
    end: float
    net_harvest_w: float  # its mean; leakage is taken off


class Days(NamedTuple):
    """Arrays over a node's ledger days."""

    day: np.ndarray
    net_harvest_j: Floats
    wake_j: Floats
    sleep_j: Floats
    full_s: Floats
    observed_s: Floats
    noon_v: Floats
    risen_at: Floats


def dark_spells(
    budget: Budget, curve: StorageCurve, time: Floats, voltage: Floats, wakes: Counts, boot: Counts, capacity: float
) -> tuple[DarkSpell, ...]:
    """The dark spells of one node that are over, from its reports in order of time ([s], [V], counters).

    Parameters
    ----------
    capacity : float
        Ratio to the budget.

    Notes
    -----
    The node goes on spending from its last report down to the cut-off; from there to the voltage at which it is heard
    again all that came in was kept, less leakage.
    """
    longest = longest_interval(budget)
    if not len(time) or np.diff(time).max(initial=0.0) <= longest:
        return ()
    found = spells(time, voltage, wakes, boot, budget, float(time[-1]))
    place = np.searchsorted(time, found.back[np.isfinite(found.back)])
    place = place[(place > 0) & (place < len(time))]
    place = place[time[place] - time[place - 1] > longest]
    stored = np.asarray(curve.energy(voltage))
    kept = capacity * (stored[place] - np.minimum(stored[place - 1], curve.cutoff_j))
    lasted = time[place] - time[place - 1]
    return tuple(map(DarkSpell, time[place - 1].tolist(), time[place].tolist(), (kept / lasted).tolist()))


def with_dark(days: Days, spells: tuple[DarkSpell, ...], offset: float) -> Days:
    """The days with what dark spells tell added, so that these count as observed.

    Parameters
    ----------
    offset : float
        What the site's clock is ahead of UTC. [s]
    """
    if not spells:
        return days
    first = [int((spell.begin + offset) // SECONDS_PER_DAY) for spell in spells]
    last = [int((spell.end + offset) // SECONDS_PER_DAY) for spell in spells]
    dark = [np.arange(a, b + 1).astype("datetime64[D]") for a, b in zip(first, last, strict=True)]
    whole = np.union1d(days.day, np.concatenate(dark))
    columns = [np.zeros(len(whole)) for _ in days[1:]]
    place = np.searchsorted(whole, days.day)
    for column, known in zip(columns, days[1:], strict=True):
        column[place] = known
    filled = Days(whole, *columns)
    for spell, those in zip(spells, dark, strict=True):
        at = np.searchsorted(whole, those)
        begin = those.astype(np.int64) * SECONDS_PER_DAY - offset
        seconds = np.minimum(begin + SECONDS_PER_DAY, spell.end) - np.maximum(begin, spell.begin)
        seconds = np.minimum(seconds, np.maximum(SECONDS_PER_DAY - filled.observed_s[at], 0.0))
        filled.net_harvest_j[at] += spell.net_harvest_w * seconds
        filled.observed_s[at] += seconds
    return filled


def usual_silence(time: Floats, dark: tuple[DarkSpell, ...]) -> float:
    """How long a node may keep silent by its habit, zero if it has none; by the times of its reports. [s]"""
    heard = ~np.isin(time[:-1], [spell.begin for spell in dark])
    silences = np.sort(np.diff(time)[heard])
    return SOME_MORE * float(silences[-HABIT]) if len(silences) >= HABIT else 0.0

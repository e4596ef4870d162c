"""Temperature where a node reports none: lent by its neighbours, the nodes at the same kind of place of its site.

What matters is how temperature moves, over the night and over the seasons, for leakage and capacity move with it; an
offset that stays is taken up by the node's own lines. Outdoors that is the air; in halls, the building; what hangs on
a source of heat is warmed by it. A site without a thermometer at such a place lends nothing, and what rests on it is
not separable there.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analysis.series import Floats, Series
from ingest.fleet import Fleet, Node

REPORTERS = 5  # thermometers of a place that are read: more tell little more
AGREE = 1.0  # scatter of the thermometers of a place beyond which none is lent [K]: at 10 K a doubling, 7 % of leakage
REACH = 3 * 3600.0  # from the last known temperature [s]
MISSING = 0.5  # share of a node's reports without temperature from which on it is taken to have no thermometer
KINDS = {"light-outdoor": "outdoors", "light-indoor": "hall", "vibration": "hall"}  # of other sources, their own

# Where nobody has a thermometer: how far the usual temperature may be off, one sd [K]: a guess (no source). What has no
# harvester, or another, may hang in a hall or in the yard.
USUAL_SD = {"light-indoor": 4.0, "vibration": 4.0, "light-outdoor": 6.0, "thermal": 12.0}
USUAL_SD_ELSEWHERE = 8.0


class Warmth(NamedTuple):
    """Temperature of a place: time [s since 1970 UTC] and degC, shape (hours,) each."""

    time: Floats
    temp_c: Floats


def place_names(fleet: Fleet, nodes: Sequence[Node]) -> list[str]:
    """The place of each node: those of one place are about as warm."""
    sources = [fleet.budgets[node.budget].harvest.source for node in nodes]
    return [f"{node.site} {KINDS.get(source, source)}" for node, source in zip(nodes, sources, strict=True)]


def usual_sd(source: str) -> float:
    """How far the temperature of a node of this source may be off what is usual, one standard deviation. [K]"""
    return USUAL_SD.get(source, USUAL_SD_ELSEWHERE)


def thermometers(place: Sequence[str], reports: Sequence[bool]) -> list[int]:
    """Which nodes lend their temperature: a few that report it, of each place where one does not."""
    found: defaultdict[str, list[int]] = defaultdict(list)
    poor = {p for p, has in zip(place, reports, strict=True) if not has}
    for i, (p, has) in enumerate(zip(place, reports, strict=True)):
        if has and p in poor and len(found[p]) < REPORTERS:
            found[p].append(i)
    return [i for nodes in found.values() for i in nodes]


def agree(variance: Floats) -> bool:
    """Whether a place's thermometers go together, by their variance hour by hour, NaN where one alone was heard. [K^2]

    One alone does not show how far what it says holds for its neighbours, and lends nothing.
    """
    return bool(np.isfinite(variance).any() and np.sqrt(np.nanmean(variance)) < AGREE)


def lend(series: Series, place: Sequence[str], known: dict[str, Warmth]) -> Series:
    """The reports of nodes (at `place`, one each) with the temperature of their place where they have none."""
    temp_c = series.temp_c.copy()
    for i, name in enumerate(place):
        rows = slice(*series.offsets[i : i + 2])
        if name in known and len(temp_c[rows]) and np.isnan(temp_c[rows]).mean() > MISSING:
            temp_c[rows] = _at(series.time[rows], known[name])
    return replace(series, temp_c=temp_c)


def _at(time: Floats, warmth: Warmth) -> Floats:
    """Temperature at some times, NaN farther than REACH from what is known. [degC]"""
    after = np.clip(np.searchsorted(warmth.time, time), 1, len(warmth.time) - 1)
    off = np.minimum(np.abs(time - warmth.time[after - 1]), np.abs(time - warmth.time[after]))
    return np.where(off <= REACH, np.interp(time, warmth.time, warmth.temp_c), np.nan)

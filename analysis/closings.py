"""Whether work goes on again on the day that a fleet's closures name as their end, as its nodes have shown.

A bare date as the end of a closure includes that day, as people mean it who write "closed from 24 to 28 December";
others write the day on which the plant opens again. Closures that are over tell which.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.series import Counts, Floats
from analysis.site_days import Closure

AROUND_DAYS = 42  # before and after, whose same weekdays tell what is usual
USUAL_DAYS = 2  # at least
WORKS = 0.5  # of the mean day, that a weekday must usually bring to tell of itself
SHUT = 0.6  # of the usual: days before the last that bring more tell of no closure
SPREAD = 0.25  # of a site's median day over the usual, one sd (our choice)
MOST = 4.0  # that one closure tells, as a logarithm of odds
INCLUDED = -1.0  # what is believed before: three in four ends are included
SURE = 2.0

_DAY = np.timedelta64(1, "D")


def reopens(day: np.ndarray, rate: Floats, node: Counts, closures: Sequence[Closure], today: np.datetime64) -> float:
    """Logarithm of the odds that the closures of one site end before the last day they name; 0 where nothing tells.

    Parameters
    ----------
    day : ndarray of datetime64[D], shape (rows,)
        Of the site's calendar, each but once a node.
    rate : ndarray, shape (rows,)
        Harvest of that day, per time seen; NaN where too little was.
    node : ndarray of int64, shape (rows,)
    closures : sequence of Closure
    today : datetime64
        Only days before it are told of.
    """
    told, shut = 0.0, np.zeros(len(day), dtype=bool)
    for stop in closures:
        shut |= (day >= stop.start.astype("datetime64[D]")) & (day < _after(stop))
    for stop in closures:
        last = _after(stop) - _DAY
        if not whole_days(stop) or last >= today or last - stop.start.astype("datetime64[D]") < _DAY:
            continue
        near = np.abs(day - last) <= AROUND_DAYS * _DAY
        usual = near & ~shut & np.isfinite(rate)
        inside = near & (day >= stop.start.astype("datetime64[D]") + _DAY) & (day < last)
        before = [_over_usual(day, rate, node, usual, one) for one in np.unique(day[inside])]
        if not before:
            before = [_over_usual(day, rate, node, usual, last - _DAY)]
        known, then = [over for over in before if np.isfinite(over)], _over_usual(day, rate, node, usual, last)
        if known and np.isfinite(then) and (left := float(np.median(known))) < SHUT:
            odds = ((then - left) ** 2 - (then - 1.0) ** 2) / (2 * SPREAD**2)
            told += min(max(odds, -MOST), MOST)
    return told


def whole_days(stop: Closure) -> bool:
    """Whether a closure ends with a day."""
    return bool(stop.end == stop.end.astype("datetime64[D]"))


def as_meant(closures: Sequence[Closure], odds: float) -> list[Closure]:
    """The closures, a day shorter where their last day is one of work again."""
    if odds + INCLUDED < SURE:
        return list(closures)
    return [
        replace(stop, end=stop.end - _DAY) if whole_days(stop) and stop.end - _DAY > stop.start else stop
        for stop in closures
    ]


def _after(stop: Closure) -> Any:
    """The first day after a closure, datetime64[D]."""
    day = stop.end.astype("datetime64[D]")
    return day if whole_days(stop) else day + _DAY


def _over_usual(day: np.ndarray, rate: Floats, node: Counts, usual: npt.NDArray[np.bool_], one: np.datetime64) -> float:
    """What one day brought over what its weekday usually does, the median of the nodes; NaN where that is little."""
    alike = usual & ((day - one).astype(np.int64) % 7 == 0)
    nodes = int(node.max(initial=0)) + 1
    count = np.bincount(node[alike], minlength=nodes)
    weekday = np.bincount(node[alike], rate[alike], nodes) / np.maximum(count, 1)
    mean = np.bincount(node[usual], rate[usual], nodes) / np.maximum(np.bincount(node[usual], minlength=nodes), 1)
    on = (day == one) & np.isfinite(rate)
    on[on] = (count >= USUAL_DAYS)[node[on]] & (weekday > WORKS * mean)[node[on]] & (mean > 0)[node[on]]
    return float(np.median(rate[on] / weekday[node[on]])) if on.any() else np.nan

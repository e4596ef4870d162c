"""Stops that nobody planned: which days behind were one, whether one is still on, and how long it may last."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.kernel import compiled
from analysis.sources import Source

Array = npt.NDArray[np.float64]

LOW = 0.4  # of the usual harvest: a day below it may belong to a stop
LONGEST = 14  # days; what lasts longer is taken for a lasting change of the harvest
USUAL_DAYS = 28
LEAST_DAYS = 7  # known before it, to tell what is usual
LIKELY = 0.5  # a run of low days is left out of the level from this probability of a stop
HEARD_DAYS = 4  # a node without a low day whose harvest is known on none of these says nothing of a stop of the site
# A stop of k days lasts m more with the chance k / (k + m), to this power: one node's may be a fault that stays, a
# whole plant's is a breakdown or a holiday (our own judgement).
ALONE_TAIL, TOGETHER_TAIL = 1.0, 2.0


class _Run(NamedTuple):
    """Low days in a row up to yesterday."""

    days: int  # since the first of them
    low: int  # how many are known to be low
    factor: float  # what they leave of the usual harvest


class Stop(NamedTuple):
    """A run of days of next to no harvest up to yesterday."""

    days: int  # since it began
    share: float  # probability that it is a stop, and not a run of poor days
    factor: float  # what it leaves of the harvest
    nodes: int  # that are low together; 1 for a node that is low alone

    @property
    def tail(self) -> float:
        """The power of the chance that it lasts on."""
        return TOGETHER_TAIL if self.nodes > 1 else ALONE_TAIL


def ongoing_stops(values: Array, censored: npt.NDArray[np.bool_], source: Source) -> list[Stop | None]:
    """The stops that the last days of a site's nodes with one kind of harvest look like; None for a node without.

    Parameters
    ----------
    values : ndarray, shape (nodes, days)
        Harvest of each day up to yesterday over what season, weekday and closures allow; NaN where not known.
    censored : ndarray of bool, shape (nodes, days)
        Days on which it is only a lower bound.
    source : Source
        What is believed of their kind of harvest.

    Notes
    -----
    The chance of a stop that has lasted k days is that of one having begun, over k (stops of every length are equally
    common on a logarithmic scale); that of n poor days in a row is that of one, then the chance of one more. Where at
    least half of the nodes that are heard are low, they are low together: n of them count as n / (1 + (n - 1)
    shared^2) that are poor by themselves (the effective number of equally correlated values; common practice, no
    source). A node that is low alone has its own chance.
    """
    runs = _low_runs(values, censored)
    heard = np.isfinite(values[:, -HEARD_DAYS:]).any(axis=1) | np.array([run is not None for run in runs])
    low = sum(run is not None for run in runs)
    nodes = low if low and 2 * low >= heard.sum() else 1
    weight, scatter = _effective(nodes, source), (source.stops, source.poor, source.noise_keep)
    return [
        None
        if run is None
        else Stop(run.days, float(_share(run.low, run.days, *scatter, weight)), max(run.factor, 0.0), nodes)
        for run in runs
    ]


def without(value: Array, stop: Stop | None) -> Array:
    """The days behind without a stop that is still on, if it likely is one."""
    if stop is None or stop.share < LIKELY:
        return value
    return np.where(np.arange(len(value)) < len(value) - stop.days, value, np.nan)


def _low_runs(values: Array, censored: npt.NDArray[np.bool_]) -> list[_Run | None]:
    """The low days at each node's end; None where there are none, too few days before them, or too many of them."""
    known = np.isfinite(values)
    runs, usual = np.zeros(len(values), dtype=np.int64), np.zeros(len(values))
    _count_low(values, known, censored, runs, usual)
    return [_run(*row) if row[2] else None for row in zip(values, known, runs.tolist(), usual.tolist(), strict=True)]


def _run(value: Array, known: npt.NDArray[np.bool_], run: int, usual: float) -> _Run | None:
    place = np.flatnonzero(known)
    days = len(value) - int(place[-run])
    if days > LONGEST or len(place) - run < LEAST_DAYS:
        return None
    return _Run(days, run, float(value[place[-run:]].mean() / usual))


@compiled
def _share(run: int, days: int, starts: float, poor: float, keep: float, nodes: float) -> float:
    """Probability that `run` low days within `days` days, of so many nodes, are a stop, and not scatter."""
    scatter = (poor * (poor + (1 - poor) * keep) ** (run - 1)) ** nodes
    begun = starts / days
    return float(begun / (begun + scatter))


def past_stops(values: Array, censored: npt.NDArray[np.bool_], source: Source) -> npt.NDArray[np.bool_]:
    """Days that belonged to a stop that is over, and so say nothing of the level; as for `ongoing_stops`.

    A run of low days, no longer than LONGEST, that ended in days as usual, and is likelier a stop than scatter: the
    more so, the more of the nodes were low on all of these days.
    """
    known, low, stopped = np.isfinite(values), np.zeros(values.shape, np.bool_), np.zeros(values.shape, np.bool_)
    one = np.ones(values.shape[1])
    _mark_each(values, known, censored, low, one, 1.0, 0.0, 0.0, 0.0)  # all such runs
    most = 2 * low.sum(axis=0) >= np.maximum(known.sum(axis=0), 1)
    weight = _effective(np.where(most, np.maximum(low.sum(axis=0), 1), 1), source)
    # Where nodes are low time and again, as by readings that tell little, most of them are so by chance.
    often = max(source.poor, float(low.sum() / max(known.sum(), 1)))
    _mark_each(values, known, censored, stopped, weight, source.stops, source.poor, often, source.noise_keep)
    return stopped


def _effective(nodes: Any, source: Source) -> Any:
    """As how many nodes that are poor by themselves so many count that are low together."""
    return nodes / (1 + (nodes - 1) * source.shared**2)


@compiled
def least_median(value: Array, censored: Any) -> float:
    """Median of days of which some are only lower bounds (product limit, as in `noise.noise_table`), or the highest."""
    order = np.argsort(value)
    left = 1.0
    for place, i in enumerate(order):
        if not censored[i]:
            left *= 1.0 - 1.0 / (len(order) - place)
            if left <= 0.5:
                return float(value[i])
    return float(value[order[-1]]) if len(order) else 0.0


def least_medians(values: Array, censored: npt.NDArray[np.bool_]) -> Array:
    """`least_median` of each row's known days; zero where there is none."""
    found = np.empty(len(values))
    _least_medians(np.ascontiguousarray(values), np.isfinite(values), np.ascontiguousarray(censored), found)
    return found


@compiled
def _least_medians(values: Array, known: Any, censored: Any, found: Array) -> None:
    for row in range(len(values)):
        found[row] = least_median(values[row][known[row]], censored[row][known[row]])


@compiled
def _count_low(values: Array, known: Any, censored: Any, runs: Any, usual: Array) -> None:
    """How many days at each node's end are low, of those known, and what was usual before them."""
    for node in range(len(values)):
        place = np.flatnonzero(known[node])
        for day in range(len(place) - 1, 0, -1):
            before = place[max(day - USUAL_DAYS, 0) : day]
            middle = least_median(values[node][before], censored[node][before])
            if censored[node, place[day]] or not values[node, place[day]] < LOW * middle:
                break
            runs[node] += 1
            usual[node] = middle


@compiled
def _mark_each(
    values: Array, known: Any, censored: Any, stopped: Any, weight: Array, starts: float, poor: float, often: float,
    keep: float,
) -> None:  # fmt: skip
    """Mark the days of each node's stops that are over.

    `weight` is of each day, as how many nodes those count that are low together; `often` they are, by chance.
    """
    for node in range(len(values)):
        _mark(values[node], known[node], censored[node], stopped[node], weight, starts, poor, often, keep)


@compiled
def _mark(
    value: Array, known: Any, censored: Any, stopped: Any, weight: Array, starts: float, poor: float, often: float,
    keep: float,
) -> None:  # fmt: skip
    """Mark the days of a node's stops that are over, of those known."""
    # Of the days that were as usual: the value, whether it is a bound, and below what a day is low by it.
    usual, bound, low = np.empty(len(value)), np.empty(len(value), np.bool_), np.empty(len(value))
    run, length, count = np.empty(len(value), np.int64), 0, 0  # days of the run of low ones
    for day in np.flatnonzero(known):
        if not censored[day] and count >= LEAST_DAYS:
            last, below, most = slice(max(count - USUAL_DAYS, 0), count), 0, 0.0
            for k in range(last.start, last.stop):
                below += low[k] <= value[day]
                most = max(most, usual[k])
            # With most of them so far below, or all, the median is one of these, and need not be looked for.
            near = 2 * below > last.stop - last.start or value[day] >= LOW * most
            if not near and value[day] < LOW * least_median(usual[last], bound[last]):
                run[length] = day
                length += 1
                continue
        if length and day - run[0] <= LONGEST:
            together, days = weight[run[:length]].min(), day - run[0]
            share = _share(length, days, starts, poor, keep, 1.0)
            if together > 1.0:
                share = max(share, _share(length, days, starts, often, keep, together))
            if share >= LIKELY:
                stopped[run[:length]] = True
                length = 0
        run[length] = day
        for k in run[: length + 1]:
            usual[count], bound[count] = value[k], censored[k]
            low[count] = np.inf if censored[k] else LOW * value[k]
            count += 1
        length = 0

"""Stops that nobody planned: which days behind were one, whether one is still on, and how long it may last."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from analysis.kernel import compiled

Array = npt.NDArray[np.float64]

LOW = 0.4  # of the usual harvest: a day below it may belong to a stop
LONGEST = 14  # days; what lasts longer is taken for a lasting change of the harvest
USUAL_DAYS = 28
LEAST_DAYS = 7  # known before it, to tell what is usual
STARTS_A_DAY = 0.006  # two stops a year (our own judgement)
LIKELY = 0.5  # a run of low days is left out of the level from this probability of a stop
LEAST_CHANCE = 0.01  # of a single low day for another reason


class Stop(NamedTuple):
    """A run of days of next to no harvest up to yesterday."""

    days: int  # since it began
    share: float  # probability that it is a stop, and not a run of poor days
    factor: float  # what it leaves of the harvest


def ongoing_stop(value: Array, censored: npt.NDArray[np.bool_], noise_sd: float, noise_keep: float) -> Stop | None:
    """The stop that a node's last days look like, or None.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Harvest of each day up to yesterday over what season, weekday and closures allow; NaN where not known.
    censored : ndarray of bool, shape (n,)
        Days on which it is only a lower bound.
    noise_sd, noise_keep : float
        Usual relative scatter of a day, and its correlation from day to day.

    Notes
    -----
    The chance of a stop that has lasted k days is that of one having begun, over k (stops of every length are equally
    common on a logarithmic scale); that of n poor days in a row is a lognormal's lower tail, then the chance of one
    more. Left out: what other nodes of the site show.
    """
    known = np.flatnonzero(np.isfinite(value))
    run = 0
    while run < len(known):
        day = known[len(known) - 1 - run]
        before = known[: len(known) - 1 - run][-USUAL_DAYS:]
        if censored[day] or not len(before) or value[day] > LOW * np.median(value[before]):
            break
        run += 1
    if run == 0 or len(known) - run < LEAST_DAYS:
        return None
    first = known[len(known) - run]
    days = len(value) - int(first)
    usual = float(np.median(value[known[: len(known) - run][-USUAL_DAYS:]]))
    if days > LONGEST or usual <= 0:
        return None
    return Stop(days, _share(run, days, _poor(noise_sd), noise_keep), float(value[known[-run:]].mean() / usual))


def _poor(noise_sd: float) -> float:
    """Probability of a single low day by scatter alone."""
    sigma = np.sqrt(np.log1p(noise_sd**2))
    return max(float(ndtr(np.log(LOW) / sigma + sigma / 2)) if sigma > 0 else 0.0, LEAST_CHANCE)


@compiled
def _share(run: int, days: int, poor: float, keep: float) -> float:
    """Probability that `run` low days within `days` days are a stop, and not scatter."""
    scatter = poor * (poor + (1 - poor) * keep) ** (run - 1)
    begun = STARTS_A_DAY / days
    return float(begun / (begun + scatter))


def past_stops(
    value: Array, censored: npt.NDArray[np.bool_], noise_sd: float, noise_keep: float
) -> npt.NDArray[np.bool_]:
    """Days that belonged to a stop that is over, and so say nothing of the level; as for `ongoing_stop`.

    A run of low days, no longer than LONGEST, that ended in days as usual, and is likelier a stop than scatter.
    """
    stopped = np.zeros(len(value), dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(value))
    _mark(known, value, np.asarray(censored, dtype=np.bool_), _poor(noise_sd), noise_keep, stopped)
    return stopped


@compiled
def _mark(known: Any, value: Array, censored: Any, poor: float, keep: float, stopped: Any) -> None:
    """Mark the days of stops that are over, of those known."""
    usual, count = np.empty(len(value)), 0  # values of the days that were as usual
    run, length = np.empty(len(value), np.int64), 0  # days of the run of low ones
    for day in known:
        middle = np.median(usual[max(count - USUAL_DAYS, 0) : count]) if count >= LEAST_DAYS else 0.0
        if not censored[day] and value[day] < LOW * middle:
            run[length] = day
            length += 1
            continue
        if length and day - run[0] <= LONGEST and _share(length, day - run[0], poor, keep) >= LIKELY:
            for k in range(length):
                stopped[run[k]] = True
        else:
            for k in range(length):
                usual[count] = value[run[k]]
                count += 1
        length = 0
        usual[count] = value[day]
        count += 1

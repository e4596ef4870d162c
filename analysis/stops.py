"""Stops that nobody planned: which days behind were one, whether one is still on, and how long it may last."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

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
    return Stop(days, _share(run, days, noise_sd, noise_keep), float(value[known[-run:]].mean() / usual))


def _share(run: int, days: int, noise_sd: float, noise_keep: float) -> float:
    """Probability that `run` poor days within `days` days are a stop, and not scatter."""
    sigma = np.sqrt(np.log1p(noise_sd**2))
    poor = max(float(ndtr(np.log(LOW) / sigma + sigma / 2)) if sigma > 0 else 0.0, LEAST_CHANCE)
    scatter = poor * (poor + (1 - poor) * noise_keep) ** (run - 1)
    begun = STARTS_A_DAY / days
    return begun / (begun + scatter)


def past_stops(
    value: Array, censored: npt.NDArray[np.bool_], noise_sd: float, noise_keep: float
) -> npt.NDArray[np.bool_]:
    """Days that belonged to a stop that is over, and so say nothing of the level; as for `ongoing_stop`.

    A run of low days, no longer than LONGEST, that ended in days as usual, and is likelier a stop than scatter.
    """
    stopped = np.zeros(len(value), dtype=bool)
    usual: list[float] = []
    run: list[int] = []
    for day in np.flatnonzero(np.isfinite(value)).tolist():
        middle = float(np.median(usual[-USUAL_DAYS:])) if len(usual) >= LEAST_DAYS else 0.0
        if not censored[day] and value[day] < LOW * middle:
            run.append(day)
            continue
        if run and day - run[0] <= LONGEST and _share(len(run), day - run[0], noise_sd, noise_keep) >= LIKELY:
            stopped[run] = True
        elif run:
            usual += value[run].tolist()
        run = []
        usual.append(float(value[day]))
    return stopped

"""How much seldomer a node wakes while little is stored: a firmware that saves, told by all nodes of its budget."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

PLENTY = 0.65  # of the usable energy at full: a node with as much wakes as it will; below, it may save
NEAR_DAYS = 21  # before and after a day, in which its usual rate is looked for,
LEAST_NEAR = 3  # on so many days of plenty at least;
LEAST_PLENTY = 7  # and so many in all
BELOW = np.arange(0.1, 0.61, 0.05)  # where a firmware may begin to save
LEAST_DAYS = 10  # on which little was stored,
TOGETHER = 4  # so many of which hang together as one (our choice),
LEAST_SAVED = 0.15  # of the wakes: less is no plan,
SURE_SD = 5.0  # and from how many standard deviations on it is one
USUAL_SHARE = 0.5  # of the usual harvest: a day with less may be one of less work


class Thrift(NamedTuple):
    """What a firmware does while little is stored."""

    below: float  # share of the usable energy at full
    factor: float  # wakes there over those with plenty

    def of(self, share: Array) -> Array:
        """Factor on the wakes at shares of the usable energy at full."""
        return np.where(share < self.below, self.factor, 1.0)


NONE = Thrift(0.0, 1.0)


def waking(day: npt.NDArray[np.datetime64], share: Array, rate: Array, works: npt.NDArray[np.bool_]) -> Array:
    """What a node's days tell: share stored, and wakes over its usual ones of about that time; shape (2, days).

    Parameters
    ----------
    day : ndarray of datetime64[D], shape (n,)
        Of its ledger, rising.
    share : ndarray, shape (n,)
        Of the usable energy at full, of each day; NaN where not known.
    rate : ndarray, shape (n,)
        Wakes a day; NaN where not known.
    works : ndarray of bool, shape (n,)
        Whether a day is as usual: neither idle nor closed, nor poor. Where wakes follow the work, fewer of them on
        other days are no thrift.
    """
    told = works & np.isfinite(share) & np.isfinite(rate)
    plenty = told & (share >= PLENTY)
    if plenty.sum() < LEAST_PLENTY or not (told & ~plenty).any() or rate[plenty].mean() <= 0:
        return np.empty((2, 0))
    number = day.astype("datetime64[D]").astype(np.int64)
    weekday, count = number % 7, np.bincount(number[plenty] % 7, minlength=7)
    mean = np.bincount(weekday[plenty], rate[plenty], minlength=7) / np.maximum(count, 1)
    freed = rate / np.where((count > 0) & (mean > 0), mean, rate[plenty].mean())[weekday]
    days, sums = (np.append(0.0, np.cumsum(x)) for x in (plenty.astype(float), np.where(plenty, freed, 0.0)))
    first, last = (np.searchsorted(number, number + reach) for reach in (-NEAR_DAYS, NEAR_DAYS + 1))
    near = days[last] - days[first]
    told &= near >= LEAST_NEAR
    usual = (sums[last] - sums[first]) / np.maximum(near, 1.0)
    told &= usual > 0
    return np.stack([share[told], freed[told] / usual[told]])


def learn_thrift(nodes: Sequence[Array]) -> Thrift:
    """The thrift of a budget's firmware by its nodes' days (`waking`), or `NONE`.

    Two levels of the wakes, parted where they leave the least squares.
    """
    share, ratio = np.concatenate(nodes, axis=1) if nodes else np.empty((2, 0))
    found, least = NONE, len(ratio) * float(ratio.var()) if len(ratio) else 0.0
    for below in BELOW.tolist():
        low = share < below
        if low.sum() < LEAST_DAYS or low.all():
            continue
        saved, usual = ratio[low], ratio[~low]
        squares = len(saved) * float(saved.var()) + len(usual) * float(usual.var())
        factor, doubt = float(saved.mean() / usual.mean()), float(saved.std()) / np.sqrt(len(saved) / TOGETHER)
        if squares < least and 1.0 - factor > max(LEAST_SAVED, SURE_SD * doubt):
            found, least = Thrift(below, factor), squares
    return found


def as_usual(net_harvest: Array, rest: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Days, not those of rest, on which at least USUAL_SHARE of the usual came in."""
    came = net_harvest[(net_harvest > 0) & ~rest]
    return ~rest & (net_harvest >= (USUAL_SHARE * np.median(came) if len(came) else np.inf))

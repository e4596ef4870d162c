"""The courses of single days: what a storage that lasts for hours meets where its source stops at any hour.

Its usual course over the day is flat there, and knows no stop; each of the last days had its own. The days ahead are
drawn with one of these each, a poor day with that of a poor one.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.load import sleep_power, wake_energy
from analysis.series import Counts, Floats
from analysis.storage import leakage_power, storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget

LASTS_DAYS = 1.5  # at full, by the budget, up to which single days matter
ALIKE = 0.6  # of its best weekday that the poorest brings in where a source has no week
LEAST_SHARE = 0.05  # of a mean day, below which a day's course is not told
LEAST_DAYS = 14  # of its own whose courses stand for those ahead
LENT_DAYS = 28  # of its sisters that are added, at most
NOON = np.eye(24)[12]  # the course of a day at rest, which begins and ends so
SEEN_S = 1800.0  # of an hour that must be seen
HARVEST, FREE, FULL = range(3)  # gathered by hour: [J] before leakage, and time seen below full and at full [s]


def wanted(budget: Budget) -> bool:
    """Whether a storage lasts so short that single days matter; under the sun each day has much the same course."""
    harvest, storage, load = budget.harvest, budget.storage, budget.load
    if harvest.outdoors or harvest.source == "none":
        return False
    curve, volts = storage_curve(storage), storage.full_voltage
    spent = float(wake_energy(load, volts)) * load.wakes_per_day + SECONDS_PER_DAY * (
        float(sleep_power(load, volts)) + float(leakage_power(storage, volts))
    )
    return spent > 0 and curve.full_j - curve.cutoff_j < LASTS_DAYS * spent


def hours_of(gathered: Floats, leakage: float) -> Floats:
    """Harvest of each hour of a node's last days, NaN where it was not seen; shape (days, 24). [J]

    An hour at full brought in as much as the working hours below it.

    Parameters
    ----------
    gathered : ndarray, shape (days, 24, 3)
        HARVEST, FREE and FULL by hour of the site's day.
    leakage : float
        [W]
    """
    gross, free, full = (gathered[..., column].astype(float) for column in (HARVEST, FREE, FULL))
    gross = gross + leakage * free
    if free.sum() <= 0:
        return np.full(free.shape, np.nan)
    told = free >= SEEN_S
    rate, mean = gross[told] / free[told], gross.sum() / free.sum()
    working = float(rate[rate >= mean].mean()) if (rate >= mean).any() else mean
    seen = free + full
    with np.errstate(divide="ignore", invalid="ignore"):
        hourly = np.maximum(gross + working * full, 0.0) * 3600.0 / seen
    return np.where(seen >= SEEN_S, hourly, np.nan)


def single_shapes(
    hours: Sequence[Floats | None], weeks: Floats, usual: npt.NDArray[np.bool_], hour: int
) -> list[Floats]:
    """Share of its harvest that has come after each hour of single days, the poorest first; one (days, 25) a node.

    A rare long stop is seen by some of the nodes of one kind: each node has its own days, and some of its sisters'.

    Parameters
    ----------
    hours : sequence of ndarray, shape (days, 24), or None
        From `hours_of`, of nodes of one site and budget, up to today.
    weeks : ndarray, shape (nodes, 7)
        Factor of each weekday; of a source with a week, whose days differ by plan, there are none.
    usual : ndarray of bool, shape (any days,)
        Whether a day up to today is one: not closed, nor in a stop that most nodes share. The others are left out.
    hour : int
        At which the days begin.
    """
    days = [_days(each, week, usual, hour) for each, week in zip(hours, weeks, strict=True)]
    whose = np.repeat(np.arange(len(days)), [len(own) for own in days])
    mixed = np.random.default_rng(len(whose)).permutation(len(whose))  # so that days lent are of many nodes and dates
    pool, whose = np.concatenate([np.empty((0, 24)), *days])[mixed], whose[mixed]
    return [
        _shapes(own, pool, np.flatnonzero(whose[: LENT_DAYS + len(own)] != i)[:LENT_DAYS]) for i, own in enumerate(days)
    ]


def _days(hours: Floats | None, week: Floats, usual: npt.NDArray[np.bool_], hour: int) -> Floats:
    """Harvest by hour of a node's days that begin at `hour`, over its mean day; shape (days, 24)."""
    none = np.empty((0, 24))
    if hours is None or not len(hours) or week.min() < ALIKE * week.max():
        return none
    known = usual[-len(hours) :]
    hours = np.where(np.pad(known, (len(hours) - len(known), 0))[:, None], hours, np.nan)  # none before the ledger
    days = hours.ravel()[hour:]
    days = days[: len(days) // 24 * 24].reshape(-1, 24)
    days = days[np.isfinite(days).all(axis=1)]
    total = days.sum(axis=1)
    return days / total.mean() if len(days) >= LEAST_DAYS and total.mean() > 0 else none


def _shapes(own: Floats, pool: Floats, lent: Counts) -> Floats:
    """Shapes of a node's days and of some of the pool's; of none of its own, none."""
    if not len(own):
        return np.empty((0, 25))
    days = np.concatenate([own, pool[lent]])
    days = days[np.argsort(days.sum(axis=1), kind="stable")]
    total = days.sum(axis=1)
    told = total > LEAST_SHARE
    share = np.where(told[:, None], days / np.where(told, total, 1.0)[:, None], NOON)
    return np.concatenate([np.zeros((len(days), 1)), np.cumsum(share, axis=1)], axis=1)

"""Storage health: capacity, series resistance and leakage against the node's own commissioning, and a verdict.

The baseline is the node's own first month, not the nameplate: new parts stand 3 to 19 % above it. Capacity is compared
through the storage's curve, so at equal voltage, and freed of temperature by the posterior; resistance (`resistance`)
is brought to 25 degC before it is compared.
"""

import math
from typing import Any, Literal, NamedTuple

import numpy as np
from numba import njit
from scipy.special import ndtri

from analysis.resistance import BASELINE_DAYS, Resistance
from analysis.series import Counts, Floats
from ingest.budget import DAYS_PER_YEAR, Storage

Verdict = Literal["sound", "watch", "degraded", "spent", "not-enough-data"]
WARN_SHARE = 0.3  # of the way to the budget's end of life: -6 % and x1.3 of the usual -20 % and x2
SPENT_SHARE = 2.0  # of that way
VERDICT_SD = float(ndtri(0.9))  # standard deviations: a verdict is passed at this chance
LEAKS_MORE = 2.0  # ratio of leakage to commissioning from which a storage is watched (our own judgement)
LEAKS = 0.1  # of storages that have begun to leak, about as many as have lost capacity: our choice,
LEAK_TIMES = (1.5, 2.2, 3.3, 5.0, 7.5, 11.0)  # to so many times what it was,
LEAK_SPREAD = 0.2  # give or take, relative
STEADY = 0.1  # of the logarithm of sleep and leakage: how far one that has not moved may seem to
SEEN_LOST = 0.15  # of a loss, by which its beginning is dated: a smoothed way falls early
UNKNOWN_SD = 0.08  # of capacity: beyond this doubt nothing is said of it
RATE_DAYS = 90  # no rate of fade is stated from less,
RATE_SD = 0.15  # nor one less certain [1/a]


class Health(NamedTuple):
    """One row of the table `health`; NaN where the telemetry does not tell."""

    capacity_ratio: float
    capacity_sd: float
    esr_ratio: float
    esr_sd: float
    leakage_ratio: float
    leakage_sd: float
    fade_per_year: float
    fade_sd: float
    verdict: Verdict


def judge(
    storage: Storage, capacity: tuple[float, float], esr: Resistance, leakage: tuple[float, float], days: int
) -> Health:
    """The health of a storage.

    Parameters
    ----------
    capacity, leakage : tuple of float
        Ratio to commissioning and its standard deviation.
    days : int
        Since the baseline began.
    """
    ratio, sd = capacity
    known = sd <= UNKNOWN_SD
    years = max(days, 1) / DAYS_PER_YEAR
    stated = known and days >= RATE_DAYS and sd / years <= RATE_SD
    return Health(
        capacity_ratio=ratio if known else np.nan,
        capacity_sd=sd if known else np.nan,
        esr_ratio=esr.ratio,
        esr_sd=esr.ratio_sd,
        leakage_ratio=leakage[0],
        leakage_sd=leakage[1],
        fade_per_year=(1 - ratio) / years if stated else np.nan,
        fade_sd=sd / years if stated else np.nan,
        verdict=_verdict(storage, (ratio, sd) if known else None, esr, leakage),
    )


def fade_or_leak(mean: Floats, covariance: Floats, before: Floats) -> Floats:
    """What capacity may be, first with a leakage as steady as storage has it and then with one that has risen.

    Parameters
    ----------
    mean : ndarray, shape (..., 2)
        Logarithms of the ratios of capacity and leakage to commissioning, by the posterior.
    covariance : ndarray, shape (..., 2, 2)
    before : ndarray, shape (..., 2)
        Variances of the two before any evidence.

    Returns
    -------
    ndarray, shape (..., hypotheses, 3)
        Of each its chance, the ratio of capacity, and the standard deviation of that.

    Notes
    -----
    A capacity that falls and a leakage that rises both empty a storage faster; that fade can be seen at all rests on
    leakage being steady. What the evidence alone says (the posterior less its prior) is joined with leakages risen
    to LEAK_TIMES, too, and all are weighed by how well each expected the evidence, leakage risen before any in LEAKS
    of the storages. What a storage loses is linear in leakage, not in its logarithm: one that leaks little can leak
    ten times as much before it shows.
    """
    # A storage that came this week has had no time for either: the filter begins it without a doubt.
    free = np.asarray((np.diagonal(covariance, axis1=-2, axis2=-1) > 0).all(axis=-1))
    covariance, before = np.where(free[..., None, None], covariance, np.eye(2)), np.where(free[..., None], before, 1.0)
    told = np.linalg.inv(covariance)
    right = (told @ mean[..., None])[..., 0]
    told = told - np.eye(2) / before[..., None]
    leak, rise = mean[..., 1], np.exp(mean[..., 1])
    share = LEAKS / len(LEAK_TIMES)
    risen = [(share, leak + times / rise - 1.0, (LEAK_SPREAD * times / rise) ** 2) for times in LEAK_TIMES]
    weights, found = [], []
    for chance, at, variance in ((1 - LEAKS, 0 * leak, before[..., 1]), *risen):
        prior = np.eye(2) / np.stack([before[..., 0], variance], axis=-1)[..., None]
        own = np.linalg.inv(told + prior)
        pull = right.copy()
        pull[..., 1] += prior[..., 1, 1] * at
        middle = (own @ pull[..., None])[..., 0]
        # ln of the evidence of each, up to what they share
        weight = np.log(chance) + 0.5 * (np.linalg.slogdet(own)[1] + np.linalg.slogdet(prior)[1])
        weights.append(weight + 0.5 * ((pull * middle).sum(axis=-1) - prior[..., 1, 1] * at**2))
        ratio = np.exp(middle[..., 0])
        found.append((ratio, ratio * np.sqrt(np.maximum(own[..., 0, 0], 1e-12))))
    chances = np.exp(np.array(weights) - np.max(weights, axis=0))
    chances /= chances.sum(axis=0)
    return np.stack([np.stack([c, *rest], axis=-1) for c, rest in zip(chances, found, strict=True)], axis=-2)


def stood(capacity: np.ndarray[Any, Any], first: Counts, last: Counts) -> tuple[Floats, Counts]:
    """For how long nine tenths of a loss of capacity have been there, over how long they took from the first tenth on.

    And on which day, of each node from its `first` on, SEEN_LOST of it had been lost.

    Parameters
    ----------
    capacity : ndarray, shape (nodes, days)
        Ratio of capacity to the budget's along the way, of each node from its day `first` to the one before `last`.
    """
    found, began = np.empty(len(capacity)), np.empty(len(capacity), dtype=np.int64)
    _stood(capacity, first, last, found, began)
    return found, began


@njit(cache=True, nogil=True, error_model="numpy")
def _stood(capacity, first, last, found, began):  # type: ignore[no-untyped-def]
    for node in range(len(capacity)):
        way = capacity[node, first[node] : last[node]]
        begin = way[:BASELINE_DAYS].astype(np.float64).mean()
        lost = math.log(begin / way[-1])
        tenth, done = _lost(way, begin, 0.1 * lost), _lost(way, begin, 0.9 * lost)
        began[node] = _lost(way, begin, SEEN_LOST * lost)
        found[node] = (len(way) - 1 - done) / max(done - tenth, BASELINE_DAYS / 4)


@njit(cache=True, nogil=True, error_model="numpy")
def _lost(way, begin, least):  # type: ignore[no-untyped-def]
    """The first day on which so much of the logarithm of capacity had been lost; 0 if none."""
    for day in range(len(way)):
        if math.log(begin / way[day]) >= least:
            return day
    return 0


def leak_over_sleep(now: Floats, covariance: Floats, first: Floats, since: Floats) -> Floats:
    """Logarithm of how much better a leakage that has risen expected the evidence than a sleep power that has.

    Parameters
    ----------
    now : ndarray, shape (..., 2)
        Logarithms of the ratios of sleep to the budget and of leakage to commissioning, by the posterior.
    covariance : ndarray, shape (..., 2, 2)
    first : ndarray, shape (..., 2)
        Logarithm of the ratio of sleep at commissioning, and its variance.
    since : ndarray, shape (..., 2)
        Variances that sleep and leakage have gained since, before any evidence.

    Notes
    -----
    What the evidence alone says (the posterior less its prior) is joined with each of the two as the only one that may
    have moved, the other by no more than STEADY.
    """
    start = np.stack([first[..., 0], np.zeros(first.shape[:-1])], axis=-1)
    before = np.stack([first[..., 1] + since[..., 0], since[..., 1]], axis=-1)
    precision = np.linalg.inv(covariance + 1e-9 * np.eye(2))  # of a storage that came this week there is no doubt
    told, right = precision - np.eye(2) / before[..., None], (precision @ now[..., None])[..., 0] - start / before
    value, axes = np.linalg.eigh(told)
    told = (axes * np.maximum(value, 1e-6)[..., None, :]) @ np.swapaxes(axes, -1, -2)
    steady = np.full(first.shape[:-1], STEADY**2)
    leaks = np.stack([steady + first[..., 1], before[..., 1]], axis=-1)
    sleeps = np.stack([before[..., 0], steady], axis=-1)
    return _expected(told, right, start, leaks) - _expected(told, right, start, sleeps)


def _expected(told: Floats, right: Floats, start: Floats, variance: Floats) -> Floats:
    """Ln of the evidence under a normal prior, up to what all priors share."""
    prior = np.eye(2) / variance[..., None]
    own, pull = told + prior, right + start / variance
    middle = np.linalg.solve(own, pull[..., None])[..., 0]
    gain = np.log(1 / variance).sum(axis=-1) - np.linalg.slogdet(own)[1]
    return np.asarray(0.5 * (gain + (pull * middle).sum(axis=-1) - (start**2 / variance).sum(axis=-1)))


def _verdict(
    storage: Storage, capacity: tuple[float, float] | None, esr: Resistance, leakage: tuple[float, float]
) -> Verdict:
    """The worst that is surely reached by capacity or resistance; a leakage surely doubled is to be watched.

    No budget says how much leakage ends a life, so that it never does. A storage whose capacity is not known is not
    called sound.
    """
    lost, risen = 1 - storage.end_of_life_capacity, storage.end_of_life_esr_ratio - 1
    wear = []  # share of the way to the end of life, and its sd
    if capacity is not None:
        wear.append(((1 - capacity[0]) / lost, capacity[1] / lost))
    if np.isfinite(esr.ratio):
        wear.append(((esr.ratio - 1) / risen, max(esr.ratio_sd / risen, 1e-6)))
    steps: tuple[tuple[Verdict, float], ...] = (("spent", SPENT_SHARE), ("degraded", 1.0), ("watch", WARN_SHARE))
    for verdict, limit in steps:
        if any(share - limit >= VERDICT_SD * sd for share, sd in wear):
            return verdict
    if leakage[0] - LEAKS_MORE >= VERDICT_SD * max(leakage[1], 1e-6):
        return "watch"
    return "not-enough-data" if capacity is None else "sound"

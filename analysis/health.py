"""Storage health: capacity, series resistance and leakage against the node's own commissioning, and a verdict.

The baseline is the node's own first month, not the nameplate: new parts stand 3 to 19 % above it. Capacity is compared
through the storage's curve, so at equal voltage, and freed of temperature by the posterior; resistance is brought to
25 degC before it is compared.
"""

import math
from typing import Any, Literal, NamedTuple

import numpy as np
from numba import njit
from scipy.special import ndtri

from analysis.daily import medians
from analysis.evidence import middle_voltage
from analysis.outlook import curve_of
from analysis.series import Counts, Floats
from analysis.steps import STEP_COUNT, STEP_OHM, STEP_VAR, STEP_WARMTH
from ingest.budget import DAYS_PER_YEAR, Budget, Storage

Verdict = Literal["sound", "watch", "degraded", "spent", "not-enough-data"]
BASELINE_DAYS = 30
RECENT_DAYS = 14
WARMTH_PRIOR = (-0.008, 0.006)  # ln resistance per kelvin, mean and sd: x1.5 to x2 from 20 to -40 degC (from memory)
UNMEASURED = 0.05  # of resistance, one sd, where no temperature is reported: 1.2 % a kelvin (as above) over 4 K
SHARED_NOISE = 1.5  # a day's noise is in two differences: so many times as little do they tell (white against white)
PARTS_OFF = 0.3  # ln resistance of a part about its budget's, one sd (common practice, no source);
DATA_SHEET_OFF = 0.15  # and of all parts of a kind (our own judgement);
USUAL_OFF = (0.06, 0.2)  # and of unmeasured warmth, indoors and outdoors: 1.2 % a kelvin (from memory)
LEAST_OFF = 0.01  # of the budget's resistance
WARN_SHARE = 0.75  # of the way to the budget's end of life: -15 % and x1.75 of the usual -20 % and x2
SPENT_SHARE = 2.0  # of that way
SURE_SD = float(ndtri(0.9))  # a verdict is passed at this chance
LEAKS_MORE = 2.0  # ratio of leakage to commissioning from which a storage is watched (our own judgement)
LEAKS = 0.1  # of storages that have begun to leak, about as many as have lost capacity: our choice,
LEAK_TIMES = (1.5, 2.2, 3.3, 5.0, 7.5, 11.0)  # to so many times what it was,
LEAK_SPREAD = 0.2  # give or take, relative
STEADY = 0.1  # of the logarithm of sleep and leakage: how far one that has not moved may seem to
SEEN_LOST = 0.15  # of a loss, by which its beginning is dated: a smoothed way falls early
UNKNOWN_SD = 0.08  # of capacity: beyond this doubt nothing is said of it
RATE_DAYS = 90  # no rate of fade is stated from less,
RATE_SD = 0.15  # nor one less certain [1/a]


class Resistance(NamedTuple):
    """Series resistance at 25 degC: now, and over the baseline; NaN where there are too few steps."""

    ohm: float
    ohm_sd: float
    ratio: float
    ratio_sd: float
    rose: float = math.nan  # days of the era until it began to change


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


def resistances(steps: np.ndarray[Any, Any], first: Counts, last: Counts) -> list[Resistance]:
    """Series resistance of each node from its daily steps of one era.

    Parameters
    ----------
    steps : ndarray, shape (nodes, days, STEPS)
        Columns STEP_OHM [ohm], STEP_VAR [ohm^2], STEP_COUNT, STEP_WARMTH [K from 25 degC], zero rows where none.
    first, last : ndarray of int64, shape (nodes,)
        The era's first day, and the one after its last.
    """
    found = np.full((len(steps), 5), np.nan)
    _resistances(steps, np.asarray(first), np.asarray(last), found)
    return [Resistance(*row) for row in found.tolist()]


def at_usual_warmth(ohm: Floats, ohm_sd: Floats, warmth: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Resistances that no thermometer was near, brought to 25 degC by what is usual there, with their doubt. [ohm]

    Parameters
    ----------
    warmth, sd : ndarray
        What is usual, from 25 degC, and how far off it may be; 0 where the temperature was measured. [K]
    """
    by, by_sd = WARMTH_PRIOR
    factor = np.exp(-by * warmth)
    doubt = ohm * factor * np.hypot(by * sd, by_sd * warmth)
    return ohm * factor, np.hypot(ohm_sd * factor, doubt)


def fall_of_wake(first: Floats, budget: Budget) -> tuple[float, float]:
    """What the wake's own charge adds to step over current, and the standard deviation of that. [ohm]

    Parameters
    ----------
    first : ndarray, shape (nodes, 2)
        Of `first_steps`, of all nodes of the budget.

    Notes
    -----
    A wake of duration t takes the storage down by I t / C beside the I R of its resistance: where the lowest voltage is
    that of the wake's end, step over current is R + t / C (closed form); where it is read at once, or the current flows
    at the beginning only, R. What firmware does is told by how well the budget's resistance fits either reading, over
    the first month of all nodes of the budget, and where both fit, or the budget states none, that is left open.
    """
    storage, first = budget.storage, first[np.isfinite(first[:, 0])]
    if not len(first):
        return 0.0, 0.0
    curve = curve_of(storage)
    middle = middle_voltage(budget)
    low, high = 0.95 * middle, 1.05 * middle
    farad = float(curve.charge_at(high) - curve.charge_at(low)) / (high - low)
    fall = budget.load.wake_duration / farad if farad > 0 else 0.0
    if storage.esr == 0:
        return fall / 2, fall / 2
    typical, degrees = np.median(first, axis=0)
    measured, (by, by_sd) = math.isfinite(degrees), WARMTH_PRIOR
    of_warmth = by * degrees if measured else 0.0
    season = by_sd * abs(degrees) if measured else USUAL_OFF[budget.harvest.source == "light-outdoor"]
    sd = math.hypot(PARTS_OFF / math.sqrt(len(first)), DATA_SHEET_OFF, season)
    at_once, at_end = (
        (math.log(max(ohm / storage.esr, LEAST_OFF)) - of_warmth) / sd for ohm in (typical, typical - fall)
    )
    chance = 1 / (1 + math.exp(np.clip((at_end**2 - at_once**2) / 2, -50.0, 50.0)))
    return chance * fall, math.sqrt(chance * (1 - chance)) * fall


def first_steps(steps: np.ndarray[Any, Any]) -> Floats:
    """Medians of the first month of each node: STEP_OHM, and STEP_WARMTH where all of it is known; NaN without steps.

    `steps` as for `resistances`; shape (nodes, 2).
    """
    seen = steps[..., STEP_COUNT] > 0
    count = seen.cumsum(axis=1)
    node, day = np.nonzero(seen & (count <= BASELINE_DAYS))
    days = np.full((2, len(steps), BASELINE_DAYS), np.nan, dtype=steps.dtype)
    days[:, node, count[node, day] - 1] = steps[node, day][:, [STEP_OHM, STEP_WARMTH]].T
    unknown = np.isnan(steps[node, day, STEP_WARMTH])
    middle = np.stack([medians(column) for column in days], axis=1)
    middle[node[unknown], 1] = np.nan
    return middle


def without_fall(steps: np.ndarray[Any, Any], falls: Floats, capacity: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Steps, shape (nodes, days, STEPS), less each node's `falls` of `fall_of_wake` at its `capacity` of each day.

    `capacity` is the ratio to the budget's, shape (nodes, days).
    """
    seen = steps[..., STEP_COUNT] > 0
    freed = steps.copy()
    freed[..., STEP_OHM] -= np.where(seen, falls[:, None] / np.where(seen, capacity, 1.0), 0.0)
    return freed


@njit(cache=True, nogil=True, error_model="numpy")
def _resistances(steps, first, last, found):  # type: ignore[no-untyped-def]
    """Fill in the columns of `Resistance`."""
    days = steps.shape[1]
    seen, ohm, var, warmth = np.empty(days, dtype=np.int64), np.empty(days), np.empty(days), np.empty(days)
    for node in range(len(steps)):
        n = 0
        for day in range(first[node], last[node]):
            if steps[node, day, STEP_COUNT] > 0:
                seen[n], ohm[n], var[n] = day, steps[node, day, STEP_OHM], steps[node, day, STEP_VAR]
                warmth[n] = steps[node, day, STEP_WARMTH]
                n += 1
        if n < 3:
            continue
        slope, slope_sd = _by_warmth(ohm[:n], warmth[:n])
        old = new = 0
        for i in range(n):
            if math.isfinite(warmth[i]):
                ohm[i] *= math.exp(-slope * warmth[i])
            old += seen[i] < seen[0] + BASELINE_DAYS
            new += seen[i] > seen[n - 1] - RECENT_DAYS
        warmer = np.nanmean(warmth[n - new : n]) - np.nanmean(warmth[:old])
        value, value_sd = _mean(ohm[n - new : n], var[n - new : n])
        base, base_sd = _mean(ohm[:old], var[:old])
        found[node, 0], found[node, 1] = value, value_sd
        if value > 0 and base > 0 and seen[n - 1] - seen[0] >= RECENT_DAYS:
            season = slope_sd * warmer if math.isfinite(warmer) else UNMEASURED
            found[node, 2] = value / base
            found[node, 3] = value / base * math.sqrt((value_sd / value) ** 2 + (base_sd / base) ** 2 + season**2)
            found[node, 4] = seen[_began(ohm[:n], base, value)] - first[node]


@njit(cache=True, nogil=True, error_model="numpy")
def _began(ohm, base, value):  # type: ignore[no-untyped-def]
    """The place from which on resistance has gone from its base to what it is: back from its quarters on a line.

    Means of RECENT_DAYS about each place, lest the scatter of days be taken for the beginning.
    """
    quarter = last = 0
    for i in range(len(ohm)):
        mean = ohm[max(i - RECENT_DAYS // 2, 0) : i + RECENT_DAYS // 2 + 1].mean()
        gone = (mean - base) / (value - base) if value != base else 0.0
        if gone < 0.25:
            quarter = i
        if gone < 0.75:
            last = i
    return max(quarter - (last - quarter) // 2, 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(ohm, var):  # type: ignore[no-untyped-def]
    """Weighted mean and its sd, widened by the scatter from day to day."""
    weight = 1 / np.maximum(var, 1e-12)
    mean = (weight * ohm).sum() / weight.sum()
    return mean, max(math.sqrt(1 / weight.sum()), np.std(ohm) / math.sqrt(len(ohm)))


@njit(cache=True, nogil=True, error_model="numpy")
def _by_warmth(ohm, warmth):  # type: ignore[no-untyped-def]
    """Slope of ln resistance with temperature and its sd [1/K], held towards WARMTH_PRIOR."""
    good = np.isfinite(warmth) & (ohm > 0)
    prior, prior_sd = WARMTH_PRIOR
    if good.sum() < BASELINE_DAYS:
        return prior, prior_sd
    # Against a slow rise the season is told apart by differences of a fortnight and less.
    x, y = np.diff(warmth[good]), np.diff(np.log(ohm[good]))
    slope, told = prior, 0.0
    for _ in range(2):
        var = SHARED_NOISE * max(np.var(y - slope * x), 1e-8)
        told = (x * x).sum() / var + 1 / prior_sd**2
        slope = ((x * y).sum() / var + prior / prior_sd**2) / told
    return slope, 1 / math.sqrt(told)


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
        if any(share - limit >= SURE_SD * sd for share, sd in wear):
            return verdict
    if leakage[0] - LEAKS_MORE >= SURE_SD * max(leakage[1], 1e-6):
        return "watch"
    return "not-enough-data" if capacity is None else "sound"

"""Storage health: capacity, series resistance and leakage against the node's own commissioning, and a verdict.

The baseline is the node's own first month, not the nameplate: new parts stand 3 to 19 % above it. Capacity is compared
through the storage's curve, so at equal voltage, and freed of temperature by the posterior; resistance is brought to
25 degC before it is compared.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from analysis.quiet_runs import STEP_COUNT, STEP_OHM, STEP_VAR, STEP_WARMTH
from analysis.series import Floats
from ingest.budget import DAYS_PER_YEAR, Storage

Verdict = Literal["sound", "watch", "degraded", "spent", "not-enough-data"]
BASELINE_DAYS = 30
RECENT_DAYS = 14
WARMTH_PRIOR = (-0.008, 0.006)  # ln resistance per kelvin, mean and sd: x1.5 to x2 from 20 to -40 degC (from memory)
UNMEASURED = 0.05  # of resistance, one sd, where no temperature is reported: 1.2 % a kelvin (as above) over 4 K
WARN_SHARE = 0.75  # of the way to the budget's end of life: -15 % and x1.75 of the usual -20 % and x2
SPENT_SHARE = 2.0  # of that way
SURE = 0.9  # chance at which a verdict is passed
LEAKS = 0.1  # of storages that have begun to leak, about as many as have lost capacity: our choice,
LEAK_TIMES = (1.5, 2.2, 3.3, 5.0, 7.5, 11.0)  # to so many times what it was,
LEAK_SPREAD = 0.2  # give or take, relative
UNKNOWN_SD = 0.08  # of capacity: beyond this doubt nothing is said of it
RATE_DAYS = 90  # no rate of fade is stated from less,
RATE_SD = 0.15  # nor one less certain [1/a]


@dataclass(frozen=True)
class Resistance:
    """Series resistance at 25 degC: now, and over the baseline; NaN where there are too few steps."""

    ohm: float
    ohm_sd: float
    ratio: float
    ratio_sd: float


@dataclass(frozen=True)
class Health:
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


def resistance(steps: Floats) -> Resistance:
    """Series resistance from the daily steps of one era.

    Parameters
    ----------
    steps : ndarray, shape (days, STEPS)
        Columns STEP_OHM [ohm], STEP_VAR [ohm^2], STEP_COUNT, STEP_WARMTH [K from 25 degC], zero rows where none.
    """
    seen = np.flatnonzero(steps[:, STEP_COUNT] > 0)
    nothing = Resistance(np.nan, np.nan, np.nan, np.nan)
    if len(seen) < 3:
        return nothing
    ohm, var, warmth = (steps[seen, c].astype(float) for c in (STEP_OHM, STEP_VAR, STEP_WARMTH))
    ohm = ohm * np.exp(-_by_warmth(ohm, warmth) * np.nan_to_num(warmth))
    now = seen >= seen[-1] - RECENT_DAYS + 1
    first = seen < seen[0] + BASELINE_DAYS
    value, value_sd = _mean(ohm[now], var[now])
    base, base_sd = _mean(ohm[first], var[first])
    if not (value > 0 and base > 0) or seen[-1] - seen[0] < RECENT_DAYS:
        return Resistance(value, value_sd, np.nan, np.nan)
    ratio, season = value / base, 0.0 if np.isfinite(warmth).any() else UNMEASURED
    doubt = np.sqrt((value_sd / value) ** 2 + (base_sd / base) ** 2 + season**2)
    return Resistance(value, value_sd, ratio, float(ratio * doubt))


def _mean(ohm: Floats, var: Floats) -> tuple[float, float]:
    """Weighted mean and its sd, widened by the scatter from day to day."""
    weight = 1 / np.maximum(var, 1e-12)
    mean = float((weight * ohm).sum() / weight.sum())
    scatter = float(np.std(ohm)) / np.sqrt(len(ohm))
    return mean, float(max(np.sqrt(1 / weight.sum()), scatter))


def _by_warmth(ohm: Floats, warmth: Floats) -> float:
    """Slope of ln resistance with temperature [1/K], held towards WARMTH_PRIOR."""
    good = np.isfinite(warmth) & (ohm > 0)
    prior, prior_sd = WARMTH_PRIOR
    if good.sum() < BASELINE_DAYS:
        return prior
    x, y = warmth[good] - warmth[good].mean(), np.log(ohm[good])
    # Against a slow rise the season is told apart by differences of a fortnight and less.
    x, y = np.diff(x), np.diff(y)
    var = max(float(np.var(y)), 1e-8)
    information = float(x @ x) / var + 1 / prior_sd**2
    return (float(x @ y) / var + prior / prior_sd**2) / information


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
        verdict=_verdict(storage, (ratio, sd) if known else None, esr),
    )


def fade_or_leak(mean: Floats, covariance: Floats, before: Floats) -> tuple[tuple[float, float, float], ...]:
    """What capacity may be, first with a leakage as steady as storage has it and then with one that has risen.

    Parameters
    ----------
    mean : ndarray, shape (2,)
        Logarithms of the ratios of capacity and leakage to commissioning, by the posterior.
    covariance : ndarray, shape (2, 2)
    before : ndarray, shape (2,)
        Variances of the two before any evidence.

    Returns
    -------
    tuple of (chance, ratio of capacity, standard deviation of it), one a hypothesis

    Notes
    -----
    A capacity that falls and a leakage that rises both empty a storage faster; that fade can be seen at all rests on
    leakage being steady. What the evidence alone says (the posterior less its prior) is joined with leakages risen
    to LEAK_TIMES, too, and all are weighed by how well each expected the evidence, leakage risen before any in LEAKS
    of the storages. What a storage loses is linear in leakage, not in its logarithm: one that leaks little can leak
    ten times as much before it shows.
    """
    told = np.linalg.inv(covariance)
    right = told @ mean
    told = told - np.diag(1 / before)
    rise = float(np.exp(mean[1]))
    risen = [
        (LEAKS / len(LEAK_TIMES), mean[1] + times / rise - 1.0, LEAK_SPREAD * times / rise) for times in LEAK_TIMES
    ]
    found = []
    for chance, leak, spread in ((1 - LEAKS, 0.0, np.sqrt(before[1])), *risen):
        prior, at = np.diag([1 / before[0], 1 / spread**2]), np.array([0.0, leak])
        own = np.linalg.inv(told + prior)
        pull = right + prior @ at
        # ln of the evidence of each, up to what they share
        weight = np.log(chance) + 0.5 * (np.linalg.slogdet(own)[1] + np.linalg.slogdet(prior)[1])
        weight += 0.5 * (pull @ own @ pull - at @ prior @ at)
        ratio = np.exp(own @ pull)[0]
        found.append((float(weight), float(ratio), float(ratio * np.sqrt(max(own[0, 0], 1e-12)))))
    most = max(weight for weight, _, _ in found)
    total = sum(np.exp(weight - most) for weight, _, _ in found)
    return tuple((float(np.exp(weight - most) / total), ratio, sd) for weight, ratio, sd in found)


def _verdict(storage: Storage, capacity: tuple[float, float] | None, esr: Resistance) -> Verdict:
    """The worst that is surely reached by capacity or resistance."""
    lost, risen = 1 - storage.end_of_life_capacity, storage.end_of_life_esr_ratio - 1
    wear = []  # share of the way to the end of life, and its sd
    if capacity is not None:
        wear.append(((1 - capacity[0]) / lost, capacity[1] / lost))
    if np.isfinite(esr.ratio):
        wear.append(((esr.ratio - 1) / risen, max(esr.ratio_sd / risen, 1e-6)))
    if not wear:
        return "not-enough-data"
    steps: tuple[tuple[Verdict, float], ...] = (("spent", SPENT_SHARE), ("degraded", 1.0), ("watch", WARN_SHARE))
    for verdict, limit in steps:
        if any(ndtr((share - limit) / sd) >= SURE for share, sd in wear):
            return verdict
    return "sound"

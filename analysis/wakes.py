"""How often a node will wake: its lasting rate, its weekdays, and how it scatters, from the ledger's counts."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.change import Change, find_changes
from analysis.closed_form import autocorrelated_sd
from analysis.series import Counts, means
from ingest.budget import SECONDS_PER_DAY

Array = npt.NDArray[np.float64]

RECENT_DAYS = 28
BELIEF_DAYS = 3.0  # what the budget's rate is worth beside the node's own days, or the rate before a step
STEP_REACH = 56  # days that a step is looked for in,
STEP_BEFORE, STEP_AFTER = 7, 3  # with so many known on either side,
STEP_Z = 7.0  # and from how many standard deviations on it lasts: work wanders for longer than from day to day
FOLLOW_LEAST = 14  # days that tell how wakes go with harvest,
FOLLOW_DAYS = 10.0  # and what no connection is worth beside them
WEEKDAY_LEAST = 0.05  # of the mean: a weekday with less tells nothing of a step, nor of scatter
OPEN_SHARE = 0.5  # a day whose closures leave less is closed
IDLE_SHARE = 0.25  # of the mean harvest; a day with less is idle
CLOSED_DAYS = 2  # that must have been seen,
CLOSED_REACH = 14  # with open ones so many days before or after;
REST_SD = 0.1  # least relative sd of a day at rest about what days at rest have in common;
AS_EVER_SD, AS_IDLE_SD = 0.4, 0.2  # how far it may be from the usual rate, and a closed day's from an idle one's
FOLLOWS = 0.8  # of the usual rate: wakes that fall to less follow the work
BELIEF_SD = 0.1  # relative, of the budget's rate


@dataclass(frozen=True)
class WakePlan:
    """The wakes ahead of a node; see `NodeOutlook`."""

    wakes_per_day: float
    wake_hours: Array  # shape (7, 24)
    rate_sd: float
    rate_noise: float
    rate_follows: float = 0.0  # what a day's rate rises, relative, with one deviate more of its harvest
    closed: float = np.inf  # rate of a closed day over the mean, where wakes follow the work
    closed_days: int = 0  # that have told


def wake_plan(
    day: npt.NDArray[np.datetime64],
    wakes: npt.ArrayLike,
    observed_s: npt.ArrayLike,
    today: np.datetime64,
    budget: float,
    by_hour: npt.ArrayLike | None = None,
    hour: int = 0,
    opened: npt.ArrayLike = 1.0,
    idle: npt.ArrayLike = False,
    deviate: npt.ArrayLike = np.nan,
) -> WakePlan:
    """The wakes ahead, if the node goes on as in the last four weeks.

    Parameters
    ----------
    day : ndarray of datetime64[D], shape (n,)
        Calendar days of the ledger.
    wakes, observed_s : array_like, shape (n,)
        Wakes counted, and time seen. [s] Days seen for less than half are left out.
    today : datetime64
        First day ahead; nothing from it on is used.
    budget : float
        Wakes a day as designed.
    by_hour : array_like, shape (24,), optional
        Wakes by hour of the site's day, in any unit; even without it.
    hour : int
        Of the forecast.
    opened : array_like, shape (n,)
        What the closures of each day left of the harvest. Where wakes follow the work, closed days say by how much,
        and nothing of the usual rate.
    idle : array_like of bool, shape (n,)
        Of `idle_days`. Before closed days were seen, idle ones (a Sunday, a stop) say how far wakes follow.
    deviate : array_like, shape (n,), optional
        Of each day's harvest; NaN where not known.

    Notes
    -----
    The scatter from day to day is that of independent days which add up to the same spread over weeks, less what goes
    with the harvest: where the work brings both, a poor day is also one with fewer wakes. Counts are
    exact, so that a step of the rate shows within days: the days before it are brought to the level since, and tell
    of weekdays and scatter only. A day ahead begins at the forecast's hour, and has its weekday's rate until midnight.
    """
    seen = np.asarray(observed_s, dtype=float)
    known = (seen >= SECONDS_PER_DAY / 2) & (day < today)
    shut = np.broadcast_to(np.asarray(opened, dtype=float) < OPEN_SHARE, seen.shape)
    open_ = known & ~shut
    kinds = open_ & np.asarray(idle, dtype=bool), known & shut
    closed, closed_days = _closed(np.asarray(wakes, dtype=float) / np.maximum(seen, 1.0), day, kinds, open_)
    told = known & ~(shut & np.isfinite(closed)) & (day >= today - np.timedelta64(STEP_REACH, "D"))
    rate = np.asarray(wakes, dtype=float)[told] * SECONDS_PER_DAY / seen[told]
    number = day[told].astype("datetime64[D]").astype(np.int64)
    recent = day[told] >= today - np.timedelta64(RECENT_DAYS, "D")
    since = np.ones(len(rate), dtype=bool)
    step = _last_step(rate, number, ~np.broadcast_to(np.asarray(idle, dtype=bool), seen.shape)[told])
    if step is not None and recent[step.index]:
        since = number >= number[step.index]
        rate, budget = np.where(since, rate, rate * step.after / step.before), step.before
    z = np.broadcast_to(np.asarray(deviate, dtype=float), seen.shape)[told]
    all_days, (rate, number, since) = (rate, number), (rate[recent], number[recent], since[recent])
    count, days = len(rate), int(since.sum())
    weekday = np.ones(7) if count < 7 or rate.mean() <= 0 else _weekdays(rate / rate.mean(), number % 7)
    seen_share = 1.0 if since.all() else max(float(weekday[number[since] % 7].mean()), WEEKDAY_LEAST)
    mean = (rate[since].sum() / seen_share + BELIEF_DAYS * budget) / (days + BELIEF_DAYS)
    hours = np.ones(24) if by_hour is None else np.roll(np.asarray(by_hour, dtype=float), -hour)
    hours = hours / hours.mean() if hours.mean() > 0 else np.ones(24)
    if count < 7 or mean <= 0:
        return WakePlan(float(mean), np.tile(hours, (7, 1)), BELIEF_SD, BELIEF_SD, 0.0, closed, closed_days)
    usual = weekday[number % 7]
    ratio = np.where(usual > WEEKDAY_LEAST, rate / (mean * np.maximum(usual, WEEKDAY_LEAST)), 1.0)
    follows = _follows(*all_days, z, weekday)
    spread = _spread(ratio - follows * np.nan_to_num(z[recent]), number)
    ahead = weekday[(int(today.astype("datetime64[D]").astype(np.int64)) + np.arange(7)) % 7]
    until_midnight = np.arange(24) < 24 - hour
    each = hours * np.where(until_midnight, ahead[:, None], np.roll(ahead, -1)[:, None])
    rate_sd = float(np.hypot(spread / np.sqrt(days), 0.01))
    return WakePlan(float(mean), each, rate_sd, spread, follows, closed, closed_days)


def idle_days(harvest: Array, observed_s: Array, opened: Array, offsets: Counts) -> npt.NDArray[np.bool_]:
    """Days that no closure tells of, yet next to nothing came in on: weekends, stops; shape (n,).

    Parameters
    ----------
    harvest, observed_s, opened : ndarray, shape (n,)
        Of each day, in any unit; time seen [s]; what its closures left.
    offsets : ndarray of int64, shape (nodes + 1,)
        Node i has the days offsets[i] to offsets[i + 1].
    """
    open_ = (observed_s >= SECONDS_PER_DAY / 2) & (opened >= OPEN_SHARE)
    came = harvest / np.maximum(observed_s, 1.0)
    usual = np.nan_to_num(means(came, open_, offsets))
    return open_ & (came < IDLE_SHARE * usual.repeat(np.diff(offsets)))


def _closed(
    rate: Array, day: npt.NDArray[np.datetime64], kinds: tuple[npt.NDArray[np.bool_], ...], open_: npt.NDArray[np.bool_]
) -> tuple[float, int]:
    """Wake rate of closed days over that of open ones about them, infinite where it is as ever; how many have told.

    Each kind of days at rest is held towards what those before it told, the first towards one.
    """
    share, variance, days = 1.0, AS_EVER_SD**2, 0
    for rest in kinds:
        near = np.abs(day[rest][:, None] - day[open_]) <= np.timedelta64(CLOSED_REACH, "D")
        usual = (near @ rate[open_]) / np.maximum(near.sum(axis=1), 1)
        told = usual > 0
        days = int(told.sum())
        if days >= CLOSED_DAYS:
            ratio = rate[rest][told] / usual[told]
            doubt = max(float(ratio.std()), REST_SD) ** 2 / len(ratio)
            gain = variance / (variance + doubt)
            share += gain * (float(ratio.mean()) - share)
            variance *= 1 - gain
        variance += AS_IDLE_SD**2
    return share if share < FOLLOWS else np.inf, days


def _spread(ratio: Array, number: npt.NDArray[np.int64]) -> float:
    """Sd of independent days that add up over weeks to the same spread as these, of such numbers."""
    departure = ratio - ratio.mean()
    pairs = (departure[1:] * departure[:-1])[np.diff(number) == 1]
    keep = pairs.sum() / max((departure**2).sum(), 1e-12)
    return float(autocorrelated_sd(float(ratio.std()), np.clip(keep, 0.0, 0.8)))


def _follows(rate: Array, number: npt.NDArray[np.int64], deviate: Array, weekday: Array) -> float:
    """What a day's rate rises, relative, with one deviate more of its harvest; not below zero."""
    usual = weekday[number % 7]
    told = np.isfinite(deviate) & (usual > WEEKDAY_LEAST)
    freed = rate[told] / usual[told]
    if told.sum() < FOLLOW_LEAST or freed.mean() <= 0:
        return 0.0
    away, z = freed / freed.mean() - 1.0, deviate[told] - deviate[told].mean()
    return max(float((away * z).sum() / ((z**2).sum() + FOLLOW_DAYS)), 0.0)


def _last_step(rate: Array, number: npt.NDArray[np.int64], works: npt.NDArray[np.bool_]) -> Change | None:
    """The step in the rates of days of such numbers, if one stands out, and is not that to days at rest."""
    if len(rate) < STEP_BEFORE + STEP_AFTER or rate.mean() <= 0:
        return None
    weekday = np.maximum(_weekdays(rate / rate.mean(), number % 7), WEEKDAY_LEAST)
    (step,) = find_changes((rate / weekday[number % 7])[None, :], least_before=STEP_BEFORE, least_after=STEP_AFTER)
    if step is None or abs(step.z) < STEP_Z or min(step.before, step.after) <= 0:
        return None
    return step if works[step.index :].mean() > 0.5 else None


def _weekdays(ratio: Array, weekday: npt.NDArray[np.int64]) -> Array:
    """Factor of each weekday, mean one, held towards one by as much as the days scatter."""
    count = np.bincount(weekday, minlength=7).astype(float)
    mean = np.bincount(weekday, ratio, minlength=7) / np.maximum(count, 1)
    mean[count == 0] = 1.0
    within = float(((ratio - mean[weekday]) ** 2).sum() / max(len(ratio) - 7, 1))
    between = max(float(mean.var()) - within * 7 / len(ratio), 1e-6)
    factor = 1 + (mean - 1) * between / (between + within / np.maximum(count, 1))
    return np.asarray(factor * 7 / factor.sum())

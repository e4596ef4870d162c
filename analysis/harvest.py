"""The harvest of the days ahead, from the ledger of the days behind: `outlooks` for the nodes of one site.

A day's harvest is ``mean x season x weekday x closure x (level + noise)``. The season is the clear sky's for outdoor
light and flat for the rest; the weekday's factor and the level are learned from the node's own days, held towards its
sisters (same budget, same site) and these towards the budget. Days on which the storage was full say only "at least".
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.change import Change, find_changes
from analysis.ledger import FULL_MARGIN, FULL_MARGIN_STEPS
from analysis.level import Level, borrowed, filter_level
from analysis.noise import deviates, lag_one, noise_table, shared, slow_spread, table_sd
from analysis.outlook import HarvestOutlook, curve_of
from analysis.site_days import Ahead, Days, SiteDays, active_hours, ahead, day_shapes
from analysis.stops import LIKELY, Stop, ongoing_stop, past_stops
from ingest.budget import SECONDS_PER_DAY, Budget

Array = npt.NDArray[np.float64]

OBSERVED_SHARE = 0.9  # of a day that must be seen for its harvest to count
FULL_SHARE = 0.7  # of the active time at full from which a day is only a lower bound
FULL_SHARE_PAST = 0.9  # the same where days are compared with each other: what is left tells of a lasting change
CLOSED_SHARE = 0.2  # days whose weekday and closures leave less than this say nothing about the level
DARK_SEASON = 0.01  # nor do those of the polar night
STEP_Z = 5.0  # standard deviations of a change from which it is taken to last,
STEP_LEAST = 0.65  # and its ratio (or one over it)
STEP_SD = 0.3  # relative sd of the mean believed after it
USUAL_LEAST = 0.1  # of what is believed: a node's noise is not taken to be in proportion to less
STEP_FLOOR = 0.05  # of the mean before; neither mean nor sd is believed to be less


@dataclass(frozen=True)
class Source:
    """What is believed of a kind of harvest before it is seen; sds relative to the mean."""

    noise_sd: float  # of a day about the level
    noise_keep: float  # correlation of the noise from day to day
    slow_sd: float  # of the level about the long-run mean
    slow_days: float  # over which the level forgets
    shared: float  # correlation with what the site's nodes share


# From the four public irradiance years for outdoor light; the rest are our own judgement, soon outweighed by the days.
SOURCES = {
    "light-outdoor": Source(0.45, 0.25, 0.15, 60.0, 0.9),
    "light-indoor": Source(0.25, 0.3, 0.2, 180.0, 0.7),
    "vibration": Source(0.2, 0.3, 0.2, 180.0, 0.6),
    "thermal": Source(0.2, 0.4, 0.2, 180.0, 0.6),
    "radio": Source(0.3, 0.3, 0.25, 180.0, 0.5),
    "other": Source(0.3, 0.3, 0.25, 180.0, 0.5),
    "none": Source(0.0, 0.0, 0.0, 180.0, 0.0),
}


@dataclass(frozen=True)
class NodeDays:
    """The ledger of one node up to the forecast, since its harvester was last changed; rows of complete days.

    Attributes
    ----------
    day : ndarray of datetime64[D], shape (n,)
        Calendar days of the site, rising.
    net_harvest_j, wake_j, sleep_j, leakage_j : ndarray, shape (n,)
        As in the ledger, and what the storage is thought to have lost. [J]
    full_s, observed_s : ndarray, shape (n,)
        Time at full and time seen. [s]
    profile : ndarray, shape (24,), optional
        Course over the day, from `site_days.hour_profile`.
    """

    node_id: str
    budget: Budget
    day: Days
    net_harvest_j: Array
    wake_j: Array
    sleep_j: Array
    leakage_j: Array
    full_s: Array
    observed_s: Array
    profile: Array | None = None


@dataclass(frozen=True)
class _Seen:
    """A node's days on the site's calendar up to yesterday; NaN where nothing is known."""

    harvest: Array  # gross, or the least it can have been [J]
    censored: npt.NDArray[np.bool_]
    spread: Array  # noise of the day over the usual
    load: Array  # shape (3,): mean wake, sleep, leakage a day [J]


@dataclass(frozen=True)
class _Scatter:
    """What the nodes of one budget at a site have in common."""

    sd: float
    table: Array
    keep: float
    slow_sd: float


def outlooks(
    nodes: Sequence[NodeDays], site: SiteDays, today: np.datetime64, hour: int = 0, days: int = 365
) -> list[HarvestOutlook]:
    """The harvest ahead of the nodes of one site.

    Parameters
    ----------
    nodes : sequence of NodeDays
        All nodes of the site: they borrow from each other.
    site : SiteDays
        Its calendar, from the first ledger day to `days` + 1 days past `today`, with closures past and planned.
    today, hour : datetime64, int
        Site time of the forecast. Nothing later is used.
    days : int
        Horizon.
    """
    groups: defaultdict[str, list[int]] = defaultdict(list)
    for i, node in enumerate(nodes):
        groups[node.budget.name].append(i)
    found: dict[int, HarvestOutlook] = {}
    for members in groups.values():
        group = _group([nodes[i] for i in members], site, today, hour, days)
        found.update(zip(members, group, strict=True))
    return [found[i] for i in range(len(nodes))]


def _group(
    nodes: Sequence[NodeDays], site: SiteDays, today: np.datetime64, hour: int, days: int
) -> list[HarvestOutlook]:
    """The outlooks of nodes of one budget."""
    budget, source = nodes[0].budget, SOURCES[nodes[0].budget.harvest.source]
    past = int(site.index(np.array(today)))
    season = site.sky.mean(axis=1) if budget.harvest.source == "light-outdoor" else np.ones(site.days)
    shapes = [day_shapes(budget.harvest, site, node.profile) for node in nodes]
    closed = [(shape * site.closed).sum(axis=1) for shape in shapes]
    seen = [_see(node, site, past, shape) for node, shape in zip(nodes, shapes, strict=True)]
    weeks = [_weekdays(s, c[:past] * season[:past], site, budget) for s, c in zip(seen, closed, strict=True)]
    values = [
        _value(s, season[:past], (week[site.weekday] * c)[:past])
        for s, week, c in zip(seen, weeks, closed, strict=True)
    ]
    prior = _prior(budget, values)
    stops = [ongoing_stop(v, s.censored, source.noise_sd, source.noise_keep) for v, s in zip(values, seen, strict=True)]
    values = [_without(value, stop) for value, stop in zip(values, stops, strict=True)]
    changes = find_changes(np.where(np.stack([s.censored for s in seen]), np.nan, np.stack(values)))
    steps = [_last_step(value, change, prior) for value, change in zip(values, changes, strict=True)]
    values = [value if step is None else step.since for value, step in zip(values, steps, strict=True)]
    priors = [prior if step is None else step.prior for step in steps]
    scatter = _Scatter(source.noise_sd, noise_table([], source.noise_sd), source.noise_keep, source.slow_sd)
    usual = [_usual(v, p[0]) for v, p in zip(values, priors, strict=True)]
    over = [past_stops(v, s.censored, source.noise_sd, source.noise_keep) for v, s in zip(values, seen, strict=True)]
    running = [np.where(stopped, np.nan, v) for v, stopped in zip(values, over, strict=True)]
    levels = [_level(*each, scatter, source) for each in zip(seen, running, priors, usual, strict=True)]
    scatter = _scatter(values, seen, levels, source)
    steady = [i for i, step in enumerate(steps) if step is None]
    for i, told in zip(steady, borrowed([levels[i] for i in steady], prior), strict=True):
        priors[i] = told
    usual = [max(level.mean + level.departure, USUAL_LEAST * p[0]) for level, p in zip(levels, priors, strict=True)]
    levels = [_level(*each, scatter, source) for each in zip(seen, running, priors, usual, strict=True)]
    factors = [_factors(v, s, level.after) for v, s, level in zip(values, seen, levels, strict=True)]
    z = deviates(np.stack(factors), scatter.table, np.stack([s.censored for s in seen]))
    share = shared(z, source.shared) if past else source.shared
    return [
        _outlook(level, scatter, source, share, row, s, stop, ahead(season, week, shape, site, today, hour, days))
        for level, row, s, stop, week, shape in zip(levels, z, seen, stops, weeks, shapes, strict=True)
    ]


def _without(value: Array, stop: Stop | None) -> Array:
    """The days behind without a stop that is still on, if it likely is one."""
    if stop is None or stop.share < LIKELY:
        return value
    return np.where(np.arange(len(value)) < len(value) - stop.days, value, np.nan)


class _Step(NamedTuple):
    """A lasting change of a node's harvest: its days since, and what they let believe of the mean."""

    since: Array
    prior: tuple[float, float]


def _last_step(value: Array, change: Change | None, prior: tuple[float, float]) -> _Step | None:
    """The lasting change in a node's harvest, if one stands out: what came before it says nothing of what is ahead."""
    if change is None or abs(change.z) < STEP_Z or change.before <= 0 or prior[0] <= 0:  # nothing can change at none
        return None
    if STEP_LEAST < change.after / change.before < 1 / STEP_LEAST:
        return None
    after = max(change.after, STEP_FLOOR * prior[0])
    sd = max(STEP_SD * after, STEP_FLOOR * prior[0])
    return _Step(np.where(np.arange(len(value)) < change.index, np.nan, value), (after, sd / after))


def _prior(budget: Budget, values: list[Array]) -> tuple[float, float]:
    """The budget's harvest a day [J] and its relative sd; where it names no power, what the group shows."""
    if budget.harvest.source == "none":
        return 0.0, 0.0
    if (mean := budget.harvest.mean_power * SECONDS_PER_DAY) > 0:
        return mean, max(budget.harvest.tolerance, 0.05)
    known = np.concatenate([value[np.isfinite(value)] for value in values])
    return max(float(known.mean()) if len(known) else 0.0, 1e-6), 1.0


def _see(node: NodeDays, site: SiteDays, past: int, shape: Array, full_share: float = FULL_SHARE) -> _Seen:
    """The node's gross harvest on the calendar: what was curtailed at full is made up for, or marked."""
    place = site.index(node.day)
    kept = (place >= 0) & (place < past) & (node.observed_s >= OBSERVED_SHARE * SECONDS_PER_DAY)
    place = place[kept]
    gross = node.net_harvest_j[kept] + node.leakage_j[kept]
    spent = node.wake_j[kept] + node.sleep_j[kept] + node.leakage_j[kept]
    full_s = np.maximum(node.full_s[kept] - _tail(node.budget, spent), 0.0)
    lost = _curtailed(full_s, shape[place])
    bound = lost > full_share
    free = gross - spent * full_s / SECONDS_PER_DAY  # at full, only what is spent comes in
    whole = np.where(bound, gross, np.maximum(free / np.maximum(1 - lost, 1e-9), gross))
    harvest, censored, spread = np.full(past, np.nan), np.zeros(past, dtype=bool), np.ones(past)
    harvest[place], censored[place] = whole, bound  # below zero by noise, too: a mean of what is cut off is too high
    spread[place] = np.where(bound, 1.0, 1 / (1 - np.minimum(lost, FULL_SHARE)))
    load = [a[kept].mean() if kept.any() else 0.0 for a in (node.wake_j, node.sleep_j, node.leakage_j)]
    return _Seen(harvest, censored, spread, np.array(load))


def _tail(budget: Budget, spent: Array) -> Array:
    """How long a day a node still reads full after its harvest has ended, at most the night. [s]"""
    curve, full = curve_of(budget.storage), budget.storage.full_voltage
    margin = max(FULL_MARGIN * full, FULL_MARGIN_STEPS * budget.telemetry.adc_step)
    held = curve.full_j - float(np.asarray(curve.energy(full - margin)))
    outdoors = budget.harvest.source == "light-outdoor"
    idle = 0.5 if outdoors else float((active_hours(budget.harvest) == 0).mean())
    return np.asarray(np.minimum(held / np.maximum(spent, 1e-12), idle) * SECONDS_PER_DAY)


def _curtailed(full_s: Array, shape: Array) -> Array:
    """Share of each day's harvest that fell into its time at full, if that was the end of its active hours."""
    if not len(shape):
        return np.zeros(0)
    active = shape > 0.1 * shape.max(axis=1, keepdims=True)
    end = 24 - np.argmax(active[:, ::-1], axis=1)
    gone = np.concatenate([np.zeros((len(shape), 1)), np.cumsum(shape, axis=1)], axis=1)
    since = np.clip(end - full_s / 3600.0, 0.0, 23.999)
    row, hour = np.arange(len(shape)), since.astype(int)
    at = gone[row, hour] + (since - hour) * shape[row, hour]
    return np.asarray(np.clip(1 - at / gone[row, end], 0.0, 1.0))


def _value(seen: _Seen, season: Array, open_share: Array) -> Array:
    """Harvest over what the day allows; NaN on days that allow next to nothing."""
    tells = (open_share > CLOSED_SHARE) & (season > DARK_SEASON)
    return np.where(tells, seen.harvest / np.where(tells, season * open_share, 1.0), np.nan)


def _weekdays(seen: _Seen, allowed: Array, site: SiteDays, budget: Budget) -> Array:
    """Factor of each weekday, mean one: the node's own, held towards the budget's days; shape (7,)."""
    plan = np.ones(7)
    if budget.harvest.active_days is not None:
        plan = np.isin(np.arange(7), budget.harvest.active_days).astype(float)
    plan *= 7 / plan.sum()
    if budget.harvest.source in ("light-outdoor", "none"):
        return np.ones(7)
    recent = slice(max(len(allowed) - 84, 0), None)
    weekday = site.weekday[: len(allowed)][recent]
    usable = np.isfinite(seen.harvest[recent]) & ~seen.censored[recent] & (allowed[recent] > CLOSED_SHARE)
    value = np.where(usable, seen.harvest[recent] / np.maximum(allowed[recent], CLOSED_SHARE), 0.0)
    count = np.bincount(weekday, usable, minlength=7).astype(float)
    if usable.sum() < 7:
        return plan
    mean = np.bincount(weekday, value, minlength=7) / np.maximum(count, 1)
    whole = float((mean * (count > 0) + 0.0).sum() / max((plan * (count > 0)).sum() / 7, 1e-9) / 7)
    if whole <= 0:
        return plan
    own = mean / whole
    belief = _pooled(own, plan, count)
    factor = (count * own + 2.0 * belief) / (count + 2.0)
    return np.asarray(factor * 7 / factor.sum())


def _pooled(own: Array, plan: Array, count: Array) -> Array:
    """The mean factor of the plan's active days, and of its idle ones: what a single weekday is held towards."""
    belief = plan.copy()
    for group in (plan > 0, plan == 0):
        if count[group].sum() >= 4:
            belief[group] = np.average(own[group], weights=np.maximum(count[group], 1e-9))
    return belief


def _usual(value: Array, believed: float) -> float:
    """A node's usual harvest, to which its noise is in proportion, before its level is known."""
    known = value[np.isfinite(value)]
    return max(float(np.median(known)), USUAL_LEAST * believed) if len(known) >= 7 else believed


def _level(
    seen: _Seen, value: Array, prior: tuple[float, float], usual: float, scatter: _Scatter, source: Source
) -> Level:
    mean, tolerance = prior
    if mean <= 0:
        return Level(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, *np.zeros((2, len(value))))
    return filter_level(
        value,
        seen.spread,
        seen.censored,
        start=mean,
        start_sd=tolerance * mean,
        noise_sd=max(scatter.sd, 0.02) * usual,
        noise_keep=scatter.keep,
        slow_sd=scatter.slow_sd * usual,
        step_sd=2 * source.slow_sd * usual,
        keep=float(np.exp(-1 / source.slow_days)),
    )


def _factors(value: Array, seen: _Seen, level: Array) -> Array:
    """Each day's harvest, or the least it was, over its level; NaN where not known."""
    usable = (level > 0) & (seen.censored | (seen.spread < 2.0))
    return np.where(usable, value / np.where(level > 0, level, 1.0), np.nan)


def _scatter(values: list[Array], seen: list[_Seen], levels: list[Level], source: Source) -> _Scatter:
    """Distribution and day-to-day correlation of the noise, over all nodes of the group."""
    if source.noise_sd == 0:
        return _Scatter(0.0, noise_table([], 0.0), 0.0, 0.0)
    factors = np.stack([_factors(v, s, level.before) for v, s, level in zip(values, seen, levels, strict=True)])
    bound = np.stack([s.censored for s in seen])
    known, least = factors[np.isfinite(factors) & ~bound], factors[np.isfinite(factors) & bound]
    table = noise_table(known, source.noise_sd, least)
    several = factors.shape[1] > 1
    keep = lag_one(deviates(factors, table, bound), source.noise_keep) if several else source.noise_keep
    means = np.array([max(level.mean + level.departure, 1e-12) for level in levels])
    ratio = np.where(bound, np.nan, np.stack(values)) / means[:, None]
    return _Scatter(sd := table_sd(table), table, keep, slow_spread(ratio, sd, keep, source.slow_sd))


def _outlook(
    level: Level,
    scatter: _Scatter,
    source: Source,
    share: float,
    z: Array,
    seen: _Seen,
    stop: Stop | None,
    coming: Ahead,
) -> HarvestOutlook:
    mean = max(level.mean, 0.0)
    base = max(mean, 1e-12)
    weekly = float(np.exp(-7 / source.slow_days))
    mean_sd = np.sqrt(max(level.mean_var, 0.0))
    tilt = level.covariance / mean_sd if mean_sd > 0 else 0.0
    known = np.flatnonzero(np.isfinite(z))
    last = z[known[-1]] * scatter.keep ** (len(z) - 1 - known[-1]) if len(known) else 0.0
    harvest = seen.harvest[np.isfinite(seen.harvest)]
    return HarvestOutlook(
        mean=mean,
        season=coming.season,
        week=coming.week,
        closure=coming.closure,
        shapes=coming.shapes,
        shape_of=coming.shape_of,
        noise=scatter.table,
        noise_keep=scatter.keep,
        noise_now=float(last),
        level_now=level.departure / base,
        level_sd=float(np.sqrt(max(level.departure_var - tilt**2, 0.0))) / base,
        level_tilt=float(tilt) / base,
        level_keep=weekly,
        level_noise=level.slow_sd * float(np.sqrt(1 - weekly**2)) / base,
        mean_sd=float(mean_sd) / base,
        site_share=share,
        stop_days=0.0 if stop is None else float(stop.days),
        stop_share=0.0 if stop is None else stop.share,
        stop_factor=1.0 if stop is None else stop.factor,
        past_wake=float(seen.load[0]),
        past_sleep=float(seen.load[1]),
        past_leakage=float(seen.load[2]),
        past_harvest=float(harvest.mean()) if len(harvest) else 0.0,
    )


@dataclass(frozen=True)
class PastHarvest:
    """A node's harvest of each site day up to yesterday, freed of season, weekday and closures.

    Attributes
    ----------
    power : ndarray, shape (days,)
        NaN where a day says nothing. [W]
    bound : ndarray of bool, shape (days,)
        Days mostly at full: the harvest was at least this.
    """

    power: Array
    bound: npt.NDArray[np.bool_]


def past_harvest(node: NodeDays, site: SiteDays, today: np.datetime64) -> PastHarvest:
    """The harvest behind, comparable from day to day; `site` as for `outlooks`."""
    past = int(site.index(np.array(today)))
    season = site.sky.mean(axis=1) if node.budget.harvest.source == "light-outdoor" else np.ones(site.days)
    shape = day_shapes(node.budget.harvest, site, node.profile)
    closed = (shape * site.closed).sum(axis=1)
    seen = _see(node, site, past, shape, FULL_SHARE_PAST)
    week = _weekdays(seen, closed[:past] * season[:past], site, node.budget)
    value = _value(seen, season[:past], (week[site.weekday] * closed)[:past])
    return PastHarvest(value / SECONDS_PER_DAY, seen.censored)

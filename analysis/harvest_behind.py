"""The harvest of the days behind, from the ledger: what was curtailed at full is made up for, or marked as a bound."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from analysis.at_full import lost_at_end, lost_since, tail
from analysis.cores import shared_out
from analysis.held import Held
from analysis.ledger import full_margin, near_top
from analysis.level import above
from analysis.season import Season, flat, seasons
from analysis.series import by_budget
from analysis.site_days import Days, SiteDays, active_hours, day_shapes
from analysis.sources import SOURCES
from analysis.storage import storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget

Array = npt.NDArray[np.float64]

OBSERVED_SHARE = 0.9  # of a day that must be seen for its harvest to count
FULL_SHARE = 0.7  # of the active time at full from which a day is only a lower bound
FULL_SHARE_PAST = 0.9  # the same where days are compared with each other: what is left tells of a lasting change
PART_LOST = 0.5  # the same, where its hours until full tell of less than came in all day
FULL_SHARE_SKY = 0.85  # the same outdoors, where a day's weather is that of its hours until full
PACE = 0.5  # of what a day would have brought in at its pace until full, it would have brought in at least
CLOSED_SHARE = 0.2  # days whose weekday leaves less than this say nothing about the level,
SHUT_SHARE = 0.7  # nor do days whose closures are said to leave less: what they do leave is seen, not believed
WEEK_DAYS = 84  # that the factors of weekdays are told from
WEEK_ROUNDS = 4
SATURDAY = 5
WEEK_OWN = 2.0  # days of its own that a weekday's belief is worth; more where days scatter by more than
WEEK_SD = 0.4  # of the mean, relative: as readings do that do not tell a day's harvest
WEEK_SCATTER = 0.25  # of a day about its weekday's mean, where it is only a lower bound
RESTLESS = ("none", "thermal")  # sources without a day of which some hour would be the one of full
DARK_SEASON = 0.01  # nor do those of the polar night


class NodeDays(NamedTuple):
    """The ledger of one node up to the forecast, since its harvester was last changed; rows of complete days.

    Attributes
    ----------
    day : ndarray of datetime64[D], shape (n,)
        Calendar days of the site, rising.
    net_harvest_j, wake_j, sleep_j, leakage_j : ndarray, shape (n,)
        As in the ledger, and what the storage is thought to have lost. [J]
    full_s, observed_s : ndarray, shape (n,)
        Time at full and time seen. [s]
    noon_v, risen_at : ndarray, shape (n,)
        Highest voltage in the middle of the day, and when it came up to that: the day's end where it only sank, or
        never did. [V, s since 1970 UTC]
    profile : ndarray, shape (24,), optional
        Course over the day, from `site_days.hour_profile`.
    hours : ndarray, shape (days, 24), optional
        Harvest of the last days by hour, from `single_days.hours_of`. [J]
    held : Held, optional
        The node's own full voltage.
    idle_wakes : float
        Wake rate in the hours that the budget calls idle over that of all.
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
    noon_v: Array
    risen_at: Array
    profile: Array | None = None
    held: Held | None = None
    hours: Array | None = None
    idle_wakes: float = 1.0


@dataclass(frozen=True)
class Seen:
    """The harvest of nodes by day of the site's calendar up to yesterday; of one node, less the first axis.

    Attributes
    ----------
    harvest : ndarray, shape (nodes, days)
        Gross, or the least it can have been; NaN where it is not known. [J]
    censored : ndarray of bool, shape (nodes, days)
        Whether it was at least that.
    spread : ndarray, shape (nodes, days)
        Noise of the day over the usual.
    load : ndarray, shape (nodes, 3)
        Mean wake, sleep, leakage a day. [J]
    lost : ndarray, shape (nodes, days)
        Share of the day's harvest that fell into its time at full.
    pace : ndarray, shape (nodes, days)
        How many times as much a censored day would have brought in, at the least, at its pace until full.
    """

    harvest: Array
    censored: npt.NDArray[np.bool_]
    spread: Array
    load: Array
    lost: Array
    pace: Array

    def rows(self) -> list["Seen"]:
        """One a node."""
        return list(map(Seen, self.harvest, self.censored, self.spread, self.load, self.lost, self.pace))


@dataclass(frozen=True)
class Behind:
    """What the days behind tell of nodes of one budget.

    Attributes
    ----------
    season : Season
        Over site.days.
    shapes : ndarray, shape (nodes, site.days, 24)
        Of `day_shapes`.
    weeks : ndarray, shape (nodes, 7)
        Factor of each weekday.
    seen : Seen
    values : ndarray, shape (nodes, days)
        Harvest over what the day allows; NaN on days that allow next to nothing, or are closed.
    shut : ndarray of bool, shape (nodes, days)
        Closed days that would tell of the level if they were open.
    opened, usual : ndarray, shape (nodes, days)
        What closures are said to leave of each day; what weekday and season would allow without.
    """

    season: Season
    shapes: Array
    weeks: Array
    seen: Seen
    values: Array
    shut: npt.NDArray[np.bool_]
    opened: Array
    usual: Array


def behind(nodes: Sequence[NodeDays], site: SiteDays, past: int, alike: bool = False) -> Behind:
    """What the first `past` days of the site's calendar tell of nodes of one budget.

    Parameters
    ----------
    alike : bool
        Whether days long past are compared with late ones: a course that the budget plans does not change with what
        has been seen of late, and what a power of the season makes of a hall's windows is too rough to be taken out.
    """
    budget = nodes[0].budget
    plain = site.sky.mean(axis=1) if budget.harvest.outdoors else np.ones(site.days)
    plan = active_hours(budget.harvest)
    planned = alike and budget.harvest.active_hours is not None
    profiles = np.stack([plan if planned or node.profile is None else node.profile for node in nodes])
    shapes = np.broadcast_to(day_shapes(budget.harvest, site, profiles), (len(nodes), site.days, 24))
    opened = np.einsum("ndh,dh->nd", shapes[:, :past], site.closed[:past])
    seen = _see(nodes, site, past, shapes, alike)
    open_ = opened >= SHUT_SHARE
    usual = ~site.holiday[:past]  # some plants do work on a public holiday: it tells neither of Sundays nor of a level
    weeks = _weekdays(seen, np.where(open_ & usual, opened, 0.0) * plain[:past], site, budget)
    weekly = weeks[:, site.weekday[:past]]
    works = (weekly > CLOSED_SHARE) & (plain[:past] > DARK_SEASON) & usual
    values = np.where(works & open_, seen.harvest / np.where(works & open_, weekly * opened, 1.0), np.nan)
    season, source = flat(len(nodes), site.days), SOURCES[budget.harvest.source]
    if source.daylight > 0:
        sky = site.sky.mean(axis=1)
        season = seasons(sky, values, seen.censored, *believed(budget, values / plain[:past]), source)
        if alike and not budget.harvest.outdoors:
            season = season.left_in()
    by_season = season.factor[:, :past]
    shut = works & ~open_ & np.isfinite(seen.harvest)
    return Behind(season, shapes, weeks, seen, values / by_season, shut, opened, weekly * by_season)


def believed(budget: Budget, values: Array) -> tuple[float, float]:
    """The budget's harvest a day [J] and its relative sd; where it names no power, what the group shows."""
    if budget.harvest.source == "none":
        return 0.0, 0.0
    if (mean := budget.harvest.mean_power * SECONDS_PER_DAY) > 0:
        return mean, max(budget.harvest.tolerance, 0.05)
    known = values[np.isfinite(values)]
    return max(float(known.mean()) if len(known) else 0.0, 1e-6), 1.0


def _see(nodes: Sequence[NodeDays], site: SiteDays, past: int, shapes: Array, alike: bool) -> Seen:
    """The nodes' gross harvest on the calendar: what was curtailed at full is made up for, or marked."""
    size = len(nodes), past
    row = np.repeat(np.arange(len(nodes)), [len(node.day) for node in nodes])
    place = site.index(np.concatenate([node.day for node in nodes]))
    observed = np.concatenate([node.observed_s for node in nodes])
    kept = (place >= 0) & (place < past) & (observed >= OBSERVED_SHARE * SECONDS_PER_DAY)
    row, place = row[kept], place[kept]
    net, wake, sleep, leakage, full_s, noon_v, risen_at = (
        np.concatenate([getattr(node, name) for node in nodes])[kept]
        for name in ("net_harvest_j", "wake_j", "sleep_j", "leakage_j", "full_s", "noon_v", "risen_at")
    )
    gross, spent = net + leakage, wake + sleep + leakage
    cell, sky = nodes[0].budget.storage.is_battery, _by_sky(nodes[0].budget)
    over = _over_full(nodes)[row]
    became, source = noon_v >= _full_from(nodes)[row], nodes[0].budget.harvest.source
    by_day = nodes[0].budget.harvest.outdoors  # under one sky
    courses, of = (shapes[0], place) if by_day else (shapes[:, 0], row)
    if sky:
        lost, at_full = lost_since(np.where(became | np.isnan(noon_v), risen_at, np.inf), site, courses, of, place)
    else:
        resting = np.array([node.idle_wakes for node in nodes])[row]
        idle = resting * wake + sleep + leakage
        at_full = np.maximum(full_s - tail(nodes[0].budget, over / np.maximum(idle, 1e-12)), 0.0)
        spent = _at_work(nodes[0].budget, resting) * wake + sleep + leakage
        lost = lost_at_end(at_full, courses, of)
        became &= alike and cell and source not in RESTLESS
        if became.any():  # a cell's charger stops and starts again, so that the time at full tells less than its begin
            since, left = lost_since(risen_at, site, courses, of, place)
            lost, at_full = np.where(became, since, lost), np.where(became, left, at_full)
    climb = np.where(became, over, 0.0)
    days = np.maximum(np.bincount(row, minlength=len(nodes)), 1)
    load = np.stack([np.bincount(row, joules, len(nodes)) / days for joules in (wake, sleep, leakage)], axis=1)
    full_share = FULL_SHARE_PAST if alike else FULL_SHARE_SKY if sky else FULL_SHARE
    seen = Seen(np.full(size, np.nan), np.zeros(size, dtype=bool), np.ones(size), load, np.zeros(size), np.ones(size))
    told = seen.harvest, seen.censored, seen.spread, seen.lost, seen.pace
    _put_down(row, place, gross, spent, climb, full_s, at_full, lost, full_share, alike, cell, sky, *told)
    return seen


@njit(cache=True, nogil=True, error_model="numpy")
def _put_down(  # type: ignore[no-untyped-def]
    row, place, gross, spent, climb, full_s, at_full, lost, full_share, alike, cell, sky, harvest, censored, spread,
    share, pace,
):  # fmt: skip
    """Put what came in on each day in its place in the columns of `Seen`."""
    for i in range(len(row)):
        at, left = (row[i], place[i]), 1.0 - lost[i]
        if math.isnan(left):
            continue
        before = gross[i] - (climb[i] + spent[i] * at_full[i] / SECONDS_PER_DAY)  # at full only what is spent comes in
        # A cell's voltage sinks when its charger stops, and starts again a little later: since when it has been full
        # does not show. Compared with each other such days tell, though: without them, days on which the charger still
        # rests would stand for all.
        bound = lost[i] > full_share or (cell and not alike and full_s[i] > 0.0)
        # Nor does a day whose hours until full were few, and brought in less than in proportion.
        bound |= alike and lost[i] > PART_LOST and before < left * gross[i]
        made_up = max(before / max(left, 1e-9), gross[i])
        # A day's pace until full is not that of the whole day, but it tells that there was more than came in.
        least = max(before / (1.0 - full_share), gross[i])
        share[at] = lost[i]
        # Below zero by noise, too: a mean of what is cut off is too high.
        harvest[at] = made_up
        if bound:
            censored[at], pace[at] = True, max(least / max(gross[i], 1e-12), 1.0)
            at_pace = least if sky else min(max(PACE * made_up, gross[i]), least)
            harvest[at] = gross[i] if alike or cell else at_pace
        elif not sky:
            spread[at] = 1.0 / (1.0 - min(lost[i], FULL_SHARE))


def _by_sky(budget: Budget) -> bool:
    """Whether a node's time at full is told by when it came up to it, as the sun's course is known."""
    return budget.harvest.outdoors and not budget.storage.is_battery


def _at_work(budget: Budget, resting: Array) -> Array:
    """Wake rate in the hours in which a budget expects harvest, over that of all, by that in the others, `resting`."""
    idle = float((active_hours(budget.harvest) == 0).mean())
    return np.maximum(1.0 - idle * resting, 0.0) / (1.0 - idle)


def _full_from(nodes: Sequence[NodeDays]) -> Array:
    """The voltage from which on nodes count as full. [V]"""
    budget = nodes[0].budget
    planned = budget.storage.full_voltage - full_margin(budget)
    own = np.array([np.nan if node.held is None else node.held.counts_from for node in nodes])
    return np.where(np.isnan(own), planned, own)


def _over_full(nodes: Sequence[NodeDays]) -> Array:
    """What nodes that are full can spend until they read full no more, and have taken in since they did. [J]"""
    budget = nodes[0].budget
    curve, full = storage_curve(budget.storage), budget.storage.full_voltage
    usual = np.array([np.nan if node.held is None else node.held.usual for node in nodes])
    usual = np.where(np.isnan(usual), full, usual)
    counts = _full_from(nodes)
    if budget.storage.is_battery:  # the time of a cell at a full voltage of its own is counted within less of it
        planned = full - full_margin(budget)
        counts = np.minimum(usual - near_top(budget), np.where(usual > planned, planned, np.inf))
    return np.asarray(np.maximum(np.asarray(curve.energy(usual)) - np.asarray(curve.energy(counts)), 0.0))


def _weekdays(seen: Seen, allowed: Array, site: SiteDays, budget: Budget) -> Array:
    """Factor of each weekday, mean one: the node's own, held towards the budget's days; shape (nodes, 7).

    A day that is only a lower bound counts as what is to be expected above it: the others are the poor days, and those
    after a weekend, and would not compare.
    """
    nodes, past = allowed.shape
    plan = np.ones(7)
    if budget.harvest.active_days is not None:
        plan = np.isin(np.arange(7), budget.harvest.active_days).astype(float)
    plan *= 7 / plan.sum()
    if budget.harvest.source in ("light-outdoor", "none"):
        return np.ones((nodes, 7))
    recent = slice(max(past - WEEK_DAYS, 0), None)
    allowed, harvest = allowed[:, recent], seen.harvest[:, recent]
    usable = np.isfinite(harvest) & (allowed > CLOSED_SHARE)
    bound = usable & seen.censored[:, recent]
    value = np.where(usable, harvest / np.maximum(allowed, CLOSED_SHARE), 0.0)
    weekday = site.weekday[:past][recent]

    def sums(of: Array) -> Array:  # not by a matrix product, whose last digits depend on where its arrays lie
        return np.stack([of[:, weekday == day].sum(axis=1) for day in range(7)], axis=1)

    days, count = sums(usable.astype(float)), sums((usable & ~bound).astype(float))
    least = value.sum(axis=1) / np.maximum(days @ plan, 1e-9)
    usual = np.maximum(least, np.where(bound, 0.0, value).sum(axis=1) / np.maximum(count @ plan, 1e-9))
    factor = np.broadcast_to(plan, (nodes, 7))
    for _ in range(WEEK_ROUNDS):
        level = (np.maximum(usual, 0.0)[:, None] * factor)[:, weekday]
        mean = sums(_to_expect(value, bound, level)) / np.maximum(days, 1)
        usual = mean.sum(axis=1) / np.maximum((plan * (days > 0)).sum(axis=1) / 7, 1e-9) / 7
        own = mean / np.where(usual > 0, usual, 1.0)[:, None]
        off = np.where(usable & ~bound, value / np.where(usual > 0, usual, 1.0)[:, None] - own[:, weekday], 0.0)
        square, free = sums(off**2), np.maximum(count - 1, 0)
        scatter = square.sum(axis=1) / np.maximum(free.sum(axis=1), 1)  # of all weekdays, as if seen on two days more
        mine = (square + 2 * scatter[:, None]) / (free + 2)
        worth = WEEK_OWN * np.maximum(mine / WEEK_SD**2, 1.0)
        belief = _pooled(own, plan, count, WEEK_OWN * np.maximum(scatter / WEEK_SD**2 - 1.0, 0.0))
        factor = np.maximum((count * own + worth * belief) / (count + worth), 0.0)
        factor = factor * 7 / np.maximum(factor.sum(axis=1, keepdims=True), 1e-9)
    told = (count.sum(axis=1) >= 7) & (usual > 0)
    return np.where(told[:, None], factor, plan)


@njit(cache=True, nogil=True, error_model="numpy")
def _to_expect(value, bound, level):  # type: ignore[no-untyped-def]
    """The values, with what is to be expected above it for each that is only a lower bound."""
    out = value.copy()
    for node in range(value.shape[0]):
        for day in range(value.shape[1]):
            if bound[node, day]:
                middle = level[node, day]
                out[node, day], _ = above(value[node, day], middle, max(WEEK_SCATTER * middle, 1e-12))
    return out


def _pooled(own: Array, plan: Array, count: Array, worth: Array) -> Array:
    """The mean factor of the plan's active days, and of its idle ones: what a single weekday is held towards.

    It is held towards the plan as if that were seen on `worth` days, shape (nodes,). Where the plan has no idle days,
    Saturday and Sunday may be idle all the same, both.
    """
    belief = np.tile(plan, (len(own), 1))
    idle = plan == 0 if (plan == 0).any() else np.arange(7) >= SATURDAY
    for group in (~idle, idle):
        if group.any():
            weight = np.maximum(count[:, group], 1e-9)
            mean = (own[:, group] * weight).sum(axis=1) / weight.sum(axis=1)
            enough = count[:, group].sum(axis=1) >= 4
            held = (mean * weight.sum(axis=1) + plan[group][0] * worth) / (weight.sum(axis=1) + worth)
            belief[:, group] = np.where(enough, held, plan[group][0])[:, None]
    return belief


@dataclass(frozen=True)
class PastHarvest:
    """The nodes' harvest of each site day up to yesterday, freed of season, weekday and closures.

    Attributes
    ----------
    power : ndarray, shape (nodes, days)
        NaN where a day says nothing. [W]
    bound : ndarray of bool, shape (nodes, days)
        Days mostly at full: the harvest was at least this.
    lost : ndarray, shape (nodes, days)
        Share of each day's harvest that fell into its time at full, and is made up for.
    pace : ndarray, shape (nodes, days)
        How many times as much the days that are bounds would have brought in, at the least, at their pace until full.
    season_sd : ndarray, shape (nodes, days)
        Of `Season`: how the days' harvest, freed of season, errs together.
    """

    power: Array
    bound: npt.NDArray[np.bool_]
    lost: Array
    pace: Array
    season_sd: Array


def past_harvest(nodes: Sequence[NodeDays], site: SiteDays, today: np.datetime64) -> PastHarvest:
    """The harvest behind of a site's nodes, comparable from day to day; `site` as for `harvest.outlooks`."""
    past = int(site.index(np.array(today)))
    size = len(nodes), past
    power, lost, pace, season_sd = np.empty((4, *size))
    bound = np.empty(size, dtype=bool)
    members = [at for _, at in by_budget([node.budget for node in nodes])]
    if any(SOURCES[nodes[at[0]].budget.harvest.source].daylight > 0 for at in members):
        _ = site.sky  # once, before two threads would each compute it
    each = shared_out(lambda at: behind([nodes[i] for i in at], site, past, alike=True), members)
    for at, known in zip(members, each, strict=True):
        planned = nodes[at[0]].budget.harvest.active_days
        idle = np.zeros(past, dtype=bool) if planned is None else ~np.isin(np.arange(7), planned)[site.weekday[:past]]
        # A dark spell spreads its harvest over the days of rest, too, so that the others on these would seem poor.
        power[at] = np.where(idle, np.nan, known.values / SECONDS_PER_DAY)
        bound[at] = known.seen.censored
        lost[at], pace[at] = known.seen.lost, known.seen.pace
        season_sd[at] = known.season.doubt[:, :past]
    return PastHarvest(power, bound, lost, pace, season_sd)

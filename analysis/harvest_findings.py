"""The findings of harvest: a lasting fall against the node's own past, or one that never met its budget."""

import math
from collections.abc import Sequence
from datetime import timedelta
from typing import NamedTuple

import numpy as np

from analysis.change import Change, find_changes
from analysis.daily import Daily, figures
from analysis.facts import SURE, Finding, NodeFacts
from analysis.fallen import chance_below, chance_fallen, counts, fall_of
from analysis.less_full import chance_short, changes_of_share, much_seldomer
from analysis.series import Floats
from ingest.budget import Budget

SEASON = 0.25  # what horizon and haze leave in a harvest freed of season
LEAST_SEEN, LEAST_Z = 0.1, 2.0  # a smaller fall is not looked at, nor one that stands out of its doubt by less
BOUND_TELLS = 1.15  # of its mean: a day of which no more is known than that it brought in so much tells of the level
STATED = 0.7  # chance from which on a fall of harvest is stated
WORK_FELL = 0.85  # of the wakes before: beyond what a fault of the harvester does to them
COMMON_RANGE = (0.2, 5.0)  # of what the site's nodes share: days beyond, on which all but stood still, tell of no node
RESTLESS = (
    "; more sleep power or leakage (drain-over, leakage-rise) is not separable from it for a source that seldom rests"
)
NEVER_DAYS = 28  # known, from which on a harvest can be said never to have met its budget,
TOGETHER_DAYS = 4  # so many of which hang together as one (our choice),
TOLERANCES = 2  # and by how many of the budget's tolerances it must fall short
RECENT_DAYS = 7
HIDDEN_DAYS = 14  # of a node that is full on most of them, beyond which it is not said on which day a fall began
WAKE_DAYS = 2 * RECENT_DAYS, 4 * RECENT_DAYS  # that tell how often a node wakes: risen or not; a week's work swings


class Course(NamedTuple):
    """A node's harvest and wakes by day, less what its site's nodes share of harvest, and what they show."""

    harvest: Floats
    least: Floats  # the same, days that are bounds at the pace that they had until full
    seen: Floats  # NaN where it is but a bound
    lost: Floats  # of what is seen, the share that was made up for
    usual: Daily  # of all days, those that became full taken to have met the budget
    fell: Change | None
    less_full: Change | None
    woke: Change | None
    few_wakes: Daily  # of the last WAKE_DAYS
    many_wakes: Daily


def courses_of(members: Sequence[NodeFacts], running: Floats, common: Floats | None) -> list[Course]:
    """The courses of a site's nodes, by their harvest less its stops and what each has in common with the others."""
    share = np.ones(running.shape) if common is None else np.where(np.isfinite(common), common, 1.0)
    told = (share >= COMMON_RANGE[0]) & (share <= COMMON_RANGE[1])
    harvest = np.where(told, running / np.where(told, share, 1.0), np.nan)
    bound, planned = np.stack([node.harvest_bound for node in members]), [n.budget.harvest.mean_power for n in members]
    lost = np.stack([node.harvest_lost for node in members])
    pace = np.stack([np.broadcast_to(node.harvest_pace, node.harvest_w.shape) for node in members])
    made_up = np.where(bound & (pace <= 1), 0.0, lost)
    least = harvest * pace
    weight = counts(made_up)
    seen = _telling(least, bound, weight)
    met = np.where(bound | (lost > 0), np.fmax(harvest, np.array(planned)[:, None]), harvest)
    wakes = np.stack([node.wakes for node in members])
    few, many = (figures(wakes, days) for days in WAKE_DAYS)
    fell, less_full = find_changes(seen, weight, slow=True), changes_of_share(harvest, bound)
    woke = find_changes(wakes, slow=True)
    return list(map(Course, harvest, least, seen, made_up, figures(met), fell, less_full, woke, few, many))


def _telling(harvest: Floats, bound: np.ndarray, weight: Floats) -> Floats:
    """The harvest of the days that tell of its level, else NaN; of bounds, those above a node's mean by `weight` do."""
    told = np.isfinite(harvest) & ~bound
    mean = np.where(told, weight * harvest, 0.0).sum(axis=1) / np.maximum(np.where(told, weight, 0.0).sum(axis=1), 1e-9)
    high = bound & (harvest > BOUND_TELLS * mean[:, None])
    return np.where(told | high, harvest, np.nan)


def harvest_short(node: NodeFacts, course: Course) -> Finding | None:
    """A lasting fall against the node's own past, or a harvest that never met the budget's tolerance."""
    if node.budget.harvest.source == "none":
        return None
    change, outdoors = course.fell, node.budget.harvest.outdoors
    chance = 0.0
    if change is not None and fall_of(change) > LEAST_SEEN and change.z < -LEAST_Z:
        tilt = _tilt_doubt(node, course.seen, change)
        chance = chance_fallen(change, course.least, np.isnan(course.seen), course.lost, outdoors, tilt)
    if change is not None and chance >= STATED:
        by = f"{_hidden(node, change)}{fall_of(change):.0%}"
        told = f"harvest fell by {by}, from {_uw(change.before)} to {_uw(max(change.after, 0))}"
        return _fell(node, change, chance, told, _begun_by(course, change.index))
    return _seldomer_full(node, course) or _never_met(node, course.usual)


def _seldomer_full(node: NodeFacts, course: Course) -> Finding | None:
    """A fall of which only tells that the node was full, and is no more."""
    change = course.less_full
    if not much_seldomer(change) or _work_fell(node, change):
        return None
    tilt = _tilt_doubt(node, course.harvest, change)
    outdoors = node.budget.harvest.outdoors
    planned = node.budget.harvest
    believed = planned.mean_power, planned.tolerance * planned.mean_power
    chance, fall = chance_short(change, course.harvest, node.harvest_bound, outdoors, tilt, believed)
    if chance < SURE:
        return None
    share = f"on {change.before:.0%} of days before and on {change.after:.0%} since"
    told = f"full, or taking in as much, {share}, as if harvest fell by {fall:.0%}"
    return _fell(node, change, chance, told, change.index)


def _fell(node: NodeFacts, change: Change, chance: float, told: str, last: int) -> Finding:
    """The finding of a fall, with what was taken out of the harvest that tells of it, and what it is held against.

    It began on the day of the change or by the day `last`: of a wide span the middle is stated.
    """
    budget = f"budget {_uw(node.budget.harvest.mean_power)}" + (RESTLESS if rests(node.budget) else "")
    evidence = f"{told}, season, closures and what the site's nodes share taken out; {budget}"
    first, since = change.index, change.index
    if last - first > HIDDEN_DAYS:
        early, late = (node.first + timedelta(days=day) for day in (first, last))
        evidence += f"; begun some time from {early} to {late}, between which it was full more often than before"
        since = (first + last) // 2
    return Finding(node.node_id, "harvest-short", node.first + timedelta(days=since), chance, evidence)


def _begun_by(course: Course, index: int) -> int:
    """The day by which a fall has begun: from then on HIDDEN_DAYS tell of the harvest half as often as days before it.

    While a node is full on more days than before, those that tell are its poorest, whether it has fallen yet or not.
    """
    known, tell = np.isfinite(course.harvest), np.isfinite(course.seen)
    usual = tell[:index].sum() / max(known[:index].sum(), 1)
    all_days, telling = (np.cumsum(np.append(0, days[index:])) for days in (known, tell))
    span = min(HIDDEN_DAYS, len(all_days) - 1)
    enough = telling[span:] - telling[:-span] >= 0.5 * usual * (all_days[span:] - all_days[:-span])
    begin = int(enough.argmax() if enough.any() else len(enough) - 1)
    return index + begin + (span // 2 if begin else 0)


def _work_fell(node: NodeFacts, change: Change) -> bool:
    """Whether wakes fell with the harvest: then the work did, on which both live."""
    before, since = node.wakes[: change.index], node.wakes[change.index :]
    before, since = before[np.isfinite(before)], since[np.isfinite(since)]
    return len(before) > 0 and len(since) > 0 and float(since.mean()) < WORK_FELL * float(before.mean())


def _hidden(node: NodeFacts, change: Change) -> str:
    """What the size of a fall is preceded by: most days before it were full, and brought in more than is known."""
    return "at least " if np.mean(node.harvest_bound[: change.index]) > 0.5 else ""


def _tilt_doubt(node: NodeFacts, seen: Floats, change: Change) -> float:
    """What the unknown mounting of a panel may have made of the harvest after a change over that before."""
    if node.harvest_season_sd is None:
        return 0.0
    known, after = np.isfinite(seen), np.arange(len(seen)) >= change.index
    sd = node.harvest_season_sd
    return abs(float(sd[known & after].mean() - sd[known & ~after].mean()))


def rests(budget: Budget) -> bool:
    """Whether a source knows no quiet hours, but only spells of rest."""
    harvest = budget.harvest
    if harvest.source in ("none", "light-outdoor"):  # always quiet, or by the sun
        return False
    return harvest.active_hours is None and harvest.active_days is None


def _never_met(node: NodeFacts, usual: Daily) -> Finding | None:
    if usual.known < NEVER_DAYS:
        return None
    season = SEASON if node.budget.harvest.outdoors else 0.0
    mean, doubt = usual.mean, math.hypot(usual.sd / math.sqrt(usual.known / TOGETHER_DAYS), usual.mean * season)
    least = node.budget.harvest.mean_power * (1 - TOLERANCES * node.budget.harvest.tolerance)
    chance = chance_below((least - mean) / max(doubt, 1e-12))
    if chance < SURE or (mean <= 0 and least <= 0):
        return None
    evidence = (
        f"harvest {_uw(mean)} since commissioning, days at full taken to be as designed, against a budget of "
        f"{_uw(node.budget.harvest.mean_power)}, lower than twice its tolerance allows"
    )
    return Finding(node.node_id, "harvest-short", node.commissioned, chance, evidence)


def _uw(watts: float) -> str:
    return f"{watts * 1e6:.3g} uW"

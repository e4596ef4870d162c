"""Findings: named causes with since when, how sure and the evidence in one sentence with figures."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np

from analysis.change import Change
from analysis.cores import shared_out
from analysis.daily import swing
from analysis.evidence import middle_voltage
from analysis.facts import SURE, Finding, NodeFacts, Rise, silence
from analysis.fallen import chance_below, fall_of
from analysis.harvest_findings import RECENT_DAYS, WAKE_DAYS, Course, courses_of, harvest_short, rests
from analysis.load import sleep_power
from analysis.outcomes import least_in_hand
from analysis.series import Floats
from analysis.site_findings import explained, in_common, long_low, one_a_site, site_wide, without_stops
from analysis.state import REST_PRIOR

HARVEST_DROP = 0.25  # smaller falls may be the weather, or what a slow change of the parameters leaves over
WAKES_RISE = 0.3  # work itself moves by a fifth from week to week
WAKES_OVER = 0.3  # over the plan, where nothing has changed since commissioning,
ONCE_A_DAY = 1.0  # or where none was planned
DRAIN_RISE, WAKE_COST, LOAD_RISE = 0.3, 0.15, 0.1  # of sleep, of a wake's energy, of both together
FADE = 0.04  # what parts lose in their first year or two without any cause (our choice)
REST_RISE, REST_LEAST = FADE, 0.02  # of all that empties the storage at rest: to tell of itself, and for any cause
LEAKAGE_RISE = 0.5
UNTOLD = 0.7  # sd of the logarithm of a rise from which on the evidence does not tell it from another
ODDS = 5.0  # logarithm of how much better one cause expects the evidence, up to which it names the other
LEAK_ODDS = 15.0  # the same for a leak: on simulated fleets of four hands one in six of those between was of sleep
LIKELY = 0.5  # chance from which on a cause is named beside one that is sure
LEFT_IN_QUIET = 0.03  # of the mean harvest, at most, in hours taken for quiet,
LEFT_IN_REST = sum(REST_PRIOR)  # and in spells of rest of a source without such hours
TIE = 0.5  # correlation from which causes that move together in the posterior name each other
BLUR = (
    0.8  # from which wakes and sleep are not told apart: a fade then differs from a costlier load by its course alone
)
STOOD = 0.35  # of the time that a loss of capacity took: wear that began goes on, at a slowing pace at most
TIED = {
    "drain-over": "a costlier wake or sleep (drain-over)",
    "leakage-rise": "a rise of leakage (leakage-rise)",
    "capacity-fade": "a loss of capacity (capacity-fade)",
}
UNTOLD_FROM = "; {} is not separable from it on this evidence: a visit with a changed wake rate would tell"
UNTOLD_WHILE = "; {} is not separable from it while the harvest never rests: a meter in the supply would tell"
RESISTANCE_RISE = 0.3
FALL = 1.0  # of a step's fall by the wake's own charge over that by resistance, from which a fade looks like its rise
LOST_MOST = 0.67  # by which that fall may have grown where capacity is not known: as if two fifths of it were lost
IN_HAND_SD = 0.5  # of the logarithm of what a node has in hand over what tells a silent one from a dark one
CURRENT_MOST, CURRENT_SEEN = 2.5, 0.3  # times, that a wake's current may rise, and the share of that its energy shows


def find(nodes: Sequence[NodeFacts]) -> list[Finding]:
    """The findings of a fleet; what most nodes of a site show at the same time is one finding of the site."""
    cohorts: defaultdict[tuple[str, str], list[NodeFacts]] = defaultdict(list)
    for node in nodes:
        cohorts[node.site, node.budget.harvest.source].append(node)
    found: list[Finding] = []
    stops: list[Finding] = []
    for members, courses, stop in shared_out(_cohort, cohorts.values()):
        for node, course in zip(members, courses, strict=True):
            found += [finding for finding in _of_node(node, course) if stop is None or not explained(finding, stop)]
        if stop is not None:
            stops.append(stop)
    return site_wide(nodes, found) + one_a_site(stops)


def _cohort(members: list[NodeFacts]) -> tuple[list[NodeFacts], list[Course], Finding | None]:
    """The nodes of one site and source with their courses, and the stop that is on, if there is one."""
    site, source, shared = members[0].site, members[0].budget.harvest.source, in_common(members)
    running, stop = without_stops(site, source, members)
    if stop is None and shared is not None:
        stop = long_low(site, source, members, shared.site)
    return members, courses_of(members, running, None if shared is None else shared.others), stop


class _Cause(NamedTuple):
    """What may empty a storage faster: its finding, how likely it is, and the findings it is not told from."""

    name: str
    chance: float
    since: date | None
    told: str
    ties: set[str]


def _of_node(node: NodeFacts, course: Course) -> list[Finding]:
    drains = _drains(node, course.fell)
    judged = (_silence(node), harvest_short(node, course), _wakes(node, course), *drains, _resistance(node))
    return [replace(finding, site=node.site) for finding in judged if finding is not None]


def _silence(node: NodeFacts) -> Finding | None:
    if node.silent_for_s <= 0:
        return None
    # With little in hand at the last report the node is dark; with much it cannot be.
    full = node.usable_j / max(node.usable_share, 1e-9)
    least = max(float(least_in_hand(full, node.load_w, node.budget)), 1e-12)
    charged = chance_below(math.log(max(node.usable_j / least, 1e-4)) / IN_HAND_SD)
    in_hand = f"{node.usable_share:.0%} of its energy in hand at the last report"
    if node.load_w > 0:
        in_hand += f", enough for {_days(node.usable_j / node.load_w / 86400)}"
    told = f"not heard from for {silence(node.silent_for_s)} with {in_hand}"
    if charged < 0.5:
        return Finding(node.node_id, "dark", node.heard, 1 - charged, told)
    told += ": radio, gateway or node fault, not energy"
    return Finding(node.node_id, "silent-charged", node.heard, charged, told)


def _wakes(node: NodeFacts, course: Course) -> Finding | None:
    plan, change = node.budget.load.wakes_per_day, course.woke
    if course.few_wakes.known < RECENT_DAYS:
        return None
    risen = change is not None and change.after > change.before * (1 + WAKES_RISE) and change.z > 4
    days, recent = (WAKE_DAYS[0], course.few_wakes.mean) if risen else (WAKE_DAYS[1], course.many_wakes.mean)
    if risen and (weekly := _usual_week(node.wakes)) > recent:  # a closed week has ended nothing
        days, recent = WAKE_DAYS[1], weekly
    doubt = max(course.many_wakes.sd / math.sqrt(RECENT_DAYS), 0.02 * plan, 0.1)
    usual = change.before if risen and change is not None else 0.0
    limit = max(plan, usual) * (1 + WAKES_RISE) if risen else max(plan * (1 + WAKES_OVER), ONCE_A_DAY)
    if chance_below((recent - limit) / doubt) < SURE:
        return None
    before = change.index if risen and change is not None else len(node.wakes) - WAKE_DAYS[1]
    chance = chance_below((recent - limit) / math.hypot(doubt, swing(node.wakes[:before], RECENT_DAYS)))
    if chance < SURE:
        return None
    since = node.first + timedelta(days=change.index) if risen and change is not None else node.commissioned
    planned = f"{plan:.0f}" if plan > 0 else "none"
    evidence = f"{recent:.0f} wakes a day in the last {days} days against {planned} planned"
    if risen:
        evidence += f"; {usual:.0f} a day before"
    return Finding(node.node_id, "wakes-over", since, chance, evidence)


def _usual_week(wakes: Floats) -> float:
    """Middle of the means of the last four weeks' wakes a day, of days that are known; of fewer, none."""
    known = wakes[np.isfinite(wakes)][-WAKE_DAYS[1] :]
    return float(np.median(known.reshape(4, -1).mean(axis=1))) if len(known) == WAKE_DAYS[1] else 0.0


def _drains(node: NodeFacts, fell: Change | None) -> list[Finding | None]:
    """What empties the storage faster than at first: a costlier load, a leak or a loss of capacity, each with its ties.

    What the evidence does not tell from a cause is named with it, and so is another cause that is likely, too: two at a
    time are rare.
    """
    gone = _gone_from_quiet(node, fell)
    fade = _fades(node, gone)
    if max(fade.chance, _total(node)) < SURE:  # nor has any part of it risen more surely than the whole
        return []
    sleeps, leak = _sleeps(node, gone), _leaks(node)
    if min(sleeps.chance, leak.chance) >= SURE:  # one of them is enough, unless they expect the evidence alike
        sleeps = sleeps if node.leak_odds < ODDS else sleeps._replace(chance=0.0)
        leak = leak if node.leak_odds > 0 else leak._replace(chance=0.0)
    drain = _spends(node, gone, sleeps)
    if max(drain.chance, leak.chance, fade.chance) < SURE:
        return [_empties(node, gone, sorted((drain, leak, fade), key=lambda cause: -cause.chance))]
    found: list[Finding | None] = []
    for cause, others in ((drain, (leak, fade)), (leak, (drain, fade)), (fade, (leak, drain))):
        if cause.chance >= SURE:
            ties = [other for other in others if other.name in cause.ties or other.chance >= LIKELY]
            tied = [_instead(node, cause, other) for other in ties]
            untold = UNTOLD_FROM if _rested(node) else UNTOLD_WHILE
            told = cause.told + (untold.format(" or ".join(tied)) if tied else "")
            found.append(Finding(node.node_id, cause.name, cause.since or node.commissioned, cause.chance, told))
    return found


def _instead(node: NodeFacts, cause: _Cause, other: _Cause) -> str:
    """What may be in place of a cause; a load in place of a loss of capacity, which scales all costs, with its size."""
    if cause.name == "capacity-fade" and other.name == "drain-over":
        return f"a wake or sleep costlier by {1 / node.health.capacity_ratio - 1:.0%} ({other.name})"
    return TIED[other.name]


def _sleeps(node: NodeFacts, gone: float) -> _Cause:
    least = DRAIN_RISE + gone / max(float(sleep_power(node.budget.load, middle_voltage(node.budget))), 1e-12)
    ties = ({"leakage-rise"} if node.leak_odds > -ODDS else set()) | _blurred(node)
    return _drain(node, node.sleep, least, "sleep power is", ties)


def _spends(node: NodeFacts, gone: float, sleeps: _Cause) -> _Cause:
    """A rise of sleep power, of the energy of a wake, or of both together where it is not told which."""
    load = max(node.load_w, 1e-12)
    of_wake = _wake_tie(node, "capacity-fade") | _blurred(node) | (set() if _known(node.leakage) else {"leakage-rise"})
    wakes = _drain(node, node.wake, WAKE_COST + gone / load, "the energy of a wake is", of_wake)
    of_both = {"leakage-rise"} | _wake_tie(node, "capacity-fade") | _blurred(node)
    both = _drain(node, node.load, LOAD_RISE + gone / load, "what wakes and sleep cost together is", of_both)
    surest = max(sleeps, wakes, key=lambda cause: cause.chance)
    other = node.sleep if surest is wakes else node.wake
    untold = node.blur >= BLUR and not _known(other) and both.chance >= SURE
    if surest.chance >= min(both.chance, SURE) and not untold:
        return surest
    return both._replace(told=both.told + "; which of the two does not show")


def _drain(node: NodeFacts, rise: Rise, least: float, what: str, ties: set[str]) -> _Cause:
    return _Cause("drain-over", min(_chance(rise, least), _total(node)), rise.since, _risen(what, rise), ties)


def _leaks(node: NodeFacts) -> _Cause:
    ties = {"drain-over"} if node.leak_odds < LEAK_ODDS else set()
    if abs(node.fade_tie) >= TIE:
        ties.add("capacity-fade")
    rise = node.leakage
    chance = min(_chance(rise, LEAKAGE_RISE), _total(node))
    return _Cause("leakage-rise", chance, rise.since, _risen("leakage is", rise), ties)


def _fades(node: NodeFacts, gone: float) -> _Cause:
    """A loss of capacity; or that or a risen leakage, where only the two together are sure."""
    ratio, sd = node.health.capacity_ratio, node.health.capacity_sd
    if not math.isfinite(ratio):
        return _Cause("capacity-fade", 0.0, None, "", set())
    least = 1 - FADE - (gone / node.load_w if node.load_w > 0 else 0.0)
    may_be = node.fade or ((1.0, ratio, sd),)
    faded = [weight * chance_below((least - middle) / max(spread, 1e-6)) for weight, middle, spread in may_be]
    chance, leaks = sum(faded), sum(weight for weight, *_ in may_be[1:])
    either = faded[0] + leaks
    ties = {"drain-over"} if node.blur >= BLUR else _wake_tie(node, "drain-over")
    ties |= {"drain-over", "leakage-rise"} if node.stood >= STOOD else set()
    if not _rested(node):  # a wake that costs more voltage may as well cost more energy
        ties.add("drain-over")
    alone = leaks > 0 and sum(faded[1:]) < 0.5 * leaks  # a leak explains as much without any fade
    if abs(node.fade_tie) >= TIE or chance < SURE or alone or leaks >= LIKELY:
        ties.add("leakage-rise")
    costs = "wakes and rest both cost more voltage" if _rested(node) else "each wake costs more voltage"
    told = f"capacity is {ratio:.0%} of what it was (sd {sd:.0%}): {costs}"
    return _Cause("capacity-fade", either if leaks <= chance < SURE else chance, node.faded, told, ties)


def _empties(node: NodeFacts, gone: float, causes: list[_Cause]) -> Finding | None:
    """A storage that empties faster at rest, where it does not show of what: the likeliest cause first."""
    least = REST_RISE + (gone / node.load_w if node.load_w > 0 else 0.0)
    if (chance := _chance(node.rest, least)) < SURE:
        return None
    told = _risen("what empties the storage at rest is", node.rest)
    told += UNTOLD_FROM.format(" or ".join(TIED[cause.name] for cause in causes[1:]))
    return Finding(node.node_id, causes[0].name, node.rest.since or node.commissioned, chance, told)


def _blurred(node: NodeFacts) -> set[str]:
    """What a costlier load is told from by its course alone, where wakes and sleep are not told apart."""
    return {"capacity-fade"} if node.blur >= BLUR else set()


def _wake_tie(node: NodeFacts, other: str) -> set[str]:
    """What a loss of capacity and the energy of a wake name of each other where they move together."""
    return {other} if node.wake_tie >= TIE else set()


def _risen(what: str, rise: Rise) -> str:
    return f"{what} {rise.ratio:.2g} times what it was (sd {rise.sd:.1g})"


def _known(rise: Rise) -> bool:
    """Whether the evidence tells of it at all."""
    return rise.sd < UNTOLD * rise.ratio


def _rested(node: NodeFacts) -> bool:
    """Whether rests of the harvest have told what wakes and sleep cost."""
    return math.isfinite(node.wake.ratio)


def _total(node: NodeFacts) -> float:
    """Chance that more empties the storage at rest than at first: no part of it has risen with a greater one."""
    return _chance(node.rest, REST_LEAST) if math.isfinite(node.rest.ratio) else 1.0


def _chance(rise: Rise, least: float) -> float:
    """Chance that a ratio lies above one plus `least`, its logarithm taken as normal."""
    if not (math.isfinite(rise.ratio) and rise.ratio > 0):
        return 0.0
    return chance_below(math.log(rise.ratio / (1 + least)) / max(rise.sd / rise.ratio, 1e-6))


def _resistance(node: NodeFacts) -> Finding | None:
    health = node.health
    if not math.isfinite(health.esr_ratio):
        return None
    chance = chance_below((health.esr_ratio - 1 - RESISTANCE_RISE) / max(health.esr_sd, 0.02))
    if chance < SURE:
        return None
    told = f"series resistance is {health.esr_ratio:.2f} times what it was, at 25 degC, by the step at a wake"
    lost = 0.0 if math.isfinite(health.capacity_ratio) else node.fall * LOST_MOST
    if node.fall >= FALL or lost > (health.esr_ratio - 1) / 2:
        told += (
            "; a loss of capacity (capacity-fade) is not separable from it: the wake's own charge is much of the step"
        )
    if _draws_more(node):
        told += (
            "; a wake that draws more current (drain-over) is not separable from it: "
            "a meter in the supply would tell before the storage is replaced"
        )
    return Finding(node.node_id, "resistance-rise", node.worn or node.commissioned, chance, told)


def _draws_more(node: NodeFacts) -> bool:
    """Whether a step that is resistance times current may as well be of the current.

    Only the quiet hours of a capacitor tell soon enough what a wake takes to speak against it.
    """
    more = node.health.esr_ratio - 1
    if more > CURRENT_MOST - 1:
        return False
    untold = node.budget.storage.is_battery or rests(node.budget) or not math.isfinite(node.wake.ratio)
    return untold or _chance(node.wake, CURRENT_SEEN * more) > 1 - SURE


def _gone_from_quiet(node: NodeFacts, fell: Change | None) -> float:
    """How much of the harvest left in quiet hours, at most, a lasting fall has taken away. [W]"""
    harvest, fall = node.budget.harvest, fall_of(fell)
    if harvest.source in ("none", "light-outdoor") or fall <= HARVEST_DROP:
        return 0.0
    return fall * (LEFT_IN_REST if rests(node.budget) else LEFT_IN_QUIET) * harvest.mean_power


def _days(days: float) -> str:
    if not np.isfinite(days) or days > 365:
        return "longer than a year"
    return f"{days:.1f} days" if days >= 1 else f"{days * 24:.1f} h"

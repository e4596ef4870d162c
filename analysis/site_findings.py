"""What the nodes of a site show together: what their harvests have in common, stops, and one cause in place of many."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np

from analysis.facts import SURE, Finding, NodeFacts
from analysis.series import Floats
from analysis.sources import SOURCES
from analysis.stops import LIKELY, least_medians, ongoing_stops, past_stops, without

SITE_SHARE = 0.6  # of a site's nodes that must show the same within SITE_DAYS to be one cause
SITE_LEAST = 4
SITE_DAYS = 3
SILENT_DAYS = 1  # within which all fall silent when a gateway does
FALL_DAYS = 14  # and of lasting falls of harvest, whose begin a noisy series tells to a week or two
COHORT_LEAST = 5  # nodes of one site and source from which what they have in common is known
MANY = 20  # nodes, to whose median one adds little
LOW_DAYS = 3
AT_THE_SITE = "season, weekday and planned closures taken out: one cause at the site rather than many at the nodes"
STOPPED = {"harvest-short", "dark"}  # what a stop does to a node
COMMON = {"harvest-short", "dark", "silent-charged"}  # what a site can do to its nodes


class Shared(NamedTuple):
    """What the harvests of one site and source have in common, by day, usually one; NaN where too few are known.

    `site` is that of all nodes; `others`, shape (nodes, days), what the others show to each: of a few nodes its own
    fall would be a part of it.
    """

    site: Floats
    others: Floats


def in_common(members: Sequence[NodeFacts]) -> Shared | None:
    """What the harvests of one site and source have in common; None for too few nodes."""
    if len(members) < COHORT_LEAST:
        return None
    seen, bound = np.stack([n.harvest_w for n in members]), np.stack([n.harvest_bound for n in members])
    usual = least_medians(seen, bound)
    relative = seen / np.where(usual > 0, usual, np.nan)[:, None]
    site = _middle(relative, bound, COHORT_LEAST)
    if len(members) >= MANY:
        return Shared(site, np.broadcast_to(site, relative.shape))
    rest = ~np.eye(len(members), dtype=bool)
    return Shared(site, np.stack([_middle(relative[others], bound[others], COHORT_LEAST - 1) for others in rest]))


def _middle(relative: Floats, bound: np.ndarray[Any, Any], least: int) -> Floats:
    """The median of nodes by day, NaN where fewer than `least` are known."""
    enough = np.isfinite(relative).sum(axis=0) >= least
    return np.where(enough, least_medians(relative.T, bound.T), np.nan)


def without_stops(site: str, source: str, members: Sequence[NodeFacts]) -> tuple[Floats, Finding | None]:
    """The nodes' harvest by day without stops, past and present; and the stop that is on, if they are low together.

    A node that is low alone may have met a fault of its own: its days are kept.
    """
    usual, harvest = SOURCES[source], np.stack([node.harvest_w for node in members])
    if source == "none":
        return harvest, None
    bound = np.stack([node.harvest_bound for node in members])
    stops = ongoing_stops(harvest, bound, usual)
    together = [stop if stop is not None and stop.nodes >= SITE_LEAST else None for stop in stops]
    running = np.stack([without(values, stop) for values, stop in zip(harvest, together, strict=True)])
    running[past_stops(running, bound, usual)] = np.nan
    low = [stop for stop in together if stop is not None and stop.share >= LIKELY]
    chance = float(np.median([stop.share for stop in low])) if low else 0.0
    if len(low) < SITE_LEAST or chance < SURE:
        return running, None
    days = int(np.median([stop.days for stop in low]))
    since = members[0].first + timedelta(days=harvest.shape[1] - days)
    evidence = (
        f"the {source} harvest of {len(low)} of {len(members)} nodes at {site} is "
        f"{max(np.median([stop.factor for stop in low]), 0.0):.0%} of usual since {since}, {AT_THE_SITE}"
    )
    return running, Finding(None, "site-wide", since, chance, evidence, site)


def one_a_site(stops: list[Finding]) -> list[Finding]:
    """Stops of several sources of a site that begin together are one."""
    one: dict[str, Finding] = {}
    more: list[Finding] = []
    for stop in sorted(stops, key=lambda stop: stop.since):
        first = one.setdefault(stop.site, stop)
        if stop.since - first.since > timedelta(days=SITE_DAYS):
            more.append(stop)
        elif stop is not first:
            evidence = f"{first.evidence.removesuffix(', ' + AT_THE_SITE)}; {stop.evidence}"  # which tells it for all
            chance = max(first.probability, stop.probability)
            one[stop.site] = replace(first, probability=chance, evidence=evidence)
    return [*one.values(), *more]


def explained(finding: Finding, stop: Finding) -> bool:
    """Whether a finding of a node is what a stop of its site does to it."""
    return finding.finding in STOPPED and finding.since >= stop.since - timedelta(days=SITE_DAYS)


def long_low(site: str, source: str, members: Sequence[NodeFacts], common: Floats) -> Finding | None:
    """A fall of the whole site's harvest that its own past does not know, however long ago it began.

    Of so many spells of LOW_DAYS none was as low, so one more is by chance with 1 in as many and two (Laplace's rule of
    succession).
    """
    means = np.convolve(np.nan_to_num(common, nan=1.0), np.ones(LOW_DAYS) / LOW_DAYS, mode="valid")
    past = means[: -2 * LOW_DAYS]
    if len(past) < 8 * LOW_DAYS or not np.isfinite(common[-LOW_DAYS:]).any():
        return None
    limit = min(0.5, 0.7 * float(np.quantile(past, 0.02)))
    if means[-1] >= limit:
        return None
    low = np.flatnonzero(means >= limit)
    since = members[0].first + timedelta(days=int(low[-1]) + LOW_DAYS if len(low) else 0)
    evidence = (
        f"the {source} harvest of {len(members)} nodes at {site} is {means[-1]:.0%} of usual over {LOW_DAYS} days, "
        + AT_THE_SITE
    )
    return Finding(None, "site-wide", since, 1.0 - 1.0 / (len(past) / LOW_DAYS + 2.0), evidence, site)


def site_wide(nodes: Sequence[NodeFacts], found: list[Finding]) -> list[Finding]:
    """Put one finding in place of those that most nodes of a site share at the same time."""
    size: defaultdict[str, int] = defaultdict(int)
    for node in nodes:
        size[node.site] += 1
    groups: defaultdict[str, list[Finding]] = defaultdict(list)
    for finding in found:
        if finding.finding in COMMON:
            groups[finding.site].append(finding)
    kept = list(found)
    for site, members in groups.items():
        falls = [finding for finding in members if finding.finding == "harvest-short"]
        silent = [finding for finding in members if finding.finding == "silent-charged"]
        gone = _together(silent, SILENT_DAYS)
        spell = max(_together(members, SITE_DAYS), _together(falls, FALL_DAYS), key=len)
        common = gone if 2 * len(gone) > len(spell) else spell  # a gateway takes all its nodes with it at once
        if len(common) < max(SITE_LEAST, SITE_SHARE * size[site]):
            continue
        ids = {id(finding) for finding in common}
        kept = [finding for finding in kept if id(finding) not in ids]
        kinds = sorted({finding.finding for finding in common})
        evidence = (
            f"{len(common)} of {size[site]} nodes at {site} show {' or '.join(kinds)} since {common[0].since}: "
            "one cause at the site (stop, lights, gateway) rather than many at the nodes"
        )
        chance = float(np.median([finding.probability for finding in common]))
        kept.append(Finding(None, "site-wide", common[0].since, chance, evidence, site))
    return kept


def _together(members: list[Finding], within: int) -> list[Finding]:
    """The largest group that begins within so many days, earliest first."""
    if not members:
        return []
    ordered = sorted(members, key=lambda finding: finding.since)
    begun = [finding.since for finding in ordered]
    ends = [bisect_right(begun, since + timedelta(days=within)) for since in begun]
    size, first = max((end - i, -i) for i, end in enumerate(ends))
    return ordered[-first : size - first]

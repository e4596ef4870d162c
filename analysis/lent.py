"""What a closure does to nodes that have seen none yet: as their sisters at other sites have told."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.outlook import NodeOutlook
from analysis.series import Floats
from analysis.sources import SOURCES, Source
from analysis.wakes import CLOSED_DAYS

LEAST_NODES = 3  # of one budget, at other sites, that must have told
TOLD = 0.7  # of the sd before any closure, from which on closures seen have told
SITES_SD = 0.2  # from site to site: one that is closed may keep more running than another


def lent_closures(nodes: Sequence[NodeOutlook]) -> list[NodeOutlook]:
    """The nodes, with what comes and what they wake on closed days as sisters elsewhere have it where none was seen."""
    kinds: defaultdict[str, list[int]] = defaultdict(list)
    for i, node in enumerate(nodes):
        kinds[node.budget.name].append(i)
    found = list(nodes)
    for places in kinds.values():
        kind = [nodes[i] for i in places]
        source = SOURCES[kind[0].budget.harvest.source]
        site = np.array([node.site for node in kind])
        kept, kept_sd, closed, days = np.array(
            [(n.harvest.kept, n.harvest.kept_sd, min(n.wake_closed, 1.0), n.closed_days) for n in kind]
        ).T
        for here in set(site):
            there = site != here
            told = kept[there & (kept_sd < TOLD * source.kept_sd)], closed[there & (days >= CLOSED_DAYS)]
            for k in np.flatnonzero(~there):
                found[places[k]] = _lent(kind[k], source, *told)
    return found


def _lent(node: NodeOutlook, source: Source, kept: Floats, closed: Floats) -> NodeOutlook:
    """A node with what its kind has told at other sites: of the harvest kept there, and of wakes on closed days."""
    harvest = node.harvest
    if harvest.kept_sd >= TOLD * source.kept_sd > 0 and len(kept) >= LEAST_NODES:
        gain = source.kept_sd**2 / (source.kept_sd**2 + kept.var() + SITES_SD**2)
        mean = source.kept + gain * (kept.mean() - source.kept)
        harvest = replace(harvest, kept=float(mean), kept_sd=float(source.kept_sd * np.sqrt(1 - gain)))
    if node.closed_days >= CLOSED_DAYS or len(closed) < LEAST_NODES:
        return replace(node, harvest=harvest)
    return replace(node, harvest=harvest, wake_closed=float(closed.mean()))

"""What a closure does to nodes that have seen none yet: as their sisters at other sites have told."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.outlook import NodeOutlook
from analysis.sources import SOURCES
from analysis.wakes import CLOSED_DAYS

LEAST_NODES = 3  # of one budget, at other sites, that must have told
TOLD = 0.7  # of the sd before any closure, from which on closures seen have told
SITES_SD = 0.2  # from site to site: one that is closed may keep more running than another


def lent_closures(nodes: Sequence[NodeOutlook]) -> list[NodeOutlook]:
    """The nodes, with what comes and what they wake on closed days as sisters elsewhere have it where none was seen."""
    kinds: defaultdict[str, list[NodeOutlook]] = defaultdict(list)
    for node in nodes:
        kinds[node.budget.name].append(node)
    return [_lent(node, kinds[node.budget.name]) for node in nodes]


def _lent(node: NodeOutlook, kind: Sequence[NodeOutlook]) -> NodeOutlook:
    """A node with what its kind has told at other sites."""
    source, harvest = SOURCES[node.budget.harvest.source], node.harvest
    elsewhere = [other for other in kind if other.site != node.site]
    if harvest.kept_sd >= TOLD * source.kept_sd > 0:
        kept = [other.harvest.kept for other in elsewhere if other.harvest.kept_sd < TOLD * source.kept_sd]
        if len(kept) >= LEAST_NODES:
            gain = source.kept_sd**2 / (source.kept_sd**2 + np.var(kept) + SITES_SD**2)
            mean = source.kept + gain * (np.mean(kept) - source.kept)
            harvest = replace(harvest, kept=float(mean), kept_sd=float(source.kept_sd * np.sqrt(1 - gain)))
    closed = [min(other.wake_closed, 1.0) for other in elsewhere if other.closed_days >= CLOSED_DAYS]
    if node.closed_days >= CLOSED_DAYS or len(closed) < LEAST_NODES:
        return replace(node, harvest=harvest)
    return replace(node, harvest=harvest, wake_closed=float(np.mean(closed)))

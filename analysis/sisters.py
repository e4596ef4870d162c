"""What sisters, nodes of one budget at one site, tell of the scale that a node's own telemetry leaves open.

Voltage and wakes tell capacity, costs and harvest of a node only by their ratios: all of them 6 % up look like all of
them right. But what falls on sisters on the same days is alike, as far as their harvesters are, and that is seen: the
levels of their harvests differ by what harvesters and places do and by the scales that are open. Where sisters are
alike within 5 %, one that seems to harvest 10 % more than the others has most likely been taken for too large in all
its lines; where they differ by a half, nothing is told.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.series import Counts, Floats

TURNS = 4  # of fitting levels by days and days by levels: the rest is below the noise
KEPT_DAYS = 5.0  # how many days in a row a departure lasts: so many days tell as much as one alone (our choice)
SPREADS = np.geomspace(0.02, 1.0, 18)  # of sisters' harvesters that are weighed [sd, relative]
SPREAD_SD = 0.7  # of the logarithm of that spread, about half of the budget's tolerance: our choice
FREEDOM = 4.0  # degrees of freedom of the t in which sisters differ: one may be shaded, or broken
# Correlation of a scale's error with the harvest: who harvests more leaves more of it in hours taken for quiet, and is
# full on more of its better days; -0.12 to -0.25 on the fleets of two independent simulators.
AGAINST = -0.2
LEAST_SISTERS = 3
SCATTERS = np.geomspace(0.05, 2.0, 30)  # of their parts that are weighed [variance, over the budget's],
SCATTER_SD = 0.5  # by how well a designer knows the logarithm of it (our choice),
PART_FREEDOM = 8.0  # degrees of freedom of the t that they have,
LEAST_TOLD = 0.3  # and by what the evidence tells at least so much of


class Levels(NamedTuple):
    """Harvest of each node over its sisters' on the same days, and its logarithm's variance; NaN where unknown."""

    level: Floats
    variance: Floats


def levels(node: Counts, day: Counts, harvest: Floats, kind: Counts, full_share: Floats) -> Levels:
    """The level of each node's harvest among its sisters.

    Parameters
    ----------
    node, day, harvest : ndarray, shape (rows,)
        Harvests of single days on which the storage was never full. [J]
    kind : ndarray of int64, shape (nodes,)
        Sisters have the same.
    full_share : ndarray, shape (nodes,)
        Share of a node's days that are left out because it was full: those on which more came.

    Notes
    -----
    ``harvest = level[node] * came[kind, day]``, fitted by turns; no logarithms, for what is read of a cell's day may be
    less than nothing.
    """
    nodes, days = len(kind), int(day.max(initial=0)) + 1
    came_on = kind[node] * days + day
    level = np.ones(nodes)
    count = np.bincount(node, minlength=nodes)
    for _ in range(TURNS):
        shared = np.bincount(came_on, level[node])
        came = (np.bincount(came_on, harvest) / np.where(shared > 0, shared, np.inf))[came_on]
        theirs = np.bincount(node, came, nodes)
        level = np.bincount(node, harvest, nodes) / np.where(theirs > 0, theirs, np.inf)
    foretold = level * theirs
    noise = np.bincount(node, (harvest - level[node] * came) ** 2, nodes)
    told = (foretold > 0) & (level > 0)
    relative = noise / np.where(told, foretold, 1.0) ** 2  # of the sum
    variance = KEPT_DAYS * relative + relative * np.maximum(count, 1) * full_share**2
    return Levels(np.where(told, level, np.nan), np.where(told, variance, np.nan))


def shares(found: Levels, open_: Floats, kind: Counts, tolerance: Floats) -> tuple[Floats, Floats]:
    """By how much the logarithm of each node's scale is off, and which share of its variance is known by that.

    Parameters
    ----------
    open_ : ndarray, shape (nodes,)
        Variance of the logarithm of the harvest that the node's own telemetry leaves open.
    kind : ndarray of int64, shape (nodes,)
    tolerance : ndarray, shape (nodes,)
        Of the budget's harvest, one sd, relative.

    Returns
    -------
    shift, known : ndarray, shape (nodes,)
        Zero where sisters tell nothing.

    Notes
    -----
    The spread of the sisters' harvesters is not known, and weighed by how likely it makes the levels seen (empirical
    Bayes). Each node is held against the others, itself left out.
    """
    shift, known = np.zeros(len(kind)), np.zeros(len(kind))
    usable = np.flatnonzero(np.isfinite(found.level) & np.isfinite(found.variance) & (open_ > 0))
    order = usable[np.argsort(kind[usable], kind="stable")]
    for rows in np.split(order, np.flatnonzero(np.diff(kind[order])) + 1):
        if len(rows) >= LEAST_SISTERS:
            middle = np.log(np.median(tolerance[rows]))
            log = np.log(found.level[rows])
            shift[rows], known[rows] = _of_kind(log, found.variance[rows], open_[rows], middle)
    return shift, known


def _of_kind(
    log: Floats, variance: Floats, open_: Floats, middle: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """`shares` of the sisters of one kind."""
    spread = SPREADS[:, None]
    of_scale = np.maximum(open_ + AGAINST * spread * np.sqrt(open_), 0.0)  # covariance of level and scale
    own = spread**2 + variance + open_ + 2.0 * AGAINST * spread * np.sqrt(open_)
    centre = np.broadcast_to(np.median(log), own.shape[:1])
    for _ in range(3):
        apart = (log - centre[:, None]) ** 2 / own
        weight = (FREEDOM + 1) / (FREEDOM + apart) / own
        centre = (weight * log).sum(axis=1) / weight.sum(axis=1)
    likely = -0.5 * np.log(own) - (FREEDOM + 1) / 2 * np.log1p((log - centre[:, None]) ** 2 / own / FREEDOM)
    likely = likely.sum(axis=1) - 0.5 * ((np.log(SPREADS) - middle) / SPREAD_SD) ** 2
    chance = np.exp(likely - likely.max())
    chance /= chance.sum()
    others = weight.sum(axis=1, keepdims=True) - weight
    off = (log - centre[:, None]) * weight.sum(axis=1, keepdims=True) / others
    total = own + 1.0 / others
    share = of_scale / total * np.minimum((FREEDOM + 1) / (FREEDOM + off**2 / total), 1.0)
    shift, known = -share * off, chance @ (share * of_scale) / open_
    mean = chance @ shift
    return mean, np.maximum(known - chance @ (shift - mean) ** 2 / open_, 0.0)


def scatter(found: Floats, covariance: Floats, before: Floats) -> float:
    """How much less than their budget says the parts of sisters scatter: the ratio of variances, at most 1.

    Parameters
    ----------
    found : ndarray, shape (nodes, 3)
        Logarithms of the ratios of capacity, wake energy and sleep to the budget's.
    covariance : ndarray, shape (nodes, 3, 3)
        What is left open of them.
    before : ndarray, shape (3,)
        Their standard deviations by the budget.

    Notes
    -----
    In the directions along which the evidence has told a share a of the budget's variance (all but the common scale, as
    a rule) what was found, over the budget's sd, is a (part + error), with a variance of (1 - a) / a for the error: its
    variance is ``a^2 r + a (1 - a)`` if the parts' is r times the budget's. The scale is taken to scatter as they do.
    """
    told, along = np.linalg.eigh(np.eye(3) - covariance / before[:, :, None] / before[:, None, :])
    off, told = np.einsum("nij,ni->nj", along, found / before), np.minimum(told, 1.0)
    off, told = off[told > LEAST_TOLD], told[told > LEAST_TOLD]
    variance = told**2 * SCATTERS[:, None] + told * (1.0 - told)
    likely = -0.5 * np.log(variance) - (PART_FREEDOM + 1) / 2 * np.log1p(off**2 / variance / (PART_FREEDOM - 2))
    weight = likely.sum(axis=1) - 0.5 * (np.log(SCATTERS) / SCATTER_SD) ** 2
    chance = np.exp(weight - weight.max())
    return min(float(chance @ SCATTERS / chance.sum()), 1.0)

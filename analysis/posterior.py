"""The budget as prior, the quiet runs as evidence: the time-varying posterior of each node's parameters.

What voltage and wakes can tell, and what they cannot:

* The balance of an interval is `c dE = H - n e - S dt - L(V, T) dt`, all but H and c at nominal figures times a ratio.
* In quiet intervals (H = 0) only `e/c` and `(s S + l L)/c` show. A fall of c raises both together; a rise of sleep or
  leakage moves only the second: that tells them apart. The common scale stays with the budget's tolerances: voltage and
  wakes cannot tell all of them 6 % up from all of them right. Only part tolerance, a step at a known current, or a
  visit can.
* While a source goes on that never rests, only `e/c` shows, by wakes that come more or fewer by chance.
* At a constant wake rate even those two are collinear: the posterior's correlation says so, and so must the screens.
* Redistribution inside a capacitor looks like leakage for hours after a charge: a line of its own.
* Sleep and leakage differ only in how they depend on voltage and temperature. The dependence of leakage itself is known
  poorly, so it has two states of its own and the interval of leakage carries their doubt.
* Charge is conserved while temperature moves the capacity: the thermal line is fitted where temperature is reported and
  widens the others where it is not.
* A few per cent of harvest in hours taken for quiet look like less sleep: the prior of sleep is widened by that.
* At full voltage harvest is a lower bound; a dark node reports nothing, and its silence is not missing at random.
  Neither is used here.

The state is in logarithms of the ratios: what the evidence leaves open, the common scale, is then a straight ridge, and
a random walk costs the same everywhere along it. With a walk in absolute leakage the estimate slides down the ridge.
"""

from dataclasses import dataclass

import numpy as np

from analysis.kalman import PATH, S_S, S, Standing, smooth
from analysis.series import Counts, Floats, by_budget
from analysis.state import (
    BY_VOLT,
    CAPACITY,
    LEAK,
    RISE,
    SHAPE,
    SLEEP,
    STATES,
    UNMEASURED_DRIFT,
    WAKE,
    prior,
    sleep_behind,
)
from ingest.budget import Budget

FIRST_DAYS = 28
LAG_DAYS = 28  # of hindsight that the past has had when the filter carries on from it
MOVED = 1.0  # standard deviations of the start by which later days may move a state before the past is looked at anew,
MOVING = (CAPACITY, WAKE, SLEEP, LEAK, BY_VOLT, SHAPE)  # of these: the others drift, or depend on nothing else;
MOVED_SINCE = 0.5  # and leakage after a sudden change, which moves the date of that


@dataclass(frozen=True)
class Start:
    """Where an earlier estimate left off: arrays over nodes.

    Attributes
    ----------
    standing : Standing
        `day` counts the earlier estimate's days, which are not given again.
    sleep_shift : ndarray, shape (nodes,)
        Of that estimate, for it rests on a node's first days.
    """

    standing: Standing
    sleep_shift: Floats


@dataclass(frozen=True)
class Posterior:
    """What is known of each node, now and along the way.

    Attributes
    ----------
    mean, covariance : ndarray, shape (nodes, STATES), (nodes, STATES, STATES)
        Of the state after the last day, given all evidence; places in `analysis.state`.
    path : ndarray of float32, shape (nodes, days, PATH)
        Columns `analysis.kalman` C, E, S, L: ratios of capacity, wake energy, sleep, and leakage at full voltage and 25
        degC to the budget's, given all days; then the covariance of the first three.
    changes : ndarray of bool, shape (nodes, days)
        Days from which on the node suddenly discharged otherwise.
    sleep_shift, sleep_hidden : ndarray, shape (nodes,)
        Ratio that harvest left in quiet hours hides from the sleep that shows (the state's), already in the path, and
        the variance of it that no measurement takes away.
    earlier : Standing
        At the end of a block LAG_DAYS or more before the last day, to carry on from; day 0 where there is none.
    """

    mean: Floats
    covariance: Floats
    path: np.ndarray
    changes: np.ndarray
    sleep_shift: Floats
    sleep_hidden: Floats
    earlier: Standing


def estimate(
    sums: np.ndarray,
    budgets: list[Budget],
    work: np.ndarray | None = None,
    days: Counts | None = None,
    start: Start | None = None,
) -> Posterior:
    """The posterior of each node from its days' evidence.

    Parameters
    ----------
    sums : ndarray, shape (nodes, days, SUMS)
        Of `evidence.gather`.
    budgets : list of Budget
        One a node.
    work : ndarray of uint8, shape (nodes, days), optional
        Bits STORAGE_REPLACED and FIRMWARE of `analysis.state` on the days of such visits.
    days : ndarray of int64, shape (nodes,), optional
        How many of the days each node has; all of them unless given.
    start : Start, optional
        Where an earlier estimate left off, the day before the first; the budgets' prior without it.

    Notes
    -----
    Carrying on is not quite what the whole history gives: what came before stays linear about the path that was
    known LAG_DAYS after it. Where that is too far off, `outgrown` says so.
    """
    nodes, most = sums.shape[:2]
    mean, sd, behind = np.empty((nodes, STATES)), np.empty((nodes, STATES)), np.empty((nodes, 3))
    for budget, rows in by_budget(budgets):
        mean[rows], sd[rows] = prior(budget)
        behind[rows] = sleep_behind(budget)
    covariance = (sd**2)[:, None] * np.eye(STATES)
    length = np.full(nodes, most, dtype=np.int64) if days is None else days
    now = Standing(length, mean.copy(), covariance.copy(), np.tile([0.0, 1.0, 0.0], (nodes, 1)))
    if start is not None:
        now = Standing(length, *(part.copy() for part in start.standing[1:]))
    earlier = Standing(length - LAG_DAYS, *(np.zeros_like(part) for part in now[1:]))
    path = np.zeros((nodes, most, PATH), dtype=np.float32)
    changes = np.zeros((nodes, most), dtype=np.bool_)
    worked = np.zeros((nodes, most), dtype=np.uint8) if work is None else work
    wander = np.array([UNMEASURED_DRIFT[b.harvest.outdoors] for b in budgets])
    smooth(sums, worked, wander, now, earlier, mean, covariance, path, changes)
    gain, offset, hidden = behind.T
    if start is None:
        young = np.arange(min(FIRST_DAYS, most)) < length[:, None]
        first = path[:, :FIRST_DAYS, S].mean(axis=1, where=young)
        shift = (gain - 1.0) * first + offset  # what is left in quiet hours stays the same while sleep may rise
    else:
        shift = start.sleep_shift
    path[..., S] += shift[:, None].astype(np.float32)
    path[..., S_S] += hidden[:, None].astype(np.float32)
    return Posterior(now.mean, now.covariance, path, changes, shift, hidden, earlier)


def outgrown(now: Posterior, start: Start) -> np.ndarray:
    """For which nodes carrying on from a start is no more what the whole history would give; shape (nodes,).

    Where later days move what does not drift by more than MOVED standard deviations of the start, or by more than
    MOVED_SINCE a leakage that has begun to rise, the past was linear about the wrong path. And where they tell of a
    sudden change, the whole history may date it otherwise.
    """
    spread = np.sqrt(np.diagonal(start.standing.covariance, axis1=1, axis2=2))
    moved = np.abs(now.mean - start.standing.mean)
    leaking = (start.standing.begun[:, 2] > 0) & (moved[:, RISE] > MOVED_SINCE * spread[:, RISE])
    known_less = (moved > MOVED * spread)[:, MOVING].any(axis=1)
    return np.asarray(known_less | leaking | now.changes.any(axis=1))

"""The budget as prior, the quiet runs as evidence: the time-varying posterior of each node's parameters.

What voltage and wakes can tell, and what they cannot:

* The balance of an interval is `c dE = H - n e - S dt - L(V, T) dt`, all but H and c at nominal figures times a ratio.
* In quiet intervals (H = 0) only `e/c` and `(s S + l L)/c` show. A fall of c raises both together; a rise of sleep or
  leakage moves only the second: that tells them apart. The common scale stays with the budget's tolerances: voltage and
  wakes cannot tell all of them 6 % up from all of them right. Only part tolerance, a step at a known current, or a
  visit can.
* At a constant wake rate even those two are collinear: the posterior's correlation says so, and so must the screens.
* Sleep and leakage differ only in how they depend on voltage and temperature. The dependence of leakage itself is known
  poorly, so it has two states of its own and the interval of leakage carries their doubt.
* Charge is conserved while temperature moves the capacity: the thermal line is fitted where temperature is reported and
  widens the others where it is not.
* A few per cent of harvest in hours taken for quiet look like less sleep: a state of its own keeps that doubt.
* At full voltage harvest is a lower bound; a dark node reports nothing, and its silence is not missing at random. Neither
  is used here.

The state is in logarithms of the ratios: what the evidence leaves open, the common scale, is then a straight ridge, and a
random walk costs the same everywhere along it. With a walk in absolute leakage the estimate slides down the ridge.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.evidence import middle_voltage
from analysis.load import sleep_power
from analysis.quiet_runs import LINES, MEASURED, POINTS, RIGHT, SUMS, VOLTAGE, WARMTH
from analysis.series import Floats
from ingest.budget import Budget

# The state: ln capacity ratio at the start and what has been added since; ln wake energy; ln sleep as it shows in quiet
# hours, less the harvest left in them; ln leakage at the start and what has been added; its dependence on voltage, on the
# square of that and on temperature beyond the budget's; thermal line; ln capacity by voltage; share of a slow branch.
CAPACITY, FADE, WAKE, SLEEP, LEAK, RISE, BY_VOLT, BY_SQUARE, BY_WARMTH, THERMAL, SHAPE, SLOW = range(12)
STATES = 12
# Columns of a day's path: ratios, then the covariance of the first three.
C, E, S, L, C_C, C_E, C_S, E_E, E_S, S_S = range(10)
PATH = 10

DRIFT_PER_DAY = np.array([0.0, 0.003, 5e-4, 4e-3, 0.0, 0.01, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])  # one sd, per root day
UNMEASURED_DRIFT = 0.03  # of leakage where temperature is not reported
UNMEASURED_SHARE = 0.04  # weight of such nights: what temperature does to them they have in common
JUMP = np.array([0.0, 0.05, 0.05, 0.6, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])  # what a sudden change may move, one sd
# Dependence of leakage beyond ohmic and doubling every 10 K: per full voltage (between an ohmic path and an exponential
# one), per its square, and per 10 K (doubling every 7 K to 14 K).
LEAK_PRIOR = ((1.0, 0.8), (0.8, 0.8), (0.0, 0.25))
THERMAL_PRIOR = (1e-3, 1e-3)  # capacity of a double-layer capacitor falls 5 to 10 % from 25 to -40 degC (from memory)
BATTERY_THERMAL_PRIOR = (0.0, 2e-3)
BATTERY_SHAPE_SD = 0.05
SLOW_PRIOR = (0.02, 0.03)  # of a supercapacitor: redistribution looks like leakage for hours after a charge
SHAPE_SD = 0.15  # ln capacity per full voltage
LEFT_PRIOR = (0.002, 0.006)  # harvest left in learnt quiet hours, as a share of the budget's mean
SUSPECT = 3.0  # a day whose slope is off by more standard deviations counts less,
JUMP_DAYS = 3  # and that many in a row of one sign are a sudden change
BLOCK_DAYS = 7
PASSES = 2  # over all blocks, linear about the smoothed path


def prior(budget: Budget) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the state by the budget; shape (STATES,) each."""
    storage, load = budget.storage, budget.load
    tolerances = storage.capacitance_tolerance, load.wake_tolerance, load.sleep_tolerance, storage.leakage_tolerance
    logs = [float(np.sqrt(np.log1p(max(x, 0.01) ** 2))) for x in tolerances]
    mean, sd = np.zeros(STATES), np.zeros(STATES)
    sd[[CAPACITY, WAKE, SLEEP, LEAK]] = logs
    mean[LEAK] = -(logs[3] ** 2) / 2
    mean[[BY_VOLT, BY_SQUARE, BY_WARMTH]], sd[[BY_VOLT, BY_SQUARE, BY_WARMTH]] = np.transpose(LEAK_PRIOR)
    mean[THERMAL], sd[THERMAL] = BATTERY_THERMAL_PRIOR if storage.is_battery else THERMAL_PRIOR
    sd[SHAPE] = BATTERY_SHAPE_SD if storage.is_battery else SHAPE_SD
    if storage.technology == "supercapacitor":
        mean[SLOW], sd[SLOW] = SLOW_PRIOR
    left, left_sd = left_in_quiet(budget)
    mean[SLEEP] = np.log(max(1.0 - left, 0.5))
    sd[SLEEP] = np.hypot(sd[SLEEP], left_sd)
    return mean, sd


def left_in_quiet(budget: Budget) -> tuple[float, float]:
    """Harvest left in hours taken for quiet, mean and standard deviation, as a share of the budget's sleep power."""
    if budget.harvest.source in ("none", "light-outdoor"):
        return 0.0, 0.0
    per_sleep = budget.harvest.mean_power / float(sleep_power(budget.load, middle_voltage(budget)))
    return LEFT_PRIOR[0] * per_sleep, LEFT_PRIOR[1] * per_sleep


@njit(cache=True, nogil=True, error_model="numpy")
def lines_of(x, volt, warmth, jacobian):  # type: ignore[no-untyped-def]
    """The six lines' coefficients at a state, and their derivatives by it, into `jacobian` (LINES, STATES)."""
    beta = np.empty(LINES)
    c = np.exp(x[CAPACITY] + x[FADE] + x[SHAPE] * volt + x[THERMAL] * warmth)
    leak = np.exp(x[LEAK] + x[RISE])
    beta[0] = np.exp(x[WAKE]) / c
    beta[1] = np.exp(x[SLEEP]) / c
    beta[2] = leak / c
    for r, by in ((3, BY_VOLT), (4, BY_SQUARE), (5, BY_WARMTH)):
        beta[r] = leak * x[by] / c
    beta[6] = x[THERMAL]
    beta[7] = x[SLOW]
    jacobian[:] = 0.0
    for r in range(6):
        jacobian[r, CAPACITY] = -beta[r]
        jacobian[r, FADE] = -beta[r]
        jacobian[r, SHAPE] = -beta[r] * volt
        jacobian[r, THERMAL] = -beta[r] * warmth
    jacobian[0, WAKE] = beta[0]
    jacobian[1, SLEEP] = beta[1]
    jacobian[2, LEAK] = jacobian[2, RISE] = beta[2]
    for r, by in ((3, BY_VOLT), (4, BY_SQUARE), (5, BY_WARMTH)):
        jacobian[r, LEAK] = jacobian[r, RISE] = beta[r]
        jacobian[r, by] = leak / c
    jacobian[6, THERMAL] = 1.0
    jacobian[7, SLOW] = 1.0
    return beta


@njit(cache=True, nogil=True, error_model="numpy")
def _unpack(row, a, b):  # type: ignore[no-untyped-def]
    """A day's information matrix and right side."""
    place = 0
    for r in range(LINES):
        b[r] = row[RIGHT + r]
        for c in range(r, LINES):
            a[r, c] = a[c, r] = row[place]
            place += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _product(left, right, out):  # type: ignore[no-untyped-def]
    """Matrix product of small matrices into `out`."""
    for i in range(left.shape[0]):
        for j in range(right.shape[1]):
            total = 0.0
            for k in range(left.shape[1]):
                total += left[i, k] * right[k, j]
            out[i, j] = total


@njit(cache=True, nogil=True, error_model="numpy")
def _solve(a, right):  # type: ignore[no-untyped-def]
    """Solve `a x = right` in place by elimination with row exchange; `right` becomes x."""
    n = len(a)
    for i in range(n):
        best = i
        for r in range(i + 1, n):
            if abs(a[r, i]) > abs(a[best, i]):
                best = r
        if best != i:
            for c in range(n):
                a[i, c], a[best, c] = a[best, c], a[i, c]
            for c in range(right.shape[1]):
                right[i, c], right[best, c] = right[best, c], right[i, c]
        for r in range(i + 1, n):
            f = a[r, i] / a[i, i]
            if f != 0.0:
                for c in range(i + 1, n):
                    a[r, c] -= f * a[i, c]
                for c in range(right.shape[1]):
                    right[r, c] -= f * right[i, c]
    for i in range(n - 1, -1, -1):
        for c in range(right.shape[1]):
            total = right[i, c]
            for k in range(i + 1, n):
                total -= a[i, k] * right[k, c]
            right[i, c] = total / a[i, i]


@njit(cache=True, nogil=True, error_model="numpy")
def _surprise(a, b, h, beta, p, noise):  # type: ignore[no-untyped-def]
    """How far a day's slope is from the expected one, in standard deviations (positive: discharging faster)."""
    weighted, told, along = np.zeros(LINES), 0.0, 0.0
    for r in range(LINES):
        for c in range(LINES):
            weighted[r] += a[r, c] * beta[c]
        told += weighted[r] * beta[r]
        along += b[r] * beta[r]
    if told <= 0.0:
        return 0.0
    doubt = 0.0
    across = np.zeros(STATES)
    for i in range(STATES):
        for r in range(LINES):
            across[i] += h[r, i] * weighted[r]
    for i in range(STATES):
        for k in range(STATES):
            doubt += across[i] * p[i, k] * across[k]
    return (along / told - 1.0) / np.sqrt(noise / told + doubt / told**2)


@njit(cache=True, nogil=True, error_model="numpy")
def _update(a, b, volt, warmth, at, repeats, x, p, u, m):  # type: ignore[no-untyped-def]
    """Take evidence into state and covariance, linear about `at` and then `repeats` times about the result.

    Fills u and m with x+ = x + p u and p+ = p - p m p; changes x and `at`, not p.
    """
    h, joined = np.empty((LINES, STATES)), np.empty((LINES, STATES + 1))
    hp, s, inner = np.empty((LINES, STATES)), np.empty((LINES, LINES)), np.empty((LINES, LINES))
    for _ in range(1 + repeats):
        beta = lines_of(at, volt, warmth, h)
        _product(h, p, hp)
        _product(hp, h.T, s)
        _product(a, s, inner)
        _product(a, h, joined[:, 1:])
        for r in range(LINES):
            value = b[r]
            for c in range(LINES):
                value -= a[r, c] * beta[c]
            for c in range(STATES):
                value += joined[r, c + 1] * (at[c] - x[c])
            joined[r, 0] = value
            inner[r, r] += 1.0
        _solve(inner, joined)
        for i in range(STATES):
            u[i] = 0.0
            for r in range(LINES):
                u[i] += h[r, i] * joined[r, 0]
        for i in range(STATES):
            at[i] = x[i]
            for c in range(STATES):
                at[i] += p[i, c] * u[c]
    _product(h.T, joined[:, 1:], m)
    x[:] = at


@njit(cache=True, nogil=True, error_model="numpy")
def _grow(p, days, jump, measured):  # type: ignore[no-untyped-def]
    """Let the state drift for some days, and jump; leakage follows a temperature that is not measured."""
    for i in range(STATES):
        p[i, i] += days * DRIFT_PER_DAY[i] ** 2 + (JUMP[i] ** 2 if jump else 0.0)
    if measured < 0.5:
        p[RISE, RISE] += days * UNMEASURED_DRIFT**2


@njit(cache=True, nogil=True, error_model="numpy")
def _gather_block(sums, first, jumped, x, p, noise, block):  # type: ignore[no-untyped-def]
    """Weigh the days from `first` on into one block, up to a week or to a sudden change.

    Returns the day after the block, whether that day begins a sudden change, and the noise factor. A day whose slope is
    far from the expected one counts less; JUMP_DAYS of them in a row, of one sign, are a change that begins with the
    first of them.
    """
    a, b, h = np.zeros((LINES, LINES)), np.zeros(LINES), np.zeros((LINES, STATES))
    grown = p.copy()
    block[:] = 0.0
    streak, sign, since, weight = 0, 0.0, first, 0.0
    last = min(first + BLOCK_DAYS, len(sums))
    reach = min(last + JUMP_DAYS - 1, len(sums))
    saved, saved_weight = block.copy(), 0.0
    for k in range(first, reach):
        if k >= last and streak == 0:
            break
        _grow(grown, 1.0, jumped and k == first, sums[k, MEASURED])
        if sums[k, POINTS] <= 0:
            continue
        _unpack(sums[k], a, b)
        beta = lines_of(x, sums[k, VOLTAGE], sums[k, WARMTH], h)
        z = _surprise(a, b, h, beta, grown, noise)
        if abs(z) > SUSPECT and not (jumped and k < first + JUMP_DAYS):
            if streak == 0 or z * sign < 0:
                streak, sign, since = 0, z, k
                saved[:] = block
                saved_weight = weight
            streak += 1
            if streak == JUMP_DAYS and since > first:
                block[:] = saved
                _close(block, saved_weight)
                return since, True, noise
        elif abs(z) <= SUSPECT:
            streak = 0
            noise = min(max(noise * (1.0 + 0.03 * (z * z - 1.0)), 0.3), 30.0)
        if k < last:
            share = min(1.0, (SUSPECT / z) ** 2 if z != 0.0 else 1.0) / noise
            if sums[k, MEASURED] < 0.5:
                share *= UNMEASURED_SHARE
            told = sums[k, 0] + sums[k, 8] + sums[k, 15] + 2 * (sums[k, 1] + sums[k, 2] + sums[k, 9])
            for c in range(POINTS):
                block[c] += share * sums[k, c]
            block[POINTS] += sums[k, POINTS]
            block[VOLTAGE] += told * share * sums[k, VOLTAGE]
            block[WARMTH] += told * share * sums[k, WARMTH]
            block[MEASURED] += told * share * sums[k, MEASURED]
            weight += told * share
    _close(block, weight)
    return last, False, noise


@njit(cache=True, nogil=True, error_model="numpy")
def _close(block, weight):  # type: ignore[no-untyped-def]
    if weight > 0:
        block[VOLTAGE] /= weight
        block[WARMTH] /= weight
        block[MEASURED] /= weight


@njit(cache=True, nogil=True, error_model="numpy")
def _forward(blocks, ends, jumps, at, repeats, x, p, xs, ps, us, ms, cs, first, count):  # type: ignore[no-untyped-def]
    """Filter over blocks first to count - 1, changing x and p; keeps what the smoother needs."""
    a, b = np.zeros((LINES, LINES)), np.zeros(LINES)
    pm = np.empty((STATES, STATES))
    for k in range(first, count):
        _grow(p, ends[k] - (ends[k - 1] if k > 0 else 0), jumps[k], blocks[k, MEASURED])
        if blocks[k, POINTS] > 0:
            _unpack(blocks[k], a, b)
            if repeats > 0:
                at[k] = x
            _update(a, b, blocks[k, VOLTAGE], blocks[k, WARMTH], at[k], repeats, x, p, us[k], ms[k])
            _product(ms[k], p, cs[k])
            _product(p, cs[k], pm)
            for i in range(STATES):
                for j in range(STATES):
                    cs[k, i, j] = (1.0 if i == j else 0.0) - cs[k, i, j]
                    p[i, j] -= (pm[i, j] + pm[j, i]) / 2
        xs[k] = x
        ps[k] = p


@njit(cache=True, nogil=True, error_model="numpy")
def _backward(blocks, ends, count, xs, ps, us, ms, cs, at, path):  # type: ignore[no-untyped-def]
    """Smooth (the modified Bryson-Frazier recursion): the state at each block into `at`, the ratios into `path`."""
    known, future = np.zeros(STATES), np.zeros((STATES, STATES))
    g, gf, half = np.empty((3, STATES)), np.empty((3, STATES)), np.empty((STATES, STATES))
    for k in range(count - 1, -1, -1):
        at[k] = xs[k] + ps[k] @ known
        for c in range(STATES):
            g[0, c] = ps[k, CAPACITY, c] + ps[k, FADE, c]
            g[1, c] = ps[k, WAKE, c]
            g[2, c] = ps[k, SLEEP, c]
        _product(g, future, gf)
        ratios = np.array([
            np.exp(at[k, CAPACITY] + at[k, FADE]), np.exp(at[k, WAKE]), np.exp(at[k, SLEEP]),
            np.exp(at[k, LEAK] + at[k, RISE]),
        ])  # fmt: skip
        for day in range(ends[k - 1] if k > 0 else 0, ends[k]):
            path[day, C : L + 1] = ratios
        place = C_C
        for r in range(3):
            for c in range(r, 3):
                value = g[r, CAPACITY] + g[r, FADE] if c == 0 else g[r, WAKE if c == 1 else SLEEP]
                for i in range(STATES):
                    value -= gf[r, i] * g[c, i]
                path[ends[k - 1] if k > 0 else 0 : ends[k], place] = value * ratios[r] * ratios[c]
                place += 1
        if blocks[k, POINTS] > 0:
            known = us[k] + cs[k] @ known
            _product(cs[k], future, half)
            _product(half, cs[k].T, future)
            future += ms[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _all(sums, mean, covariance, point, path, changes):  # type: ignore[no-untyped-def]
    nodes, days = sums.shape[:2]
    most = days // BLOCK_DAYS + 2 * (days // JUMP_DAYS) + 2
    blocks, ends, jumps = np.empty((most, SUMS)), np.empty(most, np.int64), np.zeros(most, np.bool_)
    xs, us, at = np.empty((most, STATES)), np.zeros((most, STATES)), np.empty((most, STATES))
    ps, ms = np.empty((most, STATES, STATES)), np.empty((most, STATES, STATES))
    cs = np.empty((most, STATES, STATES))
    for n in range(nodes):
        x, p = mean[n].copy(), covariance[n].copy()
        day, count, jump, noise = 0, 0, False, 1.0
        while day < days:
            jumps[count] = jump
            day, jump, noise = _gather_block(sums[n], day, jump, x, p, noise, blocks[count])
            ends[count] = day
            count += 1
            _forward(blocks, ends, jumps, at, 1, x, p, xs, ps, us, ms, cs, count - 1, count)
        _backward(blocks, ends, count, xs, ps, us, ms, cs, at, path[n])
        for _ in range(PASSES):
            x, p = mean[n].copy(), covariance[n].copy()
            _forward(blocks, ends, jumps, at, 0, x, p, xs, ps, us, ms, cs, 0, count)
            _backward(blocks, ends, count, xs, ps, us, ms, cs, at, path[n])
        mean[n], covariance[n] = x, p
        for k in range(count):
            if jumps[k]:
                changes[n, ends[k - 1]] = True


@dataclass(frozen=True)
class Posterior:
    """What is known of each node, now and along the way.

    Attributes
    ----------
    mean, covariance : ndarray, shape (nodes, STATES), (nodes, STATES, STATES)
        Of the state after the last day, given all evidence.
    path : ndarray of float32, shape (nodes, days, PATH)
        Columns C, E, S, L: ratios of capacity, wake energy, sleep and leakage at full voltage and 25 degC to the
        budget's, given all days; then the covariance of the first three.
    changes : ndarray of bool, shape (nodes, days)
        Days from which on the node suddenly discharged otherwise.
    """

    mean: Floats
    covariance: Floats
    path: np.ndarray
    changes: np.ndarray


def estimate(sums: np.ndarray, budgets: list[Budget], start: tuple[Floats, Floats] | None = None) -> Posterior:
    """The posterior of each node from its days' evidence.

    Parameters
    ----------
    sums : ndarray, shape (nodes, days, SUMS)
        Of `evidence.gather`.
    budgets : list of Budget
        One a node.
    start : tuple of ndarray, optional
        `mean` and `covariance` of an earlier call for the day before the first; the budgets' prior without it.
    """
    if start is None:
        known = {id(b): prior(b) for b in budgets}
        mean = np.stack([known[id(b)][0] for b in budgets])
        covariance = np.stack([np.diag(known[id(b)][1] ** 2) for b in budgets])
    else:
        mean, covariance = start[0].copy(), start[1].copy()
    path = np.zeros((*sums.shape[:2], PATH), dtype=np.float32)
    changes = np.zeros(sums.shape[:2], dtype=np.bool_)
    _all(sums, mean, covariance, mean.copy(), path, changes)
    return Posterior(mean, covariance, path, changes)

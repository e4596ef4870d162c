"""Filter and smoother of a node's state over blocks of its days' evidence: compiled kernels.

Days are gathered into blocks of a week, cut where the node suddenly discharges otherwise or was worked on. The first
pass finds these cuts and a rough path, linear about the running estimate; the later ones are linear about the smoothed
path of the pass before, a Gauss-Newton search of the whole history. A filter that went on linearising about its running
estimate would gain a false certainty about the common scale from the noise itself.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from analysis.matrices import add_product, product, solve, turn
from analysis.quiet_runs import LINES, MEASURED, POINTS, RIGHT, SHAPED, SUMS, WARMTH
from analysis.series import Counts, Floats
from analysis.state import (
    CAPACITY,
    FADE,
    FASTER,
    LEAK,
    RENEWED,
    RISE,
    SLEEP,
    SLOWER,
    STATES,
    STORAGE_REPLACED,
    UNMEASURED_START,
    WAKE,
    grow,
    hold,
    lines_of,
    rework,
    wander_of,
)

# A block is a weighted sum of days' evidence, and these columns more: the day after it, whether it begins with a sudden
# change (FASTER, SLOWER) or with work on the node, the noise factor after it, whether a sudden change follows, and
# whether there has been one since the storage was new.
END, CHANGED, WORKED, FACTOR, FOLLOWED, UNSETTLED = range(SUMS, SUMS + 6)
BLOCK = SUMS + 6
# Columns of a day's path: ratios, then the covariance of the first three.
C, E, S, L, C_C, C_E, C_S, E_E, E_S, S_S = range(10)
PATH = 10

SUSPECT = 3.0  # a day whose slope is off by more standard deviations counts less,
CHANGE_DAYS = 3  # and that many in a row of one sign are a sudden change
SUSPECT_BLOCK = 4.0  # a whole week this far off is one, too, where single days tell too little
SUSPECT_STEP = 4.2, 5.0  # where temperature is measured, and where weather may look like a change
LEARNING = 0.03  # weight of a day in the noise factor
FACTOR_RANGE = (1.0, 30.0)
BLOCK_DAYS = 7
PASSES = 2
MORE_PASSES = 3  # while they find sudden changes


class Standing(NamedTuple):
    """How the filter of each node stands at the end of a block, where it can carry on.

    Attributes
    ----------
    day : ndarray of int64, shape (nodes,)
        Days before it.
    mean, covariance : ndarray, shape (nodes, STATES), (nodes, STATES, STATES)
        Of the state, given these days.
    begun : ndarray, shape (nodes, 3)
        Whether a sudden change follows, the noise factor, and whether there has been a change.
    """

    day: Counts
    mean: Floats
    covariance: Floats
    begun: Floats


@njit(cache=True, nogil=True, error_model="numpy")
def _unpack(row, a, b):  # type: ignore[no-untyped-def]
    """The information matrix and right side of a day or block."""
    place = 0
    for r in range(LINES):
        b[r] = row[RIGHT + r]
        for c in range(r, LINES):
            a[r, c] = a[c, r] = row[place]
            place += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _surprise(a, b, h, beta, p, noise):  # type: ignore[no-untyped-def]
    """How far a day's slope is from the expected one, in standard deviations (positive: discharging faster)."""
    told, along, doubt = 0.0, 0.0, 0.0
    across = np.zeros(STATES)
    for r in range(LINES):
        weighted = 0.0
        for c in range(LINES):
            weighted += a[r, c] * beta[c]
        told += weighted * beta[r]
        along += b[r] * beta[r]
        for i in range(STATES):
            across[i] += h[r, i] * weighted
    if told <= 0.0:
        return 0.0
    for i in range(STATES):
        for k in range(STATES):
            doubt += across[i] * p[i, k] * across[k]
    return (along / told - 1.0) / np.sqrt(noise / told + doubt / told**2)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_day(row, share, block):  # type: ignore[no-untyped-def]
    """Add a day to a block; the means of shapes and temperature by what the day tells."""
    told = share * (row[0] + row[LINES] + row[2 * LINES - 1] + 2.0 * (row[1] + row[2] + row[LINES + 1]))
    for c in range(POINTS):
        block[c] += share * row[c]
    before = block[POINTS]
    block[POINTS] += told
    if block[POINTS] > 0.0:
        for c in range(SHAPED, SUMS):
            block[c] = (before * block[c] + told * row[c]) / block[POINTS]


@njit(cache=True, nogil=True, error_model="numpy")
def _next_block(sums, work, wander, k, begun, x, p, blocks):  # type: ignore[no-untyped-def]
    """Weigh the days after block k - 1 into block k, up to a week, to a sudden change or to work on the node.

    A day whose slope is far from the expected one counts less. CHANGE_DAYS of them in a row, of one sign, are a change
    that begins with the first of them; days beyond the week are looked at only to complete such a row. In its first
    week a node may be anything. `begun` is what there is to know of the blocks before the first: whether a change
    follows, and the noise factor.
    """
    a, b, h = np.zeros((LINES, LINES)), np.zeros(LINES), np.zeros((LINES, STATES))
    grown, near, block, saved = p.copy(), x.copy(), blocks[k], np.zeros(BLOCK)
    hold(near)
    first = int(blocks[k - 1, END]) if k > 0 else 0
    changed = blocks[k - 1, FOLLOWED] if k > 0 else begun[0]
    noise = blocks[k - 1, FACTOR] if k > 0 else begun[1]
    unsettled = max(blocks[k - 1, UNSETTLED] if k > 0 else begun[2], changed)
    block[:] = 0.0
    block[CHANGED] = changed
    block[WORKED] = work[first]
    unknown = k == 0 and p[FADE, FADE] == 0.0
    streak, sign, since = 0, 0.0, first
    last = min(first + BLOCK_DAYS, len(sums))
    for day in range(first + 1, last):
        if work[day]:
            last = day
            break
    block[END] = last
    for day in range(first, min(last + CHANGE_DAYS - 1, len(sums))):
        if day >= last and (streak == 0 or work[day]):
            break
        grow(grown, 1.0, changed if day == first else 0.0, wander_of(wander, sums[day, MEASURED], unsettled))
        if sums[day, POINTS] <= 0:
            continue
        _unpack(sums[day], a, b)
        beta = lines_of(near, sums[day, SHAPED:WARMTH], sums[day, WARMTH], h)
        z = _surprise(a, b, h, beta, grown, noise)
        settling = unknown or ((changed > 0.0 or block[WORKED] > 0.0) and day < first + CHANGE_DAYS)
        if abs(z) > SUSPECT and not settling:
            if streak == 0 or z * sign < 0.0:
                streak, sign, since = 0, z, day
                saved[:] = block
            streak += 1
            if streak == CHANGE_DAYS and since > first:
                block[:] = saved
                block[END], block[FOLLOWED] = since, FASTER if sign > 0.0 else SLOWER
                break
        elif abs(z) <= SUSPECT:
            streak = 0
            noise = min(max(noise * (1.0 + LEARNING * (z * z - 1.0)), FACTOR_RANGE[0]), FACTOR_RANGE[1])
        if day < last:
            share = (1.0 if unknown else min(1.0, (SUSPECT / max(abs(z), 1e-3)) ** 2)) / noise
            _add_day(sums[day], share, block)
    block[FACTOR] = noise
    whole = block[END] < len(sums) or block[END] - first >= BLOCK_DAYS  # a day or two that are odd may be that alone
    if whole and block[POINTS] > 0.0 and changed == 0.0 and block[WORKED] == 0.0 and not unknown:
        _unpack(block, a, b)
        beta = lines_of(near, block[SHAPED:WARMTH], block[WARMTH], h)
        z = _surprise(a, b, h, beta, grown, 1.0)
        if abs(z) > SUSPECT_BLOCK:
            block[CHANGED] = FASTER if z > 0.0 else SLOWER


@njit(cache=True, nogil=True, error_model="numpy")
def _update(block, at, repeats, x, p, u, m):  # type: ignore[no-untyped-def]
    """Take a block into state and covariance, linear about `at` and then `repeats` times about the result.

    Fills u and m with x+ = x + p u and p+ = p - p m p; changes x and `at`, not p.
    """
    a, b = np.zeros((LINES, LINES)), np.zeros(LINES)
    h, hp, s = np.empty((LINES, STATES)), np.empty((LINES, STATES)), np.empty((LINES, LINES))
    ht = np.empty((STATES, LINES))
    inner, joined, ah = np.empty((LINES, LINES)), np.empty((LINES, STATES + 1)), np.empty((LINES, STATES))
    _unpack(block, a, b)
    for _ in range(1 + repeats):
        hold(at)
        beta = lines_of(at, block[SHAPED:WARMTH], block[WARMTH], h)
        product(h, p, hp)
        turn(h, ht)
        product(hp, ht, s)
        product(a, s, inner)
        product(a, h, ah)
        for r in range(LINES):
            joined[r, STATES] = b[r]
            for c in range(LINES):
                joined[r, STATES] -= a[r, c] * beta[c]
            for c in range(STATES):
                joined[r, c] = ah[r, c]
                joined[r, STATES] += ah[r, c] * (at[c] - x[c])
            inner[r, r] += 1.0
        solve(inner, joined)
        for i in range(STATES):
            u[i] = 0.0
            for r in range(LINES):
                u[i] += h[r, i] * joined[r, STATES]
        for i in range(STATES):
            at[i] = x[i]
            for c in range(STATES):
                at[i] += p[i, c] * u[c]
    for i in range(STATES):
        x[i] = at[i]
        m[i, :] = 0.0
        for r in range(LINES):
            if h[r, i] != 0.0:
                for c in range(STATES):
                    m[i, c] += h[r, i] * joined[r, c]


@njit(cache=True, nogil=True, error_model="numpy")
def _forward(blocks, wander, begun, k, at, repeats, prior, spread, x, p, kept_x, kept_p, us, ms, cs):  # type: ignore[no-untyped-def]
    """Take block k into x and p; keeps what the smoother needs (cs: what of later knowledge reaches back before it)."""
    pm = np.empty((STATES, STATES))
    days = blocks[k, END] - (blocks[k - 1, END] if k > 0 else 0.0)
    measured = blocks[k, MEASURED] if blocks[k, POINTS] > 0 else 1.0
    if p[FADE, FADE] == 0.0 and measured < 0.5:
        p[LEAK, LEAK] += UNMEASURED_START**2
    unsettled = blocks[k - 1, UNSETTLED] if k > 0 else begun[2]
    if int(blocks[k, WORKED]) & STORAGE_REPLACED:
        unsettled = 0.0
    blocks[k, UNSETTLED] = max(unsettled, blocks[k, CHANGED])
    grow(p, days, blocks[k, CHANGED], wander_of(wander, measured, blocks[k, UNSETTLED]))
    rework(int(blocks[k, WORKED]), prior, spread, x, p)
    if blocks[k, POINTS] > 0:
        if repeats > 0:
            for i in range(STATES):
                at[k, i] = x[i]
        _update(blocks[k], at[k], repeats, x, p, us[k], ms[k])
        product(ms[k], p, cs[k])
        product(p, cs[k], pm)
        for i in range(STATES):
            for j in range(STATES):
                cs[k, i, j] = (1.0 if i == j else 0.0) - cs[k, i, j]
                p[i, j] -= (pm[i, j] + pm[j, i]) / 2
    for i in range(STATES):
        kept_x[k, i] = x[i]
        for j in range(STATES):
            kept_p[k, i, j] = p[i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _put_path(path, first, last, state, g, gf):  # type: ignore[no-untyped-def]
    """Ratios and their covariance at a smoothed state onto the days of a block."""
    row = np.empty(PATH)
    row[C], row[E] = np.exp(state[CAPACITY] + state[FADE]), np.exp(state[WAKE])
    row[S], row[L] = np.exp(state[SLEEP]), np.exp(state[LEAK] + state[RISE])
    place = C_C
    for r in range(3):
        for c in range(r, 3):
            value = g[r, CAPACITY] + g[r, FADE] if c == 0 else g[r, WAKE if c == 1 else SLEEP]
            for i in range(STATES):
                value -= gf[r, i] * g[c, i]
            row[place] = value * row[r] * row[c]
            place += 1
    for day in range(first, last):
        for c in range(PATH):
            path[day, c] = row[c]


@njit(cache=True, nogil=True, error_model="numpy")
def _backward(blocks, count, kept_x, kept_p, us, ms, cs, at, path, new):  # type: ignore[no-untyped-def]
    """Smooth (the modified Bryson-Frazier recursion): the state at each block into `at`, the ratios into `path`.

    Marks the block before which a sudden change of capacity, sleep or leakage would explain most, if that is more than
    its SUSPECT_STEP standard deviations (the auxiliary residuals of the state); returns whether there is one. Of a
    `new` node parts that have been otherwise from the beginning may explain more, and then there is none.
    """
    best, most, way = 0, 0.0, FASTER
    known, before, future = np.zeros(STATES), np.zeros(STATES), np.zeros((STATES, STATES))
    g, gf = np.empty((3, STATES)), np.empty((3, STATES))
    half, turned = np.empty((STATES, STATES)), np.empty((STATES, STATES))
    for k in range(count - 1, -1, -1):
        p = kept_p[k]
        for i in range(STATES):
            at[k, i] = kept_x[k, i]
            for j in range(STATES):
                at[k, i] += p[i, j] * known[j]
            g[0, i], g[1, i], g[2, i] = p[CAPACITY, i] + p[FADE, i], p[WAKE, i], p[SLEEP, i]
        hold(at[k])
        product(g, future, gf)
        _put_path(path, int(blocks[k - 1, END]) if k > 0 else 0, int(blocks[k, END]), at[k], g, gf)
        if blocks[k, POINTS] > 0:
            for i in range(STATES):
                before[i] = us[k, i]
                for j in range(STATES):
                    before[i] += cs[k, i, j] * known[j]
            known[:] = before
            product(cs[k], future, half)
            turn(cs[k], turned)
            future[:] = ms[k]
            add_product(half, turned, future)
        least = SUSPECT_STEP[0] if blocks[k, MEASURED] > 0.5 else SUSPECT_STEP[1]
        if k == count - 1 and blocks[k, END] - (blocks[k - 1, END] if k > 0 else 0.0) < BLOCK_DAYS:
            least = np.inf  # of a week that is not over more will tell
        for i in (FADE, SLEEP, RISE):
            step = abs(known[i]) / np.sqrt(max(future[i, i], 1e-12))
            if step > max(most, least) and (k > 0 or new) and blocks[k, CHANGED] == 0.0 and blocks[k, WORKED] == 0.0:
                best, most, way = k, step, FASTER if (known[i] < 0.0) == (i == FADE) else SLOWER
        if int(blocks[k, WORKED]) & STORAGE_REPLACED:
            for i in range(STATES):
                if RENEWED[i]:
                    known[i] = 0.0
                    future[i, :] = 0.0
                    future[:, i] = 0.0
    if best > 0:
        blocks[best, CHANGED] = way
    return best > 0


@njit(cache=True, nogil=True, error_model="numpy")
def smooth(sums, work, wander, now, earlier, prior, spread, path, changes):  # type: ignore[no-untyped-def]
    """Estimate every node: leads `now` on to the state after the last day, fills path and changes.

    Parameters
    ----------
    sums : ndarray, shape (nodes, days, SUMS)
    work : ndarray of uint8, shape (nodes, days)
        Bits STORAGE_REPLACED, FIRMWARE.
    wander : ndarray, shape (nodes,)
        Drift of ln leakage where temperature is not measured, one standard deviation per root day.
    now : Standing
        Before the first day; its `day` says how many days each node has.
    earlier : Standing
        Filled with how the filter stood at the last end of a block up to its `day`, which becomes that end; 0 if there
        is none, and then the rest is not filled.
    prior, spread : ndarray, as `mean` and `covariance`
        The state of a new node.
    path : ndarray, shape (nodes, days, PATH)
    changes : ndarray of bool, shape (nodes, days)
        Set on days from which on the node suddenly discharged otherwise.
    """
    nodes, days = sums.shape[:2]
    most = days // BLOCK_DAYS + days // CHANGE_DAYS + days // 2 + 2
    blocks, at = np.empty((most, BLOCK)), np.empty((most, STATES))
    kept_x, us = np.empty((most, STATES)), np.zeros((most, STATES))
    kept_p, ms = np.empty((most, STATES, STATES)), np.empty((most, STATES, STATES))
    cs = np.empty((most, STATES, STATES))
    for n in range(nodes):
        x, p, days, begun = now.mean[n].copy(), now.covariance[n].copy(), now.day[n], now.begun[n]
        count = 0
        while count == 0 or blocks[count - 1, END] < days:
            _next_block(sums[n, :days], work[n], wander[n], count, begun, x, p, blocks)
            _forward(blocks, wander[n], begun, count, at, 1, prior[n], spread[n], x, p, kept_x, kept_p, us, ms, cs)
            count += 1
        new = now.covariance[n, FADE, FADE] == 0.0
        found = _backward(blocks, count, kept_x, kept_p, us, ms, cs, at, path[n], new)
        left = PASSES
        while left > 0 or found:
            left -= 1
            x[:] = now.mean[n]
            p[:] = now.covariance[n]
            for k in range(count):
                _forward(blocks, wander[n], begun, k, at, 0, prior[n], spread[n], x, p, kept_x, kept_p, us, ms, cs)
            found = _backward(blocks, count, kept_x, kept_p, us, ms, cs, at, path[n], new) and left > -MORE_PASSES
        hold(x)
        if now.begun[n, 0] > 0.0:
            changes[n, 0] = True
        now.mean[n] = x
        now.covariance[n] = p
        now.begun[n, 0], now.begun[n, 1] = blocks[count - 1, FOLLOWED], blocks[count - 1, FACTOR]
        now.begun[n, 2] = blocks[count - 1, UNSETTLED]
        until, earlier.day[n] = earlier.day[n], 0
        for k in range(1, count):
            end = int(blocks[k - 1, END])
            if blocks[k, CHANGED] > 0.0:
                changes[n, end] = True
            if end <= until:
                earlier.day[n] = end
                earlier.mean[n] = kept_x[k - 1]
                earlier.covariance[n] = kept_p[k - 1]
                earlier.begun[n, 0], earlier.begun[n, 1] = blocks[k, CHANGED], blocks[k - 1, FACTOR]
                earlier.begun[n, 2] = blocks[k - 1, UNSETTLED]

"""A day of a storage in a possible future, compiled: the inner loop of the forecast; `futures` goes through the days.

Energy is counted at nominal capacity: `x` is what the storage would hold at its present voltage if it had its nominal
capacity, so that voltage, leakage and both boundaries are functions of `x` alone, and every flow is divided by the
capacity ratio. A day is one step where the node cannot go dark in it, and 24 where it can; once a future has gone dark
(and, if it began dark, has come back) what follows is told in steps of a day.
"""

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numba
import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

Function = TypeVar("Function", bound=Callable[..., Any])
Array = npt.NDArray[np.float64]

HOURS = 24
# Sums may be reordered; infinities keep their meaning; no number is thought to be NaN, so that a test for one is false.
FAST = {"contract", "reassoc", "nnan", "nsz"}
NOISE_SPAN = 4.0  # a noise table runs from -4 to 4 standard deviations
PEAK_STEPS = 64  # of the table of a day's highest balance

# One node's figures, in joules at nominal capacity, joules per day, or as named. `sd` fields are relative.
NODE = np.dtype(
    [
        *[(name, "f8") for name in ("stored", "stored_sd", "cutoff", "restart", "full")],
        *[(name, "f8") for name in ("capacity_ratio", "fade", "fade_sd")],  # fade: share per day
        *[(name, "f8") for name in ("wake_sd", "sleep_sd", "leakage_sd")],
        *[(name, "f8") for name in ("past_wake", "past_sleep", "past_leakage", "past_harvest")],  # J/d behind the level
        # Of the wake rate: lasting, from day to day, and with the deviate of harvest.
        *[(name, "f8") for name in ("rate_sd", "rate_noise", "rate_follows")],
        ("wake_closed", "f8"),  # wake rate of a day at rest over its mean, where that is less
        *[(name, "f8") for name in ("level_now", "level_sd", "level_tilt", "level_keep", "level_noise")],
        *[(name, "f8") for name in ("mean_sd", "noise_now", "noise_keep", "site_share")],
        *[(name, "f8") for name in ("stop_days", "stop_share", "stop_factor", "stop_tail")],  # of a stop still on
        *[(name, "f8") for name in ("kept", "kept_sd")],  # of what closures are said to take away
        ("middle", "f8"),  # mean over the day of the share of its harvest that has come
        ("single", "i8"),  # the last rows of its `shapes`, which are courses of single days
        # While it was silent and dark: harvest that was due, its relative sd beside that of `mean`, and of the level.
        *[(name, "f8") for name in ("due", "due_sd")],
        ("dark", "?"),
        ("seed", "u8"),
    ]
)

# Inverse normal distribution at 4096 equal steps: a draw is one look-up.
NORMAL = ndtri((np.arange(4096) + 0.5) / 4096)


class Inputs(NamedTuple):
    """What the simulation of some nodes of one site needs; n nodes, `paths` futures of `days` days."""

    nodes: Any  # shape (n,), of type NODE
    # Shape (n, k, 3): wakes, sleep and leakage a day at k equal steps of stored energy from 0 to full. [J]
    drains: Array
    scale: Array  # shape (n, days): mean harvest of each day, were there no closures [J]
    closure: Array  # shape (n, days): what closures are said to leave of it
    turning: Any  # of bool, shape (n, days): whether one begins or ends in it
    season: Array  # shape (n, weeks): what a deviate of the season's power adds to the logarithm of harvest
    wakes: Array  # shape (n, days): wake rate of each day over its mean
    leaks: Array  # shape (n, days): leakage of each day over that of today
    shape_of: npt.NDArray[np.int32]  # shape (n, days): row of `shapes` and `load_shapes` for each day
    shapes: Array  # shape (m, 25): share of a day's harvest that has come after each hour
    load_shapes: Array  # shape (m, 25): share of such a day's drain that has gone after each hour
    noise: Array  # shape (n, q): factor on a day's harvest over standard deviations from -NOISE_SPAN to NOISE_SPAN
    site: Array  # shape (days, paths): what the site's nodes share of each day's deviate
    site_week: Array  # shape (weeks, paths): the same for the weekly change of level


def compiled(function: Function) -> Function:
    """The function as machine code that runs outside Python's lock."""
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)(function))


@compiled
def next_state(state: Any) -> Any:
    """The next state of a 64-bit xorshift generator (Marsaglia, J. Stat. Software 8(14), 2003; from memory)."""
    state ^= state << np.uint64(13)
    state ^= state >> np.uint64(7)
    state ^= state << np.uint64(17)
    return state


@compiled
def mixed(number: Any) -> Any:
    """A generator state for a running number (the finisher of splitmix64: Steele, Lea and Flood, 2014; from memory)."""
    number *= np.uint64(0x9E3779B97F4A7C15)
    number = (number ^ (number >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    number = (number ^ (number >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (number ^ (number >> np.uint64(31))) | np.uint64(1)


@compiled
def normal(state: Any, which: int, table: Array) -> float:
    """One of four normal draws in a generator state."""
    bits = (state >> np.uint64(12 * which + 14)) & np.uint64(4095)
    return float(table[bits])


@compiled
def _read(table: Array, position: float) -> float:
    """A table of equally spaced values at a fractional position, held at the ends."""
    last = len(table) - 1
    if position <= 0.0:
        return float(table[0])
    if position >= last:
        return float(table[last])
    below = int(position)
    return float(table[below] + (position - below) * (table[below + 1] - table[below]))


@compiled
def drain_at(x: float, fine: float, drains: Array, wake: float, sleep: float, leak: float) -> float:
    """Energy spent and lost per day at stored energy `x`, `fine` being table steps per joule."""
    last = drains.shape[0] - 1
    position = min(max(x * fine, 0.0), last - 1e-9)
    i = np.uint64(position)
    f = position - i
    low = wake * drains[i, 0] + sleep * drains[i, 1] + leak * drains[i, 2]
    i += np.uint64(1)
    return float(low + f * (wake * drains[i, 0] + sleep * drains[i, 1] + leak * drains[i, 2] - low))


@compiled
def leak_at(x: float, fine: float, drains: Array, leak: float) -> float:
    """Energy lost inside the storage per day at stored energy `x`."""
    return leak * _read(drains[:, 2], x * fine)


@compiled
def highest(harvest: float, drain: float, shape: Array, load_shape: Array) -> float:
    """Highest running balance within a day whose harvest and drain go by the given shapes; not below zero."""
    high = 0.0
    for hour in range(1, HOURS + 1):
        high = max(high, harvest * shape[hour] - drain * load_shape[hour])
    return high


@compiled
def peak_tables(shapes: Array, load_shapes: Array) -> Array:
    """Tables of `highest` by day shape, for `peak_of`: over harvest's share of harvest and drain, as a share of both.

    Between its steps the table lies above by up to 1/128 of harvest and drain together, by a tenth of that as a rule.
    """
    table = np.empty((len(shapes), PEAK_STEPS + 1))
    for row in range(len(shapes)):
        for step in range(PEAK_STEPS + 1):
            share = step / PEAK_STEPS
            table[row, step] = highest(share, 1.0 - share, shapes[row], load_shapes[row])
    return table


@compiled
def peak_of(harvest: float, drain: float, table: Array) -> float:
    """Highest running balance within a day, as `highest`, from a row of `peak_tables`."""
    gain = max(harvest, 0.0)  # on an idle day what is learned of it may lie below zero
    both = gain + drain
    position = PEAK_STEPS * (gain / max(both, 1e-300))
    below = min(int(position), PEAK_STEPS - 1)
    return float(both * (table[below] + (position - below) * (table[below + 1] - table[below])))


@compiled
def _hours(
    x: float, dark: bool, harvest: float, shape: Array, load_shape: Array, node: Any, fine: float, drains: Array,
    wake: float, sleep: float, leak: float, flow: float, drain: float,
) -> tuple[float, bool, float, float]:  # fmt: skip
    """A day by the hour; returns the stored energy, whether dark, and hours to going dark and to restarting (or -1)."""
    gone, back = -1.0, -1.0
    running, resting = drain, 0.0  # a day's drain, renewed four times a day
    for hour in range(HOURS):
        if hour % 6 == 0:
            middle = x + 0.5 * (harvest * (shape[hour + 6] - shape[hour]) - 0.25 * (resting if dark else running))
            resting = leak_at(min(middle, node.full), fine, drains, leak) * flow
            running = drain_at(middle, fine, drains, wake, sleep, leak) * flow
        before = x
        spent = resting / HOURS if dark else running * (load_shape[hour + 1] - load_shape[hour])
        x = min(x + harvest * (shape[hour + 1] - shape[hour]) - spent, node.full)
        if dark:
            x = max(x, 0.0)
            if x >= node.restart:
                dark = False
                back = hour + (node.restart - before) / max(x - before, 1e-300) if back < 0 else back
        elif x <= node.cutoff:
            dark = True
            gone = hour + (before - node.cutoff) / max(before - x, 1e-300) if gone < 0 else gone
    return x, dark, gone, back


@compiled
def boundary_day(
    x: float, dark: bool, harvest: float, shape: Array, load_shape: Array, peaks: Array, node: Any, fine: float,
    drains: Array, wake: float, sleep: float, leak: float, flow: float, drain: float,
) -> tuple[float, bool, float, float]:  # fmt: skip
    """A day that may meet a boundary: one step if only full can be met, else by the hour; returns as `_hours` does."""
    if dark:
        if x + harvest < node.restart:
            return max(x + harvest - leak_at(x, fine, drains, leak) * flow, 0.0), True, -1.0, -1.0
        return _hours(x, dark, harvest, shape, load_shape, node, fine, drains, wake, sleep, leak, flow, drain)
    safe = x - drain + min(harvest, 0.0) > node.cutoff or x - highest(-harvest, -drain, shape, load_shape) > node.cutoff
    if safe and drain < node.full - node.cutoff:
        # Held at full from where it first would pass it (reflection); not held if it does not get there.
        return min(x, node.full - peak_of(harvest, drain, peaks)) + harvest - drain, False, -1.0, -1.0
    return _hours(x, dark, harvest, shape, load_shape, node, fine, drains, wake, sleep, leak, flow, drain)


@compiled
def coarse_day(
    x: float, dark: bool, harvest: float, peaks: Array, node: Any, drain: float, leak: float
) -> tuple[float, bool]:
    """A day in one step, for a future that has gone dark before: what is asked of it is told already."""
    if dark:
        x = max(x + harvest - leak, 0.0)
        if x < node.restart:
            return x, True
        running = min((x - node.restart) / max(harvest, 1e-300), 1.0)  # share of the day
        x = min(x - running * drain, node.full)
    else:
        if x + harvest > node.full:
            x = min(x, node.full - peak_of(harvest, drain, peaks))
        x += harvest - drain
    return max(x, node.cutoff), x <= node.cutoff

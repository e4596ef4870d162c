"""The inner loop of the forecast, compiled: many possible futures of one node's storage.

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
FAST = {"contract", "reassoc", "nnan", "nsz"}  # sums may be reordered; infinities keep their meaning
NOISE_SPAN = 4.0  # a noise table runs from -4 to 4 standard deviations

# One node's figures, in joules at nominal capacity, joules per day, or as named. `sd` fields are relative.
NODE = np.dtype(
    [
        *[(name, "f8") for name in ("stored", "stored_sd", "cutoff", "restart", "full")],
        *[(name, "f8") for name in ("capacity_ratio", "capacity_sd", "fade", "fade_sd")],  # fade: share per day
        *[(name, "f8") for name in ("wake_sd", "sleep_sd", "leakage_sd")],
        *[(name, "f8") for name in ("past_wake", "past_sleep", "past_leakage", "past_harvest")],  # J/d behind the level
        *[(name, "f8") for name in ("rate_sd", "rate_noise")],  # of the wake rate: lasting, and from day to day
        *[(name, "f8") for name in ("level_now", "level_sd", "level_tilt", "level_keep", "level_noise")],
        *[(name, "f8") for name in ("mean_sd", "noise_now", "noise_keep", "site_share")],
        *[(name, "f8") for name in ("stop_days", "stop_share", "stop_factor")],  # of a stop that is still on
        ("middle", "f8"),  # mean over the day of the share of its harvest that has come
        ("wake_week", "f8", 7),  # wake rate of the seven days ahead over its mean
        ("dark", "?"),
        ("seed", "u8"),
    ]
)

# Inverse normal distribution at 4096 equal steps: a draw is one look-up.
NORMAL = ndtri((np.arange(4096) + 0.5) / 4096)


class Inputs(NamedTuple):
    """What the simulation of some nodes of one site needs; n nodes, `paths` futures of `days` days."""

    nodes: Any  # shape (n,), of type NODE
    drains: (
        Array  # shape (n, k, 3): wakes, sleep and leakage a day at k equal steps of stored energy from 0 to full [J]
    )
    scale: Array  # shape (n, days): mean harvest of each day [J]
    shape_of: npt.NDArray[np.int32]  # shape (n, days): row of `shapes` for each day
    shapes: Array  # shape (m, 25): share of a day's harvest that has come after each hour
    load_shape: Array  # shape (n, 25): share of a day's drain that has gone after each hour
    noise: Array  # shape (n, q): factor on a day's harvest over standard deviations from -NOISE_SPAN to NOISE_SPAN
    site: Array  # shape (paths, days): what the site's nodes share of each day's deviate
    site_week: Array  # shape (paths, weeks): the same for the weekly change of level


def compiled(function: Function) -> Function:
    """The function as machine code that runs outside Python's lock."""
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)(function))


@compiled
def _next(state: Any) -> Any:
    """The next state of a 64-bit xorshift generator (Marsaglia, J. Stat. Software 8(14), 2003; from memory)."""
    state ^= state << np.uint64(13)
    state ^= state >> np.uint64(7)
    state ^= state << np.uint64(17)
    return state


@compiled
def _normal(state: Any, which: int, table: Array) -> float:
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
def _drain(x: float, fine: float, drains: Array, wake: float) -> float:
    """Energy spent and lost per day at stored energy `x`, `fine` being table steps per joule."""
    last = drains.shape[0] - 1
    position = min(max(x * fine, 0.0), last - 1e-9)
    i = int(position)
    f = position - i
    spent = drains[i, 0] + f * (drains[i + 1, 0] - drains[i, 0])
    idle = drains[i, 1] + f * (drains[i + 1, 1] - drains[i, 1])
    return float(wake * spent + idle)


@compiled
def _leak(x: float, fine: float, drains: Array) -> float:
    """Energy lost inside the storage per day at stored energy `x`."""
    return _read(drains[:, 2], x * fine)


@compiled
def _highest(harvest: float, drain: float, shape: Array, load_shape: Array) -> float:
    """Highest running balance within a day whose harvest and drain go by the given shapes; not below zero."""
    high = 0.0
    for hour in range(1, HOURS + 1):
        high = max(high, harvest * shape[hour] - drain * load_shape[hour])
    return high


@compiled
def _hours(
    x: float, dark: bool, harvest: float, shape: Array, load_shape: Array, node: Any, fine: float, drains: Array,
    wake: float, flow: float, drain: float,
) -> tuple[float, bool, float, float]:  # fmt: skip
    """A day by the hour; returns the stored energy, whether dark, and hours to going dark and to restarting (or -1)."""
    gone, back = -1.0, -1.0
    running, resting = drain, 0.0  # a day's drain, renewed four times a day
    for hour in range(HOURS):
        if hour % 6 == 0:
            middle = x + 0.5 * (harvest * (shape[hour + 6] - shape[hour]) - 0.25 * (resting if dark else running))
            resting = _leak(min(middle, node.full), fine, drains) * flow
            running = _drain(middle, fine, drains, wake) * flow
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
def _day(
    x: float, dark: bool, harvest: float, shape: Array, load_shape: Array, node: Any, fine: float, drains: Array,
    wake: float, flow: float, drain: float,
) -> tuple[float, bool, float, float]:  # fmt: skip
    """A day that may meet a boundary: one step if only full can be met, else by the hour; returns as `_hours` does."""
    if dark:
        if x + harvest < node.restart:
            return max(x + harvest - _leak(x, fine, drains) * flow, 0.0), True, -1.0, -1.0
        return _hours(x, dark, harvest, shape, load_shape, node, fine, drains, wake, flow, drain)
    safe = x - drain > node.cutoff or x - _highest(-harvest, -drain, shape, load_shape) > node.cutoff
    if safe and drain < node.full - node.cutoff:
        # Held at full from where it first would pass it (reflection); not held if it does not get there.
        return min(x, node.full - _highest(harvest, drain, shape, load_shape)) + harvest - drain, False, -1.0, -1.0
    return _hours(x, dark, harvest, shape, load_shape, node, fine, drains, wake, flow, drain)


@compiled
def _coarse_day(
    x: float, dark: bool, harvest: float, shape: Array, load_shape: Array, node: Any, drain: float, leak: float
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
            x = min(x, node.full - _highest(harvest, drain, shape, load_shape))
        x += harvest - drain
    return max(x, node.cutoff), x <= node.cutoff


@compiled
def _begin(node: Any, drains: Array, state: Any, mine: Array) -> tuple[Any, float, float, float, float, float, float]:
    """Draw a path's lasting errors: fills its drains `mine` (wakes, sleep and leakage, leakage).

    Returns the generator state, the wake rate's factor, the harvest's factor and level, the stored energy, the fade a
    day and the capacity ratio.
    """
    state = _next(state)
    wake_error = max(node.wake_sd * _normal(state, 0, NORMAL), -0.9)
    sleep_error = max(node.sleep_sd * _normal(state, 1, NORMAL), -0.9)
    leak_error = max(node.leakage_sd * _normal(state, 2, NORMAL), -0.9)
    rate = max(1.0 + node.rate_sd * _normal(state, 3, NORMAL), 0.0)
    mine[:, 0] = drains[:, 0] * (1.0 + wake_error)
    mine[:, 2] = drains[:, 2] * (1.0 + leak_error)
    mine[:, 1] = drains[:, 1] * (1.0 + sleep_error) + mine[:, 2]
    # The harvest's level was measured with the same parameters: what they err, it errs with them.
    excess = wake_error * node.past_wake + sleep_error * node.past_sleep + leak_error * node.past_leakage
    gain = excess / node.past_harvest if node.past_harvest > 0 else 0.0
    state = _next(state)
    mean_error = _normal(state, 1, NORMAL)
    gain += 1.0 + node.mean_sd * mean_error
    level = node.level_now + node.level_sd * _normal(state, 0, NORMAL) + node.level_tilt * mean_error
    x = min(max(node.stored + node.stored_sd * _normal(state, 2, NORMAL), 0.0), node.full)
    fade = node.fade + node.fade_sd * _normal(state, 3, NORMAL)
    state = _next(state)
    capacity = node.capacity_ratio * max(1.0 + node.capacity_sd * _normal(state, 0, NORMAL), 0.1)
    return state, rate, gain, level, x if node.dark else max(x, node.cutoff), fade, capacity


@compiled
def _stopped(node: Any, state: Any) -> float:
    """How many days more a stop that is still on lasts in this future."""
    if node.stop_days <= 0 or (state >> np.uint64(40)) % np.uint64(4096) >= node.stop_share * 4096:
        return 0.0
    return float(node.stop_days * (4096.0 / (1.0 + (state >> np.uint64(20)) % np.uint64(4096)) - 1.0))


@compiled
def _futures(
    given: Inputs,
    i: int,
    wake_factor: float,
    deaths: float,
    grid: Array,
    dark_day: Array,
    back_day: Array,
    usable: Array,
) -> None:
    """Fill, for node `i`, the days of going dark and of restarting (if it starts dark), and usable energy on `grid`.

    Shapes: dark_day and back_day (paths,), grid (g,), usable (g, paths). With a finite number of `deaths` a path ends
    where it goes dark, and all end after more deaths than that.
    """
    node, scale, shape_of, noise = given.nodes[i], given.scale[i], given.shape_of[i], given.noise[i]
    state = node.seed | np.uint64(1)
    own_share = np.sqrt(1.0 - node.site_share**2)
    fresh = np.sqrt(1.0 - node.noise_keep**2)
    half = (len(noise) - 1) / 2.0
    per_sd = half / NOISE_SPAN
    fine = (given.drains.shape[1] - 1) / node.full
    mine = np.empty_like(given.drains[i])
    load_shape = given.load_shape[i]
    dark_day[:] = np.inf
    died = 0
    for path in range(len(dark_day)):
        state, rate, gain, level, x, fade, capacity = _begin(node, given.drains[i], state, mine)
        rate *= wake_factor
        stopped = _stopped(node, state)
        dark = node.dark
        dark_day[path] = 0.0 if dark else np.inf
        back_day[path] = np.inf if dark else 0.0
        z = node.noise_now
        place, weekday, week = 0, 6, -1
        income, flow, drain, leak = 0.0, 1.0, 0.0, 0.0
        for day in range(len(scale)):
            state = _next(state)
            weekday += 1
            if weekday == 7:
                weekday, week = 0, week + 1
                shock = node.site_share * given.site_week[path, week] + own_share * _normal(state, 2, NORMAL)
                level = node.level_keep * level + node.level_noise * shock if day else level
                flow = 1.0 / (node.capacity_ratio * max(1.0 - fade * day, 0.05))
                income = max(gain + level, 0.0) * flow
                leak = _leak(node.restart, fine, mine) * flow  # while dark
            shock = node.site_share * given.site[path, day] + own_share * _normal(state, 0, NORMAL)
            z = node.noise_keep * z + fresh * shock
            harvest = scale[day] * income * _read(noise, half + z * per_sd)
            if day < stopped:
                harvest *= node.stop_factor
            wake = rate * node.wake_week[weekday] * max(1.0 + node.rate_noise * _normal(state, 1, NORMAL), 0.0)
            if day == 0:
                drain = _drain(x, fine, mine, wake) * flow
            drain = _drain(x + node.middle * harvest - 0.5 * drain, fine, mine, wake) * flow  # at the day's mean
            if not dark and x - drain > node.cutoff and x + harvest < node.full:
                x += harvest - drain
            elif dark_day[path] < np.inf and back_day[path] < np.inf:
                x, dark = _coarse_day(x, dark, harvest, given.shapes[shape_of[day]], load_shape, node, drain, leak)
            else:
                shape = given.shapes[shape_of[day]]
                x, dark, gone, back = _day(x, dark, harvest, shape, load_shape, node, fine, mine, wake, flow, drain)
                if gone >= 0 and dark_day[path] == np.inf:
                    dark_day[path] = day + gone / HOURS
                    died += 1
                    if deaths < np.inf:
                        break
                if back >= 0 and back_day[path] == np.inf:
                    back_day[path] = day + back / HOURS
            if place < len(grid) and day + 1 == grid[place]:
                seen = x + node.stored_sd * _normal(state, 3, NORMAL)
                usable[place, path] = max(seen - node.cutoff, 0.0) * capacity * max(1.0 - fade * day, 0.05)
                place += 1
        if died > deaths:
            break


@compiled
def simulate(given: Inputs, grid: Array, dark_day: Array, back_day: Array, usable: Array) -> None:
    """Fill the futures of nodes of one site.

    `dark_day` and `back_day` have the shape (n, paths), `grid` holds the g days ahead at which usable energy is wanted
    in `usable`, shape (n, g, paths).
    """
    for i in range(len(given.nodes)):
        _futures(given, i, 1.0, np.inf, grid, dark_day[i], back_day[i], usable[i])


@compiled
def narrow_wake_factor(given: Inputs, risk: float, rounds: int, low: Array, high: Array) -> None:
    """Narrow `low` and `high` around the largest wake-rate factor at which no more than `risk` of futures go dark.

    The factor `low` is kept survivable and `high` not. `low` stays as given where no factor tried survives.
    """
    paths = given.site.shape[0]
    grid, draws = np.empty(0), np.empty((0, paths))
    dark_day, back_day = np.empty(paths), np.empty(paths)
    deaths = np.floor(risk * paths)
    for i in range(len(given.nodes)):
        for _ in range(rounds):
            middle = np.sqrt(low[i] * high[i])
            _futures(given, i, middle, deaths, grid, dark_day, back_day, draws)
            if np.sum(dark_day < np.inf) <= deaths:
                low[i] = middle
            else:
                high[i] = middle

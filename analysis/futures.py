"""Many futures of a node's storage, day by day, as compiled loops over futures that go forward together."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.kernel import (
    HOURS,
    NOISE_SPAN,
    NORMAL,
    Inputs,
    boundary_day,
    coarse_day,
    compiled,
    drain_at,
    leak_at,
    mixed,
    next_state,
    normal,
    peak_of,
    peak_tables,
)

Array = npt.NDArray[np.float64]

LANES = 128  # futures that go forward together: a processor works on several at once
NEAR = 0.2  # of all single days, among which one is drawn by its rank
TRIES = 4  # of which the first is taken that goes on as the day before has ended
WORKS = 0.5 / HOURS  # share of a day's harvest in an hour from which on its source works
LEAST_KEPT = 0.05  # of capacity, however fast it fades
DARK_DOUBT = 0.1  # relative, of the lasting harvest of a node that is dark, at least: it may be why,
FAILED, WHOLLY = 0.1, 0.3  # and share of such nodes whose harvest has failed, by any part of it or wholly: our choice
MOST_LESS = -0.9  # relative error of wakes, sleep or leakage: none costs nothing, or gives


class Lanes(NamedTuple):
    """Some futures of one node on their way, arrays over them."""

    number: Any  # of the future
    state: Any  # of the random numbers
    dark: Any
    stored: Array
    deviate: Array  # of the day's harvest
    level: Array
    gain: Array  # factor on the harvest
    power: Array  # deviate of the season's power
    rate: Array  # factors on the energy of wakes, of sleep and of leakage
    sleep: Array
    leaky: Array
    fade: Array  # a day
    stopped: Array  # days that a stop goes on
    kept: Array  # share of what closures take away that comes all the same
    flow: Array  # energy now as energy at nominal capacity
    income: Array  # factor on the day's mean harvest
    left: Array  # of the harvest, of a node that is dark as it has failed
    harvest: Array  # of the day
    wake: Array  # factor on the day's wakes
    leak: Array  # and on its leakage
    drain: Array  # of the day before, then of this one
    course: Any  # row of the single day that the day before had the course of; -1: none
    ahead: Array  # stored energy at the end of the day, if it ends neither dark nor begins so


@compiled
def _begin(node: Any, wake_factor: float, lanes: Lanes) -> None:
    """Draw the lasting errors of the futures."""
    for k in range(len(lanes.stored)):
        state = next_state(mixed(node.seed + np.uint64(lanes.number[k])))
        wake_error = max(node.wake_sd * normal(state, 0, NORMAL), MOST_LESS)
        sleep_error = max(node.sleep_sd * normal(state, 1, NORMAL), MOST_LESS)
        leak_error = max(node.leakage_sd * normal(state, 2, NORMAL), MOST_LESS)
        rate = max(1.0 + node.rate_sd * normal(state, 3, NORMAL), 0.0)
        lanes.rate[k], lanes.sleep[k], lanes.leaky[k] = (
            wake_factor * rate * (1.0 + wake_error), 1.0 + sleep_error, 1.0 + leak_error
        )  # fmt: skip
        # The harvest's level was measured with the same parameters: what they err, it errs with them.
        excess = wake_error * node.past_wake + sleep_error * node.past_sleep + leak_error * node.past_leakage
        gain = excess / node.past_harvest if node.past_harvest > 0 else 0.0
        state = next_state(state)
        mean_error = normal(state, 1, NORMAL)
        lanes.gain[k] = gain + 1.0 + node.mean_sd * mean_error
        lanes.level[k] = node.level_now + node.level_sd * normal(state, 0, NORMAL) + node.level_tilt * mean_error
        x = min(max(node.stored + node.stored_sd * normal(state, 2, NORMAL), 0.0), node.full)
        lanes.left[k] = 1.0
        if node.due > 0 and gain + 1.0 + node.level_now > 0:
            state = next_state(state)
            lanes.level[k] = node.level_now
            error, lanes.left[k], x = _so_far_dark(node, gain + 1.0 + node.level_now, normal(state, 0, NORMAL), state)
            lanes.gain[k] = gain + 1.0 + error
        lanes.stored[k] = x if node.dark else max(x, node.cutoff)
        lanes.dark[k] = node.dark
        lanes.deviate[k] = node.noise_now
        lanes.fade[k] = node.fade + node.fade_sd * normal(state, 3, NORMAL)
        state = next_state(state)
        lanes.power[k] = normal(state, 3, NORMAL)
        lanes.stopped[k] = _stopped(node, state)
        lanes.kept[k] = min(max(node.kept + node.kept_sd * normal(mixed(state), 0, NORMAL), 0.0), 1.0)
        lanes.state[k] = state


@compiled
def _so_far_dark(node: Any, level: float, apart: float, state: Any) -> tuple[float, float, float]:
    """What the harvest errs, relative, of a node that is dark in this future; what is left of it; and what is stored.

    It is drawn from what is believed of the harvest beyond its `level`, or from harvests that have FAILED, wholly or to
    any share of it: of each those with which the node has not been restarted so far. `apart` is the deviate by which
    the weather of the silent days stands apart from what lasts.
    """
    most = (node.restart - node.stored) / node.due - level  # that the harvest of these days can have erred
    lasts = max(np.sqrt(node.mean_sd**2 + node.level_sd**2), DARK_DOUBT)
    doubt = np.sqrt(lasts**2 + node.due_sd**2)
    below = np.searchsorted(NORMAL, most / doubt)
    share_left = min(most / level + 1.0, 1.0)  # at the most
    wholly, partly = FAILED * WHOLLY, FAILED * (1.0 - WHOLLY) * share_left
    sound = (1.0 - FAILED) * below / len(NORMAL)
    one, other = (state >> np.uint64(14)) & np.uint64(4095), (state >> np.uint64(40)) & np.uint64(4095)
    place, draw = one / 4096 * (wholly + partly + sound), other / 4096
    error, left = 0.0, 1.0
    if place < wholly + partly:
        left = 0.0 if place < wholly else share_left * draw
        come = left * level
    else:
        total, share = doubt * NORMAL[int(below * draw)], lasts**2 / doubt**2
        error = max(share * total + np.sqrt(share * (1.0 - share)) * doubt * apart, -level)
        come = max(level + total, 0.0)
    return error, left, min(node.stored + come * node.due, node.restart)


@compiled
def _stopped(node: Any, state: Any) -> float:
    """How many days more a stop that is still on lasts in this future."""
    if node.stop_days <= 0 or (state >> np.uint64(40)) % np.uint64(4096) >= node.stop_share * 4096:
        return 0.0
    chance = (1.0 + (state >> np.uint64(20)) % np.uint64(4096)) / 4096.0
    return float(node.stop_days * (chance ** (-1.0 / node.stop_tail) - 1.0))


@compiled
def _new_week(node: Any, common: Array, season: float, day: int, lanes: Lanes) -> None:
    """Move the level on, and renew what changes slowly; `common` is the site's part of the change."""
    own_share = np.sqrt(1.0 - node.site_share**2)
    for k in range(len(lanes.stored)):
        if day:
            shock = node.site_share * common[lanes.number[k]] + own_share * normal(lanes.state[k], 2, NORMAL)
            lanes.level[k] = node.level_keep * lanes.level[k] + node.level_noise * shock
        lanes.flow[k] = 1.0 / (node.capacity_ratio * max(1.0 - lanes.fade[k] * day, LEAST_KEPT))
        lanes.income[k] = max(lanes.gain[k] + lanes.level[k], 0.0) * lanes.flow[k] * np.exp(season * lanes.power[k])


@compiled
def _new_day(
    node: Any, mean: float, closure: float, wakes: float, leaks: float, noise: Array, common: Array, day: int,
    lanes: Lanes,
) -> None:  # fmt: skip
    """Draw the harvest, the wakes and the leakage of a day; `common` is the site's part of its deviate."""
    own_share = np.sqrt(1.0 - node.site_share**2)
    fresh = np.sqrt(1.0 - node.noise_keep**2)
    half = (len(noise) - 1) / 2.0
    per_sd, last = half / NOISE_SPAN, 2 * half - 1e-9
    for k in range(len(lanes.stored)):
        shock = node.site_share * common[lanes.number[k]] + own_share * normal(lanes.state[k], 0, NORMAL)
        lanes.deviate[k] = node.noise_keep * lanes.deviate[k] + fresh * shock
        position = min(max(half + lanes.deviate[k] * per_sd, 0.0), last)
        below = np.uint64(position)
        factor = noise[below] + (position - below) * (noise[below + np.uint64(1)] - noise[below])
        stopped = day < lanes.stopped[k]
        opened = closure + lanes.kept[k] * (1.0 - closure)
        came = mean * opened * lanes.income[k] * factor * (node.stop_factor if stopped else 1.0)
        lanes.harvest[k] = came * lanes.left[k]
        lanes.leak[k] = lanes.leaky[k] * leaks
        busy = 1.0 + node.rate_follows * lanes.deviate[k]
        spread = max(busy + node.rate_noise * normal(lanes.state[k], 1, NORMAL), 0.0)
        lanes.wake[k] = lanes.rate[k] * spread * (min(wakes, node.wake_closed) if stopped else wakes)


@compiled
def _futures(
    given: Inputs,
    i: int,
    numbers: Any,
    peaks: Array,
    wake_factor: float,
    deaths: float,
    grid: Array,
    dark_day: Array,
    back_day: Array,
    usable: Array,
) -> None:
    """Fill, for node `i`, the days of going dark and of restarting (if it starts dark), and usable energy on `grid`.

    The n `numbers` say which futures; `peaks` is from `_peaks_of`. Shapes: dark_day and back_day (n,), grid (g,),
    usable (g, n). With a finite number of `deaths` a future ends where it goes dark, and all end after more than that.
    """
    node, died, lowest = given.nodes[i], 0, given.shape_of[i].min()
    dark_day[:] = 0.0 if node.dark else np.inf
    back_day[:] = np.inf if node.dark else 0.0
    for first in range(0, len(dark_day), LANES):
        some = slice(first, min(first + LANES, len(dark_day)))
        count = some.stop - some.start
        f = np.empty((19, count))
        lanes = Lanes(
            numbers[some], np.empty(count, np.uint64), np.empty(count, np.bool_), f[0], f[1], f[2], f[3], f[4], f[5],
            f[6], f[7], f[8], f[9], f[10], f[11], f[18], f[12], f[13], f[14], f[15], f[16], np.full(count, -1), f[17],
        )  # fmt: skip
        _begin(node, wake_factor, lanes)
        place = 0
        for day in range(given.scale.shape[1]):
            for k in range(count):
                lanes.state[k] = next_state(lanes.state[k])
            if day % 7 == 0:
                _new_week(node, given.site_week[day // 7], given.season[i, day // 7], day, lanes)
            wakes, leaks = given.wakes[i, day], given.leaks[i, day]
            mean, closure = given.scale[i, day], given.closure[i, day]
            _new_day(node, mean, closure, wakes, leaks, given.noise[i], given.site[day], day, lanes)
            row = given.shape_of[i, day]
            died += _day_of_all(given, i, row, peaks, row - lowest, day, deaths, dark_day[some], back_day[some], lanes)
            if died > deaths:
                return
            if place < len(grid) and day + 1 == grid[place]:
                for k in range(count):
                    seen = lanes.stored[k] + node.stored_sd * normal(lanes.state[k], 3, NORMAL)
                    kept = node.capacity_ratio * max(1.0 - lanes.fade[k] * day, LEAST_KEPT)
                    usable[place, first + k] = max(seen - node.cutoff, 0.0) * kept
                place += 1


@compiled
def _plain_day(node: Any, drains: Array, peaks: Array, lanes: Lanes) -> None:
    """Fill the drain of a day, and where it leads if the cut-off is not met; two loops without a branch, for speed."""
    fine = (drains.shape[0] - 1) / node.full
    stored, harvest, drain = lanes.stored, lanes.harvest, lanes.drain
    for k in range(len(stored)):
        middle = stored[k] + node.middle * harvest[k] - 0.5 * drain[k]
        drain[k] = drain_at(middle, fine, drains, lanes.wake[k], lanes.sleep[k], lanes.leak[k]) * lanes.flow[k]
    for k in range(len(stored)):
        # Held at full from where it first would pass it (reflection); not held if it does not get there.
        lanes.ahead[k] = min(stored[k], node.full - peak_of(harvest[k], drain[k], peaks)) + harvest[k] - drain[k]


@compiled
def _day_of_all(
    given: Inputs,
    i: int,
    row: int,
    peaks: Array,
    of_node: int,
    day: int,
    deaths: float,
    dark_day: Array,
    back_day: Array,
    lanes: Lanes,
) -> int:
    """Take the lanes through a day; returns how many went dark for the first time.

    The day's shape is `row` of all nodes', and `of_node` of this one's `peaks`.
    """
    node, drains, peak = given.nodes[i], given.drains[i], peaks[of_node]
    single = 0 if given.turning[i, day] else node.single
    if node.single > single:
        lanes.course[:] = -1
    fine = (drains.shape[0] - 1) / node.full
    if day == 0:
        for k in range(len(lanes.stored)):
            spent = drain_at(lanes.stored[k], fine, drains, lanes.wake[k], lanes.sleep[k], lanes.leak[k])
            lanes.drain[k] = spent * lanes.flow[k]
    _plain_day(node, drains, peak, lanes)
    room, died = node.full - node.cutoff, 0
    for k in range(len(lanes.stored)):
        x, dark, drain = lanes.stored[k], lanes.dark[k], lanes.drain[k]
        if single == 0 and not dark and x - drain + min(lanes.harvest[k], 0.0) > node.cutoff and drain < room:
            lanes.stored[k] = lanes.ahead[k]
            continue
        harvest, flow, wake, sleep, leak = (
            lanes.harvest[k], lanes.flow[k], lanes.wake[k], lanes.sleep[k], lanes.leak[k]
        )  # fmt: skip
        if dark_day[k] < np.inf and back_day[k] < np.inf:
            if deaths == np.inf:
                lost = leak_at(node.restart, fine, drains, leak) * flow
                lanes.stored[k], lanes.dark[k] = coarse_day(x, dark, harvest, peak, node, drain, lost)
            continue
        mine = row
        if single:
            last = row - of_node + len(peaks)
            mine = _next_course(lanes.deviate[k], lanes.state[k], given.shapes, last - single, last, lanes.course[k])
            lanes.course[k] = mine
        x, dark, gone, back = boundary_day(
            x, dark, harvest, given.shapes[mine], given.load_shapes[mine], peaks[mine - row + of_node], node, fine,
            drains, wake, sleep, leak, flow, drain,
        )  # fmt: skip
        lanes.stored[k], lanes.dark[k] = x, dark
        if gone >= 0 and dark_day[k] == np.inf:
            dark_day[k] = day + gone / HOURS
            died += 1
        if back >= 0 and back_day[k] == np.inf:
            back_day[k] = day + back / HOURS
    return died


@compiled
def _next_course(deviate: float, state: Any, shapes: Array, first: int, last: int, before: int) -> int:
    """Which of the single days from `first` to before `last`, the poorest first, a day is like.

    One near the deviate's rank; if one of a few begins as the day before, of row `before`, has ended, at work or at
    rest, that one.
    """
    rank = 1.0 / (1.0 + np.exp(-1.702 * deviate))  # the normal distribution, within 1 % (from memory)
    mine = first
    for _ in range(TRIES):
        state = mixed(state)
        apart = NEAR * ((state & np.uint64(4095)) / 4096.0 - 0.5)
        mine = first + int(min(max((rank + apart) * (last - first), 0.0), last - first - 1.0))
        if before < 0 or (shapes[mine, 1] > WORKS) == (1.0 - shapes[before, HOURS - 1] > WORKS):
            break
    return mine


@compiled
def _peaks_of(given: Inputs, i: int) -> Array:
    """The tables of node `i`, whose rows of `shapes` and `load_shapes` lie together, those of single days last."""
    rows = slice(given.shape_of[i].min(), given.shape_of[i].max() + 1 + given.nodes[i].single)
    return peak_tables(given.shapes[rows], given.load_shapes[rows])


@compiled
def simulate(given: Inputs, grid: Array, dark_day: Array, back_day: Array, usable: npt.NDArray[np.floating]) -> None:
    """Fill the futures of nodes of one site.

    `dark_day` and `back_day` have the shape (n, paths), `grid` holds the g days ahead at which usable energy is wanted
    in `usable`, shape (n, g, paths).
    """
    numbers = np.arange(given.site.shape[1])
    for i in range(len(given.nodes)):
        _futures(given, i, numbers, _peaks_of(given, i), 1.0, np.inf, grid, dark_day[i], back_day[i], usable[i])


@compiled
def narrow_wake_factor(given: Inputs, risk: float, rounds: int, low: Array, high: Array) -> None:
    """Narrow `low` and `high` around the largest wake-rate factor at which no more than `risk` of futures go dark.

    The factor `high` is halved until one is survived, or none above `low`, which then stays as given; from there on
    each of the `rounds` halves what lies between, on a scale of ratios. A future that survives a factor survives all
    below it, so that after a factor that is too high only those are run again that went dark, unless they were so many
    that the round was broken off.
    """
    paths = given.site.shape[1]
    grid, draws = np.empty(0), np.empty((0, paths))
    dark_day, back_day = np.empty((2, paths))
    allowed = int(risk * paths)
    for i in range(len(given.nodes)):
        peaks, numbers, lowest, left = _peaks_of(given, i), np.arange(paths), low[i], rounds
        while left > 0 and high[i] > 2 * lowest:
            survives = low[i] > lowest
            factor = np.sqrt(low[i] * high[i]) if survives else high[i] / 2
            n = len(numbers)
            most = max(allowed, n // 2)
            _futures(given, i, numbers, peaks, factor, most, grid, dark_day[:n], back_day[:n], draws)
            dark = dark_day[:n] < np.inf
            died = dark.sum()
            if died <= allowed:
                low[i] = factor
            else:
                high[i] = factor
                if died <= most:
                    numbers = numbers[dark]
            left -= survives

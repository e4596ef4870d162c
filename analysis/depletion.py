"""Days to depletion: many possible futures of each node's storage, and what they say.

`forecast` is the entry point. Nodes of a site share their weather or their shifts, so that "how many of the site go
dark together" can be read off `FleetForecast.dark_day`, path by path.
"""

import zlib
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from analysis.cores import THREADS
from analysis.futures import narrow_wake_factor, simulate
from analysis.kernel import NODE, Inputs
from analysis.load import wake_energy
from analysis.outlook import NodeOutlook, fill
from ingest.budget import SECONDS_PER_DAY

Array = npt.NDArray[np.float64]

HORIZON_DAYS = 365
PATHS = 500
LEVELS = (0.05, 0.10, 0.50, 0.90, 0.95)
DAYS_AHEAD = np.array([*range(1, 15), 17, 21, 25, 28, 30, *range(35, 92, 7), *range(100, 362, 9), 365], dtype=float)
VISIT_RISK = 0.1  # a visit is due when the probability of having gone dark reaches this,
VISIT_RISKS = (0.02, 0.05, VISIT_RISK, 0.2, 0.3)  # or whichever of these the planner chooses
INTERVAL_RISK = 0.05  # of going dark within the horizon at the sustainable wake interval
READING_DOUBT = 0.015  # of the energy at full: capacity's 0.1 %/K over a swing of 7 K
INTERVAL_PATHS = 200
LOW_PATHS, LOW_DAYS = 15, 100  # futures whose median is told day by day, for the low point of a horizon beyond so many
INTERVAL_ROUNDS = 7  # halvings of an octave: to 1/2 %
CHUNK = 64  # nodes a thread takes at a time


def visit_column(risk: float) -> str:
    """The column of the table `prospects` with the days until a visit is due at one of VISIT_RISKS."""
    return "visit_by_days" if risk == VISIT_RISK else f"visit_by_{round(100 * risk):02d}_days"


@dataclass(frozen=True)
class FleetForecast:
    """The forecast of n nodes, in the order given. NaN marks a time past the horizon: never a made-up number.

    Attributes
    ----------
    days_p10, days_p50, days_p90 : ndarray, shape (n,)
        Days until 10, 50 and 90 % of futures have gone dark. [d]
    visit_by_days : ndarray, shape (n, 5)
        Days until the probability of having gone dark reaches each of VISIT_RISKS. [d]
    back_p10, back_p50, back_p90 : ndarray, shape (n,)
        For a node that is dark: days until it runs again by itself. [d] Zero for one that runs.
    usable : ndarray, shape (n, g, 5)
        Quantiles `LEVELS` of usable energy, `days_ahead` days ahead. [J]
    low_day, low_usable : ndarray, shape (n,)
        Day ahead and median usable energy of the lowest point of the median; day 0 where it only gains. [d, J]
    dark_day : ndarray, shape (n, paths)
        Days to going dark of each future, infinite past the horizon; path k is the same weather for all of a site.
    """

    node_id: tuple[str, ...]
    p_dark_7d: Array
    p_dark_30d: Array
    p_dark_90d: Array
    days_p10: Array
    days_p50: Array
    days_p90: Array
    visit_by_days: Array
    autonomy_days: Array
    balance_w: Array
    back_p10: Array
    back_p50: Array
    back_p90: Array
    days_ahead: Array
    usable: Array
    low_day: Array
    low_usable: Array
    dark_day: npt.NDArray[np.float32]

    def p_dark(self, days: float) -> Array:
        """Probability of having gone dark within `days` days, for each node."""
        return np.asarray((self.dark_day <= days).mean(axis=1))


def forecast(
    nodes: Sequence[NodeOutlook], *, paths: int = PATHS, seed: int = 0, threads: int = THREADS
) -> FleetForecast:
    """Forecast of nodes over the days that their harvest outlooks cover (365 by default of `harvest.outlooks`).

    Parameters
    ----------
    nodes : sequence of NodeOutlook
        All with the same number of days ahead.
    paths : int
        Futures drawn for each node.
    seed : int
        The same seed gives the same forecast of a node, whatever other nodes are forecast with it.
    threads : int
        The compiled loop runs outside Python's lock.
    """
    days = _horizon(nodes)
    grid = DAYS_AHEAD[: np.searchsorted(DAYS_AHEAD, days, side="right")]
    dark = np.empty((len(nodes), paths), dtype=np.float32)
    back = np.empty_like(dark)
    usable = np.empty((len(nodes), len(grid), len(LEVELS)))

    low = np.empty((len(nodes), 2))

    def run(index: npt.NDArray[np.intp], given: Inputs) -> None:
        dark_day, back_day = np.empty((2, len(index), paths))
        draws = np.empty((len(index), len(grid), paths), dtype=np.float32)  # sorted in a seventh of the time
        simulate(given, grid, dark_day, back_day, draws)
        dark[index], back[index], usable[index] = dark_day, back_day, _quantiles(draws)
        low[index] = _lowest(given, grid, usable[index])

    _in_chunks(nodes, paths, seed, run, threads=threads)
    return _summary(nodes, dark, back, _with_reading_doubt(nodes, usable), grid, low)


def _lowest(given: Inputs, grid: Array, usable: Array) -> Array:
    """The day on which the median of the futures is lowest, and the median; shape (n, 2). [d, J]

    Over a long horizon told anew day by day, of a few futures; else that of the quantiles `usable` on the `grid`.
    """
    nodes, days = given.scale.shape
    day, median = grid, usable[:, :, LEVELS.index(0.50)]
    if days > LOW_DAYS:
        few = given._replace(site=given.site[:, :LOW_PATHS], site_week=given.site_week[:, :LOW_PATHS])
        day, paths = np.arange(1.0, days + 1), few.site.shape[1]
        dark, back = np.empty((2, nodes, paths))
        draws = np.empty((nodes, days, paths), dtype=np.float32)
        simulate(few, day, dark, back, draws)
        median = np.median(draws, axis=-1)
    return np.stack([day[median.argmin(axis=1)], median.min(axis=1)], axis=1)


def _with_reading_doubt(nodes: Sequence[NodeOutlook], usable: Array) -> Array:
    """The quantiles of usable energy, widened by what the voltage of the day may differ from the energy it stands for.

    Temperature moves a capacitor's voltage at the same charge, and so does redistribution inside it after a charge or
    a wake: READING_DOUBT of the energy at full, one standard deviation, about the median and within empty and full.
    A battery's readings have the converter's noise alone.
    """
    full = np.array([node.capacity_ratio * (node.full_j - node.curve.cutoff_j) for node in nodes])
    highest = np.array([
        size if node.held is None else node.capacity_ratio * float(np.asarray(node.curve.usable(node.held.highest)))
        for node, size in zip(nodes, full, strict=True)
    ])  # fmt: skip
    median = usable[:, :, [LEVELS.index(0.50)]]
    sd = np.stack([_reading_sd(*each) for each in zip(nodes, full, median[:, :, 0], strict=True)])
    return np.asarray(np.minimum(widened(usable, sd), np.maximum(highest[:, None, None], usable)))


def widened(usable: Array, sd: Array) -> Array:
    """Quantiles `LEVELS` of usable energy, the last axis, with a normal doubt `sd` more; none below zero. [J]"""
    median, z = usable[..., [LEVELS.index(0.50)]], ndtri(LEVELS)
    return np.asarray(np.maximum(median + np.sign(z) * np.hypot(usable - median, sd[..., None] * z), 0.0))


def _reading_sd(node: NodeOutlook, full: float, median: Array) -> Array:
    """What a reading errs about some usable energies. [J]"""
    curve, noise = node.curve, node.voltage_sd
    volts = np.asarray(curve.voltage_at(curve.cutoff_j + median / node.capacity_ratio))
    rounding = node.capacity_ratio * (curve.energy(volts + noise) - curve.energy(volts - noise)) / 2
    return np.asarray(np.hypot(rounding, 0.0 if node.budget.storage.is_battery else READING_DOUBT * full))


def _summary(
    nodes: Sequence[NodeOutlook],
    dark: npt.NDArray[np.float32],
    back: npt.NDArray[np.float32],
    usable: Array,
    grid: Array,
    low: Array,
) -> FleetForecast:
    first, again = np.sort(dark, axis=1), np.sort(back, axis=1)
    now = np.array([node.capacity_ratio * float(np.asarray(node.curve.usable(node.voltage))) for node in nodes])
    half_gone, gains = _time_quantile(first, 0.50), now <= low[:, 1]
    empty = np.isfinite(half_gone)  # on that day, though it may lie between two of the grid
    return FleetForecast(
        node_id=tuple(node.node_id for node in nodes),
        p_dark_7d=(dark <= 7).mean(axis=1),
        p_dark_30d=(dark <= 30).mean(axis=1),
        p_dark_90d=(dark <= 90).mean(axis=1),
        days_p10=_time_quantile(first, 0.10),
        days_p50=half_gone,
        days_p90=_time_quantile(first, 0.90),
        visit_by_days=np.stack([_time_quantile(first, risk) for risk in VISIT_RISKS], axis=1),
        autonomy_days=np.array([node.autonomy() for node in nodes]),
        balance_w=np.array([node.balance() for node in nodes]),
        back_p10=_time_quantile(again, 0.10),
        back_p50=_time_quantile(again, 0.50),
        back_p90=_time_quantile(again, 0.90),
        days_ahead=grid,
        usable=usable,
        low_day=np.where(empty, half_gone, np.where(gains, 0.0, low[:, 0])),
        low_usable=np.where(empty, 0.0, np.minimum(now, low[:, 1])),
        dark_day=dark,
    )


def _quantiles(draws: npt.NDArray[np.float32]) -> Array:
    """The quantiles `LEVELS` over the last axis, which is sorted in place."""
    draws.sort(axis=-1)  # many times faster than the quantile function on short rows
    place = np.array(LEVELS) * (draws.shape[-1] - 1)
    below = place.astype(int)
    above = np.minimum(below + 1, draws.shape[-1] - 1)
    low, high = (draws[..., at].astype(np.float64) for at in (below, above))
    return np.asarray(low + (place - below) * (high - low))


def _time_quantile(times: npt.NDArray[np.float32], share: float) -> Array:
    """The first time by which `share` of the sorted times have come; NaN if that is past the horizon."""
    place = max(int(np.ceil(share * times.shape[1])) - 1, 0)
    found = times[:, place].astype(float)
    return np.where(np.isfinite(found), found, np.nan)


def sustainable_interval(
    nodes: Sequence[NodeOutlook], *, risk: float = INTERVAL_RISK, paths: int = INTERVAL_PATHS, seed: int = 0
) -> Array:
    """Shortest wake interval at which each node survives the horizon at a chosen risk. [s]

    NaN where it is dark already or sleep alone is too much. Within 1 % of the interval, and of the rate that the
    number of paths resolves: `risk` times `paths` futures may go dark.
    """
    low, high = _wake_factor_bounds(nodes)
    bottom = low.copy()

    def run(index: npt.NDArray[np.intp], given: Inputs) -> None:
        part_low, part_high = low[index], high[index]
        narrow_wake_factor(given, risk, INTERVAL_ROUNDS, part_low, part_high)
        low[index] = part_low

    live = [i for i, node in enumerate(nodes) if np.isfinite(low[i]) and not node.dark]
    _in_chunks(nodes, paths, seed, run, live)
    rate = np.array([node.wakes_per_day for node in nodes])
    found = np.isin(np.arange(len(nodes)), live) & (low > bottom)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(found, SECONDS_PER_DAY / (low * rate), np.nan)


def _wake_factor_bounds(nodes: Sequence[NodeOutlook]) -> tuple[Array, Array]:
    """Factors on the wake rate: one far too low, and one that spends more than comes in and is stored; NaN if none."""
    low, high = np.full((2, len(nodes)), np.nan)
    for i, node in enumerate(nodes):
        curve = node.curve
        expected = node.harvest.expected
        stored = node.capacity_ratio * float(np.asarray(curve.usable(node.voltage)))
        drains = node.drains
        spare = expected.mean() + stored / len(expected) - drains[:, 1].min()
        wakes = (
            node.wakes_per_day * node.wake_ratio * float(np.asarray(wake_energy(node.budget.load, curve.voltage[-1])))
        )
        if spare > 0 and wakes > 0:
            high[i] = 4 * spare / wakes
            low[i] = high[i] / 1000
    return low, high


def _horizon(nodes: Sequence[NodeOutlook]) -> int:
    lengths = {len(node.harvest.season) for node in nodes}
    if len(lengths) != 1:
        msg = f"nodes must be forecast over the same number of days, got {sorted(lengths)}"
        raise ValueError(msg)
    return lengths.pop()


def _in_chunks(
    nodes: Sequence[NodeOutlook],
    paths: int,
    seed: int,
    run: Callable[[npt.NDArray[np.intp], Inputs], None],
    chosen: Sequence[int] | None = None,
    threads: int = THREADS,
) -> None:
    """Call `run` for chunks of nodes of one site, several at a time."""
    by_site: defaultdict[str, list[int]] = defaultdict(list)
    for i in range(len(nodes)) if chosen is None else chosen:
        by_site[nodes[i].site].append(i)
    chunks = [group[k : k + CHUNK] for group in by_site.values() for k in range(0, len(group), CHUNK)]

    def work(chunk: list[int]) -> None:
        run(np.array(chunk), inputs([nodes[i] for i in chunk], paths, seed))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, chunks))


def inputs(nodes: Sequence[NodeOutlook], paths: int, seed: int) -> Inputs:
    """The arrays of some nodes of one site for the compiled simulation, the site's common deviates drawn."""
    days = len(nodes[0].harvest.season)
    shapes = np.concatenate([node.harvest.shapes for node in nodes])
    first = np.cumsum([0, *(len(node.harvest.shapes) for node in nodes[:-1])])
    flat = np.zeros(days, dtype=np.int32)
    random, records = np.random.default_rng([seed, zlib.crc32(nodes[0].site.encode())]), np.zeros(len(nodes), NODE)
    for row, node in zip(records, nodes, strict=True):
        fill(row, node, seed)
    return Inputs(
        nodes=records,
        drains=np.stack([node.drains for node in nodes]),
        scale=np.stack([h.mean * h.season * h.week for h in (node.harvest for node in nodes)]),
        closure=np.stack([node.harvest.closure for node in nodes]),
        turning=np.stack([np.zeros(days, bool) if (t := n.harvest.turning) is None else t for n in nodes]),
        season=np.stack([node.season_doubts() for node in nodes]),
        wakes=np.stack([node.wake_factors() for node in nodes]),
        leaks=np.stack([node.leakage_factors() for node in nodes]),
        shape_of=np.stack(
            [
                k + (flat if h.shape_of is None else h.shape_of)
                for k, h in zip(first, (n.harvest for n in nodes), strict=True)
            ]
        ).astype(np.int32),
        shapes=shapes,
        load_shapes=np.concatenate([node.load_shapes() for node in nodes]),
        noise=np.stack([node.harvest.noise for node in nodes]),
        site=random.standard_normal((days, paths)),
        site_week=random.standard_normal((days // 7 + 1, paths)),
    )

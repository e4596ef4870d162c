"""The harvest of the days ahead, from the ledger of the days behind: `outlooks` for the nodes of one site.

A day's harvest is ``mean x season x weekday x closure x (level + noise)``. The season is the clear sky's for outdoor
light and flat for the rest; the weekday's factor and the level are learned from the node's own days, held towards its
sisters (same budget, same site) and these towards the budget. Days on which the storage was full say only "at least".
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.change import Change, find_changes
from analysis.harvest_behind import Behind, NodeDays, Seen, behind, believed
from analysis.level import Level, above, borrowed, filter_level
from analysis.noise import deviates, lag_one, noise_table, shared, slow_spread, table_sd
from analysis.outlook import HarvestOutlook
from analysis.single_days import single_shapes
from analysis.site_days import Ahead, SiteDays, ahead, steps_ahead
from analysis.sources import SOURCES, Source
from analysis.stops import LIKELY, Stop, least_median, ongoing_stops, past_stops, without

Array = npt.NDArray[np.float64]

STEP_Z = 5.0  # standard deviations of a change from which it is taken to last,
STEP_LEAST = 0.65  # and its ratio (or one over it)
STEP_SD = 0.3  # relative sd of the mean believed after it
SHUT_DOUBT = 0.1  # of the usual harvest: how far one closure may be from another,
LEAK_DOUBT = 0.3  # and relative, of the leakage that a closed day is booked with: it passes for harvest
USUAL_LEAST = 0.1  # of what is believed: a node's noise is not taken to be in proportion to less
HIGH = 0.9  # of what was seen lies below what nearly all lies below
DUE, SO_FAR = 0.3, 0.8  # of a day's usual harvest, and of the hours until now, that must be past, and seen, to tell
STEP_FLOOR = 0.05  # of the mean before; neither mean nor sd is believed to be less


@dataclass(frozen=True)
class _Scatter:
    """What the nodes of one budget at a site have in common."""

    sd: float
    table: Array
    keep: float
    slow_sd: float


def outlooks(
    nodes: Sequence[NodeDays], site: SiteDays, today: np.datetime64, hour: int = 0, days: int = 365
) -> list[HarvestOutlook]:
    """The harvest ahead of the nodes of one site.

    Parameters
    ----------
    nodes : sequence of NodeDays
        All nodes of the site: they borrow from each other.
    site : SiteDays
        Its calendar, from the first ledger day to `days` + 1 days past `today`, with closures past and planned.
    today, hour : datetime64, int
        Site time of the forecast. Nothing later is used.
    days : int
        Horizon.
    """
    groups: defaultdict[str, list[int]] = defaultdict(list)
    for i, node in enumerate(nodes):
        groups[node.budget.name].append(i)
    found: dict[int, HarvestOutlook] = {}
    for members in groups.values():
        group = _group([nodes[i] for i in members], site, today, hour, days)
        found.update(zip(members, group, strict=True))
    return [found[i] for i in range(len(nodes))]


def _group(
    nodes: Sequence[NodeDays], site: SiteDays, today: np.datetime64, hour: int, days: int
) -> list[HarvestOutlook]:
    """The outlooks of nodes of one budget."""
    budget, source = nodes[0].budget, SOURCES[nodes[0].budget.harvest.source]
    past = int(site.index(np.array(today)))
    known = behind(nodes, site, past)
    shapes, weeks, censored = known.shapes, known.weeks, known.seen.censored
    seen = known.seen.rows()
    prior = believed(budget, known.values)
    so_far, bound = _so_far(nodes, known, site, past, hour)
    with_today, bounds = known.values, censored
    if np.isfinite(so_far).any():
        with_today, bounds = np.column_stack([known.values, so_far]), np.column_stack([censored, bound])
    stops = ongoing_stops(with_today, bounds, source)
    until_now = [without(value, stop) for value, stop in zip(with_today, stops, strict=True)]
    over = past_stops(np.stack(until_now), bounds, source)
    values = [value[:past] for value in until_now]
    running = [np.where(stopped[:past], np.nan, v) for v, stopped in zip(values, over, strict=True)]
    changes = find_changes(np.where(censored, np.nan, np.stack(running)))
    steps = [_last_step(*each, prior) for each in zip(changes, running, censored, strict=True)]
    values = [_since(value, step) for value, step in zip(values, steps, strict=True)]
    running = [_since(value, step) for value, step in zip(running, steps, strict=True)]
    priors = [prior if step is None else step.prior for step in steps]
    scatter = _Scatter(source.noise_sd, noise_table([], source.noise_sd), source.noise_keep, source.slow_sd)
    usual = [_usual(v, s.censored, p[0]) for v, s, p in zip(values, seen, priors, strict=True)]
    levels = [_level(*each, scatter, source) for each in zip(seen, running, priors, usual, strict=True)]
    scatter = _scatter(values, seen, levels, [USUAL_LEAST * p[0] for p in priors], source)
    steady = [i for i, step in enumerate(steps) if step is None]
    for i, told in zip(steady, borrowed([levels[i] for i in steady], prior), strict=True):
        priors[i] = told
    usual = [max(level.mean + level.departure, USUAL_LEAST * p[0]) for level, p in zip(levels, priors, strict=True)]
    levels = [_level(*each, scatter, source) for each in zip(seen, running, priors, usual, strict=True)]
    factors = [
        _factors(v, s, level.after, USUAL_LEAST * p[0])
        for v, s, level, p in zip(values, seen, levels, priors, strict=True)
    ]
    z = deviates(np.stack(factors), scatter.table, censored)
    share = shared(z, source.shared) if past else source.shared
    kept = [
        _kept(s, shut, opened, usually * level.after, source)
        for s, shut, opened, usually, level in zip(seen, known.shut, known.opened, known.usual, levels, strict=True)
    ]
    coming = steps_ahead(site, today, hour, days)
    singles = single_shapes([node.hours for node in nodes], weeks, _usual_days(over, stops, site, past), hour)
    return [
        _outlook(
            level,
            scatter,
            source,
            share,
            row,
            s,
            stop,
            still,
            ahead(season, week, shape, coming),
            doubt[past : past + days],
            single,
        )
        for level, row, s, stop, still, season, doubt, week, shape, single in zip(
            levels, z, seen, stops, kept, known.season.factor, known.season.doubt, weeks, shapes, singles, strict=True
        )
    ]


def _so_far(
    nodes: Sequence[NodeDays], known: Behind, site: SiteDays, past: int, hour: int
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """What came today until now, as the days in `known.values` are, and whether that is only a lower bound.

    It tells of a stop only: that it is over, or has begun. NaN where too little of the day's harvest is due by now, or
    was seen; outdoors, where a dull morning tells of nothing.
    """
    found, bound = np.full(len(nodes), np.nan), np.zeros(len(nodes), dtype=bool)
    if nodes[0].budget.harvest.outdoors:
        return found, bound
    due = (known.shapes[:, past, :hour] * site.closed[past, :hour]).sum(axis=1)
    allowed = due * known.weeks[:, site.weekday[past]] * known.season.factor[:, past]
    for i, node in enumerate(nodes):
        seen = len(node.day) > 0 and site.index(node.day[-1:])[0] == past
        if seen and allowed[i] >= DUE and node.observed_s[-1] >= SO_FAR * hour * 3600.0:
            found[i] = (node.net_harvest_j[-1] + node.leakage_j[-1]) / allowed[i]
            bound[i] = node.full_s[-1] > 0
    return found, bound


class _Step(NamedTuple):
    """A lasting change of a node's harvest: its first day, and what the days since let believe of the mean."""

    first: int
    prior: tuple[float, float]


def _since(value: Array, step: _Step | None) -> Array:
    """The days since a lasting change."""
    return value if step is None else np.where(np.arange(len(value)) < step.first, np.nan, value)


def _last_step(
    change: Change | None, value: Array, censored: npt.NDArray[np.bool_], prior: tuple[float, float]
) -> _Step | None:
    """The lasting change in a node's harvest, if one stands out: what came before it says nothing of what is ahead.

    Where most days since are bounds, those that are none are the poor ones, and a change to what they tell is none.
    """
    if change is None or abs(change.z) < STEP_Z or change.before <= 0 or prior[0] <= 0:  # nothing can change at none
        return None
    if STEP_LEAST < change.after / change.before < 1 / STEP_LEAST:
        return None
    since = censored[change.index :][np.isfinite(value[change.index :])]
    if len(since) and since.mean() > 0.5:
        return None
    after = max(change.after, STEP_FLOOR * prior[0])
    sd = max(STEP_SD * after, STEP_FLOOR * prior[0])
    return _Step(change.index, (after, sd / after))


def _usual(value: Array, censored: npt.NDArray[np.bool_], believed: float) -> float:
    """A node's usual harvest, to which its noise is in proportion, before its level is known: the median.

    Where that lies above nearly all that was seen, next to nothing tells it: it is what is believed.
    """
    known = np.isfinite(value)
    if known.sum() < 7:
        return believed
    usual = least_median(value[known], censored[known])
    ordered, place = np.sort(value[known]), HIGH * (known.sum() - 1)
    if usual >= np.interp(place, np.arange(len(ordered)), ordered):
        return believed
    return max(usual, USUAL_LEAST * believed)


def _level(
    seen: Seen, value: Array, prior: tuple[float, float], usual: float, scatter: _Scatter, source: Source
) -> Level:
    mean, tolerance = prior
    if mean <= 0:
        return Level(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, *np.zeros((2, len(value))))
    return filter_level(
        value,
        seen.spread,
        seen.censored,
        start=mean,
        start_sd=tolerance * mean,
        noise_sd=max(scatter.sd, 0.02) * usual,
        noise_keep=scatter.keep,
        slow_sd=scatter.slow_sd * usual,
        step_sd=2 * source.slow_sd * usual,
        keep=float(np.exp(-1 / source.slow_days)),
    )


def _kept(seen: Seen, shut: npt.NDArray[np.bool_], opened: Array, usual: Array, source: Source) -> tuple[float, float]:
    """How much of what closures are said to take away comes all the same, and its sd: by those behind, if any.

    Parameters
    ----------
    shut, opened, usual : ndarray, shape (days,)
        Of a node: closed days, what is said to be left of each day, and what there would be if it were open. [J]
    """
    kept, variance = source.kept, source.kept_sd**2
    for bound in (False, True):  # a closed day on which the node was full says "at least" of this, too
        days = shut & (seen.censored == bound)
        normal = float(usual[days].sum())
        if normal <= 0:
            continue
        left, taken = float(seen.harvest[days].sum()) / normal, float(((1 - opened) * usual)[days].sum()) / normal
        noise = source.noise_sd * max(left, 0.0) * np.sqrt(source.inflation / days.sum())
        leakage = LEAK_DOUBT * float(seen.load[2]) * days.sum() / normal
        doubt = float(noise**2 + leakage**2 + SHUT_DOUBT**2) / taken**2
        gain = variance / (variance + doubt)
        found, spread = 1.0 - (1.0 - left) / taken, 0.0
        if bound:
            found, spread = above(found, kept, float(np.sqrt(variance + doubt)))
        kept += gain * (found - kept)
        variance = variance * (1.0 - gain) + gain**2 * spread
    return min(kept, 1.0), float(np.sqrt(variance))


def _factors(value: Array, seen: Seen, level: Array, least: float) -> Array:
    """Each day's harvest, or the least it was, over its level (taken to be `least` or more); NaN where not known."""
    usable = (level > 0) & (seen.censored | (seen.spread < 2.0))
    return np.where(usable, value / np.maximum(level, max(least, 1e-12)), np.nan)


def _scatter(
    values: list[Array], seen: list[Seen], levels: list[Level], least: list[float], source: Source
) -> _Scatter:
    """Distribution and day-to-day correlation of the noise over all nodes of a group; none harvests below `least`."""
    if source.noise_sd == 0:
        return _Scatter(0.0, noise_table([], 0.0), 0.0, 0.0)
    factors = np.stack(
        [_factors(v, s, a.before, low) for v, s, a, low in zip(values, seen, levels, least, strict=True)]
    )
    bound = np.stack([s.censored for s in seen])
    known, beyond = factors[np.isfinite(factors) & ~bound], factors[np.isfinite(factors) & bound]
    table = noise_table(known, source.noise_sd, beyond)
    several = factors.shape[1] > 1
    keep = lag_one(deviates(factors, table, bound), source.noise_keep) if several else source.noise_keep
    means = np.array([max(a.mean + a.departure, low, 1e-12) for a, low in zip(levels, least, strict=True)])
    ratio = np.where(bound, np.nan, np.stack(values)) / means[:, None]
    return _Scatter(sd := table_sd(table), table, keep, slow_spread(ratio, sd, keep, source.slow_sd, source.shared))


def _usual_days(
    over: npt.NDArray[np.bool_], stops: list[Stop | None], site: SiteDays, past: int
) -> npt.NDArray[np.bool_]:
    """Whether a day up to today, and those beside it, are as usual: not closed, nor in a stop that most nodes share."""
    known = over.shape[1]  # up to yesterday, or with today
    stopped = np.pad(over, ((0, 0), (0, past + 1 - known)))
    for row, stop in zip(stopped, stops, strict=True):
        if stop is not None and stop.share >= LIKELY:
            row[known - stop.days :] = True
    shared = stopped.sum(axis=0) >= max(2.0, 0.5 * len(stopped))
    odd = shared | (site.closed[: past + 1].min(axis=1) < 1.0)
    beside = np.pad(odd, 1)
    return np.asarray(~(beside[:-2] | odd | beside[2:]))


def _outlook(
    level: Level,
    scatter: _Scatter,
    source: Source,
    share: float,
    z: Array,
    seen: Seen,
    stop: Stop | None,
    kept: tuple[float, float],
    coming: Ahead,
    doubt: Array,
    single: Array,
) -> HarvestOutlook:
    mean = max(level.mean, 0.0)
    base = max(mean, 1e-12)
    weekly = float(np.exp(-7 / source.slow_days))
    mean_sd = np.sqrt(max(level.mean_var, 0.0))
    tilt = level.covariance / mean_sd if mean_sd > 0 else 0.0
    known = np.flatnonzero(np.isfinite(z))
    last = z[known[-1]] * scatter.keep ** (len(z) - 1 - known[-1]) if len(known) else 0.0
    told = np.isfinite(seen.harvest)
    harvest, bound = seen.harvest[told], seen.censored[told]
    return HarvestOutlook(
        mean=mean,
        season=coming.season,
        season_sd=doubt,
        week=coming.week,
        closure=coming.closure,
        shapes=np.concatenate([coming.shapes, single]),
        single=len(single),
        turning=coming.turning,
        shape_of=coming.shape_of,
        noise=scatter.table,
        noise_keep=scatter.keep,
        noise_now=float(last),
        level_now=level.departure / base,
        level_sd=float(np.sqrt(max(level.departure_var - tilt**2, 0.0))) / base,
        level_tilt=float(tilt) / base,
        level_keep=weekly,
        level_noise=level.slow_sd * float(np.sqrt(1 - weekly**2)) / base,
        mean_sd=float(mean_sd) / base,
        site_share=share,
        stop_days=0.0 if stop is None else float(stop.days),
        stop_share=0.0 if stop is None else stop.share,
        stop_factor=1.0 if stop is None else stop.factor,
        stop_tail=1.0 if stop is None else stop.tail,
        kept=kept[0],
        kept_sd=kept[1],
        past_wake=float(seen.load[0]),
        past_sleep=float(seen.load[1]),
        past_leakage=float(seen.load[2]),
        past_harvest=float(harvest.mean()) if len(harvest) else 0.0,
        past_bound=float(bound.mean()) if len(bound) else 0.0,
        deviates=z,
        made_up_sd=source.course_sd * float(seen.lost[told][~bound].mean()) if len(bound) and not bound.all() else 0.0,
    )

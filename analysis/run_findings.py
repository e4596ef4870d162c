"""Gathers what the findings are judged by over the store's books, and finds them."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from analysis import kalman
from analysis import state as places
from analysis.evidence import middle_voltage
from analysis.facts import Finding, NodeFacts, Rise
from analysis.findings import find
from analysis.harvest_behind import past_harvest
from analysis.health import leak_over_sleep, stood
from analysis.load import sleep_power, wake_energy
from analysis.run_ahead import per_capacity_sd
from analysis.run_books import NodeBook, SiteBook
from analysis.run_field import Field
from analysis.run_health import NodeField
from analysis.series import Counts, Floats, alike, by_budget, ranges
from analysis.storage import leakage_power, storage_curve
from ingest.budget import SECONDS_PER_DAY

BASELINE_DAYS = 28
# Places in a day of the path: of a covariance and the two ratios.
WAKES, SLEEP = (kalman.E_E, kalman.E, kalman.E), (kalman.S_S, kalman.S, kalman.S)
WAKES_AND_SLEEP = (kalman.E_S, kalman.E, kalman.S)
RISE_DAYS = 10  # of evidence that tell a rise of sleep, where no more than rests of days tell


def find_all(books: list[SiteBook], nodes: list[NodeField]) -> list[dict[str, Any]]:
    """The rows of the table `findings`."""
    return [_row(finding) for finding in find([facts for site in books for facts in _facts(site, nodes)])]


def _row(finding: Finding) -> dict[str, Any]:
    return vars(finding) | {"since": pd.Timestamp(finding.since, tz="UTC")}


def _spent(site: SiteBook, length: int) -> tuple[Floats, Floats]:
    """Wakes a day of each node on the site's calendar, NaN where too little was seen; and its recent load. [W]"""
    day, _, wake_j, sleep_j, wakes, _, observed, *_ = site.account
    count = np.diff(site.offsets)
    row, place = np.repeat(np.arange(len(count)), count), site.calendar.index(day)
    good = (place >= 0) & (place < length) & (observed > 0.5 * SECONDS_PER_DAY)
    by_day = np.full((len(count), length), np.nan)
    by_day[row[good], place[good]] = wakes[good] * SECONDS_PER_DAY / observed[good]
    late, _ = ranges(np.maximum(site.offsets[1:] - BASELINE_DAYS, site.offsets[:-1]), site.offsets[1:])
    spent, seen = (np.bincount(row[late], x[late], len(count)) for x in (wake_j + sleep_j, observed))
    return by_day, spent / np.maximum(seen, 1.0)


def _facts(site: SiteBook, nodes: list[NodeField]) -> Iterator[NodeFacts]:
    past = past_harvest(site.days, site.calendar, np.datetime64(site.today.date()))
    first, length = site.calendar.first.astype("datetime64[D]").item(), past.power.shape[1]
    wakes, load = _spent(site, length)
    in_hand, of_full = _in_hand(site.nodes)
    columns = {
        "harvest_w": past.power + _leakage_grown(site, length),
        "harvest_bound": past.bound,
        "harvest_lost": past.lost,
        "harvest_pace": past.pace,
        "harvest_season_sd": past.season_sd,
        "wakes": wakes,
        "load_w": load.tolist(),
        "usable_j": in_hand.tolist(),
        "usable_share": of_full.tolist(),
    } | _told(site.nodes, _way(site.nodes), [nodes[book.place].curve for book in site.nodes])
    for book, *told in zip(site.nodes, *columns.values(), strict=True):
        judged = nodes[book.place]
        own = dict(zip(columns, told, strict=True))
        yield NodeFacts(
            node_id=book.node.node_id,
            site=book.node.site,
            budget=book.budget,
            first=first,
            health=judged.health,
            leakage=Rise(judged.health.leakage_ratio, judged.health.leakage_sd, own.pop("leaked")),
            silent_for_s=book.silent_for,
            heard=datetime.fromtimestamp(book.state.time, site.site.zone).date(),
            fall=judged.fall,
            worn=judged.worn,
            fade=judged.fade,
            **own,
        )


class _Way(NamedTuple):
    """What was found of the nodes along the way; arrays over nodes.

    `first`, `begun` and `last` are of the path, shape (nodes, PATH): its mean over the first weeks, its first and its
    last day. `changes` counts the sudden changes since `commissioned`, the first of them `grown` days ago, and
    `changed` is the day of the last one there ever was.
    """

    first: Floats
    begun: Floats
    last: Floats
    mean: Floats
    covariance: Floats
    told: np.ndarray[Any, Any]  # whether there was enough evidence to tell a rise from
    length: Counts
    changes: Counts
    grown: Counts
    stood: Floats
    began: np.ndarray[Any, Any]  # to lose capacity; of datetime64[D], as are
    leaked: np.ndarray[Any, Any]  # more than before, if it does
    commissioned: np.ndarray[Any, Any]
    changed: np.ndarray[Any, Any]


def _way(books: list[NodeBook]) -> _Way:
    parts, places = [], []
    for field, place in alike([book.field for book in books]):
        parts.append(_way_of(field, np.array([books[i].row for i in place])))
        places.append(place)
    order = np.argsort(np.concatenate(places))
    return _Way(*(np.concatenate(columns)[order] for columns in zip(*parts, strict=True)))


def _way_of(field: Field, rows: Counts) -> _Way:
    """The way of some of a field's nodes."""
    day, dates = np.arange(field.path.shape[1]), np.array(field.first, dtype="datetime64[D]")[rows]
    begin, end = field.renewed[rows], field.days[rows]
    at = begin[:, None] + np.arange(BASELINE_DAYS)
    early = field.path[rows[:, None], np.minimum(at, end[:, None] - 1)]
    changes = field.changes[rows] & (day < end[:, None])
    since = changes & (day >= begin[:, None])
    last = np.where(changes, day, -1).max(axis=1)
    lost, began = stood(field.path[rows, :, kalman.C], begin, end)
    _, leaked = stood(1.0 / np.maximum(field.path[rows, :, kalman.L], 1e-6), begin, end)  # a rise as the loss of this
    return _Way(
        early.mean(axis=1, dtype=np.float64, where=(at < end[:, None])[..., None]),
        early[:, 0].astype(np.float64),
        field.path[rows, end - 1].astype(np.float64),
        field.mean[rows],
        field.covariance[rows],
        field.evidence_days[rows] >= RISE_DAYS,
        end - begin,
        since.sum(axis=1),
        np.where(since.any(axis=1), end - since.argmax(axis=1), 0),
        lost,
        dates + begin + began,
        dates + begin + leaked,
        dates + begin,
        np.where(last >= 0, dates + last, np.datetime64("NaT")),
    )


def _told(books: list[NodeBook], way: _Way, curves: list[float]) -> dict[str, list[Any]]:
    """The columns of `NodeFacts` that tell of capacity and costs, and when a change of them stands out."""
    s, changed = kalman.S, np.where(way.told, way.changed, np.datetime64("NaT")).tolist()
    sleep = way.last[:, s] / way.first[:, s]
    rises = {"sleep": (sleep, sleep * per_capacity_sd(way.covariance)[1] * np.sqrt(2.0)), **_costs(books, way)}
    curve = np.array(curves)
    rises = {name: (ratio, np.hypot(sd, curve * ratio)) for name, (ratio, sd) in rises.items()}
    columns = {
        "leak_odds": _odds(way),
        "fade_tie": _correlation(way.covariance, places.FADE, places.RISE),
        "wake_tie": _correlation(way.covariance, places.FADE, places.WAKE),
        "blur": _blur(books, way.covariance),
        "stood": way.stood,
        "faded": way.began,
        "commissioned": way.commissioned,
        "leaked": np.where(np.isnat(way.changed), way.leaked, way.changed),
    }
    return {name: column.tolist() for name, column in columns.items()} | {
        name: list(map(Rise, *(np.where(way.told, column, np.nan).tolist() for column in rise), changed))
        for name, rise in rises.items()
    }


def _in_hand(books: list[NodeBook]) -> tuple[Floats, Floats]:
    """Usable energy of each node at its last report [J], and its share of that at full."""
    volts, full = np.array([(book.state.voltage, book.held.full) for book in books]).T
    joules, share = np.empty((2, len(books)))
    for budget, rows in by_budget([book.budget for book in books]):
        curve = storage_curve(budget.storage)
        joules[rows], share[rows] = curve.usable(volts[rows]), curve.share_left(volts[rows], full[rows])
    return joules, share


def _planned(books: list[NodeBook]) -> Floats:
    """What goes to wakes, sleep and leakage by each node's budget, half way between its voltages; shape (nodes, 3). [W]

    A node that stands low for now is judged by what it usually loses.
    """
    plan = np.empty((len(books), 3))
    for budget, rows in by_budget([book.budget for book in books]):
        load, volts = budget.load, middle_voltage(budget)
        wakes = float(wake_energy(load, volts)) * load.wakes_per_day / SECONDS_PER_DAY
        plan[rows] = wakes, float(sleep_power(load, volts)), float(leakage_power(budget.storage, volts))
    return plan


def _odds(way: _Way) -> Floats:
    """`health.leak_over_sleep` of each node, if it has changed at least once."""
    two, s = [places.SLEEP, places.RISE], kalman.S
    now = way.mean[:, two]
    first = np.stack([np.log(way.first[:, s] / way.last[:, s]) + now[:, 0], _doubt(way.begun, *SLEEP)], axis=1)
    times, length = np.maximum(way.changes, 1)[:, None], way.length[:, None]
    grown = way.grown[:, None] * np.array([0.0, places.LEAKING_DRIFT**2])
    since = places.JUMP[two] ** 2 * times + places.DRIFT_PER_DAY[two] ** 2 * length + grown
    return leak_over_sleep(now, way.covariance[:, two][:, :, two], first, since)


def _blur(books: list[NodeBook], covariance: Floats) -> Floats:
    """Sd that is left between wake energy and sleep, over that by the budget."""
    before = np.empty(len(books))
    for budget, rows in by_budget([book.budget for book in books]):
        _, sd = places.prior(budget)
        before[rows] = np.hypot(sd[places.WAKE], sd[places.SLEEP])
    w, s = places.WAKE, places.SLEEP
    left = covariance[:, w, w] + covariance[:, s, s] - 2 * covariance[:, w, s]
    return np.asarray(np.sqrt(np.maximum(left, 0.0)) / before)


def _leakage_grown(site: SiteBook, length: int) -> Floats:
    """By how much leakage stands above its beginning on the days of the site's calendar: no fall of harvest. [W]"""
    day, grown = site.calendar.first + np.arange(length), np.empty((len(site.nodes), length))
    leakage = np.array([book.recent.leakage for book in site.nodes])
    for field, place in alike([book.field for book in site.nodes]):
        rows = np.array([site.nodes[i].row for i in place])
        at = (day - np.array(field.first, dtype="datetime64[D]")[rows, None]).astype(np.int64)
        last = field.days[rows] - 1
        ratio = field.path[rows[:, None], np.clip(at, 0, last[:, None]), kalman.L].astype(np.float64)
        above = np.maximum(ratio - ratio[:, :BASELINE_DAYS].mean(axis=1, keepdims=True), 0.0)
        grown[place] = above * (leakage[place] / field.path[rows, last, kalman.L])[:, None]
    return grown


def _correlation(covariance: Floats, a: int, b: int) -> Floats:
    spread = np.sqrt(np.maximum(covariance[:, a, a] * covariance[:, b, b], 1e-30))
    return np.asarray(covariance[:, a, b] / spread)


def _costs(books: list[NodeBook], way: _Way) -> dict[str, tuple[Floats, Floats]]:
    """How much more a wake, wakes and sleep together, and all at rest per capacity, cost than at first, and the doubt.

    What is common to all times, the scale, cancels. A change of energies has the doubt that the state has beyond its
    first, and no less than the fade of the capacity in which they are counted; per capacity, each time tells its own.
    """
    first, last, plan = way.first, way.last, _planned(books)
    then, now = (plan * at[:, [kalman.E, kalman.S, kalman.L]] for at in (first, last))
    ee, es, ss = (_doubt(last, *pair) - _doubt(first, *pair) for pair in (WAKES, WAKES_AND_SLEEP, SLEEP))
    load = now[:, :2].sum(axis=1)
    a, b = now[:, 0] / load, now[:, 1] / load
    least, capacity = way.covariance[:, places.FADE, places.FADE], last[:, kalman.C] / first[:, kalman.C]
    rises = {
        "wake": (last[:, kalman.E] / first[:, kalman.E], np.maximum(ee, least)),
        "load": (load / then[:, :2].sum(axis=1), np.maximum(a * a * ee + 2 * a * b * es + b * b * ss, least)),
        "rest": (now.sum(axis=1) / then.sum(axis=1) / capacity, _rest(way.covariance, now)),
    }
    return {name: (ratio, ratio * np.sqrt(variance)) for name, (ratio, variance) in rises.items()}


def _rest(covariance: Floats, spent: Floats) -> Floats:
    """Variance of the logarithm of what empties the storage at rest per capacity, now over then.

    `spent` is what goes to wakes, sleep and leakage, in any unit; shape (nodes, 3).
    """
    h = np.zeros((len(spent), places.STATES))
    h[:, [places.WAKE, places.SLEEP, places.LEAK]] = spent / spent.sum(axis=1, keepdims=True)
    h[:, places.RISE] = h[:, places.LEAK]
    h[:, [places.CAPACITY, places.FADE]] = -1.0
    return np.asarray(2 * np.einsum("ni,nij,nj->n", h, covariance, h))


def _doubt(at: Floats, place: int, one: int, other: int) -> Floats:
    """Relative covariance of two ratios on a day of each node's path."""
    return np.asarray(at[:, place] / (at[:, one] * at[:, other]))

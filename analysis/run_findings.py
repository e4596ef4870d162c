"""Gathers what the findings are judged by over the store's books, and finds them."""

from dataclasses import asdict
from datetime import date, datetime
from typing import Any

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
from analysis.run_field import since
from analysis.run_health import NodeField
from analysis.series import Floats, by_budget
from analysis.storage import leakage_power
from ingest.budget import SECONDS_PER_DAY

BASELINE_DAYS = 28
# Places in a day of the path: of a covariance and the two ratios.
WAKES, SLEEP = (kalman.E_E, kalman.E, kalman.E), (kalman.S_S, kalman.S, kalman.S)
WAKES_AND_SLEEP = (kalman.E_S, kalman.E, kalman.S)
RISE_DAYS = 10  # of evidence that tell a rise of sleep, where no more than rests of days tell


def find_all(books: list[SiteBook], nodes: list[NodeField]) -> list[dict[str, Any]]:
    """The rows of the table `findings`."""
    facts: list[NodeFacts] = []
    for site in books:
        past = past_harvest(site.days, site.calendar, np.datetime64(site.today.date()))
        wakes, load = _spent(site, past.power.shape[1])
        columns = past.power, past.bound, wakes, load.tolist(), *map(np.ndarray.tolist, _told(site.nodes))
        for book, *told in zip(site.nodes, *columns, strict=True):
            facts.append(_facts(site, book, nodes[book.place], *told))
    return [_row(finding) for finding in find(facts)]


def _row(finding: Finding) -> dict[str, Any]:
    return asdict(finding) | {"since": pd.Timestamp(finding.since, tz="UTC")}


def _spent(site: SiteBook, length: int) -> tuple[Floats, Floats]:
    """Wakes a day of each node on the site's calendar, NaN where too little was seen; and its recent load. [W]"""
    accounts = [book.account for book in site.nodes]
    day, wakes, wake_j, sleep_j, observed = (
        np.concatenate([getattr(account, name) for account in accounts])
        for name in ("day", "wakes", "wake_j", "sleep_j", "observed_s")
    )
    count = np.array([len(account.day) for account in accounts])
    row, place = np.repeat(np.arange(len(accounts)), count), site.calendar.index(day)
    good = (place >= 0) & (place < length) & (observed > 0.5 * SECONDS_PER_DAY)
    by_day = np.full((len(accounts), length), np.nan)
    by_day[row[good], place[good]] = wakes[good] * SECONDS_PER_DAY / observed[good]
    late = np.arange(len(row)) >= (np.cumsum(count) - BASELINE_DAYS)[row]
    spent, seen = (np.bincount(row[late], x[late], len(accounts)) for x in (wake_j + sleep_j, observed))
    return by_day, spent / np.maximum(seen, 1.0)


def _told(books: list[NodeBook]) -> tuple[Floats, ...]:
    """Of each node: relative sd of sleep, odds of a leak, ties of fade to leakage and wakes, blur, what is planned."""
    covariance = np.stack([book.field.covariance[book.row] for book in books])
    return (
        per_capacity_sd(covariance)[1],
        _odds(books, covariance),
        _correlation(covariance, places.FADE, places.RISE),
        _correlation(covariance, places.FADE, places.WAKE),
        _blur(books, covariance),
        _planned(books),
    )


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


def _odds(books: list[NodeBook], covariance: Floats) -> Floats:
    """`health.leak_over_sleep` of each node, if it has changed at least once."""
    two, s = [places.SLEEP, places.RISE], kalman.S
    now, first, since = (np.empty((len(books), 2)) for _ in range(3))
    for i, book in enumerate(books):
        field, row = book.field, book.row
        path = field.path[row, field.renewed[row] : field.days[row]]
        changes = np.flatnonzero(field.changes[row, field.renewed[row] : field.days[row]])
        now[i] = field.mean[row, two]
        sleep = float(path[:BASELINE_DAYS, s].mean(dtype=np.float64))
        first[i] = np.log(sleep / path[-1, s]) + now[i, 0], path[0, kalman.S_S] / path[0, s] ** 2
        grown = places.LEAKING_DRIFT**2 * (len(path) - changes[0]) if len(changes) else 0.0
        since[i] = places.JUMP[two] ** 2 * max(len(changes), 1) + places.DRIFT_PER_DAY[two] ** 2 * len(path)
        since[i, 1] += grown
    return leak_over_sleep(now, covariance[:, two][:, :, two], first, since)


def _blur(books: list[NodeBook], covariance: Floats) -> Floats:
    """Sd that is left between wake energy and sleep, over that by the budget."""
    before = np.empty(len(books))
    for budget, rows in by_budget([book.budget for book in books]):
        _, sd = places.prior(budget)
        before[rows] = np.hypot(sd[places.WAKE], sd[places.SLEEP])
    w, s = places.WAKE, places.SLEEP
    left = covariance[:, w, w] + covariance[:, s, s] - 2 * covariance[:, w, s]
    return np.asarray(np.sqrt(np.maximum(left, 0.0)) / before)


def _facts(
    site: SiteBook,
    book: NodeBook,
    judged: NodeField,
    power: Floats,
    bound: np.ndarray[Any, Any],
    wakes: Floats,
    load: float,
    sleep_sd: float,
    leak_odds: float,
    fade_tie: float,
    wake_tie: float,
    blur: float,
    plan: list[float],
) -> NodeFacts:
    health, changed = judged.health, _changed(book)
    return NodeFacts(
        book.node.node_id,
        book.node.site,
        book.budget,
        site.calendar.first.astype("datetime64[D]").item(),
        power + _leakage_grown(site, book, len(power)),
        bound,
        wakes,
        sleep=_rise(book, kalman.S, sleep_sd, changed),
        leakage=Rise(health.leakage_ratio, health.leakage_sd, changed),
        **_costs(book, changed, plan),
        health=health,
        commissioned=since(book.field, book.row, int(book.field.renewed[book.row])),
        silent_for_s=book.silent_for,
        usable_share=book.usable_share,
        usable_j=float(np.asarray(book.curve.usable(book.state.voltage))),
        load_w=load,
        heard=datetime.fromtimestamp(book.state.time, site.site.zone).date(),
        leak_odds=leak_odds,
        fade_tie=fade_tie,
        wake_tie=wake_tie,
        blur=blur,
        fall=judged.fall,
        stood=stood(book.field.path[book.row, book.field.renewed[book.row] : book.field.days[book.row], kalman.C]),
        fade=judged.fade,
    )


def _leakage_grown(site: SiteBook, book: NodeBook, length: int) -> Floats:
    """By how much leakage stands above its beginning on the days of the site's calendar: no fall of harvest. [W]"""
    field, row = book.field, book.row
    ratio = field.path[row, : field.days[row], kalman.L]
    at = np.arange(length) + int((site.calendar.first - np.datetime64(field.first[row])).astype(np.int64))
    ratio = ratio.take(at, mode="clip").astype(float)
    grown = np.maximum(ratio - ratio[:BASELINE_DAYS].mean(), 0.0)
    return np.asarray(grown * (book.recent.leakage / float(field.path[row, field.days[row] - 1, kalman.L])))


def _correlation(covariance: Floats, a: int, b: int) -> Floats:
    spread = np.sqrt(np.maximum(covariance[:, a, a] * covariance[:, b, b], 1e-30))
    return np.asarray(covariance[:, a, b] / spread)


def _rise(book: NodeBook, column: int, sd: float, changed: date | None) -> Rise:
    field, row = book.field, book.row
    if field.evidence_days[row] < RISE_DAYS:
        return Rise(np.nan, np.nan, None)
    path = field.path[row, field.renewed[row] : field.days[row], column]
    ratio = float(path[-1] / path[:BASELINE_DAYS].mean(dtype=np.float64))
    return Rise(ratio, ratio * sd * float(np.sqrt(2)), changed)


def _costs(book: NodeBook, changed: date | None, plan: list[float]) -> dict[str, Rise]:
    """How much more a wake, wakes and sleep together, and all at rest per capacity, cost than at first.

    What is common to all times, the scale, cancels. A change of energies has the doubt that the state has beyond its
    first, and no less than the fade of the capacity in which they are counted; per capacity, each time tells its own.
    """
    field, row = book.field, book.row
    path, covariance = field.path[row, field.renewed[row] : field.days[row]], field.covariance[row]
    if field.evidence_days[row] < RISE_DAYS:
        return dict.fromkeys(("wake", "load", "rest"), Rise(np.nan, np.nan, None))
    first, last = path[:BASELINE_DAYS].mean(axis=0, dtype=np.float64), path[-1].astype(np.float64)
    then, now = (np.array(plan) * at[[kalman.E, kalman.S, kalman.L]] for at in (first, last))
    ee, es, ss = (_doubt(last, *pair) - _doubt(first, *pair) for pair in (WAKES, WAKES_AND_SLEEP, SLEEP))
    a, b = now[:2] / now[:2].sum()
    least, capacity = float(covariance[places.FADE, places.FADE]), last[kalman.C] / first[kalman.C]
    return {
        "wake": _risen(last[kalman.E] / first[kalman.E], max(ee, least), changed),
        "load": _risen(now[:2].sum() / then[:2].sum(), max(a * a * ee + 2 * a * b * es + b * b * ss, least), changed),
        "rest": _risen(now.sum() / then.sum() / capacity, _rest(covariance, now), changed),
    }


def _risen(ratio: float, variance: float, changed: date | None) -> Rise:
    """A ratio by the variance of its logarithm."""
    return Rise(float(ratio), float(ratio * np.sqrt(variance)), changed)


def _rest(covariance: Floats, spent: Floats) -> float:
    """Variance of the logarithm of what empties the storage at rest per capacity, now over then.

    `spent` is what goes to wakes, sleep and leakage, in any unit.
    """
    h = np.zeros(places.STATES)
    h[[places.WAKE, places.SLEEP, places.LEAK]] = spent / spent.sum()
    h[places.RISE] = h[places.LEAK]
    h[[places.CAPACITY, places.FADE]] = -1.0
    return float(2 * (h @ covariance @ h))


def _doubt(at: Floats, place: int, one: int, other: int) -> float:
    """Relative covariance of two ratios on a day of the path."""
    return float(at[place] / (at[one] * at[other]))


def _changed(book: NodeBook) -> date | None:
    days = np.flatnonzero(book.field.changes[book.row, : book.field.days[book.row]])
    return since(book.field, book.row, int(days[-1])) if len(days) else None

"""The forecast over the store's books: days to depletion, what drives it, and the wake interval that would last."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import duckdb
import numpy as np

from analysis import kalman
from analysis import state as places
from analysis.correction import corrected
from analysis.depletion import HORIZON_DAYS, FleetForecast, forecast, sustainable_interval
from analysis.drivers import drivers
from analysis.estimate import LEAK_FORM
from analysis.harvest import outlooks
from analysis.lent import lent_closures
from analysis.noise import table_sd
from analysis.outlook import HEARD, HarvestOutlook, NodeOutlook, Silence
from analysis.run_books import NodeBook, Rest, SiteBook
from analysis.scores import Correction
from analysis.series import Counts, Floats, a_day
from analysis.site_days import SiteDays
from analysis.thrift import NONE, Thrift, as_usual, learn_thrift, waking
from analysis.wakes import IDLE_SHARE, OPEN_SHARE, wake_plan
from analysis.warm_days import air_of
from ingest.budget import DAYS_PER_YEAR, SECONDS_PER_DAY, Budget

SEED = 20260101
USUAL_FADE, USUAL_FADE_SD = 0.02, 0.05  # capacity lost a year, believed before it is seen [1/a] (our own judgement)


@dataclass(frozen=True)
class Prospects:
    """The forecast of the nodes that have one, by their place in the fleet."""

    rows: list[int]
    outlooks: list[NodeOutlook]
    forecast: FleetForecast
    wake_interval: Floats  # the shortest that is sustainable [s]
    drivers: list[str]  # what drives each forecast, in a sentence
    harvest_sd: list[float]  # of the mean harvest of a normal week, were the storage never full [W]
    scale_sd: Floats  # relative, of the capacity that turns voltage into energy


def read_corrections(cursor: duckdb.DuckDBPyConnection, moment: datetime) -> dict[int, Correction]:
    """What the last backtest taught, by horizon in days; nothing if it knew reports of after a moment."""
    query = "SELECT horizon_days, shift, slope FROM calibration WHERE fitted_at <= $moment"
    rows = cursor.execute(query, {"moment": moment}).fetchall()
    return {horizon: Correction(shift, slope) for horizon, shift, slope in rows}


def look_ahead(books: list[SiteBook], corrections: Mapping[int, Correction]) -> Prospects:
    """Forecast every node that has reported, corrected by what past forecasts taught."""
    rows, found = node_outlooks(books, HORIZON_DAYS)
    futures = corrected(forecast(found, seed=SEED), corrections)
    covariance = [book.field.covariance[book.row] for site in books for book in site.nodes]
    doubts = [potential_sd(n.harvest, n.budget, c) for n, c in zip(found, covariance, strict=True)]
    scale = np.array([capacity_sd(c) for c in covariance])
    return Prospects(rows, found, futures, wake_intervals(found), drivers(found, futures), doubts, scale)


def wake_intervals(nodes: list[NodeOutlook]) -> Floats:
    """The shortest wake interval that is sustainable. [s]

    Of a node that could wake more often than it does, with the doubt of what it would then take in: what it takes as it
    is it takes.
    """
    shortest = sustainable_interval(nodes, seed=SEED)
    present = SECONDS_PER_DAY / np.maximum([node.wakes_per_day for node in nodes], 1e-9)
    more = np.flatnonzero(shortest < present)
    wider = sustainable_interval([beyond_what_was_taken(nodes[i]) for i in more], seed=SEED)
    shortest[more] = np.fmin(wider, present[more])
    return shortest


def beyond_what_was_taken(node: NodeOutlook) -> NodeOutlook:
    """The node with the doubt of a harvest that it will need, and whose days behind were but lower bounds.

    At its planned load a node that is full on most days takes little of what there is; one that wakes more often needs
    the rest, of which the budget alone tells.
    """
    harvest = node.harvest
    unseen = np.hypot(harvest.past_bound * node.budget.harvest.tolerance, harvest.made_up_sd)
    return replace(node, harvest=replace(harvest, mean_sd=float(np.hypot(harvest.mean_sd, unseen))))


def capacity_sd(covariance: Floats) -> float:
    """Relative standard deviation of capacity, by the covariance of the state, shape (STATES, STATES).

    It scales all energy of a node alike and moves no date, so the futures are drawn at the capacity believed.
    """
    states = [places.CAPACITY, places.FADE]
    return float(np.sqrt(max(covariance[np.ix_(states, states)].sum(), 0.0)))


def potential_sd(harvest: HarvestOutlook, budget: Budget, covariance: Floats) -> float:
    """Standard deviation of the mean harvest of a normal week, were the storage never full. [W]

    Parameters
    ----------
    covariance : ndarray, shape (STATES, STATES)
        Of the state.

    Notes
    -----
    Doubts that do not know of each other: how well noisy days tell a level; what the wakes, sleep and leakage
    that every day was booked with err, which no number of days takes away; how a panel is mounted, so what the other
    seasons bring; what full days were made up for; and the days that were only a lower bound, on which nothing but the
    budget says how much more there was. These weigh by their share: of a node that is full every day, the harvest is
    known no better than by its budget. Left out: the change of stored energy, small over weeks.
    """
    seen = harvest.mean * np.hypot(harvest.mean_sd + harvest.level_tilt, harvest.level_sd)
    h = np.zeros(places.STATES)
    h[places.WAKE], h[places.SLEEP] = harvest.past_wake, harvest.past_sleep
    h[[places.LEAK, places.RISE]] = harvest.past_leakage
    spent = np.sqrt(max(float(h @ covariance @ h), 0.0) + (LEAK_FORM * harvest.past_leakage) ** 2)
    level = harvest.mean * max(1.0 + harvest.level_now, 0.0)
    booked = level * min(spent / harvest.past_harvest, 1.0) if harvest.past_harvest > 0 else 0.0
    most = max(level, budget.harvest.mean_power * SECONDS_PER_DAY)
    unseen = harvest.past_bound * budget.harvest.tolerance * most
    mounted = 0.0 if harvest.season_sd is None else level * float(np.average(harvest.season_sd, weights=harvest.season))
    made_up = level * harvest.made_up_sd
    return float(np.sqrt(seen**2 + booked**2 + unseen**2 + mounted**2 + made_up**2)) / SECONDS_PER_DAY


def node_outlooks(books: list[SiteBook], days: int) -> tuple[list[int], list[NodeOutlook]]:
    """What the forecast is told of every node that has reported, over so many days ahead; and their places."""
    rows: list[int] = []
    found: list[NodeOutlook] = []
    thrifts = _thrifts(books)
    for site in books:
        today = np.datetime64(site.today.date())
        ahead = outlooks(site.days, site.calendar, today, site.today.hour, days)
        air = air_of(site.calendar.latitude, today + np.arange(days))
        for book, rest, harvest in zip(site.nodes, site.rests, ahead, strict=True):
            place = site.calendar.index(book.account.day)
            thrift = thrifts[book.budget.name]
            found.append(_outlook(book, rest, harvest, air, site, place, thrift))
            rows.append(book.place)
    return rows, lent_closures(found)


def _thrifts(books: list[SiteBook]) -> dict[str, Thrift]:
    """How the firmware of each budget saves while little is stored."""
    told: defaultdict[str, list[Floats]] = defaultdict(list)
    for site in books:
        for book, rest in zip(site.nodes, site.rests, strict=True):
            account = book.account
            works = as_usual(account.net_harvest_j, rest.idle | (rest.opened < OPEN_SHARE))
            rate = a_day(account.wakes, account.observed_s)
            told[book.budget.name].append(waking(account.day, _share_stored(book), rate, works))
    return {name: learn_thrift(nodes) for name, nodes in told.items()}


def _share_stored(book: NodeBook) -> Floats:
    """Usable energy in the middle of each day of a node's account over that at full; NaN where not known."""
    volts = book.account.noon_v
    share = np.asarray(book.curve.share_left(np.where(volts > 0, volts, 0.0), book.held.full))
    return np.where(volts > 0, share, np.nan)


def _outlook(
    book: NodeBook,
    rest: Rest,
    harvest: HarvestOutlook,
    air: Floats,
    site: SiteBook,
    place: Counts,
    thrift: Thrift,
) -> NodeOutlook:
    account, now, dark = book.account, book.now(), book.dark
    today, hour = np.datetime64(site.today.date()), site.today.hour
    wake_sd, sleep_sd, leakage_sd = map(float, per_capacity_sd(book.field.covariance[book.row]))
    fade, fade_sd = _fade(book)
    by_volt, by_square, by_warmth = book.field.mean[book.row, places.LEAK_BY].tolist()
    course = book.recent.course
    by_hour = None if course is None else course.wakes
    rate = book.budget.load.wakes_per_day
    wakes = account.wakes if thrift is NONE else account.wakes / thrift.of(_share_stored(book))
    plan = wake_plan(
        account.day, wakes, account.observed_s, today, rate, by_hour, hour, rest.opened, rest.idle,
        _on_days(harvest.deviates, place),
    )  # fmt: skip
    open_ = harvest.closure
    resting = np.where(harvest.week * open_ < IDLE_SHARE, 1.0, 1.0 - open_)
    return NodeOutlook(
        book.node.node_id,
        book.node.site,
        book.budget,
        harvest,
        min(book.state.voltage, book.budget.storage.cutoff_voltage) if dark else book.state.voltage,
        plan.wakes_per_day,
        voltage_sd=book.budget.telemetry.adc_step,
        dark=dark,
        silence=_silence(book, harvest, site.calendar, today) if dark else HEARD,
        rate_sd=plan.rate_sd,
        rate_noise=plan.rate_noise,
        rate_follows=plan.rate_follows,
        wake_closed=plan.closed,
        closed_days=plan.closed_days,
        wake_hours=plan.wake_hours,
        wake_ratio=float(now[kalman.E]),
        wake_sd=wake_sd,
        sleep_ratio=float(now[kalman.S]),
        sleep_sd=sleep_sd,
        leakage_ratio=float(now[kalman.L]),
        leakage_by=(by_volt, by_square, by_warmth),
        leakage_sd=leakage_sd,
        capacity_ratio=float(now[kalman.C]),
        fade_per_year=fade,
        fade_sd=fade_sd,
        temperature=book.temperature,
        leakage_days=rest.warmth.leakage(air, resting),
        held=book.held,
        thrift=thrift,
    )


def _on_days(deviates: Floats | None, place: Counts) -> Floats:
    """The deviates of a site's days at some places of its calendar; NaN where there is none."""
    padded = np.append(np.full(0, np.nan) if deviates is None else deviates, np.nan)
    return padded[np.where((place >= 0) & (place < len(padded)), place, -1)]


def _fade(book: NodeBook) -> tuple[float, float]:
    """Share of its present capacity that a storage loses a year, and its sd: as so far, held to the usual."""
    field, row = book.field, book.row
    years = max(int(field.days[row] - field.renewed[row]), 1) / DAYS_PER_YEAR
    kept = float(np.exp(field.mean[row, places.FADE]))
    seen, sd = (1 / kept - 1) / years, float(np.sqrt(field.covariance[row, places.FADE, places.FADE])) / years
    weight = USUAL_FADE_SD**2 / (USUAL_FADE_SD**2 + sd**2)
    return USUAL_FADE + weight * (seen - USUAL_FADE), USUAL_FADE_SD * float(np.sqrt(1 - weight))


def _silence(book: NodeBook, harvest: HarvestOutlook, site: SiteDays, today: np.datetime64) -> Silence:
    """The time for which a node has been dark.

    What was due then goes by the weekdays, closures and seasons of these days, a stop that has not ended taken off:
    nights of the polar winter, closures and weekends bring nothing.
    """
    days = book.silent_for / SECONDS_PER_DAY
    behind = today - np.arange(min(int(np.ceil(days)), site.days) + 1)
    place = site.index(behind)
    behind, place = behind[place >= 0], place[place >= 0]
    usual = harvest.week[(behind - today).astype(int) % 7] * site.opened(behind)
    if book.budget.harvest.outdoors:
        sky = site.sky.mean(axis=1)
        usual = usual * sky[place] / max(float(sky[site.index(today + np.arange(7))].mean()), 1e-9)
    stopped = harvest.stop_share * (1 - harvest.stop_factor) if harvest.stop_days > 0 else 0.0
    due = float(harvest.mean * harvest.season[:7].mean() * usual.mean() * days) * (1 - stopped)
    alike = (1 + harvest.noise_keep) / (1 - harvest.noise_keep)
    return Silence(days, due, table_sd(harvest.noise) * float(np.sqrt(alike / max(days, 1.0))))


def per_capacity_sd(covariance: Floats) -> tuple[Floats, Floats, Floats]:
    """Relative sds of wake energy, sleep and leakage per unit of capacity: what an error common to all leaves open.

    Parameters
    ----------
    covariance : ndarray, shape (..., STATES, STATES)
        Of the state.
    """
    h = np.zeros((3, places.STATES))
    h[:, [places.CAPACITY, places.FADE]] = -1.0
    for row, states in zip(h, ([places.WAKE], [places.SLEEP], [places.LEAK, places.RISE]), strict=True):
        row[states] += 1.0
    variance = np.einsum("ki,...ij,kj->k...", h, covariance, h)
    wake, sleep, leakage = np.sqrt(np.maximum(variance, 0.0))
    return wake, sleep, leakage

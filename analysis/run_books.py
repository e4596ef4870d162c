"""Gathers what is known of each node, site by site, as forecast and findings read it."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from analysis import kalman
from analysis.closings import as_meant, reopens
from analysis.cores import shared_out
from analysis.dark import Days, with_dark
from analysis.depletion import HORIZON_DAYS
from analysis.evidence import HALL_WARMTH_K
from analysis.harvest_behind import NodeDays
from analysis.held import Held, seconds_full
from analysis.ledger import longest_interval
from analysis.outcomes import least_in_hand
from analysis.quiet import sunless
from analysis.run_days import NumberedFleet
from analysis.run_field import Field
from analysis.run_recent import RECENT_DAYS, Recent, State, silent_for
from analysis.series import Counts, Floats, a_day, calendar, in_order, ranges
from analysis.site_days import Closure, SiteDays, active_hours
from analysis.state import LEAK_BY
from analysis.storage import TEMPERATURE_REFERENCE_C, StorageCurve, fitted_leakage, storage_curve
from analysis.wakes import idle_days
from analysis.warm_days import Course, air_of, courses_of, usual_season
from analysis.warmth import place_names
from ingest.budget import Budget
from ingest.fleet import Node, Site
from ingest.store import Store, sql

TOGETHER = 4  # nodes that fall silent at once, and more than are still heard, from which on it is their gateway
NEW_HARVEST = {"harvester-replaced", "relocated"}  # visits after which earlier harvest says nothing


class Account(NamedTuple):
    """The ledger of a node, or of several one after another, arrays over days; units as in the table `ledger`."""

    day: np.ndarray
    net_harvest_j: Floats
    wake_j: Floats
    sleep_j: Floats
    wakes: Counts
    full_s: Floats
    observed_s: Floats
    top_v: Floats
    top_s: Floats
    noon_v: Floats
    risen_at: Floats
    temp_c: Floats


class NodeBook(NamedTuple):
    """What is known of one node that has reported."""

    place: int  # in the fleet
    node: Node
    budget: Budget
    field: Field
    row: int  # in the field
    account: Account
    silent_for: float  # zero while it is heard from [s]
    recent: Recent
    with_site: bool = False  # silent since most of its site is: that tells of a gateway, and nothing of the node

    @property
    def state(self) -> State:
        """How it stood at its last report."""
        return self.recent.state

    @property
    def held(self) -> Held:
        """At what voltage it is full."""
        return self.recent.held

    @property
    def curve(self) -> StorageCurve:
        """The storage at nominal capacity."""
        return storage_curve(self.budget.storage)

    @property
    def dark(self) -> bool:
        """Silent since it had next to nothing in hand, and not with its site."""
        if self.silent_for <= 0 or self.with_site:
            return False
        usable, full = (float(np.asarray(self.curve.usable(volts))) for volts in (self.state.voltage, self.held.full))
        return usable < float(least_in_hand(full, self.load, self.budget))

    @property
    def load(self) -> float:
        """What its wakes and its sleep took of late. [W]"""
        wakes, sleep, seen = (
            column[-RECENT_DAYS:].sum()
            for column in (self.account.wake_j, self.account.sleep_j, self.account.observed_s)
        )
        return float(wakes + sleep) / max(float(seen), 1.0)

    @property
    def temperature(self) -> float:
        """Recent mean, or the reference where none is reported. [degC]"""
        return TEMPERATURE_REFERENCE_C if np.isnan(self.state.temperature) else self.state.temperature

    def now(self) -> Floats:
        """The ratios to the budget at present, columns of `analysis.kalman`."""
        return np.asarray(self.field.path[self.row, self.field.days[self.row] - 1], dtype=np.float64)


class Rest(NamedTuple):
    """When what a node lives on rested, by the days of its account; and how warm its place is then and otherwise."""

    opened: Floats  # what its closures left of each day
    idle: npt.NDArray[np.bool_]  # days that no closure tells of, yet next to nothing came in on
    warmth: Course


@dataclass(frozen=True)
class SiteBook:
    """A site's nodes that have reported, with their harvest days and rest, and the site's calendar."""

    site: Site
    today: datetime  # site time
    calendar: SiteDays
    nodes: list[NodeBook]
    account: Account  # of all of them: node i has the days offsets[i] to offsets[i + 1]
    offsets: Counts
    rests: list[Rest]
    days: list[NodeDays]


def site_books(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    ledger: pa.Table,
    recent: dict[int, Recent],
    moment: datetime,
) -> list[SiteBook]:
    """The books of each site.

    Parameters
    ----------
    ledger : pyarrow.Table
        Of `ledger_of`: by node_no and day.
    recent : dict
        By node_no.
    """
    estimates = {int(n): (field, i) for part, field in fields for i, n in enumerate(part.numbers)}
    recent = _with_lent_warmth(known, recent, estimates, moment)
    at: defaultdict[str, list[int]] = defaultdict(list)
    for i, (number, node) in enumerate(zip(known.numbers.tolist(), known.nodes, strict=True)):
        if number in recent:
            at[node.site].append(i)
    found = shared_out(lambda places: _accounts(ledger, known.numbers[places]), at.values())
    accounts = dict(zip(at, found, strict=True))
    closures = _closures(known, at, accounts, moment)

    def book(site: str) -> SiteBook:
        places = at[site]
        numbers = known.numbers[places]
        account, offsets = accounts[site]
        counts_from = np.array([recent[n].held.counts_from for n in numbers.tolist()]).repeat(np.diff(offsets))
        full_s = seconds_full(account.full_s, account.top_v, account.top_s, counts_from)
        account = account._replace(full_s=full_s)
        nodes = [
            NodeBook(
                i, known.nodes[i], known.budgets[i], *estimates[number], mine,
                silent_for(recent[number], known.budgets[i], moment), recent[number],
            )
            for i, number, mine in zip(places, numbers.tolist(), _each(account, offsets), strict=True)
        ]  # fmt: skip
        calendar = _calendar(known.fleet.sites[site], account, closures[site], moment)
        return _site_book(known, calendar, known.fleet.sites[site], silent_together(nodes), account, offsets, moment)

    return list(shared_out(book, at))


def silent_together(nodes: list[NodeBook]) -> list[NodeBook]:
    """A site's nodes, marked where they fell silent within a reporting interval of most of the others."""
    silent = np.array([book.silent_for > 0 for book in nodes])
    if silent.sum() < TOGETHER:
        return nodes
    lost = [book for book in nodes if book.silent_for > 0]
    last, reach = np.array([(book.state.time, longest_interval(book.budget)) for book in lost]).T
    near = np.abs(last[:, None] - last) <= np.maximum(reach[:, None], reach)
    together = np.zeros(len(nodes), dtype=bool)
    together[silent] = near.sum(axis=1) >= max(TOGETHER, int((~silent).sum()))
    return [book._replace(with_site=True) if mark else book for book, mark in zip(nodes, together, strict=True)]


def _with_lent_warmth(
    known: NumberedFleet, recent: dict[int, Recent], estimates: dict[int, tuple[Field, int]], moment: datetime
) -> dict[int, Recent]:
    """The same with the mean temperature of the node's place where it reports none, or with what is usual there."""
    place, at = place_names(known.fleet, known.nodes), {number: i for i, number in enumerate(known.numbers.tolist())}
    first = moment.date() - timedelta(days=RECENT_DAYS)
    usual = {
        name: float(sunless(calendar(site.zone, first, RECENT_DAYS), site.latitude, site.longitude)[:, 2].mean())
        for name, site in known.fleet.sites.items()
    }
    told: defaultdict[str, list[float]] = defaultdict(list)
    for number, late in recent.items():
        if not np.isnan(late.state.temperature):
            told[place[at[number]]].append(late.state.temperature)
    mean = {name: float(np.mean(values)) for name, values in told.items()}
    lent = dict(recent)
    for number, late in recent.items():
        if np.isnan(late.state.temperature):
            node, budget = known.nodes[at[number]], known.budgets[at[number]]
            outdoors = budget.harvest.outdoors
            guess = usual[node.site] if outdoors else TEMPERATURE_REFERENCE_C + HALL_WARMTH_K
            warmth = mean.get(place[at[number]], guess)
            field, row = estimates[number]
            volts = late.state.voltage if np.isnan(late.state.mean_voltage) else late.state.mean_voltage
            there, usually = (
                float(np.asarray(fitted_leakage(budget.storage, field.mean[row, LEAK_BY], volts, degrees)))
                for degrees in (warmth, TEMPERATURE_REFERENCE_C)
            )
            state = late.state._replace(temperature=warmth)
            lent[number] = late._replace(state=state, leakage=late.leakage * there / max(usually, 1e-30))
    return lent


def _site_book(
    known: NumberedFleet,
    calendar: SiteDays,
    site: Site,
    nodes: list[NodeBook],
    account: Account,
    offsets: Counts,
    moment: datetime,
) -> SiteBook:
    today = moment.astimezone(site.zone)
    changed: dict[str, np.datetime64] = {}
    for visit in known.fleet.visits:
        if visit.work in NEW_HARVEST:
            day = np.datetime64(visit.at.astimezone(site.zone).date())
            changed[visit.node_id] = max(changed.get(visit.node_id, day), day)
    rests, leakage = _rests(nodes, account, offsets, calendar, np.datetime64(today.date()))
    lost = leakage * account.observed_s
    days = [
        _harvest_days(book, changed.get(book.node.node_id), calendar, rest, lost[low:high], today)
        for book, rest, (low, high) in zip(nodes, rests, pairwise(offsets.tolist()), strict=True)
    ]
    return SiteBook(site, today, calendar, nodes, account, offsets, rests, days)


def _rests(
    nodes: list[NodeBook], account: Account, offsets: Counts, site: SiteDays, today: np.datetime64
) -> tuple[list[Rest], Floats]:
    """When what the nodes live on rested, and what each lost on each of its days. [W]"""
    count = np.diff(offsets)
    air = air_of(site.latitude, site.first + np.arange(site.days))
    opened, usual_air = site.opened(account.day), air[site.index(account.day)]
    leakage = np.array([book.recent.leakage for book in nodes]).repeat(count)
    idle = idle_days(account.net_harvest_j + leakage * account.observed_s, account.observed_s, opened, offsets)
    rest, recent = np.maximum(1.0 - opened, idle), account.day > today - np.timedelta64(RECENT_DAYS, "D")
    season = np.array([usual_season(book.budget.harvest.source) for book in nodes])
    now = float(air_of(site.latitude, np.array([today]))[0])
    warmth = courses_of(usual_air, account.temp_c, rest, recent, offsets, season, now)
    along = Course(*(np.repeat(column, count) for column in warmth))
    leakage = leakage * along.leakage(usual_air, np.where(idle, 1.0, 1.0 - opened))
    each = zip(pairwise(offsets.tolist()), np.stack([np.asarray(x) for x in warmth], axis=1).tolist(), strict=True)
    return [Rest(opened[low:high], idle[low:high], Course(*course)) for (low, high), course in each], leakage


def read_sums(store: Store) -> pa.Table:
    """The days' sums at the budget's figures, by node_no and day; ordered here, for that takes the store longer."""
    (middle,) = (
        store.cursor().execute("SELECT min(day) + ((max(day) - min(day)) // 2)::INTEGER FROM day_sums").fetchall()[0]
    )

    def read(half: str) -> pa.Table:
        query = f"{sql('read_sums', 'analysis')} WHERE day {half} $middle"
        return store.cursor().execute(query, {"middle": middle}).to_arrow_table()

    found = pa.concat_tables(shared_out(read, ("<", ">=")))
    order = in_order(found.column("node_no").to_numpy(), found.column("day").to_numpy().view(np.int64))
    columns = shared_out(lambda name: found.column(name).to_numpy().take(order), found.column_names)
    return pa.table(dict(zip(found.column_names, columns, strict=True)))


def ledger_of(sums: pa.Table, fields: list[tuple[NumberedFleet, Field]]) -> pa.Table:
    """The ledger of days of `read_sums`, as the view of that name has it."""
    number, day = sums.column("node_no").to_numpy(), sums.column("day").to_numpy().astype("datetime64[D]")
    ratios = np.full((3, len(number)), np.nan)
    for part, field in fields:
        mine, row = ranges(*np.searchsorted(number, [part.numbers, part.numbers + 1]))
        place = (day[mine] - np.array(field.first, dtype="datetime64[D]")[row]).astype(np.int64)
        place = np.clip(place, 0, field.days[row] - 1)
        for into, column in zip(ratios, (kalman.C, kalman.E, kalman.S), strict=True):
            into[mine] = field.path[row, place, column]
    stored, wake, sleep = (
        r * sums.column(n).to_numpy() for r, n in zip(ratios, ("stored_j", "wake_j", "sleep_j"), strict=True)
    )
    names = ("node_no", "day", "wakes", "full_s", "observed_s", "top_v", "top_s", "noon_v", "risen_at", "temp_c")
    kept = {name: sums.column(name) for name in names}
    lost = sums.column("lost_j").to_numpy()
    net = np.where(np.isfinite(lost), -lost, stored + wake + sleep)
    return pa.table(kept | {"net_harvest_j": net, "wake_j": wake, "sleep_j": sleep})


def _accounts(ledger: pa.Table, numbers: Counts) -> tuple[Account, Counts]:
    """The ledger of nodes one after another, and where each begins."""
    low, high = np.searchsorted(ledger.column("node_no").to_numpy(), [numbers, numbers + 1])
    rows, _ = ranges(low, high)
    account = Account._make(ledger.column(name).to_numpy().take(rows) for name in Account._fields)
    return account._replace(day=account.day.astype("datetime64[D]")), np.append(0, np.cumsum(high - low))


def _each(account: Account, offsets: Counts) -> list[Account]:
    """The ledger of each node."""
    return [Account._make(column[low:high] for column in account) for low, high in pairwise(offsets.tolist())]


def _harvest_days(
    book: NodeBook, changed: np.datetime64 | None, site: SiteDays, rest: Rest, leakage_j: Floats, today: datetime
) -> NodeDays:
    """The node's ledger since its harvester was last changed, with what its dark spells tell."""
    account, recent = book.account, book.recent
    days = Days(account.day, *(getattr(account, name) for name in Days._fields[1:]))
    if recent.dark:
        days = with_dark(days, recent.dark, (today.utcoffset() or timedelta()).total_seconds())
        resting = np.where(np.isin(days.day, account.day[rest.idle]), 1.0, 1.0 - site.opened(days.day))
        leakage = rest.warmth.leakage(air_of(site.latitude, days.day), resting)
        leakage_j = recent.leakage * leakage * days.observed_s
    if changed is not None:
        kept = days.day > changed
        days, leakage_j = Days(*(column[kept] for column in days)), leakage_j[kept]
    return NodeDays(
        book.node.node_id, book.budget, days.day, days.net_harvest_j, days.wake_j, days.sleep_j, leakage_j,
        days.full_s, days.observed_s, days.noon_v, days.risen_at,
        None if recent.course is None else recent.course.harvest, book.held,
        None if recent.course is None else recent.course.days, _idle_wakes(book),
    )  # fmt: skip


def _idle_wakes(book: NodeBook) -> float:
    """Wake rate of a node in the hours that its budget calls idle, over that of all hours; 1 where there are none."""
    course, idle = book.recent.course, active_hours(book.budget.harvest) == 0
    if course is None or not idle.any() or course.wakes.mean() <= 0:
        return 1.0
    return float(course.wakes[idle].mean() / course.wakes.mean())


def _closures(
    known: NumberedFleet, at: Mapping[str, list[int]], accounts: Mapping[str, tuple[Account, Counts]], moment: datetime
) -> dict[str, list[Closure]]:
    """The closures of each site in its own time, through the day that they name as their end or up to it."""
    stops: dict[str, list[Closure]] = {site: [] for site in at}
    for c in known.fleet.closures:
        if c.site in stops:
            start, end = (_local(moment, known.fleet.sites[c.site]) for moment in (c.start, c.end))
            stops[c.site].append(Closure(start, end, c.harvest_factor))
    odds = 0.0
    for site, places in at.items():
        indoors = np.array([known.budgets[i].harvest.source not in ("none", "light-outdoor") for i in places])
        if stops[site] and indoors.any():
            account, offsets = accounts[site]
            rows, node = ranges(offsets[:-1][indoors], offsets[1:][indoors])
            rate = a_day(account.net_harvest_j[rows], account.observed_s[rows])
            today = _local(moment, known.fleet.sites[site]).astype("datetime64[D]")
            odds += reopens(account.day[rows], rate, node, stops[site], today)
    return {site: as_meant(theirs, odds) for site, theirs in stops.items()}


def _local(moment: datetime, site: Site) -> np.datetime64:
    return np.datetime64(moment.astimezone(site.zone).replace(tzinfo=None))


def _calendar(site: Site, account: Account, closures: list[Closure], moment: datetime) -> SiteDays:
    """The site's days from its first ledger day to past the horizon, with its closures."""
    today = moment.astimezone(site.zone)
    now = np.datetime64(today.date())
    first = account.day.min() if len(account.day) else now
    offset = (today.utcoffset() or timedelta()).total_seconds() / 3600
    length = int((now - first).astype(int)) + HORIZON_DAYS + 2
    return SiteDays(site.latitude, site.longitude, offset, first, length, tuple(closures))

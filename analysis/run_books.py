"""Gathers what is known of each node, site by site, as forecast and findings read it."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb
import numpy as np
import pyarrow as pa

from analysis import kalman
from analysis.course import Course, daily_course
from analysis.dark import DarkSpell, Days, dark_spells, with_dark
from analysis.harvest import NodeDays
from analysis.ledger import longest_interval
from analysis.outcomes import NEARLY_EMPTY
from analysis.outlook import curve_of
from analysis.run_days import NumberedFleet, read_series
from analysis.run_field import Field
from analysis.series import Counts, Floats
from analysis.site_days import Closure, SiteDays
from analysis.storage import TEMPERATURE_REFERENCE_C, StorageCurve, leakage_power
from ingest.budget import Budget
from ingest.fleet import Node, Site

HORIZON_DAYS = 365
RECENT_DAYS = 28
NEW_HARVEST = {"harvester-replaced", "relocated"}  # visits after which earlier harvest says nothing


@dataclass(frozen=True)
class State:
    """How a node stood at its last report; NaN where nothing is known."""

    time: float  # [s since 1970 UTC]
    voltage: float  # [V]
    mean_voltage: float  # of the four weeks up to the moment [V]
    temperature: float  # the same [degC]


@dataclass(frozen=True)
class Account:
    """The ledger of one node, arrays over its days; units as in the table `ledger`."""

    day: np.ndarray
    net_harvest_j: Floats
    wake_j: Floats
    sleep_j: Floats
    wakes: Counts
    full_s: Floats
    observed_s: Floats


@dataclass(frozen=True)
class Recent:
    """What the reports of the last RECENT_DAYS tell of one node beside the ledger."""

    course: Course | None = None  # of its day, if enough of it has been seen
    dark: tuple[DarkSpell, ...] = ()  # spells that are over


@dataclass(frozen=True)
class NodeBook:
    """What is known of one node that has reported."""

    place: int  # in the fleet
    node: Node
    budget: Budget
    field: Field
    row: int  # in the field
    state: State
    account: Account
    silent_for: float  # zero while it is heard from [s]
    recent: Recent

    @property
    def curve(self) -> StorageCurve:
        """The storage at nominal capacity."""
        return curve_of(self.budget.storage)

    @property
    def usable_share(self) -> float:
        """Usable energy at the last report over that at full."""
        curve = self.curve
        return float(np.asarray(curve.usable(self.state.voltage))) / max(curve.full_j - curve.cutoff_j, 1e-12)

    @property
    def dark(self) -> bool:
        """Silent since it stood nearly empty."""
        return self.silent_for > 0 and self.usable_share < NEARLY_EMPTY

    @property
    def temperature(self) -> float:
        """Recent mean, or the reference where none is reported. [degC]"""
        return TEMPERATURE_REFERENCE_C if np.isnan(self.state.temperature) else self.state.temperature

    def now(self) -> Floats:
        """The ratios to the budget at present, columns of `analysis.kalman`."""
        return np.asarray(self.field.path[self.row, self.field.days[self.row] - 1], dtype=np.float64)

    def leakage(self) -> float:
        """Leakage at the recent mean voltage and temperature. [W]"""
        return leakage_of(self.budget, float(self.now()[kalman.L]), self.state)


def leakage_of(budget: Budget, ratio: float, state: State) -> float:
    """Leakage at a node's recent mean voltage and temperature, by its ratio to the budget. [W]"""
    voltage = state.voltage if np.isnan(state.mean_voltage) else state.mean_voltage
    temperature = TEMPERATURE_REFERENCE_C if np.isnan(state.temperature) else state.temperature
    return ratio * float(leakage_power(budget.storage, voltage, temperature))


@dataclass(frozen=True)
class SiteBook:
    """A site's nodes that have reported, with their harvest days and the site's calendar."""

    site: Site
    today: datetime  # site time
    calendar: SiteDays
    nodes: list[NodeBook]
    days: list[NodeDays]


def site_books(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    ledger: pa.Table,
    states: dict[int, State],
    recent: dict[int, Recent],
    moment: datetime,
) -> Iterator[SiteBook]:
    """The books of each site.

    Parameters
    ----------
    ledger : pyarrow.Table
        As `read_days.sql` gives it: by node_no and day.
    states, recent : dict
        By node_no.
    """
    estimates = {int(n): (field, i) for part, field in fields for i, n in enumerate(part.numbers)}
    accounts = _accounts(ledger, known.numbers)
    by_site: defaultdict[str, list[NodeBook]] = defaultdict(list)
    for i, (number, node, budget) in enumerate(zip(known.numbers.tolist(), known.nodes, known.budgets, strict=True)):
        if number in states:
            silence = moment.timestamp() - states[number].time
            silent = silence if silence > longest_interval(budget) else 0.0
            late = recent.get(number, Recent())
            book = NodeBook(i, node, budget, *estimates[number], states[number], accounts[i], silent, late)
            by_site[node.site].append(book)
    for site_id, nodes in by_site.items():
        site = known.fleet.sites[site_id]
        today = moment.astimezone(site.zone)
        days = [_harvest_days(known, book, site, today) for book in nodes]
        yield SiteBook(site, today, _calendar(known, site, days, today), nodes, days)


def read_recent(
    cursor: duckdb.DuckDBPyConnection,
    fields: list[tuple[NumberedFleet, Field]],
    states: dict[int, State],
    moment: datetime,
) -> dict[int, Recent]:
    """What each node's reports of the last RECENT_DAYS tell, by node_no."""
    found: dict[int, Recent] = {}
    for part, field in fields:
        series = read_series(cursor, part.numbers, moment - timedelta(days=RECENT_DAYS), moment)
        offsets = {site: (moment.astimezone(place.zone).utcoffset() or timedelta()).total_seconds()
                   for site, place in part.fleet.sites.items()}  # fmt: skip
        for i, (number, node, budget) in enumerate(zip(part.numbers.tolist(), part.nodes, part.budgets, strict=True)):
            if number not in states:
                continue
            rows = slice(*series.offsets[i : i + 2])
            now = field.path[i, field.days[i] - 1].astype(float)
            ratios, leakage = now[[kalman.C, kalman.E, kalman.S]], leakage_of(budget, now[kalman.L], states[number])
            curve, reports = curve_of(budget.storage), (series.time[rows], series.storage_v[rows], series.wakes[rows])
            found[number] = Recent(
                daily_course(budget, curve, *reports, ratios, leakage, offsets[node.site]),
                dark_spells(budget, curve, *reports, series.boot[rows], float(now[kalman.C])),
            )
    return found


def _accounts(ledger: pa.Table, numbers: Counts) -> list[Account]:
    columns = {name: ledger.column(name).to_numpy() for name in ledger.column_names}
    columns["day"] = columns["day"].astype("datetime64[D]")
    bounds = np.searchsorted(columns["node_no"], np.stack([numbers, numbers + 1]))
    return [
        Account(**{name: columns[name][low:high] for name in Account.__dataclass_fields__}) for low, high in bounds.T
    ]


def _harvest_days(known: NumberedFleet, book: NodeBook, site: Site, today: datetime) -> NodeDays:
    """The node's ledger since its harvester was last changed, with what its dark spells tell."""
    account, recent = book.account, book.recent
    visits = [v for v in known.fleet.visits if v.node_id == book.node.node_id and v.work in NEW_HARVEST]
    changed = max((v.at for v in visits), default=None)
    columns = (account.net_harvest_j, account.wake_j, account.sleep_j, account.full_s, account.observed_s)
    days = with_dark(Days(account.day, *columns), recent.dark, (today.utcoffset() or timedelta()).total_seconds())
    if changed is not None:
        kept = days.day > np.datetime64(changed.astimezone(site.zone).date())
        days = Days(*(column[kept] for column in days))
    return NodeDays(
        book.node.node_id, book.budget, days.day, days.net_harvest_j, days.wake_j, days.sleep_j,
        book.leakage() * days.observed_s, days.full_s, days.observed_s,
        None if recent.course is None else recent.course.harvest,
    )  # fmt: skip


def _calendar(known: NumberedFleet, site: Site, days: list[NodeDays], today: datetime) -> SiteDays:
    """The site's days from its first ledger day to past the horizon, with its closures."""
    now = np.datetime64(today.date())
    first = min((ledger.day[0] for ledger in days if len(ledger.day)), default=now)

    def local(at: datetime) -> np.datetime64:
        return np.datetime64(at.astimezone(site.zone).replace(tzinfo=None))

    stops = [c for c in known.fleet.closures if c.site == site.site]
    offset = (today.utcoffset() or timedelta()).total_seconds() / 3600
    length = int((now - first).astype(int)) + HORIZON_DAYS + 2
    closures = tuple(Closure(local(c.start), local(c.end), c.harvest_factor) for c in stops)
    return SiteDays(site.latitude, site.longitude, offset, first, length, closures)

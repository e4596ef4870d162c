"""The forecast over the store: from the ledger and the field's parameters to days to depletion, site by site."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from analysis import kalman
from analysis import state as places
from analysis.depletion import HORIZON_DAYS, FleetForecast, forecast, sustainable_interval
from analysis.drivers import drivers
from analysis.harvest import NodeDays, outlooks
from analysis.ledger import longest_interval
from analysis.outlook import HarvestOutlook, NodeOutlook
from analysis.run_days import NumberedFleet
from analysis.run_field import Field
from analysis.series import Floats
from analysis.site_days import Closure, SiteDays
from analysis.storage import TEMPERATURE_REFERENCE_C, leakage_power, storage_curve
from analysis.wakes import wake_plan
from ingest.budget import Budget
from ingest.fleet import Site

RECENT_DAYS = 28  # of wakes, for the planned rate
SEED = 20260101
NEW_HARVEST = {"harvester-replaced", "relocated"}  # visits after which earlier harvest says nothing
NEARLY_EMPTY = 0.05  # of full; a node silent since it stood below this is taken to be dark


@dataclass(frozen=True)
class State:
    """How a node stood at its last report; NaN where nothing is known."""

    time: float  # [s since 1970 UTC]
    voltage: float  # [V]
    mean_voltage: float  # of the four weeks up to the moment [V]
    temperature: float  # the same [degC]


@dataclass(frozen=True)
class Prospects:
    """The forecast of the nodes that have one, by their place in the fleet."""

    rows: list[int]
    outlooks: list[NodeOutlook]
    forecast: FleetForecast
    wake_interval: Floats  # the shortest that is sustainable [s]
    drivers: list[str]  # what drives each forecast, in a sentence


def look_ahead(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    days: pd.DataFrame,
    states: dict[int, State],
    moment: datetime,
) -> Prospects:
    """Forecast every node that has reported.

    Parameters
    ----------
    days : DataFrame
        The ledger as `read_days.sql` gives it.
    states : dict
        By node number.
    """
    estimates = {int(n): (field, i) for part, field in fields for i, n in enumerate(part.numbers)}
    accounts: dict[Any, pd.DataFrame] = dict(iter(days.groupby("node_no")))
    by_site: defaultdict[str, list[int]] = defaultdict(list)
    for i, node in enumerate(known.nodes):
        if int(known.numbers[i]) in states:
            by_site[node.site].append(i)
    rows: list[int] = []
    found: list[NodeOutlook] = []
    for site, members in by_site.items():
        place = known.fleet.sites[site]
        today = moment.astimezone(place.zone)
        ledgers = [node_days(known, i, accounts.get(int(known.numbers[i])), estimates, states) for i in members]
        calendar = site_days(known, place, ledgers, today)
        ahead = outlooks(ledgers, calendar, np.datetime64(today.date()), today.hour, HORIZON_DAYS)
        for i, harvest in zip(members, ahead, strict=True):
            number = int(known.numbers[i])
            found.append(_outlook(known, i, accounts.get(number), harvest, estimates[number], states[number], moment))
            rows.append(i)
    futures = forecast(found, seed=SEED)
    return Prospects(rows, found, futures, sustainable_interval(found, seed=SEED), drivers(found, futures))


def site_days(known: NumberedFleet, place: Site, ledgers: list[NodeDays], today: datetime) -> SiteDays:
    """The calendar of a site from its first ledger day to past the horizon, with its closures."""
    first = min((ledger.day[0] for ledger in ledgers if len(ledger.day)), default=np.datetime64(today.date()))

    def local(at: datetime) -> np.datetime64:
        return np.datetime64(at.astimezone(place.zone).replace(tzinfo=None))

    closures = tuple(
        Closure(local(c.start), local(c.end), c.harvest_factor) for c in known.fleet.closures if c.site == place.site
    )
    offset = today.utcoffset()
    length = int((np.datetime64(today.date()) - first).astype(int)) + HORIZON_DAYS + 2
    return SiteDays(
        place.latitude, place.longitude, (offset or timedelta()).total_seconds() / 3600, first, length, closures
    )


def node_days(
    known: NumberedFleet, i: int, account: pd.DataFrame | None, estimates: dict[int, Any], states: dict[int, State]
) -> NodeDays:
    """The node's ledger since its harvester was last changed."""
    node, budget, number = known.nodes[i], known.budgets[i], int(known.numbers[i])
    if account is None:
        empty = np.zeros(0)
        return NodeDays(node.node_id, budget, np.zeros(0, "datetime64[D]"), *([empty] * 6))
    day = account["day"].to_numpy().astype("datetime64[D]")
    zone = known.fleet.sites[node.site].zone
    visits = [v for v in known.fleet.visits if v.node_id == node.node_id and v.work in NEW_HARVEST]
    changes = [v.at.astimezone(zone).date() for v in visits]
    kept = day > np.datetime64(max(changes)) if changes else np.ones(len(day), bool)
    columns = ("net_harvest_j", "wake_j", "sleep_j", "full_s", "observed_s")
    net, wake, sleep, full, seen = (account[name].to_numpy()[kept] for name in columns)
    field, row = estimates[number]
    leak = leakage_now(budget, field, row, states[number]) * seen
    return NodeDays(node.node_id, budget, day[kept], net, wake, sleep, leak, full, seen)


def leakage_now(budget: Budget, field: Field, row: int, state: State) -> float:
    """Leakage at the node's mean voltage and temperature, by its ratio to the budget. [W]"""
    temperature = TEMPERATURE_REFERENCE_C if np.isnan(state.temperature) else state.temperature
    voltage = state.voltage if np.isnan(state.mean_voltage) else state.mean_voltage
    ratio = float(field.path[row, field.days[row] - 1, kalman.L])
    return ratio * float(leakage_power(budget.storage, voltage, temperature))


def _outlook(
    known: NumberedFleet,
    i: int,
    account: pd.DataFrame | None,
    harvest: HarvestOutlook,
    estimate: tuple[Field, int],
    state: State,
    moment: datetime,
) -> NodeOutlook:
    node, budget = known.nodes[i], known.budgets[i]
    field, row = estimate
    path = field.path[row, field.days[row] - 1]
    sd = per_capacity_sd(field, row)
    day, wakes, seen = (
        (np.zeros(0), np.zeros(0), np.zeros(0))
        if account is None
        else (account["day"].to_numpy(), account["wakes"].to_numpy(), account["observed_s"].to_numpy())
    )
    today = np.datetime64(moment.astimezone(known.fleet.sites[node.site].zone).date())
    plan = wake_plan(day.astype("datetime64[D]"), wakes, seen, today, budget.load.wakes_per_day)
    curve = storage_curve(budget.storage)
    silent = moment.timestamp() - state.time > longest_interval(budget)
    share = float(curve.usable(state.voltage)) / max(curve.full_j - curve.cutoff_j, 1e-12)
    return NodeOutlook(
        node.node_id, node.site, budget, harvest, state.voltage, plan.wakes_per_day,
        voltage_sd=budget.telemetry.adc_step,
        dark=silent and share < NEARLY_EMPTY,
        rate_sd=plan.rate_sd, rate_noise=plan.rate_noise, wake_week=plan.wake_week,
        wake_ratio=float(path[kalman.E]), wake_sd=sd[0],
        sleep_ratio=float(path[kalman.S]), sleep_sd=sd[1],
        leakage_ratio=float(path[kalman.L]), leakage_sd=sd[2],
        capacity_ratio=float(path[kalman.C]),
        temperature=TEMPERATURE_REFERENCE_C if np.isnan(state.temperature) else state.temperature,
    )  # fmt: skip


def per_capacity_sd(field: Field, row: int) -> tuple[float, float, float]:
    """Relative sds of wake energy, sleep and leakage per unit of capacity: what an error common to all leaves open."""
    p = field.covariance[row]
    capacity = np.zeros(places.STATES)
    capacity[[places.CAPACITY, places.FADE]] = 1.0
    sds = []
    for states in ([places.WAKE], [places.SLEEP], [places.LEAK, places.RISE]):
        h = -capacity
        h[states] += 1.0
        sds.append(float(np.sqrt(max(h @ p @ h, 0.0))))
    return sds[0], sds[1], sds[2]

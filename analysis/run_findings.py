"""Judges the fleet over the store's books: budget lines, storage health and findings."""

from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pandas as pd

from analysis import kalman
from analysis import state as places
from analysis.end_of_life import Criterion, EndOfLife, Loss, end_of_life, pace
from analysis.estimate import Line, NetHarvest, lines
from analysis.findings import Finding, NodeFacts, Rise, find
from analysis.harvest_behind import past_harvest
from analysis.health import RATE_DAYS, Health, fade_or_leak, judge, resistance
from analysis.remaining import Remaining, Spent, by_counting, by_voltage, capacity_told, full_since
from analysis.run_ahead import per_capacity_sd
from analysis.run_books import NodeBook, SiteBook
from analysis.run_days import NumberedFleet
from analysis.run_field import Field, since
from analysis.series import Floats
from analysis.state import DRIFT_PER_DAY, JUMP, LEAKING_DRIFT, UNMEASURED_DRIFT
from analysis.storage import TEMPERATURE_REFERENCE_C
from ingest.budget import SECONDS_PER_DAY, Budget, Storage

BASELINE_DAYS = 28
RISE_DAYS = 10  # of evidence that tell a rise of sleep, where no more than rests of days tell
ENOUGH_SECONDS = 2 * SECONDS_PER_DAY


@dataclass(frozen=True)
class NodeField:
    """What is known of one node beside its forecast."""

    lines: list[Line]
    health: Health
    ends: dict[Criterion, EndOfLife]  # where wear stands out of its doubt
    remaining: Remaining | None  # of a cell that has been heard from


def judge_nodes(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    books: list[SiteBook],
    windows: dict[int, tuple[float, ...]],
) -> list[NodeField]:
    """Lines and health of every node, in the order of `known`."""
    by_place = {book.place: book for site in books for book in site.nodes}
    places_of = {int(n): (field, i) for part, field in fields for i, n in enumerate(part.numbers)}
    return [
        _judge(budget, *places_of[number], by_place.get(i), windows.get(number))
        for i, (number, budget) in enumerate(zip(known.numbers.tolist(), known.budgets, strict=True))
    ]


def find_all(books: list[SiteBook], nodes: list[NodeField]) -> list[dict[str, Any]]:
    """The rows of the table `findings`."""
    facts: list[NodeFacts] = []
    for site in books:
        past = past_harvest(site.days, site.calendar, np.datetime64(site.today.date()))
        for book, power, bound in zip(site.nodes, past.power, past.bound, strict=True):
            facts.append(_facts(site, book, power, bound, nodes[book.place].health))
    return [_row(finding) for finding in find(facts)]


def _row(finding: Finding) -> dict[str, Any]:
    return asdict(finding) | {"since": pd.Timestamp(finding.since, tz="UTC")}


def _judge(
    budget: Budget, field: Field, row: int, book: NodeBook | None, window: tuple[float, ...] | None
) -> NodeField:
    mean, covariance = field.mean[row], field.covariance[row]
    esr = resistance(field.resistance[row, field.renewed[row] : field.days[row]])
    capacity, leakage = _ratio(mean, covariance, places.FADE), _ratio(mean, covariance, places.RISE)
    since_new = int(field.days[row] - field.renewed[row])
    if field.evidence_days[row] < BASELINE_DAYS:
        capacity, leakage = (np.nan, np.inf), (np.nan, np.nan)
    elif budget.storage.is_battery and not capacity_told(*capacity, since_new, places.DRIFT_PER_DAY[places.FADE]):
        capacity = (np.nan, np.inf)
    health = judge(budget.storage, capacity, esr, leakage, since_new)
    voltage = (budget.storage.cutoff_voltage + budget.storage.full_voltage) / 2
    temperature = TEMPERATURE_REFERENCE_C
    if book is not None and not np.isnan(book.state.mean_voltage):
        voltage, temperature = book.state.mean_voltage, book.temperature
    # The step is over the budget's wake current, which is known as well as the wake's energy.
    doubt = float(np.hypot(esr.ohm_sd, esr.ohm * budget.load.wake_tolerance / 2))
    esr = replace(esr, ohm_sd=doubt)
    shift, hidden = (float(x) for x in field.hidden_sleep[row])
    net = _net_harvest(field, row, window)
    found = lines(budget, mean, covariance, voltage, temperature, esr, net, (shift, hidden))
    remaining = _remaining(budget, book, found) if book is not None and budget.storage.is_battery else None
    return NodeField(found, health, _ends(budget.storage, health, field, row), remaining)


def _remaining(budget: Budget, book: NodeBook, found: list[Line]) -> Remaining:
    """What is left in a cell, by its voltage and by counting."""
    account, told = book.account, {line.line: (line.estimate, line.sd) for line in found}
    share, share_sd = by_voltage(book.curve, book.state.voltage, budget.telemetry.adc_step)
    fresh = since(book.field, book.row, int(book.field.renewed[book.row]))
    full = full_since(budget, book.curve, fresh, account.day, account.full_s)
    kept = account.day >= np.datetime64(full[0] if full else fresh)
    observed = float(account.observed_s[kept].sum())
    if full is None or observed <= 0:
        return Remaining(share, share_sd, np.nan, np.nan, None)
    rate = float(account.wakes[kept].sum()) / observed
    harvest = budget.harvest.mean_power
    spent = Spent(
        seconds=book.state.time - datetime.combine(full[0], time(), UTC).timestamp(),
        full_sd=full[1],
        load=float((account.wake_j[kept] + account.sleep_j[kept]).sum()) / observed,
        load_sd=float(np.hypot(told["wake_energy_j"][1] * rate, told["sleep_power_w"][1])),
        leakage=told["leakage_power_w"][0],
        leakage_sd=told["leakage_power_w"][1],
        harvest=harvest,
        harvest_sd=harvest * budget.harvest.tolerance,
    )
    return Remaining(share, share_sd, *by_counting(book.curve, spent, told["capacity_ratio"]), full[0])


def _ends(storage: Storage, health: Health, field: Field, row: int) -> dict[Criterion, EndOfLife]:
    """When the storage reaches the budget's limits of capacity and resistance."""
    start, stop = int(field.renewed[row]), int(field.days[row])
    half = (stop - start) // 2
    if stop - start < RATE_DAYS:
        return {}
    path = field.path[row, :, kalman.C].astype(float)
    capacity = health.capacity_ratio if np.isfinite(health.fade_per_year) else np.nan
    earlier = resistance(field.resistance[row, start : start + half])
    losses: dict[Criterion, tuple[Loss, Loss, float]] = {
        "capacity": (
            Loss(half, 1 - capacity * path[start + half] / path[stop - 1], health.capacity_sd),
            Loss(stop - start, 1 - capacity, health.capacity_sd),
            1 - storage.end_of_life_capacity,
        ),
        "resistance": (
            Loss(half, earlier.ratio - 1, earlier.ratio_sd),
            Loss(stop - start, health.esr_ratio - 1, health.esr_sd),
            storage.end_of_life_esr_ratio - 1,
        ),
    }
    return {
        name: end_of_life(now.lost, now.sd, ahead, limit)
        for name, (then, now, limit) in losses.items()
        if (ahead := pace(then, now)) is not None
    }


def end_of_life_rows(node: NodeField, moment: datetime) -> list[dict[str, Any]]:
    """The rows of the table `end_of_life`, less the node's name."""
    return [
        {"criterion": name}
        | {
            f"by_{quantile}": None if np.isnan(days) else moment.date() + timedelta(days=days)
            for quantile, days in end._asdict().items()
        }
        for name, end in node.ends.items()
    ]


def _ratio(mean: Floats, covariance: Floats, state: int) -> tuple[float, float]:
    """A ratio whose logarithm is a state, and its standard deviation."""
    ratio = float(np.exp(mean[state]))
    return ratio, ratio * float(np.sqrt(max(float(covariance[state, state]), 0.0)))


def _net_harvest(field: Field, row: int, window: tuple[float, ...] | None) -> NetHarvest:
    """Mean of the window's days; the doubt of the parameters is common to them, the noise of readings cancels."""
    if window is None or window[4] < ENOUGH_SECONDS:
        return NetHarvest(np.nan, np.nan)
    stored, noise, wake, sleep, seconds = window
    path = field.path[row, field.days[row] - 1].astype(float)
    cc, ce, cs, ee, es, ss = path[[kalman.C_C, kalman.C_E, kalman.C_S, kalman.E_E, kalman.E_S, kalman.S_S]]
    x = np.array([stored, wake, sleep])
    variance = float(x @ np.array([[cc, ce, cs], [ce, ee, es], [cs, es, ss]]) @ x) + noise
    total = float(path[[kalman.C, kalman.E, kalman.S]] @ x)
    return NetHarvest(total / seconds, float(np.sqrt(max(variance, 0.0))) / seconds)


def _facts(site: SiteBook, book: NodeBook, power: Floats, bound: np.ndarray[Any, Any], health: Health) -> NodeFacts:
    account, curve = book.account, book.curve
    recent = slice(-BASELINE_DAYS, None)
    spent = float((account.wake_j[recent] + account.sleep_j[recent]).sum())
    p = book.field.covariance[book.row]
    harvest = power + _leakage_grown(site, book, len(power))
    return NodeFacts(
        book.node.node_id,
        book.node.site,
        book.budget,
        site.calendar.first.astype("datetime64[D]").item(),
        harvest,
        bound,
        _wakes(site, book, len(power)),
        sleep=_rise(book, kalman.S, per_capacity_sd(book)[1]),
        leakage=Rise(health.leakage_ratio, health.leakage_sd, _changed(book)),
        health=health,
        commissioned=since(book.field, book.row, int(book.field.renewed[book.row])),
        silent_for_s=book.silent_for,
        usable_share=book.usable_share,
        usable_j=float(np.asarray(curve.usable(book.state.voltage))),
        load_w=spent / max(float(account.observed_s[recent].sum()), 1.0),
        heard=datetime.fromtimestamp(book.state.time, site.site.zone).date(),
        tie=_correlation(p, places.SLEEP, places.LEAK),
        fade_tie=_correlation(p, places.FADE, places.RISE),
        fade=_fade(book),
    )


def _leakage_grown(site: SiteBook, book: NodeBook, length: int) -> Floats:
    """By how much leakage stands above its beginning on the days of the site's calendar: no fall of harvest. [W]"""
    field, row = book.field, book.row
    ratio = field.path[row, : field.days[row], kalman.L].astype(float)
    at = np.arange(length) + int((site.calendar.first - np.datetime64(field.first[row])).astype(np.int64))
    ratio = ratio[np.clip(at, 0, len(ratio) - 1)]
    grown = np.maximum(ratio - ratio[:BASELINE_DAYS].mean(), 0.0)
    return np.asarray(grown * book.recent.leakage / book.now()[kalman.L])


def _fade(book: NodeBook) -> tuple[tuple[float, float, float], ...]:
    """What capacity may be, with a steady leakage and with a risen one."""
    field, row, two = book.field, book.row, np.array([places.FADE, places.RISE])
    days = slice(int(field.renewed[row]), int(field.days[row]))
    before = DRIFT_PER_DAY[two] ** 2 * (days.stop - days.start)
    if not field.measured[row]:
        wander = UNMEASURED_DRIFT[book.budget.harvest.source == "light-outdoor"]
        before[1] += wander**2 * (days.stop - days.start)
    changed = np.flatnonzero(field.changes[row, days])
    before += JUMP[two] ** 2 * len(changed)
    if len(changed):
        before[1] += LEAKING_DRIFT**2 * (days.stop - days.start - changed[0])
    return fade_or_leak(field.mean[row, two], field.covariance[row][np.ix_(two, two)], before)


def _correlation(covariance: Floats, a: int, b: int) -> float:
    spread = np.sqrt(max(float(covariance[a, a] * covariance[b, b]), 1e-30))
    return float(covariance[a, b] / spread)


def _wakes(site: SiteBook, book: NodeBook, length: int) -> Floats:
    """Wakes a day on the site's calendar up to yesterday, NaN where too little was observed."""
    account = book.account
    wakes = np.full(length, np.nan)
    index = site.calendar.index(account.day)
    good = (index >= 0) & (index < length) & (account.observed_s > 0.5 * SECONDS_PER_DAY)
    wakes[index[good]] = account.wakes[good] * SECONDS_PER_DAY / account.observed_s[good]
    return wakes


def _rise(book: NodeBook, column: int, sd: float) -> Rise:
    field, row = book.field, book.row
    path = field.path[row, field.renewed[row] : field.days[row], column].astype(float)
    if field.evidence_days[row] < RISE_DAYS:
        return Rise(np.nan, np.nan, None)
    ratio = float(path[-1] / path[:BASELINE_DAYS].mean())
    return Rise(ratio, ratio * sd * float(np.sqrt(2)), _changed(book))


def _changed(book: NodeBook) -> date | None:
    days = np.flatnonzero(book.field.changes[book.row, : book.field.days[book.row]])
    return since(book.field, book.row, int(days[-1])) if len(days) else None

"""Judges the fleet over the store's results: budget lines, storage health and findings, over the whole fleet."""

from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from analysis import kalman
from analysis import state as places
from analysis.estimate import Line, NetHarvest, lines
from analysis.findings import Finding, NodeFacts, Rise, find
from analysis.harvest import past_harvest
from analysis.health import Health, judge, resistance
from analysis.ledger import longest_interval
from analysis.run_ahead import State, node_days, per_capacity_sd, site_days
from analysis.run_days import NumberedFleet
from analysis.run_field import Field, since
from analysis.storage import TEMPERATURE_REFERENCE_C, storage_curve
from ingest.budget import SECONDS_PER_DAY

BASELINE_DAYS = 28
ENOUGH_SECONDS = 2 * SECONDS_PER_DAY


@dataclass(frozen=True)
class NodeField:
    """What is known of one node beside its forecast."""

    lines: list[Line]
    health: Health


def judge_fleet(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    days: pd.DataFrame,
    states: dict[int, State],
    windows: dict[int, tuple[float, ...]],
    moment: datetime,
) -> tuple[list[NodeField], list[dict[str, Any]]]:
    """Lines and health of every node in the order of `known`, and the rows of the table `findings`."""
    place = {int(n): (field, i) for part, field in fields for i, n in enumerate(part.numbers)}
    accounts = {number: group for number, group in days.groupby("node_no")}
    nodes, facts = [], []
    for i, number in enumerate(known.numbers.tolist()):
        field, row = place[number]
        state = states.get(number)
        health, esr_lines = _health_and_lines(known, i, field, row, state, windows.get(number))
        nodes.append(NodeField(esr_lines, health))
        if state is not None and number in accounts:
            facts.append(_facts(known, i, field, row, state, accounts[number], health, moment, states, place))
    found = find(facts)
    return nodes, [_finding_row(finding) for finding in found]


def _finding_row(finding: Finding) -> dict[str, Any]:
    row = asdict(finding) | {"since": pd.Timestamp(finding.since, tz="UTC")}
    del row["site"]
    return row


def _health_and_lines(
    known: NumberedFleet, i: int, field: Field, row: int, state: State | None, window: tuple[float, ...] | None
) -> tuple[Health, list[Line]]:
    budget = known.budgets[i]
    mean, covariance = field.mean[row], field.covariance[row]
    present = slice(field.renewed[row], field.days[row])
    esr = resistance(field.resistance[row, present])
    fade = float(np.exp(mean[places.FADE])), _sd_of_ratio(mean, covariance, places.FADE)
    leakage = float(np.exp(mean[places.RISE])), _sd_of_ratio(mean, covariance, places.RISE)
    told = int(field.evidence_days[row])
    if told < BASELINE_DAYS:
        fade = (np.nan, np.inf)
        leakage = (np.nan, np.nan)
    health = judge(budget.storage, fade, esr, leakage, int(field.days[row] - field.renewed[row]))
    middle = (budget.storage.cutoff_voltage + budget.storage.full_voltage) / 2
    voltage = middle if state is None or np.isnan(state.mean_voltage) else state.mean_voltage
    warm = TEMPERATURE_REFERENCE_C if state is None or np.isnan(state.temperature) else state.temperature
    found = lines(budget, mean, covariance, voltage, warm, esr, _net_harvest(field, row, window))
    return health, found


def _sd_of_ratio(mean: Any, covariance: Any, state: int) -> float:
    return float(np.exp(mean[state]) * np.sqrt(max(covariance[state, state], 0.0)))


def _net_harvest(field: Field, row: int, window: tuple[float, ...] | None) -> NetHarvest:
    """Mean of the window's days; the doubt of the parameters is common to them, the noise of readings cancels."""
    if window is None or window[4] < ENOUGH_SECONDS:
        return NetHarvest(np.nan, np.nan)
    stored, noise, wake, sleep, seconds = window
    path = field.path[row, field.days[row] - 1].astype(float)
    x = np.array([stored, wake, sleep])
    cov = path[[kalman.C_C, kalman.C_E, kalman.C_S, kalman.C_E, kalman.E_E, kalman.E_S,
                kalman.C_S, kalman.E_S, kalman.S_S]].reshape(3, 3)  # fmt: skip
    total = path[[kalman.C, kalman.E, kalman.S]] @ x
    return NetHarvest(float(total / seconds), float(np.sqrt(max(x @ cov @ x, 0.0) + noise) / seconds))


def _facts(
    known: NumberedFleet, i: int, field: Field, row: int, state: State, account: pd.DataFrame, health: Health,
    moment: datetime, states: dict[int, State], place: dict[int, tuple[Field, int]],
) -> NodeFacts:  # fmt: skip
    node, budget = known.nodes[i], known.budgets[i]
    site = known.fleet.sites[node.site]
    today = moment.astimezone(site.zone)
    behind = node_days(known, i, account, place, states)
    calendar = site_days(known, site, [behind], today)
    past = past_harvest(behind, calendar, np.datetime64(today.date()))
    first = calendar.first.astype("datetime64[D]").item()
    wakes = np.full(len(past.power), np.nan)
    index = calendar.index(behind.day)
    seen = account["observed_s"].to_numpy()[-len(index) :]
    counted = account["wakes"].to_numpy()[-len(index) :] * SECONDS_PER_DAY / np.maximum(seen, 1.0)
    good = (index < len(wakes)) & (seen > 0.5 * SECONDS_PER_DAY)
    wakes[index[good]] = counted[good]
    curve = storage_curve(budget.storage)
    usable = float(np.asarray(curve.usable(state.voltage)))
    silent = moment.timestamp() - state.time
    load = account.iloc[-BASELINE_DAYS:]
    p = field.covariance[row]
    spread = np.sqrt(max(p[places.SLEEP, places.SLEEP] * p[places.LEAK, places.LEAK], 1e-30))
    return NodeFacts(
        node.node_id, node.site, budget, first, past.power, past.bound, wakes,
        sleep=_rise(field, row, kalman.S, per_capacity_sd(field, row)[1]),
        leakage=Rise(health.leakage_ratio, health.leakage_sd, _changed(field, row)),
        health=health,
        commissioned=since(field, row, int(field.renewed[row])),
        silent_for_s=silent if silent > longest_interval(budget) else 0.0,
        usable_share=usable / max(curve.full_j - curve.cutoff_j, 1e-12),
        usable_j=usable,
        load_w=float((load["wake_j"] + load["sleep_j"]).sum() / max(load["observed_s"].sum(), 1.0)),
        heard=datetime.fromtimestamp(state.time, site.zone).date(),
        tie=float(p[places.SLEEP, places.LEAK] / spread),
    )  # fmt: skip


def _rise(field: Field, row: int, column: int, sd: float) -> Rise:
    path = field.path[row, field.renewed[row] : field.days[row], column].astype(float)
    if field.evidence_days[row] < BASELINE_DAYS:
        return Rise(np.nan, np.nan, None)
    ratio = float(path[-1] / path[:BASELINE_DAYS].mean())
    return Rise(ratio, ratio * sd * float(np.sqrt(2)), _changed(field, row))


def _changed(field: Field, row: int) -> date | None:
    days = np.flatnonzero(field.changes[row, : field.days[row]])
    return since(field, row, int(days[-1])) if len(days) else None

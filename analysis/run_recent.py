"""Reads what the nodes' latest reports tell beside the ledger: how they stand, the course of their day, dark spells."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

import duckdb
import numpy as np

from analysis import kalman
from analysis.course import Course, daily_courses
from analysis.dark import DarkSpell, dark_spells
from analysis.ledger import longest_interval
from analysis.outlook import curve_of
from analysis.run_days import CHUNK_NODE_DAYS, THREADS, NumberedFleet, Rows, plain, read_rows, series_of
from analysis.run_field import Field
from analysis.series import Counts, Floats, Series, by_budget
from analysis.storage import TEMPERATURE_REFERENCE_C, leakage_power
from ingest.budget import Budget
from ingest.store import sql

RECENT_DAYS = 28


@dataclass(frozen=True)
class State:
    """How a node stood at its last report; NaN where nothing is known."""

    time: float  # [s since 1970 UTC]
    voltage: float  # [V]
    mean_voltage: float  # of RECENT_DAYS up to the moment [V]
    temperature: float  # the same [degC]


@dataclass(frozen=True)
class Recent:
    """What its last reports tell of one node."""

    state: State
    leakage: float  # at the recent mean voltage and temperature [W]
    course: Course | None  # of its day, if enough of it has been seen
    dark: tuple[DarkSpell, ...]  # spells that are over


def read_recent(
    cursor: duckdb.DuckDBPyConnection,
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    moment: datetime,
) -> dict[int, Recent]:
    """What the reports of the last RECENT_DAYS tell of each node, by node_no; of one silent since, its last report."""
    ratios, first = _present(known, fields), moment - timedelta(days=RECENT_DAYS)
    states, leakage = np.full((len(known.nodes), 4), np.nan), np.empty(len(known.nodes))
    offsets = {name: (moment.astimezone(site.zone).utcoffset() or timedelta()).total_seconds()
               for name, site in known.fleet.sites.items()}  # fmt: skip
    offset = np.array([offsets[node.site] for node in known.nodes])

    def tell(rows: Rows, at: Counts) -> tuple[list[Course | None], dict[int, tuple[DarkSpell, ...]]]:
        part = slice(at[0], at[-1] + 1)
        budgets, series = known.budgets[part], series_of(rows, known.numbers[part])
        states[part] = _states(series)
        leakage[part] = _leakage(budgets, ratios[part, kalman.L], states[part])
        now = ratios[part][:, [kalman.C, kalman.E, kalman.S]]
        spells = {int(at[i]): spell for i, spell in _dark(series, budgets, now[:, 0]).items()}
        return daily_courses(series, budgets, now, leakage[part], offset[part]), spells

    size = THREADS * CHUNK_NODE_DAYS // RECENT_DAYS
    courses: list[Course | None] = []
    dark: dict[int, tuple[DarkSpell, ...]] = {}
    with ThreadPoolExecutor(THREADS) as pool:
        for low in range(0, len(known.nodes), size):
            chunk = np.arange(len(known.nodes))[low : low + size]
            rows = read_rows(cursor, known.numbers[chunk], first, moment)
            parts = [at for at in np.array_split(chunk, THREADS) if len(at)]
            for of_part, spells in pool.map(partial(tell, rows), parts):
                courses += of_part
                dark |= spells
    silent = np.flatnonzero(np.isnan(states[:, 0]))
    if len(silent):
        states[silent] = _last(cursor, known.numbers[silent], first)
        leakage[silent] = _leakage([known.budgets[i] for i in silent], ratios[silent, kalman.L], states[silent])
    return {
        number: Recent(State(*state), leak, courses[i], dark.get(i, ()))
        for i, (number, state, leak) in enumerate(
            zip(known.numbers.tolist(), states.tolist(), leakage.tolist(), strict=True)
        )
        if state[0] == state[0]
    }


def _present(known: NumberedFleet, fields: list[tuple[NumberedFleet, Field]]) -> Floats:
    """The ratios to the budget at present, columns of `analysis.kalman`; shape (nodes, PATH)."""
    ratios = np.empty((len(known.nodes), kalman.PATH))
    for part, field in fields:
        ratios[np.searchsorted(known.numbers, part.numbers)] = field.path[np.arange(len(field.days)), field.days - 1]
    return ratios


def _states(series: Series) -> Floats:
    """The columns of `State` of each node, NaN where it did not report; shape (nodes, 4)."""
    count = np.diff(series.offsets)
    row, last, heard = np.repeat(np.arange(series.nodes), count), series.offsets[1:] - 1, count > 0
    measured = np.isfinite(series.temp_c)
    states = np.full((series.nodes, 4), np.nan)
    states[heard, 0], states[heard, 1] = series.time[last[heard]], series.storage_v[last[heard]]
    states[:, 2] = _mean(row, series.storage_v, series.nodes)
    states[:, 3] = _mean(row[measured], series.temp_c[measured], series.nodes)
    return states


def _mean(row: Counts, values: Floats, rows: int) -> Floats:
    count = np.bincount(row, minlength=rows)
    return np.asarray(np.bincount(row, values, rows) / np.where(count > 0, count, np.nan))


def _last(cursor: duckdb.DuckDBPyConnection, silent: Counts, first: datetime) -> Floats:
    """The columns of `State` of nodes that have been silent since a moment."""
    found = cursor.execute(sql("read_last", "analysis"), {"first": plain(first), "silent": silent.tolist()}).fetchall()
    states = np.full((len(silent), 4), np.nan)
    for number, *last in found:
        states[np.searchsorted(silent, number), :2] = last
    return states


def _leakage(budgets: list[Budget], ratio: Floats, states: Floats) -> Floats:
    """Leakage at the nodes' recent mean voltage and temperature, by its ratio to the budget. [W]"""
    voltage = np.where(np.isnan(states[:, 2]), states[:, 1], states[:, 2])
    temperature = np.where(np.isnan(states[:, 3]), TEMPERATURE_REFERENCE_C, states[:, 3])
    leakage = np.empty(len(budgets))
    for budget, rows in by_budget(budgets):
        leakage[rows] = ratio[rows] * leakage_power(budget.storage, voltage[rows], temperature[rows])
    return leakage


def _dark(series: Series, budgets: list[Budget], capacity: Floats) -> dict[int, tuple[DarkSpell, ...]]:
    """The dark spells of the nodes that were silent for a while and came back, by their place."""
    longest = np.empty(series.nodes)
    for budget, rows in by_budget(budgets):
        longest[rows] = longest_interval(budget)
    row = np.repeat(np.arange(series.nodes), np.diff(series.offsets))
    silence = (np.diff(series.time) > longest[row[1:]]) & (row[1:] == row[:-1])
    found = {}
    for i in np.unique(row[1:][silence]).tolist():
        part = slice(*series.offsets[i : i + 2])
        reports = series.time[part], series.storage_v[part], series.wakes[part], series.boot[part]
        found[i] = dark_spells(budgets[i], curve_of(budgets[i].storage), *reports, float(capacity[i]))
    return found

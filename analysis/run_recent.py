"""Reads what the nodes' latest reports tell beside the ledger: how they stand, the course of their day, dark spells."""

from datetime import datetime, timedelta
from typing import NamedTuple

import duckdb
import numpy as np
import pyarrow as pa

from analysis import kalman
from analysis import state as places
from analysis.course import Course, Gathered
from analysis.dark import DarkSpell, dark_spells, usual_silence
from analysis.held import Held, held_over
from analysis.ledger import longest_interval
from analysis.run_days import CHUNK_NODE_DAYS, NumberedFleet, read_series
from analysis.run_field import Field
from analysis.series import Counts, Floats, Series, by_budget
from analysis.storage import TEMPERATURE_REFERENCE_C, fitted_leakage, storage_curve
from analysis.stray import without_strays
from ingest.budget import Budget
from ingest.store import Store, plain, sql

RECENT_DAYS = 28
BATCH_ROWS = 100_000  # of reports looked at together: what the processor keeps near


class State(NamedTuple):
    """How a node stood at its last report; NaN where nothing is known."""

    time: float  # [s since 1970 UTC]
    voltage: float  # [V]
    mean_voltage: float  # of RECENT_DAYS up to the moment [V]
    temperature: float  # the same [degC]


class Recent(NamedTuple):
    """What its last reports tell of one node."""

    state: State
    leakage: float  # at the recent mean voltage and temperature [W]
    course: Course | None  # of its day, if enough of it has been seen
    dark: tuple[DarkSpell, ...]  # spells that are over
    held: Held  # at its own full voltage
    usual_silence: float = 0.0  # as long a one it has come back from time and again [s]


def silent_for(recent: Recent, budget: Budget, moment: datetime) -> float:
    """Zero while a node is heard from, or silent for no longer than it often was. [s]"""
    silence = moment.timestamp() - recent.state.time
    return silence if silence > max(longest_interval(budget), recent.usual_silence) else 0.0


def read_recent(
    cursor: duckdb.DuckDBPyConnection,
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    moment: datetime,
    days: pa.Table,
) -> dict[int, Recent]:
    """What the reports of the last RECENT_DAYS tell of each node, by node_no; of one silent since, its last report.

    `days` is its ledger, or what this is made of, by node_no and day up to the moment: `run_books.read_sums` will do.
    """
    held = held_over(days, known.numbers, known.budgets)
    (ratios, form), first = _present(known, fields), moment - timedelta(days=RECENT_DAYS)
    offsets = {name: (moment.astimezone(site.zone).utcoffset() or timedelta()).total_seconds()
               for name, site in known.fleet.sites.items()}  # fmt: skip
    offset, now = np.array([offsets[node.site] for node in known.nodes]), ratios[:, [kalman.C, kalman.E, kalman.S]]
    own_full = np.array([own.counts_from for own in held])
    seen = Gathered.of(known.budgets, now, offset, own_full, first.timestamp(), RECENT_DAYS + 1)
    silences = _gathered(cursor, known, seen, first, moment)
    states = np.stack([seen.time, seen.storage_v, *seen.means()], axis=1)
    leakage = _leakage(known.budgets, ratios[:, kalman.L], form, states)
    courses = seen.courses(leakage)
    silent = np.flatnonzero(np.isnan(states[:, 0]))
    if len(silent):
        states[silent] = _last(cursor, known.numbers[silent], first)
        theirs = [known.budgets[i] for i in silent]
        leakage[silent] = _leakage(theirs, ratios[silent, kalman.L], form[silent], states[silent])
    return {
        number: Recent(State(*state), leak, courses[i], silences.dark.get(i, ()), held[i], silences.usual.get(i, 0.0))
        for i, (number, state, leak) in enumerate(
            zip(known.numbers.tolist(), states.tolist(), leakage.tolist(), strict=True)
        )
        if state[0] == state[0]
    }


def _present(known: NumberedFleet, fields: list[tuple[NumberedFleet, Field]]) -> tuple[Floats, Floats]:
    """The ratios to the budget at present, columns of `analysis.kalman`, and the form of leakage, by node."""
    ratios, form = np.empty((len(known.nodes), kalman.PATH)), np.empty((len(known.nodes), len(places.LEAK_BY)))
    for part, field in fields:
        rows = np.searchsorted(known.numbers, part.numbers)
        ratios[rows] = field.path[np.arange(len(field.days)), field.days - 1]
        form[rows] = field.mean[:, places.LEAK_BY]
    return ratios, form


class _Silences(NamedTuple):
    """Of nodes that may have been silent for a while, by their place."""

    dark: dict[int, tuple[DarkSpell, ...]]
    usual: dict[int, float]


def _gathered(
    cursor: duckdb.DuckDBPyConnection, known: NumberedFleet, seen: Gathered, first: datetime, last: datetime
) -> _Silences:
    """Add the reports from `first` to `last` to what is seen; what silences tell."""
    most = int(known.numbers[-1]) + 1
    place = np.full(most + 1, -1)
    place[known.numbers] = np.arange(len(known.numbers))
    query, bounds = sql("read_recent", "analysis"), {"first": plain(first), "last": plain(last)}
    for batch in cursor.execute(query, bounds).to_arrow_reader(BATCH_ROWS):
        number, *columns = (column.to_numpy() for column in batch.columns)
        seen.add(place[np.minimum(number, most)], *columns)
    apart, size = np.flatnonzero(seen.apart), CHUNK_NODE_DAYS // RECENT_DAYS
    silences = _Silences({}, {})
    for chunk in (apart[low : low + size] for low in range(0, len(apart), size)):
        budgets = [known.budgets[i] for i in chunk]
        series = without_strays(read_series(cursor, known.numbers[chunk], first, last), budgets, last)
        seen.again(chunk, series)
        _add_silences(series, chunk, budgets, seen.ratios[chunk, 0], silences)
    return silences


def _last(cursor: duckdb.DuckDBPyConnection, silent: Counts, first: datetime) -> Floats:
    """The columns of `State` of nodes that have been silent since a moment."""
    noted = cursor.execute(
        "FROM last_heard WHERE time_s IS NULL OR time_s < $first", {"first": first.timestamp()}
    ).fetchall()
    unknown = np.setdiff1d(silent, [number for number, *_ in noted])
    if len(unknown):
        bounds = {"first": plain(first), "silent": unknown.tolist()}
        noted += cursor.execute(sql("read_last", "analysis"), bounds).fetchall()
    states, place = np.full((len(silent), 4), np.nan), {number: i for i, number in enumerate(silent.tolist())}
    for number, *last in noted:
        if number in place:
            states[place[number], :2] = last
    return states


def note_silent(store: Store, known: NumberedFleet, recent: dict[int, Recent], moment: datetime) -> None:
    """Note the last reports of nodes silent for RECENT_DAYS: to look for them again would take a pass over all reports.

    Only as of the latest moment analysed: there is no later report, and what is noted of a node goes when one comes in.
    """
    first = (moment - timedelta(days=RECENT_DAYS)).timestamp()
    last = [(number, recent[number].state if number in recent else None) for number in known.numbers.tolist()]
    silent = [(number, state) for number, state in last if state is None or state.time < first]
    found = pa.table({
        "node_no": pa.array([number for number, _ in silent], pa.int32()),
        "time_s": pa.array([None if state is None else state.time for _, state in silent], pa.float64()),
        "storage_v": pa.array([None if state is None else state.voltage for _, state in silent], pa.float64()),
    })  # fmt: skip
    with store.write() as cursor:
        cursor.register("found", found)
        cursor.execute("INSERT INTO last_heard BY NAME SELECT * FROM found ANTI JOIN last_heard USING (node_no)")


def of_present_storage(known: NumberedFleet, recent: dict[int, Recent], moment: datetime) -> dict[int, Recent]:
    """What is known of the nodes, less those not heard from since their storage was replaced: it stands elsewhere."""
    begun = known.fleet.storage_begun(moment)
    fresh = {n: begun[node.node_id].timestamp() for n, node in zip(known.numbers.tolist(), known.nodes, strict=True)}
    return {number: late for number, late in recent.items() if late.state.time >= fresh[number]}


def _leakage(budgets: list[Budget], ratio: Floats, form: Floats, states: Floats) -> Floats:
    """Leakage at the nodes' recent mean voltage and temperature, by its ratio to the budget and its form. [W]"""
    voltage = np.where(np.isnan(states[:, 2]), states[:, 1], states[:, 2])
    temperature = np.where(np.isnan(states[:, 3]), TEMPERATURE_REFERENCE_C, states[:, 3])
    leakage = np.empty(len(budgets))
    for budget, rows in by_budget(budgets):
        leakage[rows] = ratio[rows] * fitted_leakage(budget.storage, form[rows].T, voltage[rows], temperature[rows])
    return leakage


def _add_silences(series: Series, nodes: Counts, budgets: list[Budget], capacity: Floats, silences: _Silences) -> None:
    """Add the dark spells of nodes, and what silences they often keep."""
    for i, (node, budget) in enumerate(zip(nodes.tolist(), budgets, strict=True)):
        part = slice(*series.offsets[i : i + 2])
        time = series.time[part]
        reports = time, series.storage_v[part], series.wakes[part], series.boot[part]
        dark = dark_spells(budget, storage_curve(budget.storage), *reports, float(capacity[i]))
        silences.dark[node], silences.usual[node] = dark, usual_silence(time, dark)

"""Judges the fleet over the store's books: budget lines, storage health, when it ends, and what is left in a cell."""

import math
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NamedTuple

import numpy as np

from analysis import kalman
from analysis import state as places
from analysis.cores import shared_out
from analysis.end_of_life import SURE_SD, Criterion, EndOfLife, Loss, end_of_life, pace
from analysis.estimate import Line, NetHarvest, form_of_load, lines
from analysis.evidence import middle_voltage
from analysis.health import RATE_DAYS, Health, fade_or_leak, judge
from analysis.load import load_power, wake_current
from analysis.remaining import Remaining, Spent, by_counting, by_voltage, capacity_told, full_since
from analysis.resistance import (
    Resistance,
    at_usual_warmth,
    fall_of_wake,
    first_steps,
    resistances,
    unmeasured,
    without_fall,
)
from analysis.run_books import NodeBook, SiteBook
from analysis.run_days import NumberedFleet
from analysis.run_field import Field
from analysis.run_recent import RECENT_DAYS
from analysis.series import Counts, Floats, by_budget
from analysis.storage import TEMPERATURE_REFERENCE_C, storage_curve, table_bend
from analysis.warmth import usual_sd
from ingest.budget import SECONDS_PER_DAY, Budget, Storage

BASELINE_DAYS = 28
STANDING = 0.5  # share of the time that a storage may stand at one voltage, as at full
ENOUGH_SECONDS = 2 * SECONDS_PER_DAY
SOON_DAYS = 730  # within which a storage that as likely as not reaches a limit is to be watched (our choice)
MISSED = 0.1  # of a window, at most: reports that fail now and then, at any hour
UNSEEN_SD = 0.5  # of the harvest seen: what it may be in the rest (our choice)
PRIMARY_CURVE = 0.5  # of the slope of a primary cell's curve, from one part of its life to another; one sd, relative


class NodeField(NamedTuple):
    """What is known of one node beside its forecast."""

    lines: list[Line]
    health: Health
    ends: dict[Criterion, EndOfLife]  # where wear stands out of its doubt
    remaining: Remaining | None  # of a cell that has been heard from
    fade: list[list[float]]  # of `health.fade_or_leak`
    fall: float  # of the wake's own charge at nominal capacity, over the resistance; zero where it is not in the step
    worn: date | None  # when resistance began to change
    curve: float  # `curve_doubt`


def judge_nodes(
    known: NumberedFleet,
    fields: list[tuple[NumberedFleet, Field]],
    books: list[SiteBook],
    windows: dict[int, tuple[float, ...]],
    moment: datetime,
) -> list[NodeField]:
    """Lines and health of every node at a moment, in the order of `known`."""
    by_place = {book.place: book for site in books for book in site.nodes}
    falls, fresh_since = _falls(fields), known.fleet.storage_since(moment)
    found: list[NodeField | None] = [None] * len(known.nodes)

    def judged(task: tuple[NumberedFleet, Field]) -> tuple[Counts, list[NodeField]]:
        part, field = task
        at = np.searchsorted(known.numbers, part.numbers)
        recent = [windows.get(number) for number in part.numbers.tolist()]
        of_wake = np.array([falls[number] for number in part.numbers.tolist()])
        fresh = [fresh_since[node.node_id] for node in part.nodes]
        return at, _judge_part(part, field, [by_place.get(i) for i in at.tolist()], recent, fresh, *of_wake.T)

    for at, nodes in shared_out(judged, fields):
        for i, node in zip(at.tolist(), nodes, strict=True):
            found[i] = node
    return [node for node in found if node is not None]


def _falls(fields: list[tuple[NumberedFleet, Field]]) -> dict[int, tuple[float, float]]:
    """`resistance.fall_of_wake` of each node, by node_no."""
    first = np.concatenate([first_steps(field.resistance) for _, field in fields])
    numbers = [number for part, _ in fields for number in part.numbers.tolist()]
    falls: dict[int, tuple[float, float]] = {}
    for budget, rows in by_budget([budget for part, _ in fields for budget in part.budgets]):
        falls |= dict.fromkeys([numbers[i] for i in rows], fall_of_wake(first[rows], budget))
    return falls


def _judge_part(
    part: NumberedFleet,
    field: Field,
    books: list[NodeBook | None],
    windows: list[tuple[float, ...] | None],
    fresh: list[date],
    falls: Floats,
    doubts: Floats,
) -> list[NodeField]:
    half = field.renewed + (field.days - field.renewed) // 2
    steps = without_fall(field.resistance, falls, field.path[..., kalman.C])
    off = np.array([unmeasured(budget) for budget in part.budgets])
    esr = _less_sure(resistances(steps, field.renewed, field.days, off), falls, doubts, field)
    wears = np.array([step.ratio - 1 > SURE_SD * step.ratio_sd for step in esr])
    then = np.where(wears, half, field.renewed)  # no days, where the pace of wear is not asked for
    earlier = _less_sure(resistances(steps, field.renewed, then, off), falls, doubts, field)
    told, curves = _lines(part, field, books, windows, esr, falls, doubts), _curves(part, field, books)
    wear, fades = _wear(part, field, books, told, curves).tolist(), _fades(part, field, curves).tolist()
    cells = _cells(part, books).tolist()
    each = part.budgets, books, wear, cells, fresh, esr, earlier, told, fades, falls.tolist(), curves.tolist()
    rows = zip(*each, strict=True)
    return [_judge(budget, field, row, *rest) for row, (budget, *rest) in enumerate(rows)]


def curve_doubt(budget: Budget, noon_v: Floats, changed: np.ndarray[Any, Any]) -> float:
    """What a change of costs may owe to the cell's curve alone: one standard deviation, relative.

    `changed` is of the days since the costs last changed. A primary cell never comes back to the part of its curve
    where it was, and says little of how fast it empties where its voltage hardly falls. One that is charged may stand
    on another part than in its first weeks, now or in the weeks that told of the change, by the voltage of its days:
    between two points of its table the curve may be smooth or straight, or between both.
    """
    if not budget.storage.is_battery:
        return 0.0
    if budget.storage.technology == "primary":
        return PRIMARY_CURVE
    told = noon_v > 0
    known, since = noon_v[told], noon_v[told & changed][:BASELINE_DAYS]
    if len(known) < 2 * BASELINE_DAYS:
        return 0.0
    first = table_bend(budget.storage, np.array([np.median(known[:BASELINE_DAYS])]))
    apart = [table_bend(budget.storage, days) - first for days in (known[-BASELINE_DAYS:], since) if len(days)]
    return max(float(np.sqrt(np.mean(bend**2))) for bend in apart) / 2


def _curves(part: NumberedFleet, field: Field, books: list[NodeBook | None]) -> Floats:
    """The `curve_doubt` of each node."""
    day = np.arange(field.changes.shape[1])
    last = np.where(field.changes & (day < field.days[:, None]), day, -1).max(axis=1)
    first = np.array(field.first, dtype="datetime64[D]")
    changed = np.where(last >= 0, first + last, np.datetime64("NaT")).astype("datetime64[D]")
    doubt = np.zeros(len(books))
    for row, (budget, book) in enumerate(zip(part.budgets, books, strict=True)):
        if budget.storage.is_battery and book is not None:
            doubt[row] = curve_doubt(budget, book.account.noon_v, book.account.day >= changed[row])
    return doubt


def _wear(
    part: NumberedFleet, field: Field, books: list[NodeBook | None], found: list[list[Line]], curves: Floats
) -> Floats:
    """Ratios of capacity and leakage to the beginning, each with its sd, where they are told; shape (nodes, 4).

    A load that goes otherwise with the season than its budget has it may pass for a leakage that rises, and a cell's
    curve for either.
    """
    ratio = np.exp(field.mean[:, [places.FADE, places.RISE]])
    variance = np.diagonal(field.covariance, axis1=1, axis2=2)[:, [places.FADE, places.RISE]]
    sd = ratio * np.sqrt(np.maximum(variance, 0.0))
    sd[:, 0] = np.hypot(sd[:, 0], ratio[:, 0] * curves)
    early = field.evidence_days < BASELINE_DAYS
    cell = np.array([budget.storage.is_battery for budget in part.budgets])
    told = capacity_told(ratio[:, 0], sd[:, 0], field.days - field.renewed, places.DRIFT_PER_DAY[places.FADE])
    untold = (field.days - field.renewed < BASELINE_DAYS) | ((early | cell) & ~told)
    capacity = np.where(untold, np.nan, ratio[:, 0]), np.where(untold, np.inf, sd[:, 0])
    feigned = ratio[:, 1] * _feigned(part, books, found, curves)
    doubt = np.hypot(sd[:, 1], feigned)
    leakage = np.where(early | np.isnan(feigned) | (doubt > ratio[:, 1]), np.nan, [ratio[:, 1], doubt])
    return np.stack([*capacity, *leakage], axis=1)


def _feigned(part: NumberedFleet, books: list[NodeBook | None], found: list[list[Line]], curves: Floats) -> Floats:
    """What a node's load, or its cell's curve, may feign of leakage, over what leaks at its recent voltage and warmth.

    NaN where nothing does, for the budget states no leakage.
    """
    volts = np.array([np.nan if book is None else book.state.mean_voltage for book in books])
    leaks = np.array([line.estimate for node in found for line in node if line.line == "leakage_power_w"])
    feigned = np.empty(len(books))
    for budget, rows in by_budget(part.budgets):
        by_curve = curves[rows] * np.asarray(load_power(budget.load, volts[rows]))
        feigned[rows] = np.hypot(form_of_load(budget, volts[rows]), by_curve) / np.maximum(leaks[rows], 1e-12)
    return np.where(leaks > 0, np.where(np.isnan(volts), 0.0, feigned), np.nan)


def _cells(part: NumberedFleet, books: list[NodeBook | None]) -> Floats:
    """What the voltage tells of the share left in each cell, its sd, and the sd at full voltage; shape (nodes, 3)."""
    found = np.full((len(books), 3), np.nan)
    volts, full = np.array([
        (np.nan, np.nan) if book is None else (book.state.voltage, book.held.full) for book in books
    ]).T  # fmt: skip
    for budget, rows in by_budget(part.budgets):
        if budget.storage.is_battery:
            curve, step = storage_curve(budget.storage), budget.telemetry.adc_step
            found[rows, :2] = np.stack(by_voltage(curve, volts[rows], full[rows], step), axis=1)
            found[rows, 2] = by_voltage(curve, full[rows], full[rows], step)[1]
    return found


def _less_sure(found: list[Resistance], falls: Floats, doubts: Floats, field: Field) -> list[Resistance]:
    """Resistances whose ratio has the doubt of what the wake's own charge takes off, and of capacity's fade in it."""
    kept = field.path[np.arange(len(falls)), field.days - 1, kalman.C]
    faded = falls / kept * np.sqrt(np.maximum(field.covariance[:, places.FADE, places.FADE], 0.0))
    own = np.maximum([step.ohm for step in found], 1e-6)
    return [
        step._replace(ratio_sd=math.hypot(step.ratio_sd, step.ratio * fade, (step.ratio - 1) * doubt))
        for step, fade, doubt in zip(found, (faded / own).tolist(), (doubts / kept / own).tolist(), strict=True)
    ]


def _fades(part: NumberedFleet, field: Field, curves: Floats) -> Floats:
    """What capacity may be, with a steady leakage and with a risen one: `health.fade_or_leak` of each node."""
    two, day = [places.FADE, places.RISE], np.arange(field.changes.shape[1])
    changed = field.changes & (day >= field.renewed[:, None]) & (day < field.days[:, None])
    length, times = field.days - field.renewed, changed.sum(axis=1)
    wander = np.array([places.UNMEASURED_DRIFT[budget.harvest.outdoors] for budget in part.budgets])
    before = places.DRIFT_PER_DAY[two] ** 2 * length[:, None] + places.JUMP[two] ** 2 * times[:, None]
    before[:, 1] += np.where(field.measured, 0.0, wander**2 * length)
    before[:, 1] += np.where(times > 0, places.LEAKING_DRIFT**2 * (field.days - changed.argmax(axis=1)), 0.0)
    found = fade_or_leak(field.mean[:, two], field.covariance[:, two][:, :, two], before)
    found[..., 2] = np.hypot(found[..., 2], found[..., 1] * curves[:, None])
    return found


def _lines(
    part: NumberedFleet,
    field: Field,
    books: list[NodeBook | None],
    windows: list[tuple[float, ...] | None],
    esr: list[Resistance],
    falls: Floats,
    doubts: Floats,
) -> list[list[Line]]:
    """The budget lines of each node; `falls` and `doubts` as of `resistance.fall_of_wake`."""
    volts, degrees = np.array([
        (np.nan, np.nan) if book is None or np.isnan(book.state.mean_voltage)
        else (book.state.mean_voltage, book.temperature) for book in books
    ]).T  # fmt: skip
    ohm, ohm_sd = np.array([(step.ohm, step.ohm_sd) for step in esr]).T
    seen = np.array([np.full(5, np.nan) if window is None else window for window in windows])
    dark = np.array([(0.0, 0.0) if book is None else _dark(book) for book in books])
    net = _net_harvest(field, seen, *dark.T)
    found: list[list[Line]] = [[] for _ in books]
    for budget, rows in by_budget(part.budgets):
        unknown = np.isnan(volts[rows])
        blind = np.where(field.measured[rows], 0.0, usual_sd(budget.harvest.source))
        voltage = np.where(unknown, middle_voltage(budget), volts[rows])
        temperature = np.where(unknown, TEMPERATURE_REFERENCE_C, degrees[rows])
        usual = np.where(blind > 0, temperature - TEMPERATURE_REFERENCE_C, 0.0)
        step, step_sd = at_usual_warmth(np.maximum(ohm[rows], 0.0), ohm_sd[rows], usual, blind)
        told = lines(
            budget, field.mean[rows], field.covariance[rows], voltage, temperature,
            (step, np.hypot(step_sd, np.hypot(_step_doubt(budget, step, voltage, falls[rows]), doubts[rows]))),
            NetHarvest(net.power[rows], net.sd[rows]), field.hidden_sleep[rows], blind,
        )  # fmt: skip
        for row, node in zip(rows.tolist(), told, strict=True):
            found[row] = node
    return found


def _step_doubt(budget: Budget, ohm: Floats, voltage: Floats, falls: Floats) -> Floats:
    """What no number of steps takes away. [ohm]

    They are over the budget's wake current, and what is not known of a wake's energy is as much current as duration; a
    voltage that stands still, as at full, is rounded alike every time; and what the wake's own charge took goes with
    capacity.
    """
    rounding = STANDING * budget.telemetry.adc_step / np.sqrt(12.0) / np.asarray(wake_current(budget.load, voltage))
    of_fall = falls * budget.storage.capacitance_tolerance
    return np.asarray(np.hypot(np.hypot((ohm + falls) * budget.load.wake_tolerance / np.sqrt(2.0), rounding), of_fall))


def _judge(
    budget: Budget,
    field: Field,
    row: int,
    book: NodeBook | None,
    wear: list[float],
    cell: list[float],
    fresh: date,  # since when it has its storage
    esr: Resistance,
    earlier: Resistance,
    told: list[Line],
    fade: list[list[float]],
    fall: float,
    curve: float,
) -> NodeField:
    capacity, capacity_sd, leakage, leakage_sd = wear
    since_new = int(field.days[row] - field.renewed[row])
    health = judge(budget.storage, (capacity, capacity_sd), esr, (leakage, leakage_sd), since_new)
    remaining = _remaining(budget, book, fresh, told, *cell) if book is not None and budget.storage.is_battery else None
    ends = _ends(budget.storage, health, earlier, field, row)
    health = foreseen(health, ends)
    worn = None if math.isnan(esr.rose) else field.first[row] + timedelta(days=int(field.renewed[row] + esr.rose))
    fall = fall / max(esr.ohm, 1e-6) if fall > 0 else 0.0
    return NodeField(told, health, ends, remaining, fade, fall, worn, curve)


def _remaining(
    budget: Budget, book: NodeBook, fresh: date, found: list[Line], share: float, share_sd: float, full_sd: float
) -> Remaining:
    """What is left in a cell, by its voltage (`_cells`) and by counting."""
    account, told = book.account, {line.line: (line.estimate, line.sd) for line in found}
    full = full_since(budget, full_sd, fresh, account.day, account.full_s)
    kept = slice(int(np.searchsorted(account.day, np.datetime64(full[0] if full else fresh))), None)
    observed = float(account.observed_s[kept].sum())
    if full is None or observed <= 0:
        return Remaining(share, share_sd, np.nan, np.nan, None)
    rate = float(account.wakes[kept].sum()) / observed
    unseen = account.day[kept][0] - np.datetime64(full[0])
    harvest, harvest_sd = _harvest(budget, found)
    spent = Spent(
        seconds=book.state.time - datetime.combine(full[0], time(), UTC).timestamp(),
        unseen=float(unseen.astype("timedelta64[D]").astype(int)) * SECONDS_PER_DAY,
        full_sd=full[1],
        load=float((account.wake_j[kept] + account.sleep_j[kept]).sum()) / observed,
        load_sd=math.hypot(told["wake_energy_j"][1] * rate, told["sleep_power_w"][1]),
        leakage=told["leakage_power_w"][0],
        leakage_sd=told["leakage_power_w"][1],
        harvest=harvest,
        harvest_sd=harvest_sd,
    )
    return Remaining(share, share_sd, *by_counting(book.curve, spent, told["capacity_ratio"]), full[0])


def _harvest(budget: Budget, found: list[Line]) -> tuple[float, float]:
    """The mean harvest by the budget and by the field, each as far as it is known, and its sd. [W]

    Where the voltage hardly moves with the charge the field tells little, and counting rests on the budget.
    """
    planned, sd = budget.harvest.mean_power, budget.harvest.mean_power * budget.harvest.tolerance
    net, lost = (next(line for line in found if line.line == name) for name in ("net_harvest_w", "leakage_power_w"))
    if budget.harvest.source == "none" or not net.separable:
        return planned, sd
    weight = sd**2 / (sd**2 + net.sd**2 + lost.sd**2)
    return planned + weight * (net.estimate + lost.estimate - planned), sd * math.sqrt(1.0 - weight)


def _ends(storage: Storage, health: Health, earlier: Resistance, field: Field, row: int) -> dict[Criterion, EndOfLife]:
    """When the storage reaches the budget's limits of capacity and resistance."""
    start, stop = int(field.renewed[row]), int(field.days[row])
    half = (stop - start) // 2
    if stop - start < RATE_DAYS:
        return {}
    found: dict[Criterion, EndOfLife] = {}
    lost, sd = 1 - health.capacity_ratio, health.capacity_sd
    if lost > 0 and np.isfinite(health.fade_per_year):
        then, now = (float(field.path[row, day, kalman.C]) for day in (start + half, stop - 1))
        first, last = Loss(half, 1 - health.capacity_ratio * then / now, sd), Loss(stop - start, lost, sd)
        if (ahead := pace(first, last)) is not None:
            found["capacity"] = end_of_life(lost, sd, ahead, 1 - storage.end_of_life_capacity)
    risen, sd = health.esr_ratio - 1, health.esr_sd
    if risen > 0:
        first, last = Loss(half, earlier.ratio - 1, earlier.ratio_sd), Loss(stop - start, risen, sd)
        if (ahead := pace(first, last)) is not None:
            found["resistance"] = end_of_life(risen, sd, ahead, storage.end_of_life_esr_ratio - 1)
    return found


def foreseen(health: Health, ends: dict[Criterion, EndOfLife]) -> Health:
    """A storage's health; not sound where it as likely as not reaches a limit within SOON_DAYS."""
    if health.verdict == "sound" and any(end.p50 <= SOON_DAYS for end in ends.values()):
        return health._replace(verdict="watch")
    return health


def watched(node: NodeField) -> NodeField:
    """A node of which a finding says that its storage wears: not sound, whatever its own limits say."""
    if node.health.verdict in ("sound", "not-enough-data"):
        return node._replace(health=node.health._replace(verdict="watch"))
    return node


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


def _dark(book: NodeBook) -> tuple[float, float]:
    """For how long a node was dark in the last weeks [s], and what it took in then [J]."""
    spells = [(spell.end - spell.begin, spell.net_harvest_w) for spell in book.recent.dark]
    return sum(seconds for seconds, _ in spells), sum(seconds * power for seconds, power in spells)


def _net_harvest(field: Field, windows: Floats, dark_s: Floats, dark_j: Floats) -> NetHarvest:
    """Mean of the window's days; the doubt of the parameters is common to them, the noise of readings cancels.

    A node that goes dark and comes back is dark on its poor days: what it took in then counts with the others. Of time
    that was not seen, as between the reports of a radio that loses most of them, the harvest is known within UNSEEN_SD.
    """
    stored, noise, wake, sleep, seconds = windows.T
    seconds = np.where(seconds >= ENOUGH_SECONDS, seconds, np.nan) + dark_s
    window = np.minimum(field.days, RECENT_DAYS) * SECONDS_PER_DAY
    unseen = np.maximum(1.0 - seconds / window - MISSED, 0.0)
    path = field.path[np.arange(len(windows)), field.days - 1].astype(float)
    stored = stored + dark_j / path[:, kalman.C]
    cc, ce, cs, ee, es, ss = path[:, [kalman.C_C, kalman.C_E, kalman.C_S, kalman.E_E, kalman.E_S, kalman.S_S]].T
    variance = (
        cc * stored**2 + ee * wake**2 + ss * sleep**2
        + 2 * (ce * stored * wake + cs * stored * sleep + es * wake * sleep) + noise
    )  # fmt: skip
    total = (path[:, [kalman.C, kalman.E, kalman.S]] * np.stack([stored, wake, sleep], axis=1)).sum(axis=1)
    spent = (path[:, [kalman.E, kalman.S]] * np.stack([wake, sleep], axis=1)).sum(axis=1)
    sd = np.hypot(np.sqrt(np.maximum(variance, 0.0)), unseen * UNSEEN_SD * np.maximum(np.abs(total), spent))
    return NetHarvest(total / seconds, sd / seconds)

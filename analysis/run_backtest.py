"""Makes past forecasts again over the store, each from what was known then, and scores them by what came."""

from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from analysis import backtest as scored
from analysis.backtest import (
    ENERGY_HORIZONS,
    FORECAST,
    HORIZONS,
    MEAN,
    METHODS,
    PRO_ENERGY,
    SLOPE,
    WCMA,
    WEEKDAY,
    Pairs,
    Score,
)
from analysis.baselines import days_to_empty, mean_to_empty, pro_energy, slope_to_empty, wcma, weekday_draws
from analysis.correction import CORRECTED, Trial, try_corrections
from analysis.depletion import LEVELS, FleetForecast
from analysis.ledger import longest_interval
from analysis.outcomes import Outcome, Spells, outcomes, spells, usable_after
from analysis.outlook import NodeOutlook
from analysis.run import insert, leave_outdated_days, newest_report
from analysis.run_ahead import SEED
from analysis.run_days import NumberedFleet, Progress, read_series, update_days
from analysis.run_past import History, forecast_at, read_history
from analysis.scores import Reliability
from analysis.series import Counts, Floats
from analysis.storage import storage_curve
from analysis.stray import without_strays
from ingest.budget import DAYS_PER_YEAR, SECONDS_PER_DAY
from ingest.errors import UsageError
from ingest.store import Store

RUN_IN_DAYS = 60  # of history before the first forecast that is scored
HOUR_UTC = 12  # of the forecasts: by then the day before is over at every site, and its reports are in
PATHS = 200
SLOPE_DAYS = 14  # whole weeks, so that a weekly swing is no slope
WEEKDAY_DAYS, MEAN_DAYS = 28, 30
LOOK_BACK, NIGHT = 3, 0.1  # of WCMA and Pro-Energy: days compared, and below which share of the best weekday not
CYCLE_DAYS = WEEKDAY_DAYS + LOOK_BACK  # what these are shown: the same four weeks as the draws
EVERY_DAYS = 10  # from one forecast to the next: no multiple of 7, which would see one weekday only
AGAIN_DAYS = 30  # after which past forecasts are scored again while the program serves,
SOME_FORECASTS = 20_000  # with about this many of them: some minutes' work
PART_NODES = 200  # whose reports are read together: bounds memory
INTERVAL = [LEVELS.index(level) for level in (0.05, 0.10, 0.90, 0.95)]


@dataclass(frozen=True)
class Backtest:
    """How the forecasts of several moments came out."""

    run_at: datetime
    moments: list[datetime]
    every_days: float
    nodes: int
    forecasts: int
    scores: list[Score]
    reliability: dict[tuple[int, str], Reliability]
    trials: list[Trial]


@dataclass(frozen=True)
class _Came:
    """What came of each node."""

    spells: list[Spells]
    live: np.ndarray[Any, Any]  # shape (nodes, moments)
    dark: np.ndarray[Any, Any]
    dark_in: Floats
    known: Floats
    usable: Floats  # at nominal capacity, shape (nodes, moments, len(ENERGY_HORIZONS)) [J]


def run_backtest(
    store: Store,
    run_at: datetime,
    every: int = EVERY_DAYS,
    first: date | None = None,
    progress: Progress = lambda *_: None,
) -> Backtest:
    """Forecast at past moments from what was known then, score by what came, and store the figures.

    Parameters
    ----------
    run_at : datetime
        Kept with the figures.
    every : int
        Days from one forecast to the next.
    first : date, optional
        Of the first forecast; RUN_IN_DAYS after the first report unless given.

    Raises
    ------
    UsageError
        If the history is too short, or `first` lies too early or after it.
    """
    known = NumberedFleet.of(store)
    moments, end = _moments(store, every, first)
    leave_outdated_days(store, end)
    update_days(store, known, end, progress)
    times = np.array([moment.timestamp() for moment in moments])
    came = _what_came(store, known, times, end.timestamp(), progress)
    history = read_history(store, known)
    pairs = []
    for k, moment in enumerate(moments):
        progress("past forecasts", k, len(moments))
        pairs.append(_pairs(history, came, k, *forecast_at(store, history, moment, max(HORIZONS) + 1, PATHS), moment))
    progress("past forecasts", len(moments), len(moments))
    done = _score(_joined(pairs), came, times, Backtest(run_at, moments, every, len(known.nodes), 0, [], {}, []))
    _save(store, done, end)
    return done


def rescore(store: Store, run_at: datetime) -> Backtest | None:
    """Score past forecasts if that was last done AGAIN_DAYS ago or never; None if it is not due or too early."""
    cursor = store.cursor()
    ((last,),) = cursor.execute("SELECT max(epoch_ms(run_at)) FROM backtests").fetchall()
    if last is not None and run_at.timestamp() - last / 1000 < AGAIN_DAYS * SECONDS_PER_DAY:
        return None
    ((first, newest),) = cursor.execute("SELECT min(observed_at), max(observed_at) FROM report_log").fetchall()
    days = 0 if first is None else (newest - first).days - RUN_IN_DAYS - min(HORIZONS) - 1
    if days < 1:
        return None
    every = max(EVERY_DAYS, days * len(store.fleet().nodes) // SOME_FORECASTS)
    return run_backtest(store, run_at, every + (every % 7 == 0))


def _moments(store: Store, every: int, first: date | None) -> tuple[list[datetime], datetime]:
    """When to forecast, and up to when reports tell what came."""
    row = store.cursor().execute("SELECT min(observed_at)::DATE FROM report_log").fetchone()
    end = newest_report(store)
    if end is None or row is None:
        msg = "nothing to score: load a fleet (joulebook fleet DIR) and its reports (joulebook import FILE) first"
        raise UsageError(msg)
    earliest = row[0] + timedelta(days=RUN_IN_DAYS)
    if first is not None and first < earliest:
        msg = (
            f"--from {first}: reports begin on {row[0]} and a forecast needs {RUN_IN_DAYS} days of them; "
            f"give {earliest} or later"
        )
        raise UsageError(msg)
    if first is not None and first > end.date():
        msg = f"--from {first}: lies after the newest report, of {end.date()}; give an earlier day"
        raise UsageError(msg)
    begin = datetime.combine(first or earliest, datetime.min.time(), UTC) + timedelta(hours=HOUR_UTC)
    last = end - timedelta(days=min(HORIZONS))
    count = (last - begin) // timedelta(days=every) + 1
    if count < 1:
        there, needed = (end.date() - row[0]).days, (begin.date() - row[0]).days + min(HORIZONS) + 1
        msg = f"too short a history: {there} days of reports are there and {needed} needed; try in {needed - there} d"
        raise UsageError(msg)
    return [begin + k * timedelta(days=every) for k in range(count)], end


# --- what came ----------------------------------------------------------------------------------------------------


def _what_came(store: Store, known: NumberedFleet, times: Floats, end: float, progress: Progress) -> _Came:
    shape = (len(known.nodes), len(times))
    live, dark = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    dark_in, sure = np.full(shape, np.inf), np.zeros(shape)
    usable = np.full((*shape, len(ENERGY_HORIZONS)), np.nan)
    found: list[Spells] = []
    begin, until = datetime.fromtimestamp(0, UTC), datetime.fromtimestamp(end, UTC)
    visits = _visits(known)
    for low in range(0, len(known.nodes), PART_NODES):
        progress("what came", low, len(known.nodes))
        part = slice(low, low + PART_NODES)
        reports = read_series(store.cursor(), known.numbers[part], begin, until)
        series = without_strays(reports, known.budgets[part], until)
        for j in range(series.nodes):
            i, rows = low + j, slice(series.offsets[j], series.offsets[j + 1])
            time, voltage, budget = series.time[rows], series.storage_v[rows], known.budgets[i]
            longest = longest_interval(budget)
            if not len(time):
                found.append(Spells(*np.zeros((3, 0))))
                continue
            mine = spells(time, voltage, series.wakes[rows], series.boot[rows], budget, end)
            told: Outcome = outcomes(mine, time, visits[i], times, longest, end)
            live[i], dark[i], dark_in[i], sure[i] = told.live, told.dark, told.dark_in, told.known
            energy = np.asarray(storage_curve(budget.storage).usable(voltage))
            for h, ahead in enumerate(ENERGY_HORIZONS):
                then = usable_after(mine, time, energy, times, ahead, longest)
                usable[i, :, h] = np.where(told.known >= ahead, then, np.nan)
            found.append(mine)
    progress("what came", len(known.nodes), len(known.nodes))
    return _Came(found, live, dark, dark_in, sure, usable)


def _visits(known: NumberedFleet) -> list[Floats]:
    """When each node was worked on. [s since 1970 UTC]"""
    at: dict[str, list[float]] = {}
    for visit in known.fleet.visits:
        at.setdefault(visit.node_id, []).append(visit.at.timestamp())
    return [np.sort(at.get(node.node_id, np.zeros(0))) for node in known.nodes]


# --- said and came ------------------------------------------------------------------------------------------------


def _pairs(
    history: History,
    came: _Came,
    k: int,
    places: list[int],
    outlooks: list[NodeOutlook],
    futures: FleetForecast,
    moment: datetime,
) -> Pairs:
    """The pairs of one moment: the nodes that were up and heard from."""
    kept = np.array([j for j, i in enumerate(places) if came.live[i, k]], dtype=np.int64)
    node = np.array(places, dtype=np.int64)[kept]
    told = [outlooks[j] for j in kept]
    sample = {FORECAST: futures.dark_day[kept].astype(float)} | _baselines(history, node, told, moment)
    dark_in, known = came.dark_in[node, k], came.known[node, k]
    grid = [int(np.flatnonzero(futures.days_ahead == ahead)[0]) for ahead in ENERGY_HORIZONS]
    capacity = np.array([one.capacity_ratio for one in told])
    curves = [one.curve for one in told]
    return Pairs(
        node=node,
        origin=np.full(len(node), k),
        said={name: _chances(draws) for name, draws in sample.items()},
        crps={name: _crps(draws, dark_in, known) for name, draws in sample.items()},
        dark_in=dark_in,
        known=known,
        usable=futures.usable[kept][:, grid][:, :, INTERVAL],
        usable_came=came.usable[node, k] * capacity[:, None],
        usable_full=np.array([curve.full_j - curve.cutoff_j for curve in curves]) * capacity,
        autonomy=np.array([one.full_autonomy() for one in told]),
        back=_back(came, k, places, outlooks, futures, moment),
    )


def _back(
    came: _Came, k: int, places: list[int], outlooks: list[NodeOutlook], futures: FleetForecast, moment: datetime
) -> Floats:
    """Of the nodes that were dark, and taken to be: when they were to run again, and when they did; shape (m, 4)."""
    now, rows = moment.timestamp(), []
    for j, (i, one) in enumerate(zip(places, outlooks, strict=True)):
        if one.dark and came.dark[i, k]:
            spell = int(np.searchsorted(came.spells[i].gone, now, side="right")) - 1
            after = (came.spells[i].back[spell] - now) / SECONDS_PER_DAY
            rows.append((futures.back_p10[j], futures.back_p90[j], after, came.known[i, k]))
    return np.array(rows).reshape(-1, 4)


def _chances(draws: Floats) -> Floats:
    """Shares of sampled days to going dark that lie within each of HORIZONS; NaN without samples."""
    shares = np.stack([(draws <= horizon).mean(axis=1) for horizon in HORIZONS], axis=1)
    return np.where(np.isnan(draws[:, :1]), np.nan, shares)


def _crps(draws: Floats, dark_in: Floats, known: Floats) -> Floats:
    return np.stack([scored.crps_known(draws, dark_in, known, horizon) for horizon in HORIZONS], axis=1)


def _baselines(history: History, node: Counts, told: list[NodeOutlook], moment: datetime) -> dict[str, Floats]:
    """Days to going dark by each plain method, shape (n, 1), by weekday draws (n, PATHS); NaN where it cannot tell."""
    today = int((np.datetime64(moment.date()) - history.first).astype(int))
    slope, mean = np.full((2, len(node), 1), np.nan)
    days = np.append(np.arange(-SLOPE_DAYS, 0.0), 0.0)  # noon of the days before, and now
    for j, (i, one) in enumerate(zip(node.tolist(), told, strict=True)):
        volts = np.append(history.voltage[i, today - SLOPE_DAYS : today], one.voltage)
        slope[j] = slope_to_empty(days, volts, one.budget.storage.cutoff_voltage)
        month = slice(today - MEAN_DAYS, today)
        balance = history.net_harvest[i, month] - history.load[i, month]
        mean[j] = mean_to_empty(balance, float(np.asarray(one.curve.usable(one.voltage))))
    return {SLOPE: slope, MEAN: mean} | _by_weekday(history, node, told, today)


def _by_weekday(history: History, node: Counts, told: list[NodeOutlook], today: int) -> dict[str, Floats]:
    """Days to empty by the methods that go by weekday, at the budget's figures; NaN with less than a week seen.

    WCMA and Pro-Energy predict the slots of a day. Here a slot is a day and the cycle a week, since the ledger keeps
    days; the load is the mean of the past weeks.
    """
    past = slice(today - CYCLE_DAYS, today)
    seen = np.isfinite(history.net_harvest[node, past])[:, -WEEKDAY_DAYS:].sum(axis=1) >= 7
    daily = np.array([_filled(history.net_harvest[i, past]) for i in node[seen]]).reshape(-1, CYCLE_DAYS)
    load = np.nanmean(history.load[node[seen], past][:, -WEEKDAY_DAYS:], axis=1)
    ahead = max(HORIZONS)
    coming = {
        WCMA: wcma(daily, 7, ahead, look_back=LOOK_BACK, night=NIGHT)[:, None],
        PRO_ENERGY: pro_energy(daily, 7, ahead, look_back=LOOK_BACK)[:, None],
    }
    found = {name: np.full((len(node), PATHS if name == WEEKDAY else 1), np.nan) for name in (WEEKDAY, *coming)}
    for k, j in enumerate(np.flatnonzero(seen)):
        curve, random = told[j].curve, np.random.default_rng([SEED, today, int(told[j].voltage * 1e6)])
        full, usable = curve.full_j - curve.cutoff_j, float(np.asarray(curve.usable(told[j].voltage)))
        draws = weekday_draws(daily[k, -WEEKDAY_DAYS:], ahead, PATHS, random)
        for name, days in ((WEEKDAY, draws), *((name, values[k]) for name, values in coming.items())):
            found[name][j] = days_to_empty(days, usable, full, load[k])
    return found


def _filled(daily: Floats) -> Floats:
    """Daily values, a day that was not seen as the mean of its weekday."""
    filled = daily.copy()
    for place in np.flatnonzero(np.isnan(daily)):
        same = daily[place % 7 :: 7]
        filled[place] = np.nanmean(same if np.isfinite(same).any() else daily)
    return filled


def _joined(parts: list[Pairs]) -> Pairs:
    """The pairs of all moments."""

    def join(name: str) -> Any:
        values = [getattr(part, name) for part in parts]
        if isinstance(values[0], dict):
            return {key: np.concatenate([value[key] for value in values]) for key in values[0]}
        return np.concatenate(values)

    return Pairs(**{name: join(name) for name in Pairs.__dataclass_fields__})


def _score(pairs: Pairs, came: _Came, times: Floats, blank: Backtest) -> Backtest:
    trials = try_corrections(pairs, times)
    rows = (
        scored.dark_scores(pairs) + scored.energy_scores(pairs) + scored.recovery_scores(pairs)
        + _warning_scores(pairs, came, times, blank.every_days)
    )  # fmt: skip
    for trial in trials:
        for method, value in ((FORECAST, trial.brier_plain), (CORRECTED, trial.brier_corrected)):
            rows.append(Score("brier_later", trial.horizon_days, method, value, np.nan, np.nan, trial.n))
    return replace(
        blank, forecasts=len(pairs.node), scores=rows, reliability=scored.reliabilities(pairs), trials=trials
    )


def _warning_scores(pairs: Pairs, came: _Came, times: Floats, every: float) -> list[Score]:
    autonomy = np.full(came.live.shape, np.nan)
    autonomy[pairs.node, pairs.origin] = pairs.autonomy
    found = [
        event
        for i, mine in enumerate(came.spells)
        for event in scored.events(i, mine.gone, mine.back, times, came.live[i], autonomy[i])
    ]
    node_years = float(came.live.sum()) * every / DAYS_PER_YEAR
    rows = []
    for method in METHODS:
        chance = np.full((*came.live.shape, 2), np.nan)
        chance[came.dark] = 1.0
        chance[pairs.node, pairs.origin] = pairs.said[method][:, :2]
        raised = scored.warnings(chance[..., 0], chance[..., 1], times)
        verdicts = [_verdict(warned, came, times) for warned in raised]
        rows += scored.warning_scores(method, raised, found, verdicts, node_years)
    return rows


def _verdict(warned: scored.Warned, came: _Came, times: Floats) -> float:
    k = int(np.searchsorted(times, warned.raised))
    if not came.live[warned.node, k]:
        return float("nan")  # raised for a node that was dark already
    known_until = times[k] + came.known[warned.node, k] * SECONDS_PER_DAY
    return scored.verdict(warned, came.spells[warned.node].gone, known_until)


# --- the figures kept ---------------------------------------------------------------------------------------------


def _save(store: Store, done: Backtest, newest: datetime) -> None:
    run = {"run_at": done.run_at}
    about = run | {"first_origin": done.moments[0], "last_origin": done.moments[-1], "every_days": done.every_days}
    figures = [about | asdict(score) for score in done.scores]
    groups = [
        run
        | {
            "horizon_days": float(horizon),
            "method": method,
            "said": said,
            "came": share,
            "low": low,
            "high": high,
            "n": n,
        }
        for (horizon, method), r in done.reliability.items()
        for said, share, low, high, n in zip(r.said, r.came, r.low, r.high, r.count, strict=True)
    ]
    corrections = [
        {"horizon_days": t.horizon_days, "shift": t.correction.shift, "slope": t.correction.slope,
         "fitted_at": newest, "events": t.events}
        for t in done.trials if t.helps
    ]  # fmt: skip
    with store.write() as cursor:
        cursor.execute("DELETE FROM calibration")
        for name, rows in (("backtests", figures), ("reliability", groups), ("calibration", corrections)):
            insert(cursor, name, rows)

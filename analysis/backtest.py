"""How past forecasts came out: scores of what was said against what came, and warnings by lead.

A pair is one forecast of one node. Pairs whose outcome is not known within a horizon (the node was visited, fell silent
with energy in hand, or the reports end) are left out of that horizon's scores.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from analysis import alarms, scores
from analysis.depletion import READING_DOUBT
from analysis.scores import Reliability
from analysis.series import Counts, Floats
from ingest.budget import SECONDS_PER_DAY

HORIZONS = (7, 30, 90)  # days of the probabilities of going dark
ENERGY_HORIZONS = (7, 30)  # days of the energy ahead
LEADS = (1, 3, 7, 14)  # days
WARNED_DAYS = 30  # a warning says that the node may go dark within these
SETTLED_DAYS = 7.0  # a node that goes dark again sooner than this after being heard is in the same trouble
CHANCE_DAYS = 14.0
NEVER = 1e9  # days
EDGES = (0.0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.98, 1.0)  # of the reliability diagram
FORECAST, WEEKDAY, SLOPE, MEAN = "forecast", "weekday", "slope", "mean"
WCMA, PRO_ENERGY, CLIMATOLOGY = "wcma", "pro_energy", "climatology"
METHODS = (FORECAST, WEEKDAY, SLOPE, MEAN, WCMA, PRO_ENERGY)

# Of full: width of a 90 % interval up to which it is that of readings alone (1.645 of their sd), at full or empty.
PINNED = 1.9 * READING_DOUBT


@dataclass(frozen=True)
class Pairs:
    """The forecasts of n pairs and what came; NaN where there is none.

    Attributes
    ----------
    node, origin : ndarray of int64, shape (n,)
        Which node, and which of the moments.
    said : dict of str to ndarray, shape (n, 3)
        By method, the probability of going dark within each of HORIZONS.
    crps : dict of str to ndarray, shape (n, 3)
        By method, the ranked probability score of the days to going dark, cut at each of HORIZONS. [d]
    dark_in, known : ndarray, shape (n,)
        Days until it went dark (infinite: it did not), and days for which that is known.
    usable : ndarray, shape (n, 2, 4)
        Quantiles 0.05, 0.1, 0.9 and 0.95 of usable energy ENERGY_HORIZONS days ahead. [J]
    usable_came : ndarray, shape (n, 2)
        [J]
    usable_full : ndarray, shape (n,)
        Usable energy at full. [J]
    autonomy : ndarray, shape (n,)
        Of the node at full. [d]
    back : ndarray, shape (m, 4)
        Of nodes that were dark: by when one ran again with 10 and with 90 % probability, when it did (infinite: it did
        not), and for how long that is known. [d]
    """

    node: Counts
    origin: Counts
    said: dict[str, Floats]
    crps: dict[str, Floats]
    dark_in: Floats
    known: Floats
    usable: Floats
    usable_came: Floats
    usable_full: Floats
    autonomy: Floats
    back: Floats


@dataclass(frozen=True)
class Score:
    """One figure: its name, horizon or lead [d], method, value, the band that chance allows, and over how many."""

    score: str
    horizon_days: float
    method: str
    value: float
    low: float
    high: float
    n: int


def happened(dark_in: npt.ArrayLike, known: npt.ArrayLike, horizon: float) -> Floats:
    """Whether a node went dark within a horizon: 1, 0, or NaN where that is not known."""
    gone, sure = np.asarray(dark_in, dtype=float), np.asarray(known, dtype=float)
    came = np.where(sure >= horizon, 0.0, np.nan)
    return np.where((gone <= horizon) & (gone <= sure), 1.0, came)


def crps_known(sample: npt.ArrayLike, dark_in: npt.ArrayLike, known: npt.ArrayLike, horizon: float) -> Floats:
    """CRPS of sampled days to going dark, cut at the horizon; NaN where the outcome is not known. [d]"""
    score = scores.crps_until(sample, dark_in, horizon)
    return np.where(np.isnan(happened(dark_in, known, horizon)), np.nan, score)


def dark_scores(pairs: Pairs) -> list[Score]:
    """Brier scores, their skill against the best of climatology and voltage slope, and CRPS, by method and horizon.

    The climatology is the share that came over the very pairs that are scored: harder to beat than one known before.
    """
    found: list[Score] = []
    for k, horizon in enumerate(HORIZONS):
        came = happened(pairs.dark_in, pairs.known, horizon)
        said = {method: chances[:, k] for method, chances in pairs.said.items()}
        kept = np.isfinite(came) & np.all([np.isfinite(p) for p in said.values()], axis=0)
        n = int(kept.sum())
        if n == 0:
            continue
        rate = float(came[kept].mean())
        said[CLIMATOLOGY] = np.full(len(came), rate)
        brier = {method: scores.brier(p[kept], came[kept]) for method, p in said.items()}
        best = min(brier[CLIMATOLOGY], brier.get(SLOPE, np.inf))
        found.append(_plain("base_rate", horizon, "came", rate, n))
        for method, value in brier.items():
            found.append(_plain("brier", horizon, method, value, n))
            found.append(_plain("skill", horizon, method, scores.skill(value, best), n))
        for method, values in pairs.crps.items():
            scored = values[kept & np.isfinite(values[:, k]), k]
            if len(scored):
                found.append(_plain("crps", horizon, method, float(scored.mean()), len(scored)))
    return found


def _plain(score: str, horizon: float, method: str, value: float, n: int) -> Score:
    return Score(score, horizon, method, value, np.nan, np.nan, n)


def energy_scores(pairs: Pairs) -> list[Score]:
    """Coverage of the intervals of usable energy ahead; once over all, and once where the interval is open.

    An interval that is pinned between full and full, or empty and empty, is right or wrong as a whole and says little
    about its width; "open" leaves those out that are no wider than what readings err makes them there.
    """
    found: list[Score] = []
    for k, horizon in enumerate(ENERGY_HORIZONS):
        for nominal, low, high in ((0.8, 1, 2), (0.9, 0, 3)):
            lower, upper = pairs.usable[:, k, low], pairs.usable[:, k, high]
            open_ = upper - lower > PINNED * pairs.usable_full
            for method, chosen in (("all", np.ones(len(lower), dtype=bool)), ("open", open_)):
                came = np.where(chosen, pairs.usable_came[:, k], np.nan)
                told = scores.coverage(lower, upper, came, nominal)
                name = f"coverage_{round(100 * nominal)}"
                found.append(Score(name, horizon, method, told.share, told.low, told.high, told.count))
    return found


def recovery_scores(pairs: Pairs) -> list[Score]:
    """Coverage of the 80 % interval of when a node that is dark runs again, of those of which it is known."""
    low, high, came, known = np.minimum(np.where(np.isnan(pairs.back), np.inf, pairs.back), NEVER).T
    outcome = np.where(came <= known, came, np.where(high <= known, NEVER, np.nan))
    told = scores.coverage(low, high, outcome, 0.8)
    return [Score("recovery_80", max(HORIZONS), FORECAST, told.share, told.low, told.high, told.count)]


def reliabilities(pairs: Pairs, methods: Sequence[str] = (FORECAST, WEEKDAY)) -> dict[tuple[int, str], Reliability]:
    """What was said against what came, in groups, by horizon and method."""
    found = {}
    for k, horizon in enumerate(HORIZONS):
        came = happened(pairs.dark_in, pairs.known, horizon)
        for method in methods:
            kept = np.isfinite(came) & np.isfinite(pairs.said[method][:, k])
            if kept.any():
                found[horizon, method] = scores.reliability(pairs.said[method][kept, k], came[kept], EDGES)
    return found


# --- warnings -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Warned:
    """One depletion alarm as it would have stood. [s since 1970 UTC]; `cleared` is infinite while it stands."""

    node: int
    raised: float
    cleared: float


def warnings(p_dark_7d: Floats, p_dark_30d: Floats, moments: Floats) -> list[Warned]:
    """The depletion alarms that forecasts would have raised and cleared, by the rules and limits of `analysis.alarms`.

    Parameters
    ----------
    p_dark_7d, p_dark_30d : ndarray, shape (nodes, moments)
        NaN where there was no forecast: an alarm stays as it is.
    moments : ndarray, shape (moments,)
        [s since 1970 UTC]
    """
    standing: dict[int, alarms.Alarm] = {}
    done: list[Warned] = []
    for k, moment in enumerate(moments):
        now = datetime.fromtimestamp(moment, UTC)
        conditions = [
            alarms.Condition(str(i), "", p7, p30, None, 0.0)
            for i, (p7, p30) in enumerate(zip(_stated(p_dark_7d[:, k]), _stated(p_dark_30d[:, k]), strict=True))
        ]
        for alarm in alarms.step(standing.values(), conditions, now):
            node = int(alarm.node_id or 0)  # no site has a cause in common here: each alarm is a node's
            if alarm.state == "cleared":
                done.append(Warned(node, standing.pop(node).raised_at.timestamp(), moment))
            else:
                standing[node] = alarm
    return done + [Warned(node, alarm.raised_at.timestamp(), np.inf) for node, alarm in standing.items()]


def _stated(chances: Floats) -> list[float | None]:
    """Chances, None where there was no forecast."""
    return [None if math.isnan(chance) else chance for chance in chances.tolist()]


@dataclass(frozen=True)
class Event:
    """One time a node went dark, and the forecasts made before it while it was up."""

    node: int
    at: float  # [s since 1970 UTC]
    chances: Floats  # how long before it the forecasts were made, falling [d]
    autonomy: float  # at full, as of the last of them [d]


def events(
    node: int, gone: Floats, back: Floats, moments: Floats, live: npt.NDArray[np.bool_], autonomy: Floats
) -> list[Event]:
    """The times at which one node went dark after at least SETTLED_DAYS up.

    Parameters
    ----------
    gone, back : ndarray
        Of `outcomes.Spells`. [s since 1970 UTC]
    moments, live, autonomy : ndarray, shape (moments,)
        When forecasts were made, whether of this node too, and its autonomy at full then. [s since 1970 UTC, d]
    """
    up_since = np.concatenate([[-np.inf], back])[: len(gone)]
    found = []
    for at, since in zip(gone, up_since, strict=True):
        if at - since < SETTLED_DAYS * SECONDS_PER_DAY:
            continue
        chances = np.flatnonzero(live & (moments > since) & (moments < at))
        if len(chances):
            before = (at - moments[chances]) / SECONDS_PER_DAY
            found.append(Event(node, float(at), before, float(autonomy[chances[-1]])))
    return found


def lead(event: Event, raised: Sequence[Warned]) -> float:
    """How long before an event the warning stood that still stood at it; zero if none did. [d]"""
    standing = [w.raised for w in raised if w.node == event.node and w.raised < event.at <= w.cleared]
    return (event.at - standing[0]) / SECONDS_PER_DAY if standing else 0.0


def warning_scores(
    method: str, raised: Sequence[Warned], found: Sequence[Event], verdicts: Sequence[float], node_years: float
) -> list[Score]:
    """Recall of events by lead, false warnings a node-year, and the share of warnings that were right.

    A lead is asked for only as far as the node's autonomy at full reaches, and only of events that had a forecast so
    long before, or up to CHANCE_DAYS longer.

    Parameters
    ----------
    verdicts : sequence of float
        Of each warning, from `verdict`.
    """
    rows = []
    leads = np.array([lead(event, raised) for event in found])
    autonomy = np.array([event.autonomy for event in found])
    for wanted in LEADS:
        need = np.minimum(wanted, autonomy)
        asked = np.array([
            bool(((event.chances >= least) & (event.chances <= least + CHANCE_DAYS)).any())
            for event, least in zip(found, need, strict=True)
        ], dtype=bool)  # fmt: skip
        if asked.any():
            share, n = float((leads >= need)[asked].mean()), int(asked.sum())
            rows.append(Score("recall", wanted, method, share, np.nan, np.nan, n))
    told = np.array([v for v in verdicts if np.isfinite(v)])
    if node_years > 0:
        rows.append(_plain("false_warnings", WARNED_DAYS, method, float((told == 0).sum()) / node_years, len(told)))
    if len(told):
        rows.append(_plain("warnings_right", WARNED_DAYS, method, float(told.mean()), len(told)))
    return rows


def verdict(warned: Warned, gone: Floats, known_until: float) -> float:
    """Whether a warning was right: 1 if the node went dark while it stood or within WARNED_DAYS, 0 if not; else NaN.

    Parameters
    ----------
    gone : ndarray
        When the node went dark. [s since 1970 UTC]
    known_until : float
        From when on it is not known, seen from the warning. [s since 1970 UTC]
    """
    due = warned.raised + WARNED_DAYS * SECONDS_PER_DAY
    until = due if np.isinf(warned.cleared) else max(due, warned.cleared)
    later = gone[gone > warned.raised]
    if len(later) and later[0] <= min(until, known_until):
        return 1.0
    return 0.0 if known_until >= due else np.nan

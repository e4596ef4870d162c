"""What came of a node, told from its reports alone: when it went dark, and when nothing is known of it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.ledger import longest_interval
from analysis.load import load_power
from analysis.series import Counts, Floats
from analysis.storage import leakage_power, storage_curve
from ingest.budget import SECONDS_PER_DAY, Budget
from ingest.counters import unwrap_wakes

NEARLY_EMPTY = 0.05  # of full: `least_in_hand`
LOAD_MARGIN = 2.0  # a node may have spent this many times its budget's load while it was not heard


@dataclass(frozen=True)
class Spells:
    """When one node was dark, and from when on nothing is known of it. [s since 1970 UTC]

    Attributes
    ----------
    gone, back : ndarray, shape (n,)
        When it went dark and when it was heard again, infinite if it was not.
    lost : ndarray, shape (m,)
        When it fell silent with energy in hand in a way that does not tell whether it went dark.
    """

    gone: Floats
    back: Floats
    lost: Floats


def least_in_hand(full: Floats | float, spent: Floats | float, budget: Budget) -> Floats:
    """Usable energy at the last report below which a node that has fallen silent is taken to be dark. [J]

    NEARLY_EMPTY of that at `full` [J], or what it spends [W] until its next report is due: one that has more would have
    been heard once again before it went dark.
    """
    return np.asarray(np.maximum(NEARLY_EMPTY * full, spent * budget.telemetry.report_interval))


def spells(time: Floats, voltage: Floats, wakes: Counts, boot: Counts, budget: Budget, end: float) -> Spells:
    """The spells of one node.

    Parameters
    ----------
    time, voltage, wakes, boot : ndarray, shape (n,)
        Its reports in order of time [s since 1970 UTC, V, count, count or -1]; at least one.
    end : float
        Time up to which reports would have been stored. [s since 1970 UTC]

    Notes
    -----
    A node is dark from a report at or below the cut-off voltage; when it falls silent, or starts anew, after a report
    with less than `least_in_hand` at the budget's load; and when it starts anew after a silence that is long enough
    to have emptied it at LOAD_MARGIN times the budget's load. It is said to have gone dark when that energy would have
    lasted at the budget's load, at the latest when it was heard again. Other silences that end in a new start, or do
    not end, do not tell; a silence after which its counters go on was no darkness.
    """
    curve, storage = storage_curve(budget.storage), budget.storage
    usable = np.asarray(curve.usable(voltage))
    spent = np.asarray(load_power(budget.load, voltage)) + np.asarray(leakage_power(storage, voltage))
    lasting = usable / np.maximum(spent, 1e-12)
    until = np.append(time[1:], end)
    gap = until - time
    anew = np.append(_restarts(time, wakes, boot, budget)[1:], False)
    silent = gap > longest_interval(budget)
    below = voltage <= storage.cutoff_voltage
    nearly = usable < least_in_hand(curve.full_j - curve.cutoff_j, spent, budget)
    dark = below | (nearly & (silent | anew)) | (silent & anew & (lasting < LOAD_MARGIN * gap))
    first, last = _runs(dark)
    gone = np.where(below[first], time[first], np.minimum(time[first] + lasting[first], until[first]))
    until[-1] = np.inf
    blank = silent & ~dark & (anew | np.isinf(until))
    return Spells(gone, until[last], time[blank])


def _restarts(time: Floats, wakes: Counts, boot: Counts, budget: Budget) -> npt.NDArray[np.bool_]:
    """Whether the node started anew before each report."""
    bits, seconds = min(budget.telemetry.wake_counter_bits, 62), np.diff(time, prepend=np.nan)
    return unwrap_wakes(wakes, boot, bits, seconds, budget.load.wakes_per_day).restart


def _runs(flag: npt.NDArray[np.bool_]) -> tuple[Counts, Counts]:
    """First and last place of each run of true values."""
    edge = np.diff(np.concatenate([[False], flag, [False]]).astype(np.int8))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1


@dataclass(frozen=True)
class Outcome:
    """What came after each of several moments; arrays of shape (moments,).

    Attributes
    ----------
    live, dark : ndarray of bool
        Heard from and not dark at the moment; dark at the moment.
    dark_in : ndarray
        Days until it went dark, infinite if it did not.
    known : ndarray
        Days for which what came is known: up to a visit, a silence that does not tell, or the end of the reports.
    """

    live: npt.NDArray[np.bool_]
    dark: npt.NDArray[np.bool_]
    dark_in: Floats
    known: Floats


def outcomes(found: Spells, time: Floats, visits: Floats, moments: Floats, longest: float, end: float) -> Outcome:
    """What came of a node after each moment.

    Parameters
    ----------
    time : ndarray
        Of its reports. [s since 1970 UTC]
    visits : ndarray
        Times at which somebody worked on it, rising: what would have come without is not known. [s since 1970 UTC]
    moments : ndarray, rising
        [s since 1970 UTC]
    longest : float
        Longest interval between reports that is no silence. [s]
    """
    last = np.searchsorted(time, moments, side="right") - 1
    heard = (last >= 0) & (moments - time[np.maximum(last, 0)] <= longest)
    gone = _next(found.gone, moments)
    dark = _inside(found.gone, found.back, moments)
    stops = np.minimum(np.minimum(_next(visits, moments), _next(found.lost, moments)), end)
    return Outcome(heard & ~dark, dark, (gone - moments) / SECONDS_PER_DAY, (stops - moments) / SECONDS_PER_DAY)


def _next(times: Floats, moments: Floats) -> Floats:
    """The first of rising times after each moment, infinite if there is none."""
    padded = np.append(times, np.inf)
    return np.asarray(padded[np.searchsorted(times, moments, side="right")])


def _inside(begin: Floats, until: Floats, moments: Floats) -> npt.NDArray[np.bool_]:
    """Whether each moment lies in one of the stretches, which are in order and apart."""
    place = np.searchsorted(begin, moments, side="right") - 1
    return np.asarray((place >= 0) & (moments < np.append(until, -np.inf)[place]))


def usable_after(found: Spells, time: Floats, usable: Floats, moments: Floats, ahead: float, longest: float) -> Floats:
    """Usable energy `ahead` days after each moment: of the last report by then, zero if dark, NaN if not known. [J]"""
    then = moments + ahead * SECONDS_PER_DAY
    last = np.searchsorted(time, then, side="right") - 1
    fresh = (last >= 0) & (then - time[np.maximum(last, 0)] <= longest)
    seen = np.where(fresh, usable[np.maximum(last, 0)], np.nan)
    return np.where(_inside(found.gone, found.back, then), 0.0, seen)

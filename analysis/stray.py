"""Readings of storage voltage that cannot be: what no load explains, and the next report takes back.

A converter that reads while its reference settles, or a message with a bit wrong, gives one voltage far from the
others. Believed, it would be a day's harvest or the end of a node; the report is left out of the analysis, whole.
"""

from dataclasses import fields
from datetime import datetime

import numpy as np
from numba import njit

from analysis.ledger import longest_interval, stored_at
from analysis.load import sleep_power, wake_energy
from analysis.series import Series, by_budget
from analysis.storage import leakage_power, storage_curve
from ingest.budget import Budget

# What none of our loads and faults does (our choice): a fall by more than FALL of the way from full to cut-off that
# takes more than FALL of the usable energy beyond TIMES what the budget spends meanwhile; and to run on at BELOW of the
# cut-off voltage.
FALL, TIMES, BELOW = 0.1, 5.0, 0.5
TAKEN_BACK = 0.5  # of a fall, by the next report, from which on it was none
HOLE, FALL_V, FALL_J, WAKE_J, REST_W, LOWEST_V, GRID_LOW, GRID_STEP = range(8)


def figures(budget: Budget) -> list[float]:
    """What the kernels must know of a budget's nodes: the columns HOLE to GRID_STEP, in SI units."""
    storage, load, curve = budget.storage, budget.load, storage_curve(budget.storage)
    full = storage.full_voltage
    return [
        longest_interval(budget),
        FALL * (full - storage.cutoff_voltage),
        FALL * (curve.full_j - curve.cutoff_j),
        TIMES * float(wake_energy(load, full)),
        TIMES * float(sleep_power(load, full) + leakage_power(storage, full)),
        BELOW * storage.cutoff_voltage,
        curve.voltage[0],
        curve.voltage[1] - curve.voltage[0],
    ]


@njit(cache=True, nogil=True, error_model="numpy")
def too_far(before, after, seconds, wakes, figure, curve):  # type: ignore[no-untyped-def]
    """Whether a voltage falls further than so many wakes and seconds can take it; not told of longer than a HOLE."""
    if not before - after > figure[FALL_V] or not 0.0 < seconds <= figure[HOLE]:
        return False
    begin, _ = stored_at(before, figure[GRID_LOW], figure[GRID_STEP], curve)
    end, _ = stored_at(after, figure[GRID_LOW], figure[GRID_STEP], curve)
    return begin - end > figure[FALL_J] + max(wakes, 0) * figure[WAKE_J] + seconds * figure[REST_W]


def without_strays(series: Series, budgets: list[Budget], moment: datetime) -> Series:
    """The reports whose voltage can be; `budgets` has one a node.

    Parameters
    ----------
    moment : datetime
        Up to which there are reports.

    Notes
    -----
    Of two readings of which the later is too far below, the one is left out that the readings beside them do not bear
    out; the newest waits for the next. A node that falls silent after such a fall is believed.
    """
    kind = np.empty(len(budgets), dtype=np.int64)
    groups = by_budget(budgets)
    for k, (_, nodes) in enumerate(groups):
        kind[nodes] = k
    kept = np.ones(len(series.time), dtype=np.bool_)
    curves = np.stack([storage_curve(budget.storage).stored for budget, _ in groups])
    told = np.array([figures(budget) for budget, _ in groups])
    _judge(series.offsets, series.time, series.storage_v, series.wakes, moment.timestamp(), kind, told, curves, kept)
    if kept.all():
        return series
    columns = (getattr(series, column.name)[kept] for column in fields(series)[1:])
    return Series(np.append(0, np.cumsum(kept))[series.offsets], *columns)


@njit(cache=True, nogil=True, error_model="numpy")
def _judge(offsets, time, volts, wakes, now, kind, figures, curves, kept):  # type: ignore[no-untyped-def]
    for node in range(len(offsets) - 1):
        figure, curve, end = figures[kind[node]], curves[kind[node]], offsets[node + 1]
        last, earlier = -1, -1  # the reports believed before this one
        for i in range(offsets[node], end):
            if volts[i] < figure[LOWEST_V]:
                kept[i] = False
                continue
            since, counted = (time[i] - time[last], wakes[i] - wakes[last]) if last >= 0 else (0.0, 0)
            if too_far(volts[last], volts[i], since, counted, figure, curve):
                fall, after = volts[last] - volts[i], i + 1
                while after < end and volts[after] < figure[LOWEST_V]:
                    after += 1
                waits = after >= end and now - time[i] <= figure[HOLE]
                heard = after < end and time[after] - time[i] <= figure[HOLE]
                if waits or (heard and volts[after] - volts[i] > TAKEN_BACK * fall):
                    kept[i] = False
                    continue
                near = earlier >= 0 and time[last] - time[earlier] <= figure[HOLE]
                if near and volts[last] - volts[earlier] > TAKEN_BACK * fall:
                    kept[last] = False
                    last = earlier
            last, earlier = i, last

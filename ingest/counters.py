"""Wakes between reports, from a counter that rolls over and restarts.

A counter of `bits` bits goes from 2**bits - 1 to 0 and on. A node that restarts begins again at 0. Between two reports
both look the same, a smaller number than before, and are told apart by the node's boot counter, or by what is
plausible: a roll-over gives a difference not far above the expected wakes, a restart most often a huge one.

What cannot be seen: a restart without boot counter after which the node passed its old count, or came within the
plausible difference below it; and whole turns of the counter that the expected number of wakes does not tell of.
"""

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from ingest.budget import SECONDS_PER_DAY

BOOT_MISSING = -1
PLAUSIBLE_WAKES = 50.0  # our choice: a difference up to this is always plausible ...
PLAUSIBLE_RATIO = 8.0  # ... and one up to this many times the expected wakes

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


class WakeSteps(NamedTuple):
    """What happened between each report and the one before, shape (n,); 0 and False where there is none before."""

    wakes: Ints  # wakes in between; after a restart only those since, a lower bound
    restart: npt.NDArray[np.bool_]


@numba.njit(cache=True, nogil=True)
def wake_step(
    before: int, after: int, boot_before: int, boot_after: int, bits: int, seconds: float, wakes_per_day: float
) -> tuple[int, bool]:
    """Wakes between two consecutive reports of a node, and whether it restarted in between.

    Parameters
    ----------
    before, after : int
        The wake counter in the two reports. [count]
    boot_before, boot_after : int
        The boot counter, `BOOT_MISSING` (-1) if the report has none. [count]
    bits : int
        Width of the wake counter, below 63.
    seconds : float
        Time between the reports. [s]
    wakes_per_day : float
        What the node is designed to; NaN if unknown. [1/day]

    Returns
    -------
    tuple of int and bool
        If the node restarted, its new count: a lower bound, the wakes between `before` and the restart are lost.

    Notes
    -----
    Where more than half a turn is expected, the number of turns is the one that comes nearest to the expected wakes.
    """
    if boot_before >= 0 and boot_after >= 0 and boot_after != boot_before:
        return after, True
    turn = 1 << bits
    expected = seconds * wakes_per_day / SECONDS_PER_DAY
    wakes = after - before
    if wakes < 0:
        wakes += turn
        plausible = wakes <= PLAUSIBLE_WAKES or wakes <= PLAUSIBLE_RATIO * expected
        if before >= turn or not plausible:
            return after, True
    if expected > 0.5 * turn and before < turn and after < turn:
        wakes += int(np.floor((expected - wakes) / turn + 0.5)) * turn
    return wakes, False


def unwrap_wakes(
    wakes: npt.ArrayLike,
    boot: npt.ArrayLike,
    bits: npt.ArrayLike,
    seconds_between: npt.ArrayLike,
    wakes_per_day: npt.ArrayLike,
) -> WakeSteps:
    """Wakes before each report since the one before, by `wake_step`.

    Parameters
    ----------
    wakes : array of int, shape (n,)
        Counters in order of time, of one node or of several one after the other. [count]
    boot : int or array of int, shape (n,)
        Boot counters, `BOOT_MISSING` (-1) where missing. [count]
    bits : int or array of int, shape (n,)
        Width of the counter.
    seconds_between : array of float, shape (n,)
        Time since the report before. NaN marks the first report of a node. [s]
    wakes_per_day : float or array of float, shape (n,)
        [1/day]
    """
    counts = np.ascontiguousarray(wakes, dtype=np.int64)
    boots, widths = (np.ascontiguousarray(np.broadcast_to(a, counts.shape), dtype=np.int64) for a in (boot, bits))
    seconds, rates = (
        np.ascontiguousarray(np.broadcast_to(a, counts.shape), dtype=np.float64)
        for a in (seconds_between, wakes_per_day)
    )
    return WakeSteps(*_steps(counts, boots, widths, seconds, rates))


@numba.njit(cache=True, nogil=True)
def _steps(
    wakes: Ints, boot: Ints, bits: Ints, seconds: Floats, wakes_per_day: Floats
) -> tuple[Ints, npt.NDArray[np.bool_]]:
    steps = np.zeros(wakes.size, dtype=np.int64)
    restart = np.zeros(wakes.size, dtype=np.bool_)
    for i in range(1, wakes.size):
        if not np.isnan(seconds[i]):
            steps[i], restart[i] = wake_step(
                wakes[i - 1], wakes[i], boot[i - 1], boot[i], bits[i], seconds[i], wakes_per_day[i]
            )
    return steps, restart

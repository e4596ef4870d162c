"""What is left in a cell: by its rest voltage, and by counting what was spent since it was last known to be full.

Where the curve of a cell is flat, as that of lithium-iron-phosphate and of most primary cells, the voltage tells next
to nothing of the charge, and so of the capacity. Counting tells it as well as the load is known, and worse every day.
"""

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from analysis.series import Counts, Floats
from analysis.storage import REFERENCE_DOUBT, TABLE_DOUBT_V, Numeric, StorageCurve
from ingest.budget import Budget

FRESH_SD = 0.02  # of a new cell's charge, as a share: common practice, no source
UNSEEN_SD = 0.5  # of the load before the first report, as a share of the later one: our choice
MOST_SD = 0.5  # of a share that lies between none and all
TOLD = 0.85  # the capacity of a cell is told when its doubt is below this share of what wear might have made it


@dataclass(frozen=True)
class Spent:
    """What a cell has given since it was full so many seconds ago: mean powers and their standard deviations. [W]"""

    seconds: float
    unseen: float  # of them before the first report [s]
    full_sd: float  # of what it then held, as a share
    load: float
    load_sd: float
    leakage: float
    leakage_sd: float
    harvest: float
    harvest_sd: float


@dataclass(frozen=True)
class Remaining:
    """One row of the table `remaining`: usable energy left as a share of that at full, each with its sd."""

    by_voltage: float
    by_voltage_sd: float
    by_counting: float  # NaN where the cell was never known to be full
    by_counting_sd: float
    counted_from: date | None


def by_voltage(curve: StorageCurve, voltage: Numeric, full: Numeric, adc_step: float) -> tuple[Floats, Floats]:
    """Share of the usable energy left at rest voltages [V], and its standard deviation.

    Parameters
    ----------
    full : float or ndarray
        Voltage at which the node is full. [V] The converter's reference errs alike there and at `voltage`.
    """
    own, common = float(np.hypot(TABLE_DOUBT_V, adc_step)), REFERENCE_DOUBT * np.asarray(full)

    def share(off: Numeric, both: Numeric) -> Floats:
        at_full = np.maximum(np.asarray(curve.usable(np.asarray(full) + both)), 1e-12)
        return np.asarray(curve.usable(np.asarray(voltage) + off + both) / at_full)

    left = share(0.0, 0.0)
    of_own, of_common = (
        np.maximum(np.abs(share(*above) - left), np.abs(share(*below) - left))
        for above, below in (((own, 0.0), (-own, 0.0)), ((0.0, common), (0.0, -common)))
    )
    return np.minimum(left, 1.0), np.hypot(of_own, of_common)


def by_counting(curve: StorageCurve, spent: Spent, capacity: tuple[float, float]) -> tuple[float, float]:
    """Share of the usable energy left by what was spent, and its standard deviation, which grows with time.

    Parameters
    ----------
    capacity : tuple of float
        Ratio to nominal, and its standard deviation.

    Notes
    -----
    The doubts of load, leakage and harvest last, so that what they add up to grows in proportion to time. Before the
    first report a cell is taken to have borne the load of later, give or take half of it: it may have waited on a shelf
    or in a node that did not send yet. Left out: that a cell which its harvester keeps full cannot have taken all of
    it; the share is held between empty and full.
    """
    full = capacity[0] * (curve.full_j - curve.cutoff_j)
    gone = (spent.load + spent.leakage - spent.harvest) * spent.seconds / full
    drift = math.hypot(spent.load_sd, spent.leakage_sd, spent.harvest_sd) * spent.seconds / full
    unseen = UNSEEN_SD * spent.load * spent.unseen / full
    sd = math.hypot(drift, unseen, gone * capacity[1] / capacity[0], spent.full_sd)
    return min(max(1 - gone, 0.0), 1.0), min(sd, MOST_SD)


def full_since(
    budget: Budget, full_sd: float, fresh: date, days: np.ndarray, full_s: np.ndarray
) -> tuple[date, float] | None:
    """The day a cell was last known to be full, and the standard deviation of what it then held, as a share.

    A primary cell was full when it was new (`fresh`), any other when it read full, which tells little where the curve
    is flat: `full_sd` is that of `by_voltage` at full voltage.
    """
    if budget.storage.technology == "primary":
        return fresh, FRESH_SD
    at_full = np.flatnonzero(full_s > 0)
    if not len(at_full):
        return None
    return days[at_full[-1]].astype("datetime64[D]").item(), full_sd


def capacity_told(ratio: Floats, sd: Floats, days: Counts, drift: float) -> npt.NDArray[np.bool_]:
    """Whether the telemetry tells a cell's capacity: its doubt is smaller than what wear alone might have done.

    Parameters
    ----------
    ratio, sd : ndarray
        To its beginning.
    days : ndarray of int64
        Since then.
    drift : float
        What the estimator lets the logarithm of capacity wander, one sd a root day.
    """
    return np.asarray(sd / ratio < TOLD * drift * np.sqrt(np.maximum(days, 1)))

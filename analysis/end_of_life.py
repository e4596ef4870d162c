"""When a storage will reach the limits that its budget sets for its end of life, as a distribution."""

import math
from typing import Literal, NamedTuple

from scipy.special import ndtri

from ingest.budget import DAYS_PER_YEAR

Criterion = Literal["capacity", "resistance"]

HORIZON_DAYS = 3650
SURE_SD = 2.0  # what has been lost so far, and of late, must stand out of its doubt by this many deviations
PACE_DOUBT = 0.2  # of the pace: no storage wears in a straight line (common practice, no source)
QUANTILES = (0.1, 0.5, 0.9)
DEVIATES = tuple(ndtri(QUANTILES).tolist())


class Loss(NamedTuple):
    """Share of the baseline lost by a day, and its standard deviation; of resistance, the share gained."""

    day: float  # since the baseline [d]
    lost: float
    sd: float


class Pace(NamedTuple):
    """Share of the baseline lost a year from now on, and its standard deviation. [1/year]"""

    rate: float
    sd: float


class EndOfLife(NamedTuple):
    """Days from now by which a limit is reached with 10, 50 and 90 % probability; NaN where past the horizon."""

    p10: float
    p50: float
    p90: float


def pace(then: Loss, now: Loss) -> Pace | None:
    """The pace of wear, from what was lost half way and what is lost now; None where it does not stand out.

    Notes
    -----
    Of the later half, for what began late goes on at the later pace. By half of what the two halves differ it may
    change again. Where the later half alone does not stand out, yet agrees with the whole, it is that of the whole.
    Left out: that the doubts at both times are of one piece, which makes the interval too wide, if anything.
    """
    first = (then.lost / then.day) * DAYS_PER_YEAR
    rate = (now.lost - then.lost) / (now.day - then.day) * DAYS_PER_YEAR
    measured = math.hypot(now.sd, then.sd) / (now.day - then.day) * DAYS_PER_YEAR
    if not now.lost > SURE_SD * now.sd:
        return None
    if not rate > SURE_SD * measured:
        whole = now.lost / now.day * DAYS_PER_YEAR
        doubt = math.hypot(now.sd / now.day * DAYS_PER_YEAR, PACE_DOUBT * whole)
        return Pace(whole, doubt) if abs(rate - whole) <= SURE_SD * measured else None
    return Pace(rate, math.hypot(measured, (rate - first) / 2, PACE_DOUBT * rate))


def end_of_life(lost: float, lost_sd: float, ahead: Pace, limit: float) -> EndOfLife:
    """When the storage will be spent.

    Parameters
    ----------
    lost, lost_sd : float
        Share of the baseline lost by now.
    limit : float
        The share at which the storage is spent.

    Notes
    -----
    The day from which on a normal loss, growing in a straight line, stands above the limit with each probability. The
    two doubts add up: what has been lost is what the pace was told from. Left out: a pace that changes (calendar ageing
    slows, see `trend.calendar_fade`; a wear-out speeds up).
    """
    found = []
    for z in DEVIATES:
        short, rate = limit - lost + z * lost_sd, (ahead.rate - z * ahead.sd) / DAYS_PER_YEAR
        days = 0.0 if short <= 0 else short / rate if rate > 0 else math.inf
        found.append(float(math.ceil(days)) if days <= HORIZON_DAYS else math.nan)
    return EndOfLife(*found)

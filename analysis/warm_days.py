"""How temperature moves leakage from day to day: the season's course, and how much cooler a place is whose plant rests.

A storage leaks twice as much ten degrees warmer: under the sun that is a factor of three between summer and winter, and
a row of kilns that stands still for a week cools by as much. Only what can be expected again is taken: a warm day by
chance stays in the harvest's noise.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from analysis.quiet import usual_air
from analysis.series import Floats
from analysis.storage import LEAKAGE_DOUBLING_K

Days = npt.NDArray[np.datetime64]

RECENT_DAYS = 28  # at whose mean temperature the present leakage is told
SEASON = {"light-outdoor": 1.0}  # share of the air's usual course that a place is expected to take part in,
SEASON_ELSEWHERE = 0.1  # and in buildings (our own judgement),
SEASON_SD = 0.4  # give or take
REST_SD = 15.0  # by how much a place whose plant rests may be cooler: a kiln (our own judgement) [K]
DAY_SD = 8.0  # of a day's temperature about that: 3 K that last for a week (our own judgement) [K]
MOST = 40.0  # a departure beyond is not believed [K]


class Course(NamedTuple):
    """How a place's temperature goes: with the air's usual course, and with rest; and where both stood of late."""

    season: float  # share of the air's usual course
    rest: float  # of a day that rests [K]
    air: float  # recent mean of the usual course [degC]
    resting: float  # and of the share of days that rested

    def leakage(self, latitude: float, day: Days, rest: Floats) -> Floats:
        """Leakage of calendar days over that of the recent ones, shape (n,); `rest` is the share that rests of each."""
        warmer = self.season * (air_of(latitude, day) - self.air) + self.rest * (rest - self.resting)
        return np.asarray(2.0 ** (np.clip(warmer, -MOST, MOST) / LEAKAGE_DOUBLING_K))


def air_of(latitude: float, day: Days) -> Floats:
    """What the air may be expected to have on calendar days. [degC]"""
    number = day.astype("datetime64[D]").astype(np.float64)
    return usual_air(latitude, np.asarray(1.0 + (number + 0.5) % 365.2425))


def course_of(day: Days, temp_c: Floats, rest: Floats, today: np.datetime64, latitude: float, source: str) -> Course:
    """The course of a place's temperature, from a node's days.

    Parameters
    ----------
    day : ndarray of datetime64[D], shape (n,)
        Rising.
    temp_c : ndarray, shape (n,)
        Their mean temperature, NaN where none was reported. [degC]
    rest : ndarray, shape (n,)
        Share of each day for which what the node lives on rested: closures, idle days.
    source : str
        Of the harvest.

    Notes
    -----
    Least squares of a mean, the share of the season and the effect of rest, held towards what is usual.
    """
    air, since = air_of(latitude, day), np.searchsorted(day, today - np.timedelta64(RECENT_DAYS, "D"), side="right")
    season, cooler = _fitted(air, rest, temp_c, SEASON.get(source, SEASON_ELSEWHERE))
    if since == len(day):
        return Course(season, cooler, float(air_of(latitude, np.array([today]))[0]), 0.0)
    return Course(season, cooler, float(air[since:].mean()), float(rest[since:].mean()))


@njit(cache=True, nogil=True, error_model="numpy")
def _fitted(air, rest, temp_c, usual):  # type: ignore[no-untyped-def]
    """The first two columns of `Course`; `usual` is the share of the season that is expected."""
    known = np.isfinite(temp_c)
    if not known.any():
        return usual, 0.0
    x, y = air[known] - air[known].mean(), rest[known] - rest[known].mean()
    left = temp_c[known] - temp_c[known].mean() - usual * x
    xx, xy, yy = (x * x).sum(), (x * y).sum(), (y * y).sum()
    xx, yy = xx + (DAY_SD / SEASON_SD) ** 2, yy + (DAY_SD / REST_SD) ** 2
    by_x, by_y, whole = (x * left).sum(), (y * left).sum(), xx * yy - xy * xy
    return usual + (yy * by_x - xy * by_y) / whole, (xx * by_y - xy * by_x) / whole

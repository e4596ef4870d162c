"""How temperature moves leakage from day to day: the season's course, and how much cooler a place is whose plant rests.

A storage leaks twice as much ten degrees warmer: under the sun that is a factor of three between summer and winter, and
a row of kilns that stands still for a week cools by as much. Only what can be expected again is taken: a warm day by
chance stays in the harvest's noise.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

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
    air, known = air_of(latitude, day), np.isfinite(temp_c)
    x, share = np.column_stack([air, rest]), np.array([SEASON.get(source, SEASON_ELSEWHERE), 0.0])
    if known.any():
        off = x[known] - x[known].mean(axis=0)
        left = temp_c[known] - temp_c[known].mean() - off @ share
        precision = off.T @ off / DAY_SD**2 + np.diag([1 / SEASON_SD**2, 1 / REST_SD**2])
        share = share + np.linalg.solve(precision, off.T @ left / DAY_SD**2)
    recent = day > today - np.timedelta64(RECENT_DAYS, "D")
    now = x[recent].mean(axis=0) if recent.any() else np.array([float(air_of(latitude, np.array([today]))[0]), 0.0])
    return Course(*share.tolist(), *now.tolist())

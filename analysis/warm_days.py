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
from analysis.series import Counts, Floats, means
from analysis.storage import LEAKAGE_DOUBLING_K

Days = npt.NDArray[np.datetime64]

SEASON = {"light-outdoor": 1.0}  # share of the air's usual course that a place is expected to take part in,
SEASON_ELSEWHERE = 0.1  # and in buildings (our own judgement),
SEASON_SD = 0.4  # give or take
REST_SD = 15.0  # by how much a place whose plant rests may be cooler: a kiln (our own judgement) [K]
DAY_SD = 8.0  # of a day's temperature about that: 3 K that last for a week (our own judgement) [K]
MOST = 40.0  # a departure beyond is not believed [K]


class Course(NamedTuple):
    """How a place's temperature goes: with the air's usual course, and with rest; and where both stood of late.

    Of one place, or arrays over places or over their days.
    """

    season: float | Floats  # share of the air's usual course
    rest: float | Floats  # of a day that rests [K]
    air: float | Floats  # recent mean of the usual course [degC]
    resting: float | Floats  # and of the share of days that rested

    def leakage(self, air: Floats, rest: Floats) -> Floats:
        """Leakage of days over that of the recent ones, shape (n,); `air` of `air_of`, `rest` the share that rests."""
        warmer = self.season * (air - self.air) + self.rest * (rest - self.resting)
        return np.asarray(np.exp2(np.clip(warmer, -MOST, MOST) / LEAKAGE_DOUBLING_K))


def air_of(latitude: float, day: Days) -> Floats:
    """What the air may be expected to have on calendar days. [degC]"""
    number = day.astype("datetime64[D]").astype(np.float64)
    return usual_air(latitude, np.asarray(1.0 + (number + 0.5) % 365.2425))


def courses_of(
    air: Floats, temp_c: Floats, rest: Floats, recent: npt.NDArray[np.bool_], offsets: Counts, usual: Floats, now: float
) -> Course:
    """The course of the temperature at each of several places, from a node's days at each.

    Parameters
    ----------
    air, temp_c : ndarray, shape (n,)
        What the air may be expected to have on each day (`air_of`), and the mean temperature, NaN where none was
        reported. [degC]
    rest : ndarray, shape (n,)
        Share of each day for which what the node lives on rested: closures, idle days.
    recent : ndarray of bool, shape (n,)
        Of those at whose mean temperature the present leakage is told.
    offsets : ndarray of int64, shape (places + 1,)
        Place i has the days offsets[i] to offsets[i + 1].
    usual : ndarray, shape (places,)
        Share of the air's course that is expected, as `usual_season` has it.
    now : float
        What the air may be expected to have today, for places without recent days. [degC]

    Notes
    -----
    Least squares of a mean, the share of the season and the effect of rest, held towards what is usual.
    """
    found = np.empty((len(usual), 2))
    _fit(air, rest, temp_c, offsets, usual, found)
    of_air, of_rest = means(air, recent, offsets), means(rest, recent, offsets)
    return Course(found[:, 0], found[:, 1], np.where(np.isnan(of_air), now, of_air), np.nan_to_num(of_rest))


def usual_season(source: str) -> float:
    """The share of the air's usual course that a place with this source of harvest is expected to take part in."""
    return SEASON.get(source, SEASON_ELSEWHERE)


@njit(cache=True, nogil=True, error_model="numpy")
def _fit(air, rest, temp_c, offsets, usual, found):  # type: ignore[no-untyped-def]
    """Fill in the first two columns of `Course`."""
    for n in range(len(usual)):
        days = slice(offsets[n], offsets[n + 1])
        found[n, :] = _fitted(air[days], rest[days], temp_c[days], usual[n])


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

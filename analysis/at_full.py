"""What of a day's harvest came while the storage was full, by the time at full or by when it came up to it."""

import numpy as np
import numpy.typing as npt
from numba import njit

from analysis.series import Counts
from analysis.site_days import SiteDays, active_hours
from ingest.budget import SECONDS_PER_DAY, Budget

Array = npt.NDArray[np.float64]

OFF_SHARE = 0.25  # of the best hour's harvest: the last hour with more ends the day


def tail(budget: Budget, days: Array) -> Array:
    """How long after its harvest a node still read full that can do so for some days: at most the night. [s]"""
    outdoors = budget.harvest.outdoors
    idle = 0.5 if outdoors else float((active_hours(budget.harvest) == 0).mean())
    return np.asarray(np.minimum(days, idle) * SECONDS_PER_DAY)


def lost_since(risen_at: Array, site: SiteDays, courses: Array, of: Counts, place: Counts) -> tuple[Array, Array]:
    """Share of days' harvest that falls after they came up to full, and the time from there to its end. [s]

    Parameters
    ----------
    risen_at : ndarray, shape (n,)
        Infinite where a day did not; NaN, as are both, where it is not known. [s since 1970 UTC]
    courses : ndarray, shape (count, 24)
        Shares of a day's harvest by hour; day i has courses[of[i]].
    place : ndarray of int64, shape (n,)
        Of the days in the site's calendar.
    """
    began = (site.first.astype("datetime64[D]").astype(np.int64) + place) * 24.0 - site.utc_offset
    hour = np.clip(risen_at / 3600.0 - began, 0.0, 24.0)
    whole = np.nan_to_num(np.minimum(hour, 23.0)).astype(np.int64)
    before = np.concatenate([np.zeros((len(courses), 1)), np.cumsum(courses, axis=1)], axis=1)
    lost = 1.0 - before[of, whole] - (hour - whole) * courses[of, whole]
    bright = courses > OFF_SHARE * courses.max(axis=1, keepdims=True)
    end = 24.0 - bright[:, ::-1].argmax(axis=1)
    return np.clip(lost, 0.0, 1.0), np.maximum(end[of] - hour, 0.0) * 3600.0


@njit(cache=True, nogil=True, error_model="numpy")
def _begin_of(shape, least):  # type: ignore[no-untyped-def]
    """The hour with which a course begins: midnight, or that of a shift which works through it.

    That comes after the longest spell of hours with no more than `least`.
    """
    hours = len(shape)
    if shape[0] <= least or shape[hours - 1] <= least:
        return 0
    begin, longest, idle = 0, 0, 0
    for h in range(hours):
        if shape[h] <= least:
            idle += 1
        else:
            begin, longest = (h, idle) if idle > longest else (begin, longest)
            idle = 0
    return begin


def lost_at_end(full_s: Array, courses: Array, of: Counts) -> Array:
    """Share of days' harvest that fell into their time at full [s], if that was the end of their active hours.

    Day i has the course courses[of[i]], by hour; what a night shift brings before midnight is taken with what it
    brought after the last one.
    """
    lost = np.empty(len(full_s))
    _lost_at_end(full_s, courses, of, lost)
    return lost


@njit(cache=True, nogil=True, error_model="numpy")
def _lost_at_end(full_s, courses, of, lost):  # type: ignore[no-untyped-def]
    count, hours = courses.shape
    ends, parts, sums = np.empty(count, dtype=np.int64), np.empty(count), np.zeros((count, hours + 1))
    turned = np.empty_like(courses)
    for k in range(count):
        least, end = OFF_SHARE * courses[k].max(), hours
        begin = _begin_of(courses[k], least)
        shape = turned[k]
        shape[: hours - begin], shape[hours - begin :] = courses[k, begin:], courses[k, :begin]
        while end > 1 and shape[end - 1] <= least:
            end -= 1
        # The last hour of a shift is harvested in part: its share comes before the shift's end, at the usual pace.
        ends[k] = end
        parts[k] = min(shape[end - 1] / max(shape[end - 2], 1e-12), 1.0) if end > 1 else 1.0
        for h in range(hours):
            sums[k, h + 1] = sums[k, h] + shape[h]
    for i in range(len(full_s)):
        end, part, whole = ends[of[i]], parts[of[i]], sums[of[i]]
        since = min(max(end - 1 + part - full_s[i] / 3600.0, 0.0), 23.999)
        hour = int(since)
        if hour < end:
            within = min((since - hour) / (part if hour == end - 1 else 1.0), 1.0)
            lost[i] = 1.0 - (whole[hour] + within * turned[of[i], hour]) / whole[end]
        else:
            lost[i] = 0.0

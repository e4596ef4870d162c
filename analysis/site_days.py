"""What a site's days allow: season, shifts, weekdays and closures, hour by hour, behind and ahead of the forecast."""

from dataclasses import dataclass
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.sun import clear_sky_hours
from ingest.budget import Harvest

Array = npt.NDArray[np.float64]
Days = npt.NDArray[np.datetime64]

DAY = np.timedelta64(1, "D")
HOUR = np.timedelta64(1, "h")
HOLIDAYS = (101, 1225, 1226)  # month and day on which plants rest as on Sundays (common practice, no source)


@dataclass(frozen=True)
class Closure:
    """A planned stop: harvest is multiplied by `factor` from `start` to `end`, both in the site's own time."""

    start: np.datetime64
    end: np.datetime64
    factor: float


@dataclass(frozen=True)
class SiteDays:
    """A site's calendar from `first` on, for `days` days, in its own time; clock changes are left out.

    Attributes
    ----------
    latitude, longitude : float
        [degrees north, degrees east]
    utc_offset : float
        What the site's clock is ahead of UTC. [h]
    """

    latitude: float
    longitude: float
    utc_offset: float
    first: np.datetime64
    days: int
    closures: tuple[Closure, ...] = ()

    @cached_property
    def sky(self) -> Array:
        """Clear-sky irradiance by day and hour, its mean over all days one; shape (days, 24)."""
        hours = clear_sky_hours(self.latitude, self.longitude, self.first, max(self.days, 365), self.utc_offset)
        return np.asarray(hours[: self.days] / hours[:365].mean())

    @cached_property
    def closed(self) -> Array:
        """The factor of closures by day and hour, shape (days, 24)."""
        start = self.first.astype("datetime64[m]") + 60 * np.arange(self.days * 24)
        factor = np.ones(self.days * 24)
        for stop in self.closures:
            low, high = stop.start.astype("datetime64[m]"), stop.end.astype("datetime64[m]")
            inside = (np.minimum(start + 60, high) - np.maximum(start, low)).astype(float) / 60
            factor *= 1 - np.clip(inside, 0, 1) * (1 - stop.factor)
        return factor.reshape(self.days, 24)

    def opened(self, day: Days) -> Array:
        """What the closures of calendar days left of them; of a day before the first, all."""
        place = self.index(day)
        return np.where(place >= 0, self._opened[place.clip(0)], 1.0)

    @cached_property
    def _opened(self) -> Array:
        return np.asarray(self.closed.mean(axis=1))

    @cached_property
    def holiday(self) -> npt.NDArray[np.bool_]:
        """Whether each day is a public holiday that no closure tells of: what one is to leave, or all, it leaves."""
        day = self.first.astype("datetime64[D]") + np.arange(self.days)
        told = np.zeros(self.days, dtype=bool)
        for stop in self.closures:
            told |= (stop.start < day + DAY) & (day < stop.end)
        month = day.astype("datetime64[M]")
        date = 100 * (month.astype(np.int64) % 12 + 1) + (day - month.astype("datetime64[D]")).astype(np.int64) + 1
        return np.asarray(np.isin(date, HOLIDAYS) & ~told)

    @cached_property
    def weekday(self) -> npt.NDArray[np.int64]:
        """Of each day, Monday is 0; a public holiday is like a Sunday."""
        day = self.first.astype("datetime64[D]") + np.arange(self.days)
        return np.where(self.holiday, 6, (day.astype(np.int64) + 3) % 7)

    def index(self, day: Days) -> npt.NDArray[np.int64]:
        """Position of calendar days."""
        return np.asarray((day.astype("datetime64[D]") - self.first.astype("datetime64[D]")).astype(np.int64))


@cache
def active_hours(harvest: Harvest) -> Array:
    """Share of each hour of the day in which the budget expects harvest, shape (24,); not to be written to."""
    start, end = harvest.active_hours or (0.0, 24.0)
    hour = np.arange(24.0)
    spans = [(start, end)] if start < end else [(start, 24.0), (0.0, end)]
    shares = np.asarray(sum(np.clip(np.minimum(hour + 1, b) - np.maximum(hour, a), 0, 1) for a, b in spans))
    shares.flags.writeable = False
    return shares


def hour_profile(harvest: Harvest, energy: npt.ArrayLike, seconds: npt.ArrayLike, hold: float = 5.0) -> Array:
    """Course of a node's harvest over the day, mean one, as its reports show it; shape (..., 24).

    Parameters
    ----------
    energy, seconds : array_like, shape (..., 24)
        Harvest gathered in each hour of the site's day, and the time over which it was seen, on days that the budget
        calls active and while the storage was not full: harvest is curtailed there. [J, s]
    hold : float
        How many hours seen the budget's course is worth, hour by hour.
    """
    gathered, seen = np.maximum(np.asarray(energy, dtype=float), 0.0), np.asarray(seconds, dtype=float) / 3600.0
    plan = active_hours(harvest)
    plan = plan / plan.mean()
    total, expected = gathered.sum(axis=-1, keepdims=True), (plan * seen).sum(axis=-1, keepdims=True)
    told = (total > 0) & (expected > 0)
    scale = np.where(told, total, 1.0) / np.where(told, expected, 1.0)
    course = np.where(told, (gathered / scale + hold * plan) / (seen + hold), plan)
    return np.asarray(course / course.mean(axis=-1, keepdims=True))


def day_shapes(harvest: Harvest, site: SiteDays, profile: Array | None = None) -> Array:
    """Share of a day's harvest that comes in each hour, by day of the site; rows sum to one, shape (..., days, 24).

    Parameters
    ----------
    profile : ndarray, shape (..., 24), optional
        From `hour_profile`. Without it the budget's active hours; for outdoor light always the sky's course.
    """
    if harvest.outdoors:
        sky = site.sky + 1e-9
        return np.asarray(sky / sky.sum(axis=1, keepdims=True))
    course = active_hours(harvest) if profile is None else profile
    share = course / course.sum(axis=-1, keepdims=True)
    return np.broadcast_to(share[..., None, :], (*share.shape[:-1], site.days, 24))


@dataclass(frozen=True)
class Ahead:
    """Factors of the steps of 24 hours that begin at the forecast's hour; see `HarvestOutlook`."""

    season: Array
    week: Array
    closure: Array
    shapes: Array
    shape_of: npt.NDArray[np.int32]
    turning: npt.NDArray[np.bool_]


class Steps(NamedTuple):
    """The steps of 24 hours that begin at the forecast's hour, as a site's nodes share them; arrays over its days."""

    span: slice  # of the site's days
    hour: int
    weekday: npt.NDArray[np.int64]  # of the days of the span
    closed: Array  # shape (steps, 24)
    turning: npt.NDArray[np.bool_]  # whether a closure or a public holiday begins or ends in a step
    shape_of: npt.NDArray[np.int32]
    order: npt.NDArray[np.int64]  # of the steps, those of one shape together
    starts: npt.NDArray[np.int64]  # where those of each shape begin


def steps_ahead(site: SiteDays, today: np.datetime64, hour: int, days: int) -> Steps:
    """The days ahead of `hour` o'clock of `today`, cut at that hour.

    They share one shape for each weekday and two-month span: fine enough for the sun's course. A day in which a closure
    or a public holiday begins or ends has its own: a morning's harvest does not help the afternoon before.
    """
    begin = int(site.index(np.array(today)))
    span = slice(begin, begin + days + 1)
    closed = _cut(site.closed[span], hour)
    turning = closed.max(axis=1) > closed.min(axis=1)
    if hour:
        turning |= site.holiday[span][:-1] | site.holiday[span][1:]
    step = np.arange(days)
    kind = np.where(turning, -1 - step, step // 61 * 7 + step % 7)
    _, shape_of, count = np.unique(kind, return_inverse=True, return_counts=True)
    order, starts = np.argsort(shape_of, kind="stable"), np.append(0, np.cumsum(count)[:-1])
    return Steps(span, hour, site.weekday[span], closed, turning, shape_of.astype(np.int32), order, starts)


def ahead(season: Array, week: Array, shapes: Array, steps: Steps) -> Ahead:
    """What a node's days ahead are like.

    Parameters
    ----------
    season : ndarray, shape (site.days,)
        Factor of each calendar day.
    week : ndarray, shape (7,)
        Factor of each weekday.
    shapes : ndarray, shape (site.days, 24)
        From `day_shapes`.
    """
    span = steps.span
    by_hour = season[span, None] * shapes[span]
    weekly = _cut(week[steps.weekday][:, None] * by_hour, steps.hour)
    open_ = weekly * steps.closed
    whole, spread = _cut(by_hour, steps.hour).sum(axis=1), weekly.sum(axis=1)
    course = np.where(steps.turning[:, None], open_, weekly)[steps.order]
    total = np.add.reduceat(course, steps.starts, axis=0)
    cumulative = np.cumsum(total + 1e-12, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return Ahead(
            season=whole,
            week=np.where(whole > 0, spread / whole, 0.0),
            closure=np.where(spread > 0, open_.sum(axis=1) / spread, 1.0),
            shapes=np.concatenate([np.zeros((len(total), 1)), cumulative / cumulative[:, -1:]], axis=1),
            shape_of=steps.shape_of,
            turning=steps.turning,
        )


def _cut(hours: Array, hour: int) -> Array:
    """Calendar days by hour as steps of 24 hours that begin at `hour`, one fewer."""
    flat = hours.ravel()[hour : hour + 24 * (len(hours) - 1)]
    return np.asarray(flat.reshape(-1, 24))

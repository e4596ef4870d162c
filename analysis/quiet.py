"""When a node's harvester rests: from the sun, from the week the telemetry itself shows, or always.

Quiet intervals are where voltage and wakes speak about the node alone. Outdoors the sun's elevation decides. Elsewhere
a schedule in the budget is only a first guess, for schedules are wrong as often as not: the kernel learns the mean
power of each hour of the week and calls those hours quiet that lie at the floor, if the floor is low enough to be rest
and lies further below the busy hours than the lowest of a week do by chance. A source that never rests has no floor
that stands out from its noise, and gets no quiet interval.
"""

import numpy as np
import pvlib
from numba import njit

from analysis.series import Calendar, Floats
from ingest.budget import Harvest

ALWAYS, SUN, LEARNT = 0, 1, 2
WEEK_HOURS = 168
LEARNT_ROWS = 4  # of a node's week: mean power, its variance, how often seen; and what else is learnt, by place:
# rms stored energy a volt [J/V]; of spells of rest their count, the end of the last [s], and harvest in the latest
ENERGY_SLOPE, SPELLS, RESTED, LATEST = 0, 1, 2, 3
ELEVATION_QUIET = -5.0  # below this elevation of the sun a cell gives nothing [deg]
FORGET = 0.2  # weight of the newest week in an hour's mean
VISITS_LEAST = 2.0  # times
SURPRISE = 2.5  # in standard deviations
FLOOR_SLOTS = 14  # the quietest hours, whose median is the floor
SPREAD_SHARE = 0.04  # an hour this share of floor-to-busy above the floor is still quiet
LOAD_SHARE = 0.25  # or this share of the load, which the wakes of the hour scatter by
SEEN_LEAST = 84  # hours of the week that must have been seen, each
FLOOR_LOADS = 0.5  # a floor this many loads above nothing is no rest
RHYTHM = 6.0  # standard deviations of a mean from floor to busy hours: twice what a week shows by chance
WANDERS = 0.07  # of the load: what is left of heat wanders by so much from week to week, or more (our choice)
RESOLVED = 0.15  # noise of a mean of the week, as a share of the load: more, and hours beside are taken with it,
BESIDE_MOST = 3  # up to so many before and after; beyond that nothing is learnt


def quiet_mode(harvest: Harvest) -> int:
    """Which rule finds the quiet intervals of a harvester."""
    return {"none": ALWAYS, "light-outdoor": SUN}.get(harvest.source, LEARNT)


def scheduled_quiet(harvest: Harvest) -> np.ndarray:
    """Hours of the week, Monday 00:00 first, that the budget calls inactive, less an hour's margin; shape (168,)."""
    if harvest.active_hours is None and harvest.active_days is None:
        return np.zeros(WEEK_HOURS, dtype=np.bool_)
    start, end = harvest.active_hours or (0.0, 24.0)
    length = (end - start) % 24.0 or 24.0
    active = np.zeros(WEEK_HOURS, dtype=np.bool_)
    for day in harvest.active_days or range(7):
        begins = day * 24.0 + start
        hours = np.arange(int(np.floor(begins)) - 1, int(np.ceil(begins + length)) + 1)
        active[hours % WEEK_HOURS] = True
    return ~active


def window_cut(harvest: Harvest) -> float:
    """Hour of the site's day where cutting quiet intervals does least harm: the middle of the active hours. [h]"""
    start, end = harvest.active_hours or (0.0, 24.0)
    return (start + ((end - start) % 24.0 or 24.0) / 2) % 24.0


def sunless(calendar: Calendar, latitude: float, longitude: float) -> Floats:
    """Morning and evening of each site day [s UTC], and what its air may be expected to have [degC]; shape (days, 3).

    Morning and evening are when the sun crosses ELEVATION_QUIET. Where it never sinks so far they are the day's end
    points (no quiet time); in the polar night both are noon.

    Notes
    -----
    The temperature serves nodes outdoors that report none.

    Declination and equation of time by Spencer's series as pvlib has them; the hour angle h at elevation a follows from
    sin a = sin(phi) sin(d) + cos(phi) cos(d) cos(h). Good to about two minutes at middle latitudes.
    """
    start = calendar.midnights[:-1]
    day_of_year = 1.0 + (start / 86400.0 + 0.5) % 365.2425
    declination = pvlib.solarposition.declination_spencer71(day_of_year)
    equation = pvlib.solarposition.equation_of_time_spencer71(day_of_year)
    phi = np.radians(latitude)
    cosine = (np.sin(np.radians(ELEVATION_QUIET)) - np.sin(phi) * np.sin(declination)) / (
        np.cos(phi) * np.cos(declination)
    )
    half_day = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) * 240.0
    noon = 43200.0 - longitude * 240.0 - equation * 60.0  # of each UTC day, seconds into it
    middle = start + 43200.0
    noon = middle + (noon - middle + 43200.0) % 86400.0 - 43200.0
    return np.stack([noon - half_day, noon + half_day, usual_air(latitude, day_of_year)], axis=1)


def usual_air(latitude: float, day_of_year: Floats) -> Floats:
    """What the air may be expected to have: a rule of thumb, good to some 6 K (no source). [degC]"""
    season = np.cos((day_of_year - 200.0) / 365.2425 * 2.0 * np.pi) * np.sign(latitude)
    return np.asarray(28.0 - 0.0065 * latitude**2 + min(0.25 * abs(latitude), 15.0) * season)


@njit(cache=True, nogil=True, error_model="numpy")
def sort_few(values):  # type: ignore[no-untyped-def]
    """Sort a short array in place by insertion; compiles in a tenth of the time of `np.sort`."""
    for i in range(1, len(values)):
        x = values[i]
        j = i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x


@njit(cache=True, nogil=True, error_model="numpy")
def median(values):  # type: ignore[no-untyped-def]
    """Median of a short array."""
    ranked = values.copy()
    sort_few(ranked)
    n = len(ranked)
    return (ranked[(n - 1) // 2] + ranked[n // 2]) / 2


@njit(cache=True, nogil=True, error_model="numpy")
def learn(week, slot, power, hours, limit, least):  # type: ignore[no-untyped-def]
    """Take the power [W] over some hours, at most one, into the week: mean, variance and hours seen, by slot.

    Once an hour is known, what is off by more than SURPRISE standard deviations, and than `least` [W], counts as
    so much: a load that has grown moves all hours at once, and they are as quiet as before.
    """
    off = min(max(power, -limit), limit) - week[0, slot]
    seen = week[2, slot]
    weight = max(FORGET * hours, hours / (seen + hours))
    week[0, slot] += weight * off
    square = off * off
    if seen * FORGET >= 1.0:
        square = min(square, max(SURPRISE**2 * week[1, slot], least * least))
    week[1, slot] = (1.0 - weight) * (week[1, slot] + weight * square)
    week[2, slot] = min(seen + hours, 1.0 / FORGET)


@njit(cache=True, nogil=True, error_model="numpy")
def _doubt(noise, beside):  # type: ignore[no-untyped-def]
    """Standard deviation of the mean over an hour and some `beside` it, before and after, in the weeks that count. [W]

    An hour begins with the reading that the hour before ended with: of a spell only the noise of its ends is left.
    """
    return noise * np.sqrt(FORGET / (2.0 - FORGET)) / (2 * beside + 1)


@njit(cache=True, nogil=True, error_model="numpy")
def _smoothed(week, beside):  # type: ignore[no-untyped-def]
    """Mean power over each hour of the week and some beside it, infinite if never seen, and its scatter. [W]"""
    mean, scatter = np.full(WEEK_HOURS, np.inf), np.zeros(WEEK_HOURS)
    for h in range(WEEK_HOURS):
        if week[2, h] < VISITS_LEAST:
            continue
        total, weight = 0.0, 0.0
        for near in range(h - beside, h + beside + 1):
            if week[2, near % WEEK_HOURS] >= VISITS_LEAST:
                total += week[0, near % WEEK_HOURS]
                scatter[h] += week[1, near % WEEK_HOURS]
                weight += 1.0
        mean[h], scatter[h] = total / weight, np.sqrt(scatter[h] / weight)
    return mean, scatter


@njit(cache=True, nogil=True, error_model="numpy")
def _hidden(noise, hours):  # type: ignore[no-untyped-def]
    """Standard error of the variance of so many hours' powers beyond the converter's, in the weeks that count. [W^2]"""
    return noise**2 * np.sqrt(2.0 * FORGET / (2.0 - FORGET) / hours)


@njit(cache=True, nogil=True, error_model="numpy")
def _chance(seen, mean, scatter, most, noise, doubt):  # type: ignore[no-untyped-def]
    """Standard deviation of the mean of an hour of up to `most`: the converter's `doubt`, and what it wanders by. [W]

    Of a harvest that wanders the hours beside are off alike: its part is not taken to be less over several. The median
    of these hours, for a few may hold readings without sense. Where the noise is much, what it may hide stands for that
    part: a kiln's turns of days, on the flat of a cell, would show some hours of the week at rest.
    """
    own, count = np.empty(WEEK_HOURS), 0
    for h in range(WEEK_HOURS):
        if mean[h] < most:
            weeks = FORGET / (2.0 - FORGET) if seen[h] * FORGET >= 1.0 else 1.0 / seen[h]
            own[count] = weeks * max(scatter[h] ** 2 - noise**2, 0.0)
            count += 1
    hidden = FORGET / (2.0 - FORGET) * _hidden(noise, count)
    return np.sqrt(doubt**2 + median(own[:count]) + hidden)


@njit(cache=True, nogil=True, error_model="numpy")
def _floor(mean, most):  # type: ignore[no-untyped-def]
    """Median of the quietest hours, of those of up to `most` that have had no more for the longest. [W]

    For hours after a charge a storage settles, and seems to spend more than it will for the rest of the night.
    """
    since, run = np.zeros(WEEK_HOURS, dtype=np.int64), 0
    for h in range(2 * WEEK_HOURS):
        run = run + 1 if mean[h % WEEK_HOURS] < most else 0
        since[h % WEEK_HOURS] = run
    lasted = since[since > 0]
    sort_few(lasted)
    half = lasted[len(lasted) // 2] if len(lasted) >= 2 * FLOOR_SLOTS else 0
    ranked = mean[since >= half].copy()
    sort_few(ranked)
    return ranked[FLOOR_SLOTS // 2]


@njit(cache=True, nogil=True, error_model="numpy")
def judge(week, noise, load, settles, quiet):  # type: ignore[no-untyped-def]
    """Mark the quiet hours of the learnt week; returns the power [W] up to which they are.

    NaN if nothing is learnt, minus infinity if the source shows no hours of rest: its floor is too high, or not told
    from the busy hours. The lowest of 168 hours without any rhythm lie 1.8 standard deviations below their mean, the
    highest tenth 1.3 above.

    Parameters
    ----------
    week : ndarray, shape (4, 168)
    noise : float
        Standard deviation of an hour's power from the converter alone, in the weeks that count: on the flat of a cell
        it is many times what it is beside. [W]
    load : float
        Budgeted load: a floor far above it harvests all week. [W]
    settles : bool
        Whether the source stops when it rests and the storage's slow part is followed: only that is still on its way.
    quiet : ndarray of bool, shape (168,)
        Filled in: hours whose mean is at the floor and whose scatter is little more than the converter's, for harvest
        scatters more.
    """
    seen = 0
    for h in range(WEEK_HOURS):
        quiet[h] = False
        seen += week[2, h] >= VISITS_LEAST
    beside = 1
    while beside <= BESIDE_MOST and _doubt(noise, beside) > RESOLVED * load:
        beside += 1
    if seen < SEEN_LEAST or beside > BESIDE_MOST:
        return np.nan
    mean, scatter = _smoothed(week, beside)
    ranked = mean.copy()
    sort_few(ranked)
    floor = _floor(mean, FLOOR_LOADS * load) if settles else ranked[FLOOR_SLOTS // 2]
    spread = ranked[int(0.9 * seen)] - floor
    doubt = _doubt(noise, beside)
    above = max(2.5 * doubt, SPREAD_SHARE * spread, LOAD_SHARE * load)
    chance = _chance(week[2], mean, scatter, floor + above, noise, doubt)
    if floor > FLOOR_LOADS * load:
        return -np.inf
    if spread < RHYTHM * chance:  # all hours are alike
        quiet[:] = floor + spread < FLOOR_LOADS * load
        return floor + above if quiet[0] else -np.inf
    for h in range(WEEK_HOURS):
        quiet[h] = mean[h] < floor + above and scatter[h] < 2.0 * (noise + above)
    return floor + above


@njit(cache=True, nogil=True, error_model="numpy")
def heat_rests(week, noise, load, slowly, quiet):  # type: ignore[no-untyped-def]
    """Whether the learnt `quiet` hours of a source of heat are shown to be rest, not a floor of what lingers.

    Pipes and traps give a third of their mean on a Sunday, and smoothly, so that their floor passes for rest in a
    larger storage. But what is left follows the process and the air, and rest is even from week to week. And where a
    node with a slow branch (`slowly`) empties faster than its budget says, the more so if harvest were left, it is the
    load that tells; others have a line of what is left.
    """
    beyond, power, count = np.empty(WEEK_HOURS), 0.0, 0
    for h in range(WEEK_HOURS):
        if quiet[h]:
            beyond[count] = week[1, h] - noise**2
            power += week[0, h]
            count += 1
    if count == 0:
        return False
    wanders = max(median(beyond[:count]), 0.0) + _hidden(noise, count)
    return (slowly > 0.0 and power < 0.0) or wanders < (WANDERS * load) ** 2

"""Published harvest predictors and plain forecasts, as the floor that the forecast must beat.

Slot predictors take a trace of shape (days, slots) and return, in the same shape, the prediction of each slot made
from what came before it; NaN where there is nothing to predict from.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.sun import extraterrestrial_irradiation

Array = npt.NDArray[np.float64]


def _by_day(trace: npt.ArrayLike) -> Array:
    energy = np.asarray(trace, dtype=float)
    if energy.ndim != 2:
        msg = f"a trace must have the shape (days, slots), got {energy.ndim} dimensions"
        raise ValueError(msg)
    return energy


def persistence(trace: npt.ArrayLike) -> Array:
    """Each slot as the slot before it."""
    energy = _by_day(trace)
    return np.concatenate([[np.nan], energy.ravel()[:-1]]).reshape(energy.shape)


def same_slot_yesterday(trace: npt.ArrayLike) -> Array:
    """Each slot as the same slot of the day before."""
    energy = _by_day(trace)
    return np.concatenate([np.full((1, energy.shape[1]), np.nan), energy[:-1]])


def ewma(trace: npt.ArrayLike, keep: float = 0.5) -> Array:
    """Each slot as the exponentially weighted mean of the same slot on earlier days.

    Notes
    -----
    ``x <- keep x + (1 - keep) E`` (Kansal et al., ACM TECS 6(4):32, 2007; formula from memory).
    """
    energy = _by_day(trace)
    predicted = np.full_like(energy, np.nan)
    predicted[1:2] = energy[:1]
    for day in range(2, len(energy)):
        predicted[day] = keep * predicted[day - 1] + (1 - keep) * energy[day - 1]
    return predicted


def wcma(trace: npt.ArrayLike, persist: float = 0.7, days: int = 20, look_back: int = 3) -> Array:
    """Each slot from the one before it and the mean of the slot over past days, scaled by how today compares.

    Parameters
    ----------
    trace : array_like, shape (days, slots)
        Energy of each slot, in any unit.
    persist : float
        Weight of the slot before.
    days : int
        Past days in the mean; fewer at the start.
    look_back : int
        Slots of today that are compared with the mean. Slots whose mean is zero (night) are skipped.

    Notes
    -----
    ``E'(n+1) = a E(n) + (1 - a) GAP M(n+1)``, GAP the mean of ``E/M`` over the last K slots, weighted by k/K
    (Recas Piorno et al., VITAE 2009; formula from memory).
    """
    energy = _by_day(trace)
    past = _past_means(energy, days)
    flat, mean = energy.ravel(), past.ravel()
    weight = np.arange(1, look_back + 1) / look_back
    predicted = np.full(flat.shape, np.nan)
    for now in range(max(energy.shape[1], look_back), flat.size):  # predict slot `now` from those before it
        window = slice(now - look_back, now)
        usable = mean[window] > 0
        gap = 1.0
        if usable.any():
            ratio = flat[window][usable] / mean[window][usable]
            gap = float(np.average(ratio, weights=weight[usable]))
        predicted[now] = persist * flat[now - 1] + (1 - persist) * gap * mean[now]
    return predicted.reshape(energy.shape)


def _past_means(energy: Array, days: int) -> Array:
    """Mean of each slot over the `days` days before each day."""
    total = np.cumsum(np.concatenate([np.zeros((1, energy.shape[1])), energy]), axis=0)
    first = np.maximum(np.arange(len(energy)) - days, 0)
    count = np.maximum(np.arange(len(energy)) - first, 1)[:, None]
    return np.asarray((total[:-1] - total[first]) / count)


def pro_energy(trace: npt.ArrayLike, persist: float = 0.5, pool: int = 10, look_back: int = 3, mixed: int = 1) -> Array:
    """Each slot from the one before it and the most similar of the past days.

    Parameters
    ----------
    trace : array_like, shape (days, slots)
        Energy of each slot, in any unit.
    persist : float
        Weight of the slot before.
    pool : int
        Past days kept as typical.
    look_back : int
        Slots of today over which similarity (mean absolute error) is taken.
    mixed : int
        How many of the most similar days are mixed, with weights ``1 - MAE_j / sum(MAE)``.

    Notes
    -----
    ``E'(t+1) = a E(t) + (1 - a) E_d*(t+1)`` (Cammarano, Petrioli and Spenza, IEEE MASS 2012; formula from memory).
    """
    energy = _by_day(trace)
    slots = energy.shape[1]
    flat = energy.ravel()
    predicted = np.full(flat.shape, np.nan)
    for now in range(slots, flat.size):
        candidates = now - slots * np.arange(1, min(pool, now // slots) + 1)  # this slot on the pool's days
        recent = np.arange(-look_back, 0)
        shifted = np.maximum(candidates[:, None] + recent, 0)
        error = np.abs(flat[shifted] - flat[now + recent]).mean(axis=1)
        best = np.argsort(error, kind="stable")[:mixed]
        total = error[best].sum()
        weight = 1 - error[best] / total if len(best) > 1 and total > 0 else np.ones(len(best))
        typical = np.average(flat[candidates[best]], weights=weight)
        predicted[now] = persist * flat[now - 1] + (1 - persist) * typical
    return predicted.reshape(energy.shape)


def mean_of_last(daily: npt.ArrayLike, days: int = 30) -> Array:
    """Mean of the `days` days before each day: the plain guess for any day ahead; NaN for the first day."""
    energy = np.asarray(daily, dtype=float)[:, None]
    mean = _past_means(energy, days)[:, 0]
    mean[0] = np.nan
    return mean


def clearness_forecast(
    daily: npt.ArrayLike, latitude: float, day_of_year: npt.ArrayLike, ahead: int, days: int = 30
) -> Array:
    """Mean of the next `ahead` days: share of the extraterrestrial irradiation over the last `days` days, kept up.

    Parameters
    ----------
    daily : array_like, shape (n,)
        Daily harvest or irradiation, in any unit.
    latitude : float
        [degrees north]
    day_of_year : array_like, shape (n,)
        Of each day.
    ahead : int
        Days in the mean that is forecast.

    Returns
    -------
    ndarray, shape (n,)
        Forecast made before each day, for the mean of that day and the `ahead` - 1 after it; NaN for the first day.
    """
    sky = extraterrestrial_irradiation(latitude, day_of_year)
    doy = np.asarray(day_of_year)[:, None] + np.arange(ahead)
    coming = extraterrestrial_irradiation(latitude, doy).mean(axis=1)
    above = mean_of_last(sky, days)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(above > 0, mean_of_last(daily, days) / above, 0.0)
    return np.where(np.isnan(above), np.nan, share * coming)


def slope_to_empty(days: npt.ArrayLike, voltage: npt.ArrayLike, cutoff: float) -> float:
    """Days until a straight line through past voltages reaches the cut-off; infinite when it does not fall.

    Parameters
    ----------
    days : array_like
        Times of the voltages; the last is now. [d]
    voltage : array_like
        [V] NaN is left out.
    cutoff : float
        [V]
    """
    time, volts = np.asarray(days, dtype=float), np.asarray(voltage, dtype=float)
    seen = np.isfinite(volts)
    if seen.sum() < 2:
        return float("inf")
    slope, level = np.polyfit(time[seen] - time[-1], volts[seen], 1)
    if level <= cutoff:
        return 0.0
    return float((cutoff - level) / slope) if slope < 0 else float("inf")


def mean_to_empty(balance: npt.ArrayLike, usable: float) -> float:
    """Days until nothing usable is left if every day is as the mean of those behind; infinite if they do not lose.

    Parameters
    ----------
    balance : array_like, shape (n,)
        Daily net harvest less load; NaN is left out. [J]
    usable : float
        Usable energy now. [J]
    """
    days = np.asarray(balance, dtype=float)
    lost = -float(np.nanmean(days)) if np.isfinite(days).any() else 0.0
    return usable / lost if lost > 0 else float("inf")


def weekday_draws(
    net_harvest: npt.ArrayLike,
    usable: float,
    full: float,
    load: float,
    days: int,
    paths: int,
    random: np.random.Generator,
) -> Array:
    """Days to empty by the plain forecast: past days drawn again by weekday, a constant load, both storage bounds.

    Parameters
    ----------
    net_harvest : array_like, shape (n,)
        Daily net harvest up to now, oldest first; the last 28 days are used. [J]
    usable, full : float
        Usable energy now and when full. [J]
    load : float
        Energy spent a day. [J]
    days, paths : int
        Horizon and number of draws.

    Returns
    -------
    ndarray, shape (paths,)
        Whole days until nothing usable is left; infinite when the draw survives the horizon.
    """
    history = np.asarray(net_harvest, dtype=float)[-28:]
    if len(history) < 7:
        msg = f"the plain forecast needs at least 7 days of net harvest, got {len(history)}"
        raise ValueError(msg)
    energy = np.full(paths, usable)
    empty = np.full(paths, np.inf)
    for day in range(1, days + 1):
        same_weekday = history[(len(history) - 1 + day) % 7 :: 7]
        energy = np.minimum(energy + random.choice(same_weekday, paths) - load, full)
        empty[(energy <= 0) & np.isinf(empty)] = day
    return empty


class Errors(NamedTuple):
    """Errors of a slot predictor."""

    mape: float  # mean of |e| / E
    mapd: float  # sum of |e| / sum of E


def slot_errors(trace: npt.ArrayLike, predicted: npt.ArrayLike, floor: float = 0.1, skip_days: int = 25) -> Errors:
    """Errors over the slots with at least `floor` of the trace's maximum, the first `skip_days` days left out.

    The region of interest follows Ali, Al-Hashimi, Recas and Atienza, DATE 2010 (from memory).
    """
    energy, guess = _by_day(trace), _by_day(predicted)
    chosen = energy >= floor * energy.max()
    chosen[:skip_days] = False
    error = np.abs(guess - energy)[chosen]
    return Errors(float((error / energy[chosen]).mean()), float(error.sum() / energy[chosen].sum()))


def mean_errors(daily: npt.ArrayLike, predicted: npt.ArrayLike, ahead: int, skip_days: int = 25) -> float:
    """MAPD of forecasts of the mean of the `ahead` days that begin with each day."""
    energy, guess = np.asarray(daily, dtype=float), np.asarray(predicted, dtype=float)
    came = np.convolve(energy, np.ones(ahead) / ahead, mode="valid")
    kept = slice(skip_days, len(came))
    return float(np.abs(guess[kept] - came[kept]).sum() / came[kept].sum())

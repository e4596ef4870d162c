"""Plain predictors and the errors of predictors, the references of the tests on public irradiance years.

Slot predictors take a trace of shape (days, slots) and return, in the same shape, the prediction of each slot made
from what came before it; NaN where there is nothing to predict from.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SOLAR_CONSTANT = 1361.0  # [W/m2]
SECONDS_PER_DAY = 86400.0


def each_slot(trace: npt.ArrayLike, predict: Callable[[Array, int], Array]) -> Array:
    """Each slot by a predictor of `analysis.baselines`, which is shown as much of the past as it can use."""
    energy = _by_day(trace)
    slots = energy.shape[1]
    seen = SHOWN_DAYS * slots
    predicted = np.full(energy.size, np.nan)
    predicted[seen:] = predict(np.lib.stride_tricks.sliding_window_view(energy.ravel()[:-1], seen), slots)[:, 0]
    return predicted.reshape(energy.shape)


SHOWN_DAYS = 21  # 20 in the mean, and the slots of today


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


def _past_means(energy: Array, days: int) -> Array:
    """Mean of each slot over the `days` days before each day."""
    total = np.cumsum(np.concatenate([np.zeros((1, energy.shape[1])), energy]), axis=0)
    first = np.maximum(np.arange(len(energy)) - days, 0)
    count = np.maximum(np.arange(len(energy)) - first, 1)[:, None]
    return np.asarray((total[:-1] - total[first]) / count)


def mean_of_last(daily: npt.ArrayLike, days: int = 30) -> Array:
    """Mean of the `days` days before each day: the plain guess for any day ahead; NaN for the first day."""
    energy = np.asarray(daily, dtype=float)[:, None]
    mean = _past_means(energy, days)[:, 0]
    mean[0] = np.nan
    return mean


def extraterrestrial_irradiation(latitude: float, day_of_year: npt.ArrayLike) -> Array:
    """Irradiation of a horizontal plane above the atmosphere in one day, H0. [J/m2]

    Parameters
    ----------
    latitude : float
        [degrees north]
    day_of_year : array_like
        1 on the first of January.

    Notes
    -----
    Spencer's series for declination and distance, and the daily integral over the sun's path (Duffie and Beckman,
    Solar Engineering of Thermal Processes, eq. 1.10.3; from memory). Zero in the polar night.
    """
    day = 2 * np.pi * (np.asarray(day_of_year, dtype=float) - 1) / 365
    declination = (
        0.006918 - 0.399912 * np.cos(day) + 0.070257 * np.sin(day) - 0.006758 * np.cos(2 * day)
        + 0.000907 * np.sin(2 * day) - 0.002697 * np.cos(3 * day) + 0.00148 * np.sin(3 * day)
    )  # fmt: skip
    distance = (
        1.00011 + 0.034221 * np.cos(day) + 0.00128 * np.sin(day) + 0.000719 * np.cos(2 * day) + 7.7e-5 * np.sin(2 * day)
    )
    phi = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    path = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    return np.asarray(np.maximum(SECONDS_PER_DAY / np.pi * SOLAR_CONSTANT * distance * path, 0.0))


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

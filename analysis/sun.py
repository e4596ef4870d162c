"""How much light the sky can give: extraterrestrial and clear-sky daily irradiation of a horizontal plane."""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

Array = npt.NDArray[np.float64]

SOLAR_CONSTANT = 1361.0  # [W/m2]
SECONDS_PER_DAY = 86400.0
BLOCK_DAYS = 128  # of clear sky kept together: the same days are asked for again with every forecast
BLOCKS_KEPT = 1024  # 25 kB each


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


def clear_sky_hours(
    latitude: float, longitude: float, first_day: np.datetime64, days: int, utc_offset: float = 0.0, samples: int = 3
) -> Array:
    """Irradiance of a horizontal plane under a clear sky, mean of each hour of each day, shape (days, 24). [W/m2]

    Parameters
    ----------
    latitude, longitude : float
        [degrees north, degrees east]
    first_day : datetime64
        First calendar day.
    utc_offset : float
        What the calendar's clock is ahead of UTC. [h]
    samples : int
        Moments in each hour.

    Notes
    -----
    The sun's place by pvlib, the sky by the model of Haurwitz as pvlib has it. Left out: the air's own clarity,
    horizon and the panel's tilt; what they change in the season is learned from the node.
    """
    begin = int(first_day.astype("datetime64[D]").astype(np.int64))
    blocks = range(begin // BLOCK_DAYS, (begin + days - 1) // BLOCK_DAYS + 1)
    hours = np.concatenate([_clear_sky_block(latitude, longitude, block, utc_offset, samples) for block in blocks])
    return np.asarray(hours[begin % BLOCK_DAYS :][:days])


@lru_cache(maxsize=BLOCKS_KEPT)
def _clear_sky_block(latitude: float, longitude: float, block: int, utc_offset: float, samples: int) -> Array:
    """The hours of BLOCK_DAYS days, those of block 0 from 1970 on; shape (BLOCK_DAYS, 24). [W/m2]"""
    step = pd.Timedelta(hours=1) / samples
    first = pd.Timestamp(block * BLOCK_DAYS, unit="D") - pd.Timedelta(hours=utc_offset) + step / 2
    times = pd.date_range(first, periods=BLOCK_DAYS * 24 * samples, freq=step, tz="UTC")
    zenith = pvlib.solarposition.get_solarposition(times, latitude, longitude)["apparent_zenith"]
    irradiance = pvlib.clearsky.haurwitz(zenith)["ghi"].to_numpy(dtype=float)
    return np.asarray(irradiance.reshape(BLOCK_DAYS, 24, samples).mean(axis=2))

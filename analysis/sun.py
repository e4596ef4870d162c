"""How much light the sky can give: irradiance of a horizontal plane under a clear sky."""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib
from pvlib import spa

Array = npt.NDArray[np.float64]

BLOCK_DAYS = 128  # of clear sky kept together: the same days are asked for again with every forecast
BLOCKS_KEPT = 1024  # 25 kB each
SUNS_KEPT = 32  # 300 kB each
AIR, RISEN, DELTA_T = (1013.25, 12.0), 0.5667, 67.0  # [hPa, degC], refraction at the horizon [degrees], TT - UT [s]


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
    sidereal, ascension, declination, radius = _sun(block, utc_offset, samples)
    hour, parallax = spa.local_hour_angle(sidereal, longitude, ascension), spa.equatorial_horizontal_parallax(radius)
    flattened = spa.uterm(latitude)
    x, y = (term(flattened, latitude, 0.0) for term in (spa.xterm, spa.yterm))
    moved = spa.parallax_sun_right_ascension(x, parallax, hour, declination)
    seen = spa.topocentric_sun_declination(declination, x, y, parallax, moved, hour)
    height = spa.topocentric_elevation_angle_without_atmosphere(
        latitude, seen, spa.topocentric_local_hour_angle(hour, moved)
    )
    height = height + spa.atmospheric_refraction_correction(*AIR, height, RISEN)
    irradiance = pvlib.clearsky.haurwitz(pd.Series(spa.topocentric_zenith_angle(height)))["ghi"].to_numpy(dtype=float)
    return np.asarray(irradiance.reshape(BLOCK_DAYS, 24, samples).mean(axis=2))


@lru_cache(maxsize=SUNS_KEPT)
def _sun(block: int, utc_offset: float, samples: int) -> tuple[Array, Array, Array, Array]:
    """The sun as the earth has it, alike for all sites that share a clock: nearly all there is to compute of its place.

    Apparent sidereal time, geocentric right ascension and declination [degrees], distance [au].
    """
    step = 3600.0 / samples
    time = (block * BLOCK_DAYS * 24 - utc_offset) * 3600.0 + (np.arange(BLOCK_DAYS * 24 * samples) + 0.5) * step
    place = time, 0.0, 0.0, 0.0, *AIR, DELTA_T, RISEN, 1
    return *spa.solar_position_numpy(*place, sst=True), *spa.solar_position_numpy(*place, esd=True)

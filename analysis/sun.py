"""How much light the sky can give: irradiance of a horizontal plane under a clear sky."""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

Array = npt.NDArray[np.float64]

BLOCK_DAYS = 128  # of clear sky kept together: the same days are asked for again with every forecast
BLOCKS_KEPT = 1024  # 25 kB each


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

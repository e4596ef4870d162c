"""The four public irradiance years that the harvest models are measured on; see the header of the data file."""

import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

FILE = Path(__file__).parents[1] / "data" / "ghi_hourly.csv.gz"
PLACES = {  # latitude, longitude [degrees], clock ahead of UTC [h]
    "greensboro": (36.1, -79.95, -5.0),
    "sand_point": (55.317, -160.517, -9.0),
    "burlington": (44.465, -73.205, -5.0),
    "piedmont": (45.0, 8.0, 0.0),
}


@dataclass(frozen=True)
class Year:
    name: str
    latitude: float
    longitude: float
    utc_offset: float
    hourly: npt.NDArray[np.float64]  # shape (365, 24) [W/m2]

    @property
    def daily(self) -> npt.NDArray[np.float64]:
        return np.asarray(self.hourly.sum(axis=1))


def load() -> dict[str, Year]:
    with gzip.open(FILE, "rt") as lines:
        rows = [line for line in lines if not line.startswith("#")]
    columns = np.loadtxt(rows[1:], delimiter=",").T
    names = rows[0].strip().split(",")
    return {
        name: Year(name, *PLACES[name], column.reshape(365, 24)) for name, column in zip(names, columns, strict=True)
    }


YEARS = load()


def tilted(year: Year, tilt: float) -> npt.NDArray[np.float64]:
    """Daily irradiation of a panel to the south, by the library's splitting (Erbs) and isotropic sky."""
    hours = pd.date_range("2021-01-01 00:30", periods=8760, freq="h", tz="UTC") - pd.Timedelta(hours=year.utc_offset)
    sun = pvlib.solarposition.get_solarposition(hours, year.latitude, year.longitude)
    flat = year.hourly.ravel()
    parts = pvlib.irradiance.erbs(flat, sun["zenith"], hours.day_of_year)
    beam = np.where(sun["zenith"] < 85, parts["dni"], 0.0)
    whole = pvlib.irradiance.get_total_irradiance(
        tilt, 180.0, sun["apparent_zenith"], sun["azimuth"], beam, flat, np.where(beam > 0, parts["dhi"], flat)
    )["poa_global"]
    return np.asarray(whole.to_numpy().reshape(365, 24).sum(axis=1))

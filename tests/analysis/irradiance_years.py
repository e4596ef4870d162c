"""The four public irradiance years that the harvest models are measured on; see the header of the data file."""

import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

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

"""The design budget of one node type: a TOML file with units in, SI numbers out."""

import itertools
import math
import re
import tomllib
from collections.abc import Callable
from typing import Annotated, Any, Literal, Self

import pint
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from ingest.errors import FleetError

UNITS: "pint.UnitRegistry[Any]" = pint.UnitRegistry(cache_folder=None)
SECONDS_PER_DAY = 86400.0
DAYS_PER_YEAR = 365.25
DAY_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def quantity(unit: str, must: Literal["be positive", "not be negative"] | None = None) -> Callable[[Any], float]:
    """A parser from a string with a unit to a number in `unit`."""

    def parse(value: Any) -> float:
        if not isinstance(value, str):
            msg = f'expected a string with a unit of {unit}, such as "1 {unit}", got {value!r}'
            raise ValueError(msg)
        try:
            magnitude = float(UNITS.Quantity(value).to(unit).magnitude)
        except pint.UndefinedUnitError as error:
            msg = f'unknown unit in "{value}" ({error}); expected a unit of {unit}'
            raise ValueError(msg) from None
        except (pint.PintError, ValueError, TypeError, AttributeError, ArithmeticError):
            msg = f'expected a quantity in units of {unit}, got "{value}"'
            raise ValueError(msg) from None
        if not math.isfinite(magnitude):
            msg = f'expected a finite quantity in units of {unit}, got "{value}"'
            raise ValueError(msg)
        if (must == "be positive" and magnitude <= 0) or (must == "not be negative" and magnitude < 0):
            msg = f'must {must}, got "{value}"'
            raise ValueError(msg)
        return magnitude

    return parse


def _hours(value: Any) -> tuple[float, float]:
    match = re.fullmatch(r"(\d{2}):(\d{2})-(\d{2}):(\d{2})", value) if isinstance(value, str) else None
    if match is None:
        msg = f'expected hours such as "06:00-22:00", got {value!r}'
        raise ValueError(msg)
    h1, m1, h2, m2 = map(int, match.groups())
    if max(h1, h2) > 24 or max(m1, m2) > 59:
        msg = f'expected hours between "00:00" and "24:00", got {value!r}'
        raise ValueError(msg)
    return h1 + m1 / 60, h2 + m2 / 60


def _days(value: Any) -> tuple[int, ...]:
    days: set[int] = set()
    for part in str(value).lower().split(","):
        ends = [DAY_NAMES.index(d) for d in part.strip().split("-") if d in DAY_NAMES]
        if len(ends) != len(part.strip().split("-")) or len(ends) > 2:
            msg = f'expected days such as "mon-sat" or "mon,wed,fri", got {value!r}'
            raise ValueError(msg)
        first, last = ends[0], ends[-1]
        days.update((first + i) % 7 for i in range((last - first) % 7 + 1))
    return tuple(sorted(days))


Volt = Annotated[float, BeforeValidator(quantity("V", "be positive"))]
Amp = Annotated[float, BeforeValidator(quantity("A", "not be negative"))]
Watt = Annotated[float, BeforeValidator(quantity("W", "not be negative"))]
Farad = Annotated[float, BeforeValidator(quantity("F", "be positive"))]
FaradPerVolt = Annotated[float, BeforeValidator(quantity("F/V"))]
Ohm = Annotated[float, BeforeValidator(quantity("ohm", "not be negative"))]
Second = Annotated[float, BeforeValidator(quantity("s", "be positive"))]
Coulomb = Annotated[float, BeforeValidator(quantity("C", "be positive"))]
Tolerance = Annotated[float, Field(ge=0, le=2)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


class Harvest(_Part):
    """What the harvester is expected to put into the storage."""

    source: Literal["light-outdoor", "light-indoor", "vibration", "thermal", "radio", "other", "none"]
    mean_power: Watt = 0.0  # mean over a normal week, after conversion [W]
    tolerance: Tolerance = 0.3  # one standard deviation, as a fraction
    active_hours: Annotated[tuple[float, float], BeforeValidator(_hours)] | None = None  # site time [h]
    active_days: Annotated[tuple[int, ...], BeforeValidator(_days)] | None = None  # Monday is 0

    @property
    def outdoors(self) -> bool:
        """Whether the harvest follows the sun."""
        return self.source == "light-outdoor"


class Storage(_Part):
    """The store: a capacitor by C(V), or a battery by capacity and open-circuit-voltage table."""

    technology: Literal[
        "capacitor", "supercapacitor", "lithium-ion", "lithium-iron-phosphate", "lithium-titanate", "primary", "other"
    ]
    capacitance: Farad | None = None  # dQ/dV at 0 V [F]
    capacitance_slope: FaradPerVolt = 0.0  # [F/V]
    capacitance_tolerance: Tolerance = 0.2
    capacity: Coulomb | None = None  # of a battery [C]
    ocv: tuple[tuple[float, float], ...] | None = None  # state of charge, open-circuit voltage [-, V]
    esr: Ohm = 0.0
    leakage_current: Amp = 0.0  # at full voltage and 25 degC [A]
    leakage_tolerance: Tolerance = 0.5
    full_voltage: Volt
    cutoff_voltage: Volt
    restart_voltage: Volt | None = None
    end_of_life_capacity: Annotated[float, Field(gt=0, lt=1)] = 0.8
    end_of_life_esr_ratio: Annotated[float, Field(gt=1)] = 2.0

    @property
    def is_battery(self) -> bool:
        """Whether the store is described by capacity and open-circuit voltage."""
        return self.ocv is not None

    @property
    def voltage_restart(self) -> float:
        """Voltage at which a dark node starts again. [V]"""
        return self.cutoff_voltage if self.restart_voltage is None else self.restart_voltage

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.capacitance is None) == (self.capacity is None):
            raise ValueError('give either capacitance (a capacitor) or capacity with ocv (a battery), e.g. "1.0 F"')
        if (self.capacity is None) != (self.ocv is None):
            raise ValueError("a battery needs both capacity and ocv = [[0.0, 3.0], ..., [1.0, 4.2]]")
        if self.cutoff_voltage >= self.full_voltage:
            msg = f"cutoff_voltage {self.cutoff_voltage:g} V must be below full_voltage {self.full_voltage:g} V"
            raise ValueError(msg)
        if not self.cutoff_voltage <= self.voltage_restart <= self.full_voltage:
            msg = (
                f"restart_voltage {self.voltage_restart:g} V must lie between cutoff_voltage {self.cutoff_voltage:g} V"
                f" and full_voltage {self.full_voltage:g} V"
            )
            raise ValueError(msg)
        if self.capacitance is not None and self.capacitance + self.capacitance_slope * self.full_voltage <= 0:
            msg = f"capacitance_slope {self.capacitance_slope:g} F/V makes the capacitance negative at full_voltage"
            raise ValueError(msg)
        if self.ocv is not None:
            self._check_ocv(self.ocv)
        return self

    @staticmethod
    def _check_ocv(ocv: tuple[tuple[float, float], ...]) -> None:
        charge = [point[0] for point in ocv]
        volts = [point[1] for point in ocv]
        rising = all(a < b for a, b in itertools.pairwise(charge)) and all(a < b for a, b in itertools.pairwise(volts))
        if len(ocv) < 2 or not rising or volts[0] == volts[-1] or charge[0] != 0.0 or charge[-1] != 1.0:
            raise ValueError("ocv must rise from state of charge 0.0 to 1.0, its voltage never falling")


class Load(_Part):
    """What the node spends: wakes and sleep, at the rail, and how the rail is made from the storage."""

    rail_voltage: Volt | None = None
    regulator: Literal["switching", "linear", "none"]
    efficiency: Annotated[float, Field(gt=0, le=1)] = 1.0
    sleep_current: Amp
    wake_current: Amp
    wake_duration: Second
    wakes_per_day: Annotated[float, Field(ge=0, le=SECONDS_PER_DAY * 100)]
    wake_tolerance: Tolerance = 0.1
    sleep_tolerance: Tolerance = 0.2

    @property
    def voltage_rail(self) -> float:
        """Voltage behind the regulator, NaN where there is none and the load runs at the storage's. [V]"""
        return math.nan if self.rail_voltage is None else self.rail_voltage

    @model_validator(mode="after")
    def _regulated(self) -> Self:
        if self.rail_voltage is None and self.regulator != "none":
            msg = f'rail_voltage is missing; expected with regulator = "{self.regulator}", e.g. "3.0 V"'
            raise ValueError(msg)
        return self


class Targets(_Part):
    """What the design promised; a field that the budget leaves out is a default and not in `model_fields_set`."""

    autonomy: Second = 3 * SECONDS_PER_DAY
    service_life: Second = 10 * DAYS_PER_YEAR * SECONDS_PER_DAY


class Telemetry(_Part):
    """How the node reports."""

    report_interval: Second
    adc_step: Volt = 1e-3
    wake_counter_bits: Annotated[int, Field(ge=8, le=64)] = 32


class Budget(_Part):
    """The design assumptions of one node type, in SI units."""

    name: Annotated[str, Field(min_length=1)]
    description: str = ""
    harvest: Harvest
    storage: Storage
    load: Load
    targets: Targets = Targets()
    telemetry: Telemetry


def parse_budget(text: str, file: str) -> Budget:
    """A budget from the text of its TOML file.

    Parameters
    ----------
    text : str
        The TOML document.
    file : str
        Its name, for messages.

    Raises
    ------
    FleetError
        Naming file, key, value and what was expected.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        msg = f"{file}: not valid TOML: {error}"
        raise FleetError(msg) from None
    try:
        return Budget.model_validate(raw)
    except ValidationError as error:
        raise FleetError(describe(error, file)) from None


def describe(error: ValidationError, where: str) -> str:
    """One line for a validation error: where, key, what was wrong, and how many more there are."""
    first = error.errors(include_url=False)[0]
    key = ".".join(str(part) for part in first["loc"]) or "(whole)"
    text = first["msg"].removeprefix("Value error, ")
    if first["type"] == "missing":
        text = "is missing"
    elif "got" not in text and not isinstance(first["input"], dict):
        text = f"{text}, got {first['input']!r}"
    text = re.sub(r"\s+", " ", text)
    more = error.error_count() - 1
    return f"{where}: {key}: {text[:300]}" + (f" (and {more} more)" if more else "")

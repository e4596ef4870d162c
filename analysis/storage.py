"""Storage physics: terminal voltage to charge and energy, for capacitors by C(V), for batteries by OCV table."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from ingest.budget import Storage

Numeric = float | npt.NDArray[np.float64]
TEMPERATURE_REFERENCE_C = 25.0
LEAKAGE_DOUBLING_K = 10.0
LEAST_LEAKAGE = 0.05  # of an ohmic one, however steep its form: a parabola turns negative
GRID_POINTS = 513
SMOOTH_POINTS = 2001  # of a battery's curve between the points of its table,
SMOOTH = 0.6  # of which it goes so far as a smooth curve does, and for the rest in straight lines (our choice)
REFERENCE_DOUBT = 0.005  # of a converter's reference, one sd (common practice, no source)
TABLE_DOUBT_V = 0.005  # of a cell's table at any temperature, one sd: common practice, no source
LEANS = (-2.0, -1.0, 1.0, 2.0)  # standard deviations that a cell's table may be read higher by
BATTERY_OVERSHOOT_V = 0.05  # a battery's grid goes on this far above its table, on the last slope


@dataclass(frozen=True)
class StorageCurve:
    """Charge and energy of one storage over its voltage, at its nominal capacity.

    Attributes
    ----------
    voltage, charge, stored : ndarray, shape (GRID_POINTS,)
        Rest voltage, evenly spaced [V], charge above 0 V [C], energy above 0 V [J]. A battery's begin at its empty
        voltage, where charge and energy are zero. Between grid points all three are read linearly; at 513 points the
        error for a capacitor is below 2e-6 of the full energy.
    cutoff_j, full_j : float
        Stored energy at the cut-off and at the full voltage. [J]
    """

    voltage: npt.NDArray[np.float64]
    charge: npt.NDArray[np.float64]
    stored: npt.NDArray[np.float64]
    cutoff_j: float
    full_j: float

    @cached_property
    def per_volt(self) -> npt.NDArray[np.float64]:
        """Energy a volt at the voltages of the grid. [J/V]"""
        return np.asarray(np.gradient(self.stored, self.voltage))

    def energy(self, voltage: Numeric) -> Numeric:
        """Energy stored above zero at a rest voltage, in joules; held at the ends of the grid; NaN stays NaN."""
        return np.interp(voltage, self.voltage, self.stored)

    def voltage_at(self, stored: Numeric) -> Numeric:
        """Rest voltage that holds the stored energy `stored` [J], in volts."""
        return np.interp(stored, self.stored, self.voltage)

    def usable(self, voltage: Numeric) -> Numeric:
        """Energy above the cut-off voltage, in joules; zero below it."""
        return np.maximum(np.asarray(self.energy(voltage)) - self.cutoff_j, 0.0)

    def share_left(self, voltage: Numeric, full_voltage: Numeric) -> Numeric:
        """Usable energy at a rest voltage [V] over that at the voltage at which the node is full [V], at most one."""
        full = np.maximum(self.usable(full_voltage), 1e-12)
        return np.minimum(np.asarray(self.usable(voltage)) / full, 1.0)

    def charge_at(self, voltage: Numeric) -> Numeric:
        """Charge stored above zero at a rest voltage, in coulombs."""
        return np.interp(voltage, self.voltage, self.charge)


def capacitor_energy(voltage: Numeric, capacitance: float, slope: float = 0.0) -> Numeric:
    """Energy of a capacitor whose differential capacitance is C0 + k V, in joules.

    Parameters
    ----------
    voltage : float or ndarray
        Rest voltage. [V] NaN marks a missing sample and stays NaN.
    capacitance : float
        C0, dQ/dV at zero volts. [F]
    slope : float
        k. [F/V]

    Notes
    -----
    E = C0 V^2/2 + k V^3/3, from dQ = (C0 + k V) dV and dE = V dQ. The static convention Q = (C0 + k V) V would give
    2k V^3/3 instead; budgets state the differential one, as in the two-branch model of [1]_. Left out: the slow branch
    (redistribution) and temperature.

    References
    ----------
    .. [1] Zubieta and Bonert, IEEE Trans. Ind. Appl. 36(1):199, 2000 (cited after secondary sources).
    """
    return capacitance * voltage**2 / 2 + slope * voltage**3 / 3


@lru_cache(maxsize=1024)
def storage_curve(storage: Storage) -> StorageCurve:
    """The charge and energy curve of a budget's storage at nominal capacity.

    Notes
    -----
    A capacitor's grid runs from 0 V to 1.25 times the full voltage. A battery's runs over its open-circuit-voltage
    table, a little past its ends on its last slope so that a reading just outside still moves. Between the points of
    the table voltage is a monotone cubic [1]_: a cell has no kinks, and its slope is what tells energy from voltage.
    Past the top that cubic may be flat, as that of three points is: it then goes on as the last two points do.

    References
    ----------
    .. [1] Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5(2):300, 1984, as scipy has it.
    """
    if storage.ocv is None or storage.capacity is None:
        assert storage.capacitance is not None  # the budget's validation guarantees one of the two
        voltage = np.linspace(0.0, 1.25 * storage.full_voltage, GRID_POINTS)
        charge = storage.capacitance * voltage + storage.capacitance_slope * voltage**2 / 2
        stored = np.asarray(capacitor_energy(voltage, storage.capacitance, storage.capacitance_slope))
    else:
        state = np.linspace(storage.ocv[0][0], storage.ocv[-1][0], SMOOTH_POINTS)
        points = np.array(storage.ocv, dtype=np.float64).T
        ocv = SMOOTH * PchipInterpolator(*points)(state) + (1.0 - SMOOTH) * np.interp(state, *points)
        ocv = ocv + np.arange(len(ocv)) * 1e-9  # a flat stretch of the table still gets one charge per voltage
        voltage = np.linspace(ocv[0], ocv[-1] + BATTERY_OVERSHOOT_V, GRID_POINTS)
        (s0, v0), (s1, v1) = storage.ocv[-2:]
        rise = max((ocv[-1] - ocv[-2]) / (state[-1] - state[-2]), (v1 - v0) / (s1 - s0))
        beyond = np.maximum(voltage - ocv[-1], 0.0) / rise
        charge = storage.capacity * (np.interp(voltage, ocv, state) + beyond)
        stored = np.concatenate([[0.0], np.cumsum(np.diff(charge) * (voltage[1:] + voltage[:-1]) / 2)])
    cutoff_j, full_j = np.interp([storage.cutoff_voltage, storage.full_voltage], voltage, stored)
    return StorageCurve(voltage, charge, stored, float(cutoff_j), float(full_j))


def slope_lean(storage: Storage, voltage: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """What the logarithm of a cell's energy a volt gains where its table is read LEANS standard deviations higher.

    Shape (LEANS, voltages). Zero for a capacitor, whose energy a volt is known as well as its capacity, and where a
    cell's curve is straight. A slope may differ by half, or twice, at a knee that lies a hundredth of a volt from where
    a converter's reference and a table of a few points place it.
    """
    if not storage.is_battery:
        return np.zeros((len(LEANS), len(voltage)))
    curve = storage_curve(storage)
    slope = np.log(np.maximum(curve.per_volt, 1e-9 * curve.full_j))
    off = np.hypot(REFERENCE_DOUBT * voltage, TABLE_DOUBT_V)
    here = np.interp(voltage, curve.voltage, slope)
    return np.stack([np.interp(voltage + x * off, curve.voltage, slope) - here for x in LEANS])


def slope_doubt(storage: Storage, voltage: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """How far a cell's energy a volt may be off the table's at a voltage: one standard deviation, relative."""
    _, below, above, _ = slope_lean(storage, voltage)
    return np.asarray(np.abs(above - below) / 2)


def table_doubt(storage: Storage, voltage: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """How far a cell's energy a volt may be off between the points of its table: one standard deviation, relative.

    By how far straight lines between the points and the smooth curve are apart, root mean square from point to point: a
    table of few points says no more. Zero for a capacitor.
    """
    if storage.ocv is None:
        return np.zeros(len(voltage))
    _, segment, apart = _apart(storage.ocv)
    count = np.maximum(np.bincount(segment), 1)
    each = np.sqrt(np.bincount(segment, np.minimum(np.abs(apart), 1.0) ** 2) / count)
    ocv = np.array(storage.ocv, dtype=np.float64)[:, 1]
    return each[np.clip(np.searchsorted(ocv, voltage, side="right") - 1, 0, len(each) - 1)]


def table_bend(storage: Storage, voltage: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Logarithm of a cell's energy a volt by straight lines between its table's points, over that of the smooth curve.

    Zero for a capacitor.
    """
    if storage.ocv is None:
        return np.zeros(len(voltage))
    volts, _, apart = _apart(storage.ocv)
    return np.interp(voltage, volts, apart)


@lru_cache(maxsize=1024)
def _apart(
    table: tuple[tuple[float, float], ...],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Along a cell's curve: voltage, the segment of its table, and `table_bend`, by which both are apart."""
    state, ocv = np.array(table, dtype=np.float64).T
    fine = np.linspace(state[0], state[-1], SMOOTH_POINTS)
    curve = PchipInterpolator(state, ocv)
    smooth = np.maximum(curve.derivative()(fine), 1e-9)
    segment = np.clip(np.searchsorted(state, fine, side="right") - 1, 0, len(state) - 2)
    straight = np.maximum(np.diff(ocv) / np.diff(state), 1e-9)
    return curve(fine), segment, np.log(smooth / straight[segment])  # a volt's charge is the slope's inverse


def leakage_power(storage: Storage, voltage: Numeric, temperature: Numeric = TEMPERATURE_REFERENCE_C) -> Numeric:
    """Power lost inside the storage, in watts.

    Parameters
    ----------
    voltage : float or ndarray
        Rest voltage. [V]
    temperature : float or ndarray
        [degC]

    Notes
    -----
    The budget's leakage current at full voltage and 25 degC, falling in proportion to voltage (an ohmic path) and
    doubling every 10 K. The true dependence on voltage is steeper in many parts: see `leakage_form`.
    """
    current = storage.leakage_current * voltage / storage.full_voltage
    warmth = 2.0 ** ((np.asarray(temperature) - TEMPERATURE_REFERENCE_C) / LEAKAGE_DOUBLING_K)
    return np.asarray(current * voltage * warmth)


def leakage_form(
    storage: Storage, by: Sequence[Numeric] | npt.NDArray[np.float64], voltage: Numeric, temperature: Numeric
) -> Numeric:
    """What a fitted dependence makes of `leakage_power`, whose ratio to the budget is that at full voltage and 25 degC.

    Parameters
    ----------
    by : sequence of three
        Change per full voltage, per its square, and per 10 K, as `analysis.state` has them.
    voltage, temperature : float or ndarray
        [V], [degC]
    """
    x = voltage / storage.full_voltage - 1.0
    warmth = (np.asarray(temperature) - TEMPERATURE_REFERENCE_C) / 10.0
    return np.asarray(np.maximum(1.0 + by[0] * x + by[1] * x * x + by[2] * warmth, LEAST_LEAKAGE))


def fitted_leakage(
    storage: Storage, by: Sequence[Numeric] | npt.NDArray[np.float64], voltage: Numeric, temperature: Numeric
) -> Numeric:
    """`leakage_power` with its fitted form, at the budget's size, in watts; parameters as for `leakage_form`."""
    return leakage_power(storage, voltage, temperature) * leakage_form(storage, by, voltage, temperature)

"""The load seen from the storage terminals, for the three regulators."""

import numpy as np
import numpy.typing as npt

from ingest.budget import SECONDS_PER_DAY, Load

Numeric = float | npt.NDArray[np.float64]


def storage_current(load: Load, current: float, voltage: Numeric) -> Numeric:
    """Current drawn from the storage for a rail current, in amperes.

    Parameters
    ----------
    current : float
        At the rail. [A]
    voltage : float or ndarray
        Storage voltage. [V]

    Notes
    -----
    A switching regulator draws constant power, rail_voltage * current / efficiency; through a linear regulator, or
    none, the current itself passes. Left out: the regulator's own quiescent current (put it into sleep_current) and
    its dropout.
    """
    if load.regulator == "switching":
        return np.asarray(load.voltage_rail * current / load.efficiency / voltage)
    return np.full_like(np.asarray(voltage, dtype=np.float64), current)


def wake_current(load: Load, voltage: Numeric) -> Numeric:
    """Current drawn from the storage during a wake, in amperes."""
    return storage_current(load, load.wake_current, voltage)


def wake_energy(load: Load, voltage: Numeric) -> Numeric:
    """Energy of one wake at the storage terminals, in joules."""
    return np.asarray(wake_current(load, voltage) * voltage * load.wake_duration)


def sleep_power(load: Load, voltage: Numeric) -> Numeric:
    """Power of sleep at the storage terminals, in watts."""
    return np.asarray(storage_current(load, load.sleep_current, voltage) * voltage)


def load_power(load: Load, voltage: Numeric, wakes_per_day: float | None = None) -> Numeric:
    """Mean power of wakes and sleep at the storage terminals, in watts; the budget's wake rate unless given [1/d]."""
    rate = load.wakes_per_day if wakes_per_day is None else wakes_per_day
    return np.asarray(wake_energy(load, voltage) * rate / SECONDS_PER_DAY + sleep_power(load, voltage))

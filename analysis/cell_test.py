"""Capacitance and resistance of a double-layer capacitor from a bench discharge, as IEC 62391-1 and 62576 measure it.

For figures of a budget, and for a part taken out at a visit. The clauses are from memory; formulas and currents agree
with the published measurements of [1]_ that the tests quote.

References
----------
.. [1] Supercapacitor Discharge Measurements 25 F / 50 F DUT Sets, Zenodo, doi 10.5281/zenodo.17392993 (CC BY 4.0), to
   the paper doi 10.1109/OJIA.2026.3675690.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FIT_SHARES = (0.9, 0.3)  # of the rated voltage; above it the step, below it the curve bends
FEWEST_TO_FIT = 10
SETTLED_S = (0.1, 0.4)  # after the current begins: past its rise, before redistribution counts
CLASS_CURRENTS = {1: 1e-3, 2: 0.4e-3, 3: 4e-3, 4: 40e-3}  # [A] for each farad, and from class 2 on each volt
EFFICIENCY = 0.95  # that the currents of IEC 62576 are chosen for


@dataclass(frozen=True)
class Discharge:
    """A constant-current discharge from the rated voltage.

    Attributes
    ----------
    time, voltage : ndarray, shape (n,)
        From the moment the current begins [s]; terminal voltage [V].
    current : float
        Drawn, positive. [A]
    rated_voltage : float
        [V]
    rest_voltage : float
        Just before the current begins. [V]
    """

    time: Array
    voltage: Array
    current: float
    rated_voltage: float
    rest_voltage: float

    def when(self, share: float) -> float:
        """Time at which the voltage has fallen to a share of the rated voltage, in seconds.

        Raises
        ------
        ValueError
            Where the discharge does not pass that voltage.
        """
        level, lowest = share * self.rated_voltage, np.minimum.accumulate(self.voltage)
        if not lowest[0] >= level >= lowest[-1]:
            msg = f"the discharge must pass {level:g} V, it runs from {lowest[0]:g} V to {lowest[-1]:g} V"
            raise ValueError(msg)
        return float(np.interp(-level, -lowest, self.time))


def capacitance_by_time(discharge: Discharge) -> float:
    """Capacitance between 0.8 and 0.4 of the rated voltage, in farads.

    Notes
    -----
    IEC 62391-1 method 1A, C = I (t2 - t1) / (U1 - U2), after charging to the rated voltage and holding it for 30 min.
    """
    seconds = discharge.when(0.4) - discharge.when(0.8)
    return discharge.current * seconds / (0.4 * discharge.rated_voltage)


def capacitance_by_energy(discharge: Discharge) -> float:
    """Capacitance from the energy given between 0.9 and 0.7 of the rated voltage, in farads.

    Notes
    -----
    IEC 62576, C = 2 W / ((0.9 U_R)^2 - (0.7 U_R)^2). Left out, as there: the energy lost in the resistance.
    """
    ends = np.array([discharge.when(0.9), discharge.when(0.7)])
    between = discharge.time[(discharge.time > ends[0]) & (discharge.time < ends[1])]
    time = np.concatenate([ends[:1], between, ends[1:]])
    energy = discharge.current * np.trapezoid(np.interp(time, discharge.time, discharge.voltage), time)
    return float(2 * energy / ((0.9**2 - 0.7**2) * discharge.rated_voltage**2))


class DifferentialFit(NamedTuple):
    """dQ/dV = `at_zero` + `slope` V, in F and F/V: the budget's `capacitance` and `capacitance_slope`."""

    at_zero: float
    slope: float

    def at(self, voltage: npt.ArrayLike) -> Array:
        """dQ/dV at a voltage, in farads."""
        return self.at_zero + self.slope * np.asarray(voltage, dtype=float)


def differential_fit(discharge: Discharge) -> DifferentialFit:
    """Capacitance as a straight line over voltage, from the charge drawn between 0.9 and 0.3 of the rated voltage.

    Notes
    -----
    Least squares of the charge as a parabola over the voltage, whose derivative is the line: no differences of noisy
    samples. The voltage is the loaded one, below the rest voltage by I R.

    Raises
    ------
    ValueError
        For fewer than ten samples between those voltages.
    """
    first, last = (discharge.when(share) for share in FIT_SHARES)
    inside = (discharge.time >= first) & (discharge.time <= last)
    if inside.sum() < FEWEST_TO_FIT:
        between = " V and ".join(f"{share * discharge.rated_voltage:g}" for share in FIT_SHARES)
        msg = f"a fit needs at least {FEWEST_TO_FIT} samples between {between} V, got {inside.sum()}"
        raise ValueError(msg)
    half_slope, at_zero, _ = np.polyfit(discharge.voltage[inside], -discharge.current * discharge.time[inside], 2)
    return DifferentialFit(float(at_zero), float(2 * half_slope))


def step_resistance(discharge: Discharge) -> float:
    """Series resistance from the step as the current begins, in ohms; never negative.

    Notes
    -----
    Median over 0.1 to 0.4 s of what the voltage has lost beyond the charge drawn by then, over the current; the
    charge's part, I t / C, by the differential fit at that voltage. Extending a straight line back from the middle of
    the curve instead gives -30 to -81 milliohm for sound parts at a small current [1]_: the curve is not straight, and
    its bend over the whole discharge is larger than the step.

    Raises
    ------
    ValueError
        When no sample lies in that time, or too few for the fit.
    """
    early = (discharge.time >= SETTLED_S[0]) & (discharge.time <= SETTLED_S[1])
    if not early.any():
        msg = f"a step needs a sample between {SETTLED_S[0]:g} s and {SETTLED_S[1]:g} s after the current begins"
        raise ValueError(msg)
    voltage = discharge.voltage[early]
    drained = discharge.current * discharge.time[early] / differential_fit(discharge).at(voltage)
    return max(float(np.median(discharge.rest_voltage - voltage - drained)) / discharge.current, 0.0)


def class_current(part_class: Literal[1, 2, 3, 4], capacitance: float, rated_voltage: float) -> float:
    """Discharge current of IEC 62391-1 for a class of use, in amperes.

    Notes
    -----
    Class 1 (memory backup) 1 C mA; 2 (energy storage) 0.4 C U_R; 3 (power) 4 C U_R; 4 (instantaneous power) 40 C U_R,
    each in mA with C in F and U_R in V.
    """
    return CLASS_CURRENTS[part_class] * capacitance * (1.0 if part_class == 1 else rated_voltage)


class Currents(NamedTuple):
    """Charge and discharge current. [A]"""

    charge: float
    discharge: float


def efficiency_currents(rated_voltage: float, resistance: float) -> Currents:
    """Currents of IEC 62576, at which 95 % of the energy gets in and 95 % comes out.

    Notes
    -----
    The resistance takes I R of the voltage; against the mean voltage U_R / 2 of a whole charge or discharge that is a
    loss of 2 I R / U_R of what the store takes or holds: 0.05 / 0.95 and 0.05 give U_R / (38 R) and U_R / (40 R).
    """
    lost = 1 - EFFICIENCY
    return Currents(rated_voltage * lost / (2 * EFFICIENCY * resistance), rated_voltage * lost / (2 * resistance))

"""The state of a node's estimator: what it is made of, its prior by the budget, and what the evidence sees of it."""

import numpy as np
from numba import njit

from analysis.evidence import lags, middle_voltage
from analysis.load import sleep_power
from analysis.quiet import scheduled_quiet
from analysis.quiet_runs import LINES
from analysis.series import Floats
from analysis.sources import SOURCES
from ingest.budget import Budget

# The state: ln capacity ratio at the start and what has been added since; ln wake energy; ln sleep as it shows in quiet
# hours, less the harvest left in them; ln leakage at the start and what has been added; its dependence on voltage, on
# the square of that and on temperature beyond the budget's; thermal line; ln capacity by voltage, of a capacitor per
# full voltage, of a cell by how many standard deviations of `storage.slope_lean` its converter reads low; share of a
# slow branch, or where there is none hysteresis of a cell (`quiet_runs.turn`) and harvest left in spells of rest.
CAPACITY, FADE, WAKE, SLEEP, LEAK, RISE, BY_VOLT, BY_SQUARE, BY_WARMTH, THERMAL, SHAPE, SLOW = range(12)
STATES = 12
DRIFT_PER_DAY = np.array([0.0, 0.004, 3e-4, 5e-4, 0.0, 0.003, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])  # one sd, per root day
# Of ln leakage where temperature is not reported, one sd per root day indoors and outdoors, and at the start. A hall
# without heating warms by 13 K from February to May: with 0.012 indoors 5 of 28 sound nodes there were found to fade,
# with 0.018 none; of 18 fades 17 were named within 240 days with either, and 7 with 0.03.
UNMEASURED_DRIFT = (0.018, 0.03)
UNMEASURED_START = 0.5
LEAKING_DRIFT = 0.03  # of ln leakage after a sudden change, one sd per root day: what has begun to leak goes on
# What a sudden change may move, one sd: a storage wears slowly, firmware and faults cost more at once.
JUMP = np.array([0.0, 0.05, 0.3, 0.6, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.03])
FASTER, SLOWER = 1.0, 2.0  # how the storage empties after a sudden change
SLOWER_WAKE = 0.05  # of wake energy, one sd: a load falls seldom, but harvest in hours taken for quiet looks like it
# How far from the budget a state can be, whatever the evidence.
REACH = np.array([1.5, 2.0, 1.5, 4.0, 4.0, 5.0, 8.0, 8.0, 2.0, 0.02, 2.0, 1.0])
LOWEST = np.where(np.arange(STATES) == RISE, -1.0, -REACH)  # ageing raises leakage: it does not vanish
STORAGE_REPLACED, FIRMWARE = 1, 2  # bits of a day's work on the node
# What a new storage brings anew.
RENEWED = np.isin(np.arange(STATES), (CAPACITY, FADE, LEAK, RISE, BY_VOLT, BY_SQUARE, BY_WARMTH, THERMAL, SHAPE, SLOW))
# Dependence of leakage beyond ohmic and doubling every 10 K: per full voltage (between an ohmic path and an exponential
# one), per its square, and per 10 K (doubling every 7 K to 14 K).
LEAK_PRIOR = ((1.0, 0.8), (0.8, 0.8), (0.0, 0.25))
LEAK_BY = [BY_VOLT, BY_SQUARE, BY_WARMTH]
THERMAL_PRIOR = (1e-3, 1e-3)  # capacity of a double-layer capacitor falls 5 to 10 % from 25 to -40 degC (from memory)
BATTERY_THERMAL_PRIOR = (0.0, 2e-3)
SLOW_PRIOR = (0.02, 0.03)  # of a supercapacitor: redistribution looks like leakage for hours after a charge
# Without one: share of the mean harvest left in spells of rest, where no hour is quiet; or hysteresis, in HYSTERESIS_V.
REST_PRIOR = (0.08, 0.08)
SHAPE_SD = 0.15, 1.0  # of a capacitor; of a cell
FLAT_SD = 0.15  # of an iron-phosphate cell's energy a volt, where a table's points lie 10 to 30 mV apart (our choice)
ON_LEAST = 0.2  # share of the week in which a source works,
LEFT_MOST = 40.0  # and ratio of that to sleep beyond which what is left of it in quiet hours is not taken further


def prior(budget: Budget) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the state by the budget; shape (STATES,) each."""
    storage, load = budget.storage, budget.load
    tolerances = storage.capacitance_tolerance, load.wake_tolerance, load.sleep_tolerance, storage.leakage_tolerance
    logs = [float(np.sqrt(np.log1p(max(x, 0.01) ** 2))) for x in tolerances]
    mean, sd = np.zeros(STATES), np.zeros(STATES)
    sd[[CAPACITY, WAKE, SLEEP, LEAK]] = logs
    if lags(budget):
        sd[CAPACITY] = np.hypot(sd[CAPACITY], FLAT_SD)
    mean[LEAK] = -(logs[3] ** 2) / 2
    mean[[BY_VOLT, BY_SQUARE, BY_WARMTH]], sd[[BY_VOLT, BY_SQUARE, BY_WARMTH]] = np.transpose(LEAK_PRIOR)
    mean[THERMAL], sd[THERMAL] = BATTERY_THERMAL_PRIOR if storage.is_battery else THERMAL_PRIOR
    sd[SHAPE] = SHAPE_SD[storage.is_battery]
    if storage.technology == "supercapacitor":
        mean[SLOW], sd[SLOW] = SLOW_PRIOR
    elif lags(budget) or budget.harvest.source not in ("none", "light-outdoor"):
        mean[SLOW], sd[SLOW] = REST_PRIOR
    left, left_sd = left_in_quiet(budget)
    mean[SLEEP] = np.log(max(1.0 - left, 0.5))
    sd[SLEEP] = np.hypot(sd[SLEEP], left_sd)
    return mean, sd


def left_in_quiet(budget: Budget) -> tuple[float, float]:
    """Harvest left in hours taken for quiet, mean and standard deviation, as a share of the budget's sleep power."""
    if budget.harvest.source in ("none", "light-outdoor"):
        return 0.0, 0.0
    sleep = float(sleep_power(budget.load, middle_voltage(budget)))
    working = budget.harvest.mean_power / max(1.0 - scheduled_quiet(budget.harvest).mean(), ON_LEAST)
    per_sleep = min(working / sleep, LEFT_MOST) if sleep > 0 else 0.0
    source = SOURCES[budget.harvest.source]
    return source.left * per_sleep, source.left_sd * per_sleep


def sleep_behind(budget: Budget) -> tuple[float, float, float]:
    """How the true ratio of sleep follows from the one that shows in quiet hours: gain, offset and hidden variance.

    Notes
    -----
    With true sleep s ~ N(1, v) by the budget and harvest left l ~ N(m, w) in its hours, what shows is s - l, and
    E[s | shown] = gain * shown + offset with gain = v / (v + w); the variance v w / (v + w) stays whatever is measured.
    """
    left, left_sd = left_in_quiet(budget)
    v, w = max(budget.load.sleep_tolerance, 0.01) ** 2, left_sd**2
    gain = v / (v + w)
    return gain, 1.0 - gain * (1.0 - left), v * (1.0 - gain)


@njit(cache=True, nogil=True, error_model="numpy")
def _shaped(by, form):  # type: ignore[no-untyped-def]
    """What ln capacity gains by a SHAPE, and its derivative, between what it gains at `storage.LEANS`."""
    if by < -1.0:
        return form[1] + (by + 1.0) * (form[1] - form[0]), form[1] - form[0]
    if by > 1.0:
        return form[2] + (by - 1.0) * (form[3] - form[2]), form[3] - form[2]
    straight, bend = (form[2] - form[1]) / 2.0, form[2] + form[1]
    return (straight + bend / 2.0 * by) * by, straight + bend * by


@njit(cache=True, nogil=True, error_model="numpy")
def lines_of(x, form, warmth, jacobian):  # type: ignore[no-untyped-def]
    """The lines' coefficients at a state, and their derivatives by it, into `jacobian` (LINES, STATES)."""
    beta = np.empty(LINES)
    shaped, by_shape = _shaped(x[SHAPE], form)
    c = np.exp(x[CAPACITY] + x[FADE] + shaped + x[THERMAL] * warmth)
    leak = np.exp(x[LEAK] + x[RISE])
    beta[0] = np.exp(x[WAKE]) / c
    beta[1] = np.exp(x[SLEEP]) / c
    beta[2] = leak / c
    for r, by in ((3, BY_VOLT), (4, BY_SQUARE), (5, BY_WARMTH)):
        beta[r] = leak * x[by] / c
    beta[6] = x[THERMAL]
    beta[7] = x[SLOW]
    jacobian[:] = 0.0
    for r in range(6):
        jacobian[r, CAPACITY] = -beta[r]
        jacobian[r, FADE] = -beta[r]
        jacobian[r, SHAPE] = -beta[r] * by_shape
        jacobian[r, THERMAL] = -beta[r] * warmth
    jacobian[0, WAKE] = beta[0]
    jacobian[1, SLEEP] = beta[1]
    jacobian[2, LEAK] = jacobian[2, RISE] = beta[2]
    for r, by in ((3, BY_VOLT), (4, BY_SQUARE), (5, BY_WARMTH)):
        jacobian[r, LEAK] = jacobian[r, RISE] = beta[r]
        jacobian[r, by] = leak / c
    jacobian[6, THERMAL] = 1.0
    jacobian[7, SLOW] = 1.0
    return beta


@njit(cache=True, nogil=True, error_model="numpy")
def hold(x):  # type: ignore[no-untyped-def]
    """Hold a state between LOWEST and REACH, where a linear form about it makes sense."""
    for i in range(STATES):
        x[i] = min(max(x[i], LOWEST[i]), REACH[i])


@njit(cache=True, nogil=True, error_model="numpy")
def grow(p, days, changed, wander):  # type: ignore[no-untyped-def]
    """Let the state drift for some days, and jump where `changed` is FASTER or SLOWER.

    Leakage wanders with a temperature that is not measured.
    """
    for i in range(STATES):
        p[i, i] += days * DRIFT_PER_DAY[i] ** 2
        if changed > 0.0:
            p[i, i] += (SLOWER_WAKE if i == WAKE and changed == SLOWER else JUMP[i]) ** 2
    p[RISE, RISE] += days * wander**2


@njit(cache=True, nogil=True, error_model="numpy")
def wander_of(unmeasured, measured, unsettled):  # type: ignore[no-untyped-def]
    """Drift of ln leakage: where temperature is not measured, and of a storage in which something has changed."""
    drift = unmeasured if measured < 0.5 else 0.0
    return np.sqrt(drift**2 + (LEAKING_DRIFT**2 if unsettled > 0.0 else 0.0))


@njit(cache=True, nogil=True, error_model="numpy")
def rework(work, prior, spread, x, p):  # type: ignore[no-untyped-def]
    """What work on the node does: a new storage forgets the old one's lines, new firmware loosens the load's."""
    if work & STORAGE_REPLACED:
        for i in range(STATES):
            if RENEWED[i]:
                x[i] = prior[i]
                for k in range(STATES):
                    p[i, k] = p[k, i] = 0.0
                p[i, i] = spread[i, i]
    if work & FIRMWARE:
        p[WAKE, WAKE] += spread[WAKE, WAKE]
        p[SLEEP, SLEEP] += JUMP[SLEEP] ** 2

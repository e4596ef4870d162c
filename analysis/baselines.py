"""Published harvest predictors and plain forecasts, as the floor that the forecast must beat.

Predictors of slots take the harvest of the slots that are over, oldest first, shape (..., t), in any unit, and return
that of the next ones, shape (..., ahead). The slots of a cycle are those of a day where they were published; the
backtest gives them the days of a week, because the ledger keeps days.
"""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def wcma(
    past: npt.ArrayLike,
    slots: int,
    ahead: int = 1,
    persist: float = 0.7,
    cycles: int = 20,
    look_back: int = 3,
    night: float = 0.0,
) -> Array:
    """The next slots, each from the one before it and the slot's mean over past cycles, scaled by how the last compare.

    Parameters
    ----------
    past : array_like, shape (..., t)
        Harvest of each slot up to now, at least of one cycle and `look_back` slots.
    slots : int
        In a cycle.
    persist : float
        Weight of the slot before.
    cycles : int
        In the mean; fewer where the past is shorter.
    look_back : int
        Slots that are compared with their means.
    night : float
        Slots whose mean is no more than this share of the highest are not compared; zero as published.

    Notes
    -----
    ``E'(n+1) = a E(n) + (1 - a) GAP M(n+1)``, GAP the mean of ``E/M`` over the last K slots, weighted by k/K
    (Recas Piorno et al., VITAE 2009; formula from memory). Published is one slot ahead. Further ahead is our extension:
    the formula is applied to its own predictions, which count 1 in GAP, and to M of the cycles that are over.
    """
    energy, cycles = _past(past, slots, cycles, look_back)
    usual = energy[..., -cycles * slots :].reshape(*energy.shape[:-1], cycles, slots).mean(axis=-2)
    first = energy.shape[-1] - look_back
    lagged = first + np.arange(look_back) - slots * np.arange(1, cycles + 1)[:, None]
    mean = energy[..., lagged].mean(axis=-2)
    day = mean > np.maximum(night * usual.max(axis=-1, keepdims=True), 0.0)
    ratio = np.where(day, energy[..., first:], 1.0) / np.where(day, mean, 1.0)
    predicted = np.empty((*energy.shape[:-1], ahead))
    last = energy[..., -1]
    for k in range(ahead):
        weight = day * np.arange(1, look_back + 1) / look_back
        total = weight.sum(axis=-1)
        gap = np.where(total > 0, (weight * ratio).sum(axis=-1) / np.where(total > 0, total, 1.0), 1.0)
        last = persist * last + (1 - persist) * gap * usual[..., k % slots]
        predicted[..., k] = last
        one = np.ones_like(ratio[..., :1])
        ratio, day = np.concatenate([ratio[..., 1:], one], axis=-1), np.concatenate([day[..., 1:], one > 0], axis=-1)
    return predicted


def pro_energy(
    past: npt.ArrayLike,
    slots: int,
    ahead: int = 1,
    persist: float = 0.5,
    pool: int = 10,
    look_back: int = 3,
    fades: int = 1,
) -> Array:
    """The next slots, from the last one and the past cycle whose slots up to now are the most like those just over.

    Parameters
    ----------
    past : array_like, shape (..., t)
        Harvest of each slot up to now, at least of one cycle and `look_back` slots.
    slots : int
        In a cycle.
    persist : float
        Weight of the last slot in the next one.
    pool : int
        Past cycles kept as typical; fewer where the past is shorter.
    look_back : int
        Slots over which likeness (mean absolute error) is taken.
    fades : int
        Slots ahead in which the weight of the last slot falls to nothing.

    Notes
    -----
    ``E'(t+i) = g_i E(t) + (1 - g_i) E_d*(t+i)`` with ``g_i = a (1 - (i-1)/F)`` up to i = F, then 0 (Cammarano, Petrioli
    and Spenza, IEEE MASS 2012; formula from memory). Published is up to the end of the typical cycle d*. Beyond it is
    our extension: the same cycle again and again.
    """
    energy, pool = _past(past, slots, pool, look_back)
    now = energy.shape[-1]
    recent = now - look_back + np.arange(look_back)
    candidates = slots * np.arange(1, pool + 1)[:, None]
    error = np.abs(energy[..., recent - candidates] - energy[..., None, recent]).mean(axis=-1)
    begin = now - slots * (np.argmin(error, axis=-1)[..., None] + 1)
    steps = np.arange(ahead)
    typical = np.take_along_axis(energy, begin + steps % slots, axis=-1)
    held = persist * np.maximum(1 - steps / fades, 0.0)
    return np.asarray(held * energy[..., -1:] + (1 - held) * typical)


def _past(past: npt.ArrayLike, slots: int, cycles: int, look_back: int) -> tuple[Array, int]:
    """The past as an array, and how many whole cycles of it are used."""
    energy = np.asarray(past, dtype=float)
    there = (energy.shape[-1] - look_back) // slots
    if there < 1:
        msg = f"the past must hold a cycle and {look_back} slots, {slots + look_back}, got {energy.shape[-1]}"
        raise ValueError(msg)
    return energy, min(cycles, there)


def days_to_empty(net_harvest: npt.ArrayLike, usable: float, full: float, load: float) -> Array:
    """Whole days until nothing usable is left, at a constant load and with both storage bounds; infinite if it lasts.

    Parameters
    ----------
    net_harvest : array_like, shape (..., days)
        Of the days ahead. [J]
    usable, full : float
        Usable energy now and when full. [J]
    load : float
        Energy spent a day. [J]
    """
    balance = np.cumsum(np.asarray(net_harvest, dtype=float) - load, axis=-1)
    spilled = np.maximum(np.maximum.accumulate(usable + balance - full, axis=-1), 0.0)  # full by the end of each day
    gone = usable + balance - spilled <= 0
    return np.where(gone.any(axis=-1), np.argmax(gone, axis=-1) + 1.0, np.inf)


def slope_to_empty(days: npt.ArrayLike, voltage: npt.ArrayLike, cutoff: float) -> float:
    """Days until a straight line through past voltages reaches the cut-off; infinite when it does not fall.

    Parameters
    ----------
    days : array_like
        Times of the voltages; the last is now. [d]
    voltage : array_like
        [V] NaN is left out.
    cutoff : float
        [V]
    """
    time, volts = np.asarray(days, dtype=float), np.asarray(voltage, dtype=float)
    seen = np.isfinite(volts)
    if seen.sum() < 2:
        return float("inf")
    slope, level = np.polyfit(time[seen] - time[-1], volts[seen], 1)
    if level <= cutoff:
        return 0.0
    return float((cutoff - level) / slope) if slope < 0 else float("inf")


def mean_to_empty(balance: npt.ArrayLike, usable: float) -> float:
    """Days until nothing usable is left if every day is as the mean of those behind; infinite if they do not lose.

    Parameters
    ----------
    balance : array_like, shape (n,)
        Daily net harvest less load; NaN is left out. [J]
    usable : float
        Usable energy now. [J]
    """
    days = np.asarray(balance, dtype=float)
    lost = -float(np.nanmean(days)) if np.isfinite(days).any() else 0.0
    return usable / lost if lost > 0 else float("inf")


def weekday_draws(net_harvest: npt.ArrayLike, days: int, paths: int, random: np.random.Generator) -> Array:
    """The days ahead, each drawn from the past days of its weekday, shape (paths, days).

    Parameters
    ----------
    net_harvest : array_like, shape (n,)
        Daily net harvest up to now, oldest first; at least of a week. [J]
    """
    history = np.asarray(net_harvest, dtype=float)
    if len(history) < 7:
        msg = f"the plain forecast needs at least 7 days of net harvest, got {len(history)}"
        raise ValueError(msg)
    place = (len(history) + np.arange(days)) % 7
    weeks = (len(history) - 1 - place) // 7 + 1  # in which the weekday is there
    return np.asarray(history[place + 7 * random.integers(0, weeks, (paths, days))])

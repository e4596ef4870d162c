"""What the simulation of the storage is told about a node: its state, its parameters, and the harvest ahead."""

import zlib
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.held import Held
from analysis.load import sleep_power, wake_energy
from analysis.storage import TEMPERATURE_REFERENCE_C, StorageCurve, fitted_leakage, storage_curve
from analysis.thrift import NONE, Thrift
from ingest.budget import DAYS_PER_YEAR, SECONDS_PER_DAY, Budget

Array = npt.NDArray[np.float64]

DRAIN_POINTS = 33
NOISE_POINTS = 65
READ_WITHIN, READ_LEAST_V = 2.0, 2e-3  # sds that a primary cell may stand above its reading, at least so much [V]


def no_noise() -> Array:
    """The noise table of a harvest that is the same every day."""
    return np.ones(NOISE_POINTS)


def even_day() -> Array:
    """The shape of a day whose harvest comes evenly, one row."""
    return np.linspace(0.0, 1.0, 25)[None, :]


@dataclass(frozen=True)
class HarvestOutlook:
    """The gross harvest of the days ahead: a mean that is known, times a level and a daily noise that are drawn.

    Day k runs from k to k + 1 days after the forecast is made. Its mean is ``mean * season * week * opened``, the
    last what closures leave; the factors are kept apart so that the forecast can tell which of them drives it.

    Attributes
    ----------
    mean : float
        Long-run mean harvest of a day with all factors one. [J]
    season, week, closure : ndarray, shape (days,)
        Factors.
    season_sd : ndarray, shape (days,), optional
        What one standard deviation more of the season's power adds to the logarithm of each day's.
    shapes : ndarray, shape (m, 25)
        Share of a day's harvest that has come after each hour since the forecast's time of day.
    shape_of : ndarray, shape (days,)
        Row of `shapes` for each day.
    single : int
        How many of the last of `shapes` are courses of single days, the poorest first: a day has one of these, unless
        a closure begins or ends in it.
    turning : ndarray of bool, shape (days,), optional
        The days in which one does.
    noise : ndarray, shape (65,)
        Factor on a day's harvest, mean one, over standard normal deviates from -4 to 4.
    noise_keep, noise_now : float
        Lag-one correlation of the deviate, and its last value.
    level_now, level_sd, level_keep, level_noise : float
        Slow change as a fraction of the mean: present value and its sd, share kept a week, sd of a week's change.
    mean_sd, level_tilt : float
        Relative sd of `mean`, and what the slow change errs with it (their sum is known better than either).
    site_share : float
        Correlation of the deviates with the site's common one.
    stop_days, stop_share, stop_factor, stop_tail : float
        Of a stop that is still on: days since it began, the probability that it is one, and what it leaves of the
        harvest. It lasts m days more with probability ``(stop_days / (stop_days + m)) ** stop_tail``.
    kept, kept_sd : float
        Of what `closure` takes away, how much comes all the same, and its sd.
    past_wake, past_sleep, past_leakage, past_harvest : float
        Daily means behind the level, as the ledger gave them. [J] What the parameters err there, the level errs too.
    past_bound : float
        Share of the days behind that were only a lower bound.
    made_up_sd : float
        Relative sd of `mean` by what full days were made up for. The poor days, on which a node goes dark, are seen
        as they were, so it is not drawn in the futures.
    deviates : ndarray, optional
        Of the site's days behind; NaN where not known.
    """

    mean: float
    season: Array
    week: Array
    closure: Array
    season_sd: Array | None = None
    shapes: Array = field(default_factory=even_day)
    shape_of: npt.NDArray[np.int32] | None = None
    single: int = 0
    turning: npt.NDArray[np.bool_] | None = None
    noise: Array = field(default_factory=no_noise)
    noise_keep: float = 0.0
    noise_now: float = 0.0
    level_now: float = 0.0
    level_sd: float = 0.0
    level_tilt: float = 0.0
    level_keep: float = 1.0
    level_noise: float = 0.0
    mean_sd: float = 0.0
    site_share: float = 0.0
    stop_days: float = 0.0
    stop_share: float = 0.0
    stop_factor: float = 1.0
    stop_tail: float = 1.0
    kept: float = 0.0
    kept_sd: float = 0.0
    past_wake: float = 0.0
    past_sleep: float = 0.0
    past_leakage: float = 0.0
    past_harvest: float = 0.0
    past_bound: float = 0.0
    made_up_sd: float = 0.0
    deviates: Array | None = None

    @property
    def expected(self) -> Array:
        """Mean harvest of each day ahead, the slow change let run down. [J]"""
        weeks = np.arange(len(self.season)) // 7
        return np.asarray(
            self.mean * self.season * self.week * self.opened * (1 + self.level_now * self.level_keep**weeks)
        )

    @property
    def opened(self) -> Array:
        """What closures are to be expected to leave of each day's harvest."""
        return np.asarray(self.closure + self.kept * (1 - self.closure))


class Silence(NamedTuple):
    """The time for which a node has been silent and dark: so long, what came in was not enough to restart it.

    Attributes
    ----------
    days : float
        How long it was. [d]
    due : float
        Harvest to be expected in it, were the level as it was before. [J]
    sd : float
        Of that, relative: how the weather or the work of these days may have been.
    """

    days: float = 0.0
    due: float = 0.0
    sd: float = 0.0


HEARD = Silence()


@dataclass(frozen=True)
class NodeOutlook:
    """One node at the time of the forecast.

    Attributes
    ----------
    voltage, voltage_sd : float
        Rest voltage and the sd of the converter's reading of it. [V]
    dark : bool
        Below the cut-off and not running.
    silence : Silence
        What is known of the time for which it has been.
    wakes_per_day, rate_sd, rate_noise : float
        Planned wakes; relative sd of their lasting rate; relative sd from day to day.
    rate_follows : float
        What a day's rate rises, relative, with one deviate more of its harvest: the work brings both.
    wake_closed : float
        Wake rate of a day that is wholly closed, or of a stop that is still on, over the mean, where that is less than
        its weekday's.
    closed_days : int
        Closed days that have told this.
    wake_hours : ndarray, shape (7, 24)
        Wake rate of each hour of the seven days ahead, which begin at the forecast's hour, over its mean.
    wake_ratio, sleep_ratio, leakage_ratio, capacity_ratio : float
        Posterior over budget; of leakage at full voltage and 25 degC.
    leakage_by : tuple of three floats
        How it goes with voltage and temperature beyond that: see `storage.leakage_form`.
    wake_sd, sleep_sd, leakage_sd : float
        Relative sds of these *per unit of capacity*: an error that all of them share moves no voltage.
    fade_per_year, fade_sd : float
        Share of capacity lost a year.
    temperature : float
        At present. [degC]
    leakage_days : ndarray, shape (days,), optional
        Leakage of each day ahead over that at the present temperature.
    held : Held, optional
        At which voltage it is full, if not at the budget's.
    thrift : Thrift
        How its firmware saves while little is stored; `wakes_per_day` is with plenty.
    """

    node_id: str
    site: str
    budget: Budget
    harvest: HarvestOutlook
    voltage: float
    wakes_per_day: float
    voltage_sd: float = 0.0
    dark: bool = False
    silence: Silence = HEARD
    rate_sd: float = 0.0
    rate_noise: float = 0.0
    rate_follows: float = 0.0
    wake_closed: float = np.inf
    closed_days: int = 0
    wake_hours: Array = field(default_factory=lambda: np.ones((7, 24)))
    wake_ratio: float = 1.0
    wake_sd: float = 0.0
    sleep_ratio: float = 1.0
    sleep_sd: float = 0.0
    leakage_ratio: float = 1.0
    leakage_by: tuple[float, float, float] = (0.0, 0.0, 0.0)
    leakage_sd: float = 0.0
    capacity_ratio: float = 1.0
    fade_per_year: float = 0.0
    fade_sd: float = 0.0
    temperature: float = TEMPERATURE_REFERENCE_C
    leakage_days: Array | None = None
    held: Held | None = None
    thrift: Thrift = NONE

    def __post_init__(self) -> None:
        for name in ("voltage", "wakes_per_day", "capacity_ratio", "voltage_sd", "wake_sd", "sleep_sd", "leakage_sd"):
            value = getattr(self, name)
            if not np.isfinite(value) or value < 0 or (name == "capacity_ratio" and value == 0):
                msg = f"{name} of {self.node_id} must be finite and not negative, got {value:g}"
                raise ValueError(msg)

    @property
    def curve(self) -> StorageCurve:
        """The storage at nominal capacity."""
        return storage_curve(self.budget.storage)

    @cached_property
    def full_j(self) -> float:
        """Stored energy at full and nominal capacity [J]: what harvest spares a primary cell, it does not put back."""
        curve, storage = self.curve, self.budget.storage
        if storage.technology == "primary":
            reading = max(READ_WITHIN * self.voltage_sd, READ_LEAST_V)
            return float(np.asarray(curve.energy(max(self.voltage, storage.cutoff_voltage) + reading)))
        return curve.full_j if self.held is None else float(np.asarray(curve.energy(self.held.full)))

    @cached_property
    def drains(self) -> Array:
        """Energy of a day's wakes, sleep and leakage at equal steps of stored energy up to full, shape (k, 3). [J]"""
        curve = self.curve
        stored = np.linspace(0.0, self.full_j, DRAIN_POINTS)
        volts = np.asarray(curve.voltage_at(stored))
        running = np.maximum(volts, self.budget.storage.cutoff_voltage)
        wake = self.wake_ratio * self.wakes_per_day * np.asarray(wake_energy(self.budget.load, running))
        wake = wake * self.thrift.of((stored - curve.cutoff_j) / max(self.full_j - curve.cutoff_j, 1e-12))
        sleep = self.sleep_ratio * SECONDS_PER_DAY * np.asarray(sleep_power(self.budget.load, running))
        storage = self.budget.storage
        leakage = self.leakage_ratio * np.asarray(fitted_leakage(storage, self.leakage_by, volts, self.temperature))
        return np.column_stack([wake, sleep, SECONDS_PER_DAY * leakage])

    def wake_factors(self) -> Array:
        """Wake rate of each day ahead over its mean: by weekday, less on closed days where wakes follow the work."""
        closure = self.harvest.closure
        week = np.resize(self.wake_hours.mean(axis=1), len(closure))
        return np.asarray(closure * week + (1 - closure) * np.minimum(week, self.wake_closed))

    def leakage_factors(self) -> Array:
        """Leakage of each day ahead over that at the present temperature."""
        return np.ones(len(self.harvest.closure)) if self.leakage_days is None else self.leakage_days

    def season_doubts(self) -> Array:
        """`HarvestOutlook.season_sd` at the begin of each week ahead."""
        sd = self.harvest.season_sd
        return (np.zeros(len(self.harvest.season)) if sd is None else sd)[::7]

    def load_shapes(self) -> Array:
        """Share of a day's drain at the present voltage that has gone after each hour, a row for each of `shapes`."""
        wake, rest = self._drains_now
        days = np.arange(len(self.harvest.season))
        shape_of = np.zeros(len(days), dtype=np.int32) if self.harvest.shape_of is None else self.harvest.shape_of
        count = np.bincount(7 * shape_of + days % 7, minlength=7 * len(self.harvest.shapes))
        alike = count.reshape(-1, 7).astype(np.float64)
        alike[len(alike) - self.harvest.single :] = 1.0
        alike /= np.maximum(alike.sum(axis=1, keepdims=True), 1.0)
        hours = (alike[:, :, None] * self.wake_hours).sum(axis=1)
        spent = np.cumsum(wake * hours + rest, axis=1)
        return np.concatenate([np.zeros((len(spent), 1)), spent / np.maximum(spent[:, -1:], 1e-300)], axis=1)

    @cached_property
    def _drains_now(self) -> tuple[float, float]:
        """Energy a day of wakes, and of sleep and leakage, at the present voltage. [J]"""
        stored = np.linspace(0.0, self.full_j, DRAIN_POINTS)
        wake, sleep, leakage = (np.interp(self.curve.energy(self.voltage), stored, d) for d in self.drains.T)
        return float(wake), float(sleep + leakage)

    def stored_dark(self) -> float:
        """What leakage has left of the energy at cut-off since it went dark, at nominal capacity. [J]"""
        cutoff = self.curve.cutoff_j
        lost = float(np.interp(cutoff, np.linspace(0.0, self.full_j, DRAIN_POINTS), self.drains[:, 2]))
        return cutoff * float(np.exp(-lost * self.silence.days / self.capacity_ratio / max(cutoff, 1e-12)))

    def autonomy(self) -> float:
        """Days the usable energy lasts with no harvest at the planned load and leakage."""
        return self._lasts(float(np.asarray(self.curve.energy(self.voltage))))

    def full_autonomy(self) -> float:
        """Days it would last from full, a primary cell from new: what the budget's target of autonomy promises."""
        return self._lasts(self.curve.full_j if self.budget.storage.technology == "primary" else self.full_j)

    def _lasts(self, top: float) -> float:
        """Days from a stored energy at nominal capacity [J] to the cut-off."""
        curve = self.curve
        if top <= curve.cutoff_j:
            return 0.0
        levels = np.linspace(curve.cutoff_j, top, 101)
        rate = np.interp(levels, np.linspace(0.0, self.full_j, DRAIN_POINTS), self.drains.sum(axis=1))
        with np.errstate(divide="ignore"):
            return float(self.capacity_ratio * np.trapezoid(1 / rate, levels))

    def balance(self, days: int = 7) -> float:
        """Mean net harvest less load over the next `days` days, if nothing were curtailed. [W]"""
        spent = sum(self._drains_now)
        return float((self.harvest.expected[:days].mean() - spent) / SECONDS_PER_DAY)


def fill(row: Any, node: NodeOutlook, seed: int) -> None:
    """Put down the figures of one node as the compiled simulation takes them; `row` is of the type `kernel.NODE`."""
    harvest, curve = node.harvest, node.curve
    row["stored"] = curve.energy(node.voltage)
    row["stored_sd"] = node.voltage_sd * np.interp(node.voltage, curve.voltage, curve.per_volt)
    row["cutoff"], row["full"] = curve.cutoff_j, node.full_j
    row["restart"] = curve.energy(node.budget.storage.voltage_restart)
    row["fade"], row["fade_sd"] = node.fade_per_year / DAYS_PER_YEAR, node.fade_sd / DAYS_PER_YEAR
    for name in (
        *("capacity_ratio", "wake_sd", "sleep_sd", "leakage_sd"),
        *("rate_sd", "rate_noise", "rate_follows", "wake_closed"),
    ):
        row[name] = getattr(node, name)
    for name in (
        *("past_wake", "past_sleep", "past_leakage", "past_harvest", "level_now", "level_sd", "level_tilt"),
        *("level_keep", "level_noise", "mean_sd", "noise_now", "noise_keep", "site_share"),
        *("stop_days", "stop_share", "stop_factor", "stop_tail", "kept", "kept_sd"),
    ):
        row[name] = getattr(harvest, name)
    row["middle"], row["single"] = harvest.shapes.mean(), harvest.single
    row["dark"] = node.dark or node.voltage <= node.budget.storage.cutoff_voltage
    if node.dark:
        row["stored"] = node.stored_dark()
        row["due"], row["due_sd"] = node.silence.due / node.capacity_ratio, node.silence.sd
    row["seed"] = np.random.SeedSequence([seed, zlib.crc32(node.node_id.encode())]).generate_state(1, np.uint64)[0]

"""One node's history by an energy balance of its own, for the tests of what quiet hours tell."""

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from analysis import evidence
from analysis.quiet import sunless
from analysis.series import Calendar, Series, calendar
from ingest.budget import Budget

STEPS = 6  # of integration between hourly reports
FIRST = date(2026, 1, 5)  # a Monday
ZONE = ZoneInfo("UTC")
WAKE_J, SLEEP_W = 3.0 * 14e-3 * 0.7 / 0.85, 3.0 * 2.4e-6 / 0.85  # of the conveyor budget, switching regulator
LEAK_W = 1.5e-6 / 5.0  # times V squared: ohmic


@dataclass(frozen=True)
class Truth:
    """Ratios to the conveyor budget; `leak` is ohmic and, like it, doubles every 10 K."""

    capacity: float = 1.0
    wake: float = 1.0
    sleep: float = 1.0
    leak: float = 1.0
    kappa: float = 0.0


def node(
    days: int,
    truth: Truth | list[Truth],
    seed: int = 1,
    rate: tuple[float, float] = (0.5, 1.5),
    noise: float = 0.8e-3,
    step: float = 1.465e-3,
    temp: bool = True,
    offered: np.ndarray | None = None,
    timer: float | None = None,
    late: int = 0,
    every: int = STEPS,
) -> Series:
    """Reports of every hour, or every so many steps, of a 1 F, 5 V node that harvests 06:00 to 22:00 on working days.

    One truth a day, or one. Energy is moved in ten-minute steps of charge, V dQ = P dt; wakes a day vary between the
    two `rate` shares of 48. Another harvest may be `offered`, a power a step [W]; a `timer` wakes so many times a day;
    and the counter may be some steps `late`.
    """
    rng = np.random.default_rng(seed)
    truths = truth if isinstance(truth, list) else [truth] * days
    hours = np.arange(days * 24 * STEPS) / STEPS
    warmth = 22.0 + 2.0 * np.sin((hours - 9.0) / 24 * 2 * np.pi)
    active = (hours % 24 >= 6) & (hours % 24 < 22) & (hours // 24 % 7 < 6)
    harvest = active * 95e-6 * np.clip(1 + 0.3 * rng.normal(size=len(hours)), 0, None)
    if offered is not None:
        harvest = offered
    wakes = rng.poisson(np.repeat(48 * rng.uniform(*rate, size=days), 24 * STEPS) / (24 * STEPS))
    if timer is not None:
        wakes = np.diff(np.floor(timer / (24 * STEPS) * np.arange(len(hours) + 1)))
    dt, charge = 3600.0 / STEPS, truths[0].capacity * 4.2
    volts = np.empty(len(hours))
    for i, h in enumerate(harvest):
        true = truths[int(hours[i] // 24)]
        capacity = true.capacity * (1 + true.kappa * (warmth[i] - 25.0))
        v = min(charge / capacity, 5.0)
        volts[i] = v
        leak = true.leak * LEAK_W * v * v * 2.0 ** ((warmth[i] - 25.0) / 10.0)
        spent = true.wake * WAKE_J * wakes[i] / dt + true.sleep * SLEEP_W + leak
        charge = v * capacity + (h - spent) * dt / v
    count = np.concatenate([[0], np.cumsum(wakes)[:-1]]).astype(np.int64)
    at = np.arange(0, len(hours), every)
    seen = np.round((volts[at] + noise * rng.normal(size=len(at))) / step) * step
    midnight = calendar(ZONE, FIRST, 1).midnights[0]
    nothing = np.full(len(at), np.nan)
    return Series(
        np.array([0, len(at)]), midnight + 3600.0 * hours[at], seen,
        count[np.maximum(at - late, 0)] % 65536, nothing, warmth[at] if temp else nothing, np.full(len(at), -1),
    )  # fmt: skip


def gathered(series: Series, budget: Budget, days: int, first: date = FIRST, week: np.ndarray | None = None):
    """The evidence of one node at the Greenwich meridian, 52 degrees north."""
    days_of = calendar(ZONE, first, days)
    sun = sunless(calendar(ZONE, first - timedelta(days=1), days + 1), 52.0, 0.0)[None]
    return evidence.gather(series, evidence.terms([budget]), [days_of], np.array([0]), sun, week)


def after(series: Series, begin: float) -> Series:
    """The reports of one node from a moment on."""
    kept = series.time >= begin
    return Series(
        np.array([0, kept.sum()]), series.time[kept], series.storage_v[kept], series.wakes[kept],
        series.loaded_v[kept], series.temp_c[kept], series.boot[kept],
    )  # fmt: skip


def site_days(days: int) -> Calendar:
    return calendar(ZONE, FIRST, days)

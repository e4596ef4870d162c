"""A first forecast of days to depletion: recent days of net harvest, drawn by weekday, against the present load.

It knows storage with both boundaries and the weekly rhythm, and takes figures as they are: no season, no closure, no
doubt of the parameters, no part of a day.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.series import Floats

HORIZON_DAYS = 365
PATHS = 400
WINDOW_DAYS = 28
ENOUGH_DAYS = 3
QUANTILES = (0.05, 0.10, 0.50, 0.90, 0.95)


@dataclass(frozen=True)
class Forecast:
    """The forecast of one node; NaN where a quantile lies past the horizon or nothing can be said.

    Attributes
    ----------
    p_dark : dict
        Chance of reaching the cut-off within 7, 30 and 90 days.
    days : ndarray, shape (3,)
        The 10 %, 50 % and 90 % quantiles of days to depletion. [d]
    autonomy_days, balance_w : float
        [d], [W]
    usable_j : ndarray, shape (HORIZON_DAYS + 1, 5)
        QUANTILES of usable energy by day ahead. [J]
    """

    p_dark: dict[int, float]
    days: Floats
    autonomy_days: float
    balance_w: float
    usable_j: Floats


def first_forecast(
    net_harvest_j: Floats,
    load_j: Floats,
    observed_s: Floats,
    weekday: npt.NDArray[np.int64],
    first_weekday: int,
    usable_j: float,
    usable_full_j: float,
    rng: np.random.Generator,
) -> Forecast | None:
    """Days to depletion from the ledger's recent days; None where there are fewer than ENOUGH_DAYS of them.

    Parameters
    ----------
    net_harvest_j, load_j, observed_s : ndarray, shape (days,)
        Ledger rows, oldest first. [J], [J], [s] Days observed for less than half are left out; the rest are scaled to
        a full day.
    weekday : ndarray of int64, shape (days,)
        Of each row, Monday 0.
    first_weekday : int
        Of the first day ahead.
    usable_j, usable_full_j : float
        Energy above cut-off now and at full voltage. [J]
    """
    good = observed_s >= 43200.0
    if good.sum() < ENOUGH_DAYS:
        return None
    scale = 86400.0 / observed_s[good]
    net, load = net_harvest_j[good] * scale, float(np.mean(load_j[good] * scale))
    draws = _draw_by_weekday(net, weekday[good], first_weekday, rng)
    usable, first_dark = _run_store(draws - load, usable_j, usable_full_j)
    days = np.sort(first_dark)[np.ceil(np.array([0.1, 0.5, 0.9]) * PATHS).astype(int) - 1]
    return Forecast(
        p_dark={horizon: float(np.mean(first_dark <= horizon)) for horizon in (7, 30, 90)},
        days=np.where(np.isfinite(days), days, np.nan),
        autonomy_days=usable_j / load if load > 0 else np.nan,
        balance_w=float(np.mean(net) - load) / 86400.0,
        usable_j=np.quantile(usable, QUANTILES, axis=0).T,
    )


def _draw_by_weekday(net: Floats, weekday: npt.NDArray[np.int64], first: int, rng: np.random.Generator) -> Floats:
    draws = np.empty((PATHS, HORIZON_DAYS))
    for day in range(7):
        ahead = np.arange((day - first) % 7, HORIZON_DAYS, 7)
        pool = net[weekday == day]
        draws[:, ahead] = rng.choice(pool if len(pool) else net, size=(PATHS, len(ahead)))
    return draws


def _run_store(change: Floats, start: float, full: float) -> tuple[Floats, Floats]:
    """Usable energy by path and day (from today) [J], and the first day at cut-off (inf: none) [d]."""
    usable = np.empty((change.shape[0], change.shape[1] + 1))
    usable[:, 0] = min(start, full)
    first_dark = np.full(change.shape[0], 0.0 if start <= 0 else np.inf)
    for day in range(change.shape[1]):
        before = usable[:, day]
        after = before + change[:, day]
        crossing = (after <= 0) & np.isinf(first_dark)
        share = before[crossing] / np.maximum(before[crossing] - after[crossing], 1e-12)
        first_dark[crossing] = day + share
        usable[:, day + 1] = np.clip(after, 0.0, full)
    return usable, first_dark

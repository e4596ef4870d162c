"""Words, units and numbers as the pages say them: one place, so that every page says them alike."""

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

NOTHING = "–"
PAST_HORIZON = "past the horizon"

FINDINGS = {
    "harvest-short": "net harvest short of budget",
    "wakes-over": "more wakes than budgeted",
    "drain-over": "draining faster than budgeted",
    "capacity-fade": "storage capacity fading",
    "resistance-rise": "storage resistance rising",
    "leakage-rise": "storage leakage rising",
    "silent-charged": "silent with energy in hand",
    "dark": "dark",
    "site-wide": "cause common to the site",
}
VERDICTS = {"not-enough-data": "not enough data"}
CAUTION = (
    "Forecasts are estimates for maintenance planning, not a safety function: nothing that protects people may rest on"
    " a node staying alive.",
    "Visits touch rotating machinery, hot surfaces, heights and charged storage: isolate and lock out as local rules"
    " require, let a qualified person do it, discharge capacitors before handling, treat lithium cells by their"
    " maker's and the carrier's rules.",
)


class Line(NamedTuple):
    """A budget line: its name, and the unit it is shown in with the factor from SI."""

    name: str
    unit: str
    factor: float


LINES = {
    "net_harvest_w": Line("Net harvest", "µW", 1e6),
    "load_w": Line("Load", "µW", 1e6),
    "wake_energy_j": Line("Energy per wake", "mJ", 1e3),
    "sleep_power_w": Line("Sleep power", "µW", 1e6),
    "leakage_power_w": Line("Leakage", "µW", 1e6),
    "capacity_ratio": Line("Capacity, of nominal", "", 1.0),
    "esr_ohm": Line("Series resistance", "Ω", 1.0),
}


def missing(value: Any) -> bool:
    """Whether there is no number to show."""
    return value is None or (isinstance(value, float) and math.isnan(value))


def number(value: float | None, unit: str = "", digits: int = 3) -> str:
    """A number in so many significant digits with its unit, or a dash."""
    if value is None or missing(value):
        return NOTHING
    decimals = max(0, digits - 1 - (math.floor(math.log10(abs(value))) if value else 0))
    text = f"{value:,.{decimals}f}".replace("-", "−").replace(",", "\u202f")
    return f"{text}\u00a0{unit}" if unit else text


def volts(value: float | None) -> str:
    """A voltage to the millivolt."""
    return NOTHING if value is None or missing(value) else f"{value:.3f}\u00a0V"


def percent(share: float | None) -> str:
    """A share as whole per cent."""
    return NOTHING if share is None or missing(share) else f"{share * 100:.0f}\u00a0%".replace("-", "−")


def chance(probability: float | None) -> str:
    """A probability as whole per cent; what rounds to never or always but is neither says so."""
    if probability is not None and 0 < probability < 0.005:
        return "<\u202f1\u00a0%"
    if probability is not None and 0.995 <= probability < 1:
        return ">\u202f99\u00a0%"
    return percent(probability)


def span(value: float | None) -> str:
    """A number of days; what is shorter than a tenth of a day is not told apart."""
    if value is not None and 0 < value < 0.1:
        return "<\u202f0.1\u00a0d"
    return number(value, "d", 2)


def days(value: float | None, *, forecast: bool = True) -> str:
    """Days to depletion; an empty quantile of a forecast lies past its horizon."""
    if value is None or missing(value):
        return PAST_HORIZON if forecast else "no forecast yet"
    return span(value)


def day_range(low: float | None, high: float | None) -> str:
    """Days to depletion from one quantile to another."""
    if missing(low):
        return PAST_HORIZON
    return f"{days(low)} to {days(high)}"


def age(seconds: float | None) -> str:
    """How long ago, in the largest unit that fits."""
    if seconds is None or missing(seconds):
        return "never"
    for size, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.0f}\u00a0{unit} ago"
    return "just now"


def moment(at: datetime | None, zone: str) -> str:
    """A time on the clock of a site, with the zone named."""
    return NOTHING if at is None else f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"


def plus_minus(value: float | None, deviation: float | None, line: Line) -> str:
    """An estimate with its standard deviation in the unit of its line."""
    if value is None or missing(value):
        return NOTHING
    shown = number(value * line.factor, line.unit)
    if deviation is None or missing(deviation):
        return shown
    return f"{number(value * line.factor)}\u00a0±\u00a0{number(deviation * line.factor, line.unit, 2)}"


def finding(name: str | None) -> str:
    """A finding in words."""
    return "" if name is None or missing(name) else FINDINGS.get(name, name)


def verdict(name: str | None) -> str:
    """A storage verdict in words."""
    return NOTHING if name is None or missing(name) else VERDICTS.get(name, name)


def drivers(now: Mapping[str, Any], ratios: Mapping[str, float | None], cause: str | None) -> str:
    """What the days to depletion rest on, in one sentence of figures.

    Parameters
    ----------
    now : mapping
        A row of `queries.node_now`.
    ratios : mapping
        `harvest_ratio` and `load_ratio` of the node, where known. [-]
    cause : str or None
        The most probable finding.
    """
    balance = now["balance_w"]
    if balance is None:
        return "No forecast yet."
    turn = "spends {} more than it earns" if balance < 0 else "earns {} more than it spends"
    parts = ["The node " + turn.format(number(abs(balance) * 1e6, "µW"))]
    if ratios["harvest_ratio"] is not None:
        least = "at least " if now["harvest_lower_bound"] else ""
        parts.append(f"net harvest is {least}{percent(ratios['harvest_ratio'])} of budget")
    if ratios["load_ratio"] is not None:
        parts.append(f"load is {percent(ratios['load_ratio'])} of budget")
    if now["autonomy_days"] is not None:
        parts.append(f"its store lasts {span(now['autonomy_days'])} without harvest")
    if cause:
        parts.append(f"most probable finding: {finding(cause)}")
    return "; ".join(parts) + "."

"""Words, units and numbers as the pages say them: one place, so that every page says them alike."""

import math
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from ingest.budget import SECONDS_PER_DAY

NOTHING = "–"
LARGER_UNITS = ((SECONDS_PER_DAY, "d"), (3600.0, "h"), (60.0, "min"))  # of time, than a second
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
VERDICTS = {
    "sound": "sound",
    "watch": "watch",
    "degraded": "degraded",
    "spent": "spent",
    "not-enough-data": "not enough data",
}
NOT_SEPARABLE = "not separable"
CAUTION = (
    "Forecasts are estimates for maintenance planning, not a safety function: nothing that protects people may rest on"
    " a node staying alive.",
    "Visits touch rotating machinery, hot surfaces, heights and charged storage: isolate and lock out as local rules"
    " require, let a qualified person do it, discharge capacitors before handling, treat lithium cells by their"
    " maker's and the carrier's rules.",
)

VISIT_CAUTION = (
    "Permits: a plan of visits is no permit to work. Licensed practice and the local codes for electrical"
    " work, work at heights and hot work stand above it; a qualified person decides and does it.",
    "Rotating machinery: isolate it, lock it out and try that it stays still before reaching in; a gearbox or a"
    " conveyor may start by itself.",
    "Hot surfaces: kilns and what is mounted on them burn long after they are switched off. Let them cool, or wear what"
    " the site requires.",
    "Heights: yard nodes stand on masts and roofs. Use the access and fall protection that the site requires, and never"
    " go alone.",
    "Charged storage: a supercapacitor holds its charge for days and burns what shorts it. Discharge it through a"
    " resistor and measure before handling.",
    "Lithium cells: store, carry, charge and dispose of them by their maker's and the carrier's rules. Do not open,"
    " short, heat or recharge a damaged or swollen cell.",
    "Dates here are estimates: nothing that protects people may rest on a node staying alive until then.",
)


class Line(NamedTuple):
    """A budget line: its name, and the unit it is shown in with the factor from SI."""

    name: str
    unit: str
    factor: float


LINES = {
    "net_harvest_w": Line("Net harvest", "µW", 1e6),
    "harvest_w": Line("Harvest, were it never full", "µW", 1e6),
    "load_w": Line("Load", "µW", 1e6),
    "full_autonomy_days": Line("Autonomy from full", "d", 1.0),
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


def whole_percent(share: Any) -> Any:
    """A share, or a series of them, in whole per cent: rounded once, here, so that all pages agree."""
    return np.round(share * 100)


def percent(share: float | None) -> str:
    """A share as whole per cent."""
    return NOTHING if share is None or missing(share) else f"{whole_percent(share):.0f}\u00a0%".replace("-", "−")


def chance(probability: float | None) -> str:
    """A probability as whole per cent, never as none or all of it: nothing that is forecast or found is certain."""
    if probability is None or missing(probability):
        return NOTHING
    whole = whole_percent(probability)
    return "<\u202f1\u00a0%" if whole < 1 else ">\u202f99\u00a0%" if whole > 99 else percent(probability)


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
    for size, unit in LARGER_UNITS:
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


def share_plus_minus(value: float, deviation: float | None) -> str:
    """A share in per cent with its standard deviation, to the digits that the deviation carries."""
    if deviation is None or missing(deviation):
        return percent(value)
    decimals = 1 if deviation < 0.095 else 0
    return f"{value * 100:.{decimals}f}\u00a0±\u00a0{deviation * 100:.{decimals}f}\u00a0%".replace("-", "−")


def finding(name: str | None) -> str:
    """A finding in words."""
    return "" if name is None or missing(name) else FINDINGS.get(name, name)


def ties(evidence: str | None) -> tuple[str, ...]:
    """The findings that this one cannot be told apart from, which its evidence names in brackets."""
    clauses = [clause for clause in (evidence or "").split(";") if NOT_SEPARABLE in clause]
    named = [word for clause in clauses for word in re.findall(r"[a-z]+-[a-z]+", clause) if word in FINDINGS]
    return tuple(dict.fromkeys(named)) or ("another cause",) * bool(clauses)


def cause(name: str, evidence: str | None) -> str:
    """A finding in words, with those it may be mistaken for."""
    others = ties(evidence)
    return f"{' or '.join(finding(either) for either in (name, *others))}{f': {NOT_SEPARABLE}' if others else ''}"


def causes(found: Iterable[Mapping[str, Any]]) -> str:
    """Findings with their chances in one line, in the order given; what an earlier one is tied to is not repeated."""
    said: list[str] = []
    tied: set[str] = set()
    for row in found:
        others = ties(row["evidence"])
        if row["finding"] not in tied:
            either = " or ".join(name.replace("-", " ") for name in (row["finding"], *others))
            said.append(f"{either}{f', {NOT_SEPARABLE}' if others else ''} ({chance(row['probability'])})")
        tied.update(others)
    return "; ".join(said)


def sentence(text: str | float | None) -> str:
    """What the analysis wrote, as the pages set it: a capital, units with their signs, and a full stop.

    Nothing where it wrote nothing, which a column of a table may hold as None or NaN.
    """
    if not isinstance(text, str) or not text:
        return ""
    said = re.sub(r"\s?%", "\u00a0%", text.replace(" uW", "\u00a0µW").replace(" degC", "\u00a0°C"))
    said = said[0].upper() + said[1:]
    return said if said.endswith(".") else said + "."


def duration(seconds: float) -> str:
    """A span of time in whole seconds, and in a larger unit where that reads better."""
    exact = f"{seconds:,.0f}".replace(",", "\u202f") + "\u00a0s"
    for size, unit in LARGER_UNITS:
        if seconds >= 2 * size:
            return f"{exact} ({seconds / size:.3g}\u00a0{unit})"
    return exact


def day(at: datetime | None) -> str:
    """The calendar day that a time stands for."""
    return NOTHING if at is None else f"{at:%Y-%m-%d}"


def verdict(name: str | None) -> str:
    """A storage verdict in words."""
    return NOTHING if name is None or missing(name) else VERDICTS.get(name, name)

"""The next round of maintenance: whom to visit, by when, with what part. Pure: rows in, stops out."""

import csv
import io
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pandas as pd

from analysis.depletion import VISIT_RISK, visit_column
from analysis.facts import OF_STORAGE
from dashboard.wording import causes, duration, sentence, ties
from ingest.budget import SECONDS_PER_DAY, Budget, Storage
from ingest.fleet import Fleet

WORN = {"degraded", "spent"}  # verdicts at which the storage is replaced before it fails
OF_FIRMWARE = {"wakes-over", "drain-over"}
HARVESTER = {
    "light-outdoor": "cleaning kit for the harvester; look for shade and a turned mount",
    "light-indoor": "cleaning kit for the harvester; look for shade, dimmed or replaced lamps",
    "vibration": "fasteners for the harvester's mount; feel whether its machine still shakes it",
    "thermal": "thermal paste and clamp for the harvester's contact face; clean it",
    "radio": "antenna for the harvester; check that its transmitter is on",
    "other": "cleaning kit and fasteners for the harvester",
}
FIRMWARE = "programming adapter and firmware; ammeter for the sleep current"
RADIO = "spare antenna and radio; check the gateway before the node"
RESTART = "bench supply to charge the storage and start the node again"
SITE_FIRST = "nothing for the node: look at the site first (stop, lights, gateway)"
NO_PART = "no part: nothing is found broken; a larger storage or harvester if it goes on"
DANGERS = {
    "light-outdoor": "heights: fall protection",
    "vibration": "rotating machinery: isolate and lock out",
    "thermal": "hot surface",
}
DISCHARGE = "discharge the storage before handling"
LITHIUM = "lithium rules of maker and carrier"
CELLS = {"lithium-ion", "lithium-iron-phosphate", "lithium-titanate", "primary"}
NEVER_HEARD, NOT_SINCE = "never heard from", "not heard from since its storage was replaced"
JOINED = "radio, gateway: see whether the node was installed, and has joined"


@dataclass(frozen=True)
class Stop:
    """One node of a round.

    Attributes
    ----------
    visit_by : date or None
        Site day by which the chance of having gone dark reaches the chosen `risk`; None where that lies past the
        horizon, or the node is not expected to go dark.
    worn_by : date or None
        Day by which the storage has reached an end of life of its budget with a chance of 10 %; None where that lies
        past the time looked ahead, or no wear stands out of its doubt.
    worn_already : bool
        It is worn by its verdict.
    back_days : float or None
        Days until a dark node is as likely as not to run again by itself. [d]
    chance_30d : float or None
        Of going dark within 30 days.
    causes : str
        Findings with their chances, the most probable first.
    driver : str
        What the forecast rests on.
    take, mind : tuple of str
        What to bring, and what can hurt there.
    """

    site: str
    node_id: str
    dark: bool
    silent: bool
    risk: float
    visit_by: date | None
    worn_by: date | None
    worn_already: bool
    back_days: float | None
    chance_30d: float | None
    causes: str
    driver: str
    take: tuple[str, ...]
    mind: tuple[str, ...]
    note: str

    @property
    def state(self) -> str:
        """What it is now, in a word; nothing of one that runs on a sound storage."""
        return "dark" if self.dark else "silent" if self.silent else "worn" if self.worn_already else ""


def plan(
    rows: pd.DataFrame, fleet: Fleet, common: Collection[str], within: int, risk: float = VISIT_RISK
) -> list[Stop]:
    """The nodes to visit: dark first, then by date, then those without one.

    A node is on the list when it is dark, or may be within so many days, or is silent with energy in hand, or its
    storage is worn or may be within so many days.

    Parameters
    ----------
    rows : DataFrame
        Of `queries.fleet_rows`.
    common : collection of str
        Sites where one cause stands for many nodes.
    within : int
        How far ahead to look. [d]
    risk : float
        One of VISIT_RISKS: the chance of having gone dark by the date of a visit.
    """
    last_day = rows["as_of"].dt.tz_localize(None) + timedelta(days=within)
    worn = rows["verdict"].isin(WORN) | (rows["worn_p10"] <= last_day)
    rows = rows.assign(worn=worn, risk=risk, due_days=rows[visit_column(risk)])
    due = rows["dark"] | (rows["due_days"] <= within) | rows["silent"] | rows["worn"]
    order = ["dark", "due_days", "worn_p10", "node_id"]
    first = rows[due].sort_values(order, ascending=[False, True, True, True])
    return [_stop(row, fleet, common) for row in first.to_dict("records") if row["node_id"] in fleet.nodes]


def _stop(row: Mapping[Any, Any], fleet: Fleet, common: Collection[str]) -> Stop:
    budget, site, dark = fleet.budgets[row["budget"]], fleet.sites[row["site"]], bool(row["dark"])
    found, silent, visit_by = row["causes"], bool(row["silent"]), None
    why, take = causes(found), what_to_take(found, row["worn"], dark, budget, _known(row["wake_interval_s"]))
    if silent and not found and pd.isna(row["storage_v"]):
        why, take = (NEVER_HEARD if pd.isna(row["observed_at"]) else NOT_SINCE), (JOINED,)
    elif (dark or silent) and not found and row["site"] in common:
        why, take = "cause common to the site", (SITE_FIRST,)
    if not dark and not pd.isna(row["due_days"]):
        visit_by = (row["as_of"] + timedelta(days=row["due_days"])).tz_convert(site.zone).date()
    return Stop(
        row["site"],
        row["node_id"],
        dark,
        silent,
        row["risk"],
        visit_by,
        row["worn_p10"].date() if row["worn"] and not pd.isna(row["worn_p10"]) else None,
        row["verdict"] in WORN,
        _known(row["back_p50_days"]) if dark else None,
        _known(row["p_dark_30d"]),
        why,
        sentence(row["driver"]),
        take,
        dangers(budget),
        row["note"],
    )


def _known(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def what_to_take(
    found: Sequence[Mapping[str, Any]],
    worn: bool,
    dark: bool,
    budget: Budget,
    wake_interval: float | None,
) -> tuple[str, ...]:
    """The parts and tools for one node, by its findings, whether its storage is worn, and its budget.

    Two findings that cannot be told apart bring the parts of both. Where nothing is found, a longer wake interval may
    do: the shortest sustainable one is `wake_interval` [s]. Common practice, no source.
    """
    names = {name for row in found for name in (row["finding"], *ties(row["evidence"]))}
    harvester = HARVESTER.get(budget.harvest.source)
    take = []
    if names & OF_STORAGE or worn:
        take.append(storage_part(budget.storage))
    if "harvest-short" in names and harvester:
        take.append(harvester)
    if names & OF_FIRMWARE:
        take.append(FIRMWARE)
    if "silent-charged" in names:
        take.append(RADIO)
    if not take and harvester is None:
        take.append(storage_part(budget.storage))  # a cell that runs down as designed
    if dark and not take and harvester:
        take.append(harvester)
    if dark and harvester:
        take.append(RESTART)
    return tuple(take) or (_no_part(budget, wake_interval),)


def _no_part(budget: Budget, wake_interval: float | None) -> str:
    planned = SECONDS_PER_DAY / budget.load.wakes_per_day if budget.load.wakes_per_day else math.inf
    if wake_interval is None or wake_interval <= planned:
        return NO_PART
    return f"no part: wakes {duration(math.ceil(wake_interval))} apart would carry it; planned {duration(planned)}"


def storage_part(storage: Storage) -> str:
    """A replacement storage as the budget describes it."""
    size = f"{storage.capacitance:g} F" if storage.capacity is None else f"{storage.capacity / 3.6:g} mAh"
    kind = storage.technology if storage.technology != "primary" else "primary cell"
    return f"storage: {kind.replace('-', ' ')}, {size}, {storage.full_voltage:g} V"


def dangers(budget: Budget) -> tuple[str, ...]:
    """What can hurt at a node of this budget."""
    at_place = DANGERS.get(budget.harvest.source)
    cell = budget.storage.technology in CELLS
    stored = LITHIUM if cell else DISCHARGE
    return (at_place, stored) if at_place else (stored,)


def as_csv(stops: Sequence[Stop], sites: Mapping[str, str]) -> str:
    """The round as CSV, one line a node in the order given."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["site", "node_id", "state", "visit_by", "risk_dark_by_then", "storage_worn_by", "chance_dark_30d",
         "back_by_itself_days", "causes", "driver", "take", "mind", "note"]
    )  # fmt: skip
    for stop in stops:
        writer.writerow(
            [
                sites.get(stop.site, stop.site), stop.node_id, stop.state,
                stop.visit_by.isoformat() if stop.visit_by else "", stop.risk if stop.visit_by else "",
                stop.worn_by.isoformat() if stop.worn_by else "",
                "" if stop.chance_30d is None else f"{stop.chance_30d:.3f}",
                "" if stop.back_days is None else f"{stop.back_days:.1f}",
                stop.causes, stop.driver, "; ".join(stop.take), "; ".join(stop.mind), stop.note,
            ]
        )  # fmt: skip
    return text.getvalue().replace("\u00a0", " ").replace("\u202f", " ")

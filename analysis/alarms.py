"""Alarms: raised once when a condition passes its limit, cleared once when it has passed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

RAISE_P_DARK_30D = 0.4
CLEAR_P_DARK_30D = 0.2  # lower than the limit that raises, so that a chance hovering at the limit does not chatter
URGENT_P_DARK_7D = 0.3
CALM_P_DARK_7D = 0.15  # and below this no longer urgent
ACKNOWLEDGED = "; acknowledged:"
DARK = "dark now, below the cut-off voltage"


@dataclass(frozen=True)
class Condition:
    """What one node's alarms are judged by.

    `p_dark_7d` and `p_dark_30d` are None where there is no forecast: such a node's depletion alarm stays as it is.
    """

    node_id: str
    site: str
    p_dark_7d: float | None
    p_dark_30d: float | None
    days_p10: float | None
    silent_for_s: float  # 0 while it is heard from


@dataclass(frozen=True)
class Alarm:
    """One alarm and where it stands in its life; a row of the table `alarms`."""

    alarm_id: str
    node_id: str
    site: str
    kind: str
    priority: str
    state: str
    raised_at: datetime
    acknowledged_at: datetime | None = None
    cleared_at: datetime | None = None
    note: str = ""


def step(open_alarms: Mapping[tuple[str, str], Alarm], conditions: Iterable[Condition], now: datetime) -> list[Alarm]:
    """The alarms that are new or changed: raised, cleared, of another priority, or of a node gone dark or back.

    Those of a node that is no longer in the fleet are cleared.

    Parameters
    ----------
    open_alarms : mapping
        Alarms not cleared, by (node_id, kind).
    conditions : iterable of Condition
        One of every node in the fleet.
    now : datetime
        The moment of the analysis.
    """
    judged = {condition.node_id: condition for condition in conditions}
    gone = (known for (node_id, _), known in open_alarms.items() if node_id not in judged)
    changed = [replace(known, state="cleared", cleared_at=now) for known in gone]
    for condition in judged.values():
        for kind, wanted in _judge(condition, open_alarms).items():
            known = open_alarms.get((condition.node_id, kind))
            if wanted is None and known is not None:
                changed.append(replace(known, state="cleared", cleared_at=now))
            elif wanted is not None and known is None:
                stamp = f"{now:%Y%m%dT%H%M%SZ}"
                changed.append(
                    Alarm(f"{condition.node_id}/{kind}/{stamp}", condition.node_id, condition.site, kind,
                          wanted[0], "active", now, note=wanted[1])
                )  # fmt: skip
            elif wanted is not None and known is not None and _kind(*wanted) != _kind(known.priority, known.note):
                changed.append(replace(known, priority=wanted[0], note=wanted[1] + _said(known.note)))
    return changed


def _kind(priority: str, note: str) -> tuple[str, bool]:
    """What an alarm is told anew for: its priority, and whether the node is dark."""
    return priority, note.startswith(DARK)


def _said(note: str) -> str:
    """What a person said when acknowledging, as it stands behind the evidence; see `ingest.acknowledge`."""
    _, mark, said = note.partition(ACKNOWLEDGED)
    return mark + said


def _judge(condition: Condition, known: Mapping[tuple[str, str], Alarm]) -> dict[str, tuple[str, str] | None]:
    """For each kind the priority and note it should stand with, or None where it should not stand."""
    verdicts: dict[str, tuple[str, str] | None] = {"silent": None}
    if condition.silent_for_s > 0:
        verdicts["silent"] = ("medium", f"not heard from for {condition.silent_for_s / 3600:.0f} h")
    p7, p30 = condition.p_dark_7d, condition.p_dark_30d
    if p7 is not None and p30 is not None:
        standing = known.get((condition.node_id, "depletion"))
        limit = RAISE_P_DARK_30D if standing is None else CLEAR_P_DARK_30D
        urgent = CALM_P_DARK_7D if standing is not None and standing.priority == "high" else URGENT_P_DARK_7D
        when = "" if condition.days_p10 is None else f"; one in ten: within {condition.days_p10:.0f} d"
        likely = f"chance of going dark within 30 d: {p30:.0%}, within 7 d: {p7:.0%}{when}"
        note = DARK if condition.days_p10 == 0.0 else likely
        priority = "high" if p7 >= urgent else "medium"
        verdicts["depletion"] = (priority, note) if p30 >= limit else None
    return verdicts

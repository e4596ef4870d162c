"""Alarms: raised once when a condition passes its limit, cleared once when it has passed; for one cause, one alarm."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import NamedTuple

from analysis.facts import silence
from analysis.site_findings import SITE_DAYS, SITE_LEAST

KINDS = ("silent", "depletion")
RAISE_P_DARK_30D = 0.45  # looked at every day, a chance wanders: one that comes near is not yet at risk
CLEAR_P_DARK_30D = 0.05  # an alarm stands until the node is safe, not until it is a little less at risk
URGENT_P_DARK_7D = 0.3
CALM_P_DARK_7D = 0.15  # and below this no longer urgent
ACKNOWLEDGED = "; acknowledged:"
DARK = "dark now: "  # how the note of such a node begins
WHOLE_SITE = "whole site"  # no node is called so: an id has no space
NAMED = 5  # nodes that the alarm of a whole site names


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
    """One alarm and where it stands in its life; a row of the table `alarms`. That of a whole site has no node."""

    alarm_id: str
    node_id: str | None
    site: str
    kind: str
    priority: str
    state: str
    raised_at: datetime
    acknowledged_at: datetime | None = None
    cleared_at: datetime | None = None
    note: str = ""


Wanted = tuple[str, str]  # priority and note that an alarm should stand with


def step(
    open_alarms: Iterable[Alarm],
    conditions: Iterable[Condition],
    now: datetime,
    common: Mapping[str, datetime] = MappingProxyType({}),
) -> list[Alarm]:
    """The alarms that are new or changed: raised, cleared, of another priority, or of a node gone dark or back.

    Those of a node that is no longer in the fleet, or has moved, are cleared. Where one cause at a site brings
    SITE_LEAST nodes to the limit, those without an alarm of their own have one together, the site's, which is told anew
    when other nodes are in it. When it ends, who is still at the limit gets one of its own, acknowledged as that was.

    Parameters
    ----------
    open_alarms : iterable of Alarm
        Those not cleared.
    conditions : iterable of Condition
        One of every node in the fleet.
    now : datetime
        The moment of the analysis.
    common : mapping
        Since when its nodes show one cause in common, by site; without the sites where there is none.
    """
    standing = {(alarm.site if alarm.node_id is None else alarm.node_id, alarm.node_id is None, alarm.kind): alarm
                for alarm in open_alarms}  # fmt: skip
    sites: defaultdict[str, list[Condition]] = defaultdict(list)
    for condition in conditions:
        sites[condition.site].append(condition)
    nodes = {condition.node_id for members in sites.values() for condition in members}
    gone = (known for (whose, of_site, _), known in standing.items() if whose not in (sites if of_site else nodes))
    changed = [_cleared(known, now) for known in gone]
    for site, members in sites.items():
        for kind in KINDS:
            judged = [member for member in members if kind == "silent" or member.p_dark_30d is not None]
            if judged:
                own = {member.node_id: standing.get((member.node_id, False, kind)) for member in judged}
                known = standing.get((site, True, kind))
                changed += _of_kind(_Judged(site, kind, judged, own, known, common.get(site), now))
    return changed


class _Judged(NamedTuple):
    """The nodes of a site that alarms of one kind are judged of."""

    site: str
    kind: str
    members: Sequence[Condition]
    own: Mapping[str, Alarm | None]  # by node
    known: Alarm | None  # that of the whole site
    since: datetime | None  # when a cause in common began, if there is one
    now: datetime


def _of_kind(judged: _Judged) -> list[Alarm]:
    """What changes of the alarms of one kind at a site, those of its nodes and that of all of it."""
    site, kind, members, own, known, _, now = judged
    shared, lately = _share_one(judged)
    changed = _moved(site, None, kind, known, _of_site(kind, shared, lately, known, now) if shared else None, now)
    ended, covered = None if shared else known, {member.node_id for member in shared}
    for member in members:
        if member.node_id not in covered:
            alarm = own[member.node_id]
            for new in _moved(site, member.node_id, kind, alarm, _judge(kind, member, alarm, now), now):
                changed.append(_taken_over(new, ended) if alarm is None and ended is not None else new)
    return changed


def _cleared(alarm: Alarm, now: datetime) -> Alarm:
    return replace(alarm, state="cleared", cleared_at=now)


def _taken_over(alarm: Alarm, before: Alarm) -> Alarm:
    """A node's alarm in place of its site's, in its state and with what a person said of it."""
    _, mark, said = before.note.partition(ACKNOWLEDGED)
    note = alarm.note + mark + said
    return replace(alarm, state=before.state, acknowledged_at=before.acknowledged_at, note=note)


def _moved(
    site: str, node_id: str | None, kind: str, known: Alarm | None, wanted: Wanted | None, now: datetime
) -> list[Alarm]:
    """The alarm raised, cleared or told anew; nothing where it stays as it is."""
    if known is not None and (wanted is None or known.site != site):
        return [_cleared(known, now), *_moved(site, node_id, kind, None, wanted, now)]
    if wanted is None:
        return []
    priority, note = wanted
    if known is None:
        whose = f"{WHOLE_SITE} {site}" if node_id is None else node_id
        return [Alarm(f"{whose}/{kind}/{now:%Y%m%dT%H%M%SZ}", node_id, site, kind, priority, "active", now, note=note)]
    told, mark, said = known.note.partition(ACKNOWLEDGED)
    anew = told != note if node_id is None else told.startswith(DARK) != note.startswith(DARK)
    if not anew and priority == known.priority:
        return []
    return [replace(known, priority=priority, note=note + mark + said)]  # what a person said stays, see `ingest`


def _share_one(judged: _Judged) -> tuple[list[Condition], int]:
    """The nodes of a site that one alarm stands for; how many more have come to an alarm of their own meanwhile.

    It begins where SITE_LEAST nodes have come to the limit since a common cause began, and goes on while there is this
    cause; of silence, while as many are still silent that were when it began. A node that comes to the limit when the
    cause has passed is not in it: the next season's would be.
    """
    _, kind, members, own, known, since, now = judged
    begun = since
    if begun is None and known is not None and kind == "silent":
        begun = known.raised_at - timedelta(days=SITE_DAYS)
        members = [member for member in members if now - timedelta(seconds=member.silent_for_s) <= known.raised_at]
    if begun is None:
        return [], 0
    alone = [
        member for member in members if own[member.node_id] is None and _judge(kind, member, known, now) is not None
    ]
    lately = sum(alarm is not None and alarm.raised_at >= begun for alarm in own.values())
    limit = sum(_judge(kind, member, None, now) is not None for member in alone)
    goes_on = known is not None and since is not None
    return (alone, lately) if alone and (goes_on or limit + lately >= SITE_LEAST) else ([], 0)


def _of_site(kind: str, members: Sequence[Condition], lately: int, known: Alarm | None, now: datetime) -> Wanted:
    """What the alarm of a site should stand with: the gravest of its nodes' priorities, and who is at the limit."""
    judged = [_judge(kind, member, known, now) for member in members]
    priority = "high" if any(wanted is not None and wanted[0] == "high" for wanted in judged) else "medium"
    named = [member for member in members if _judge(kind, member, None, now) is not None]
    named = sorted(named, key=lambda member: (member.days_p10 != 0.0, member.node_id))
    names = "".join(f"{': ' if i == 0 else ', '}{member.node_id}" for i, member in enumerate(named[:NAMED]))
    more = f" and {len(named) - NAMED} more" if len(named) > NAMED else ""
    apart = f"; {lately} with alarms of their own" if lately else ""
    many = "1 node" if len(named) == 1 else f"{len(named) or 'no'} nodes"
    if kind == "silent":
        return priority, f"{many} not heard from{names}{more}{apart}"
    dark = sum(member.days_p10 == 0.0 for member in named)
    return priority, f"{many} likely to be dark within 30 d, {dark or 'none'} of them now{names}{more}{apart}"


def _judge(kind: str, condition: Condition, standing: Alarm | None, now: datetime) -> Wanted | None:
    """Priority and note that a node's alarm should stand with, None where none should; `standing` if there is one.

    A note stands for as long as its alarm, so what it says is true later too: it tells of when it was written.
    """
    if kind == "silent":
        silent = 0.0 if condition.days_p10 == 0.0 else condition.silent_for_s  # a dark one is alarmed as such
        return ("medium", f"not heard from in the {silence(silent)} before") if silent > 0 else None
    p7, p30 = condition.p_dark_7d or 0.0, condition.p_dark_30d or 0.0
    if p30 < (RAISE_P_DARK_30D if standing is None else CLEAR_P_DARK_30D):
        return None
    urgent = CALM_P_DARK_7D if standing is not None and standing.priority == "high" else URGENT_P_DARK_7D
    when = "" if condition.days_p10 is None else f"; one in ten: within {condition.days_p10:.0f} d"
    likely = (
        f"on {now:%Y-%m-%d} UTC: chance of going dark within 30 d: {_percent(p30)}, within 7 d: {_percent(p7)}{when}"
    )
    return "high" if p7 >= urgent else "medium", _dark(condition) if condition.days_p10 == 0.0 else likely


def _dark(condition: Condition) -> str:
    """What says that a node is dark: its last report, or that none came any more."""
    if condition.silent_for_s > 0:
        return f"{DARK}not heard from since it had next to nothing in hand"
    return f"{DARK}below the cut-off voltage at its last report"


def _percent(chance: float) -> str:
    """A chance as whole per cent, none of which is certain."""
    return "<1%" if chance < 0.005 else ">99%" if chance > 0.995 else f"{chance:.0%}"

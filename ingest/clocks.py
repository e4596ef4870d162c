"""Nodes whose clocks were lost, drift, or are off, told from the delays of their reports."""

from datetime import date
from typing import NamedTuple

from ingest.admission import sql
from ingest.store import Store

DAYS = 30  # looked back
DRIFT_S = 1.0  # a day: 12 ppm, half of what a plain watch crystal may do (common practice, no source)
STEP_S = 10.0
BEHIND_S = 60.0
AHEAD_S = 10.0


class ClockFlag(NamedTuple):
    """What is wrong with a node's clock."""

    node_id: str
    kind: str  # lost, drifts, off
    days: int  # with reports, or with losses
    reports: int
    drift_s_per_day: float | None  # positive: the clock is slow
    error_s: float | None  # mean; positive: behind, the way through the network included


def flags(store: Store, until: date) -> list[ClockFlag]:
    """The clocks with something wrong in the `DAYS` up to a UTC day."""
    limits = {"days": DAYS, "drift_s": DRIFT_S, "step_s": STEP_S, "behind_s": BEHIND_S, "ahead_s": AHEAD_S}
    return [ClockFlag(*row) for row in store.cursor().execute(sql("clocks"), limits | {"until": until}).fetchall()]

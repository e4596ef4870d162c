"""Nodes to forecast in tests: an invented budget and plain harvests."""

from typing import Any

import numpy as np

from analysis.kernel import NOISE_SPAN
from analysis.outlook import NOISE_POINTS, HarvestOutlook, NodeOutlook
from ingest.budget import Budget, parse_budget

TEXT = """
name = "test-vibration"
[harvest]
source = "vibration"
mean_power = "{harvest} uW"
active_hours = "06:00-22:00"
active_days = "mon-fri"
[storage]
technology = "supercapacitor"
capacitance = "{capacitance} F"
leakage_current = "{leakage} uA"
full_voltage = "5.0 V"
cutoff_voltage = "2.0 V"
restart_voltage = "2.5 V"
[load]
rail_voltage = "3.0 V"
regulator = "{regulator}"
efficiency = 1.0
sleep_current = "{sleep} uA"
wake_current = "10 mA"
wake_duration = "1 s"
wakes_per_day = {wakes}
[telemetry]
report_interval = "30 min"
"""


def budget(
    capacitance: float = 1.0, leakage: float = 0.0, sleep: float = 0.0, wakes: float = 48, harvest: float = 70.0,
    regulator: str = "switching",
) -> Budget:  # fmt: skip
    text = TEXT.format(
        capacitance=capacitance, leakage=leakage, sleep=sleep, wakes=wakes, harvest=harvest, regulator=regulator
    )
    return parse_budget(text, "test.toml")


def steady(mean: float, days: int = 365, **kw: Any) -> HarvestOutlook:
    """The same mean harvest every day, in joules."""
    return HarvestOutlook(mean=mean, season=np.ones(days), week=np.ones(days), closure=np.ones(days), **kw)


def linear_noise(sd: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    return 1.0 + sd * np.linspace(-NOISE_SPAN, NOISE_SPAN, NOISE_POINTS)


def node(harvest: HarvestOutlook, of: Budget, usable: float, **kw: Any) -> NodeOutlook:
    """A node whose voltage holds `usable` joules above the cut-off; its wake energy is 0.03 J."""
    curve = NodeOutlook("probe", "mill", of, harvest, 3.0, 0.0).curve
    volts = float(curve.voltage_at(curve.cutoff_j + usable))
    settings: dict[str, Any] = {"node_id": "probe", "site": "mill", "wakes_per_day": of.load.wakes_per_day} | kw
    return NodeOutlook(budget=of, harvest=harvest, voltage=volts, **settings)

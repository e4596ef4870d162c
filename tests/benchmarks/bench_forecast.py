"""How long the forecast takes, and whether a structural time-series model would have done better.

Run by hand: ``python tests/benchmarks/bench_forecast.py --nodes 10000``. Speeds are ratios of one run on one machine.
Linear algebra has one thread: with more, the model's many small matrices take two to four times as long.
"""

import argparse
import os
import resource
import time
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is imported

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from analysis import scores
from analysis.depletion import forecast, sustainable_interval
from analysis.harvest import outlooks
from analysis.harvest_behind import NodeDays
from analysis.outlook import NodeOutlook
from analysis.site_days import SiteDays
from ingest.budget import Budget, parse_budget

FIRST = np.datetime64("2025-01-06")
HISTORY, AHEAD = 120, 30
LOAD_J = 4.4
WEEK = np.array([1.2, 1.2, 1.2, 1.2, 1.2, 0.6, 0.1])
BUDGET = """
name = "bench"
[harvest]
source = "vibration"
mean_power = "55 uW"
active_hours = "06:00-22:00"
active_days = "mon-sat"
[storage]
technology = "supercapacitor"
capacitance = "2 F"
leakage_current = "0 uA"
full_voltage = "5.0 V"
cutoff_voltage = "2.2 V"
[load]
rail_voltage = "3.0 V"
regulator = "switching"
sleep_current = "0 uA"
wake_current = "10 mA"
wake_duration = "1 s"
wakes_per_day = 146.6667
[telemetry]
report_interval = "1 hour"
"""


@dataclass(frozen=True)
class Timing:
    nodes: int
    seconds: float
    cpu_seconds: float
    interval_cpu_seconds: float  # for the wake intervals that last
    peak_gib: float


def site() -> SiteDays:
    return SiteDays(45.0, 8.0, 1.0, FIRST, HISTORY + 400)


def histories(count: int, seed: int, days: int = HISTORY + AHEAD) -> np.ndarray:
    """Daily harvest of nodes with levels of their own, a week's rhythm and correlated days. [J]"""
    rng = np.random.default_rng(seed)
    z = rng.normal(size=(count, days))
    for day in range(1, days):
        z[:, day] = 0.5 * z[:, day - 1] + np.sqrt(0.75) * z[:, day]
    level = rng.uniform(3.9, 5.0, size=(count, 1))
    return np.asarray(level * WEEK[np.arange(days) % 7] * np.exp(0.35 * z - 0.06))


def node_outlooks(harvest: np.ndarray, budget: Budget, days: int) -> list[NodeOutlook]:
    count, zero = len(harvest), np.zeros(HISTORY)
    ledgers = [
        NodeDays(
            f"n{i}", budget, FIRST + np.arange(HISTORY), harvest[i, :HISTORY], np.full(HISTORY, LOAD_J), zero, zero,
            zero, np.full(HISTORY, 86400.0), zero, zero,
        )
        for i in range(count)
    ]  # fmt: skip
    ahead = outlooks(ledgers, site(), FIRST + np.timedelta64(HISTORY, "D"), 0, days)
    curve = NodeOutlook("probe", "s", budget, ahead[0], 3.0, 1.0).curve
    volts = float(np.asarray(curve.voltage_at((curve.cutoff_j + curve.full_j) / 2)))
    return [
        NodeOutlook(f"n{i}", "s", budget, h, volts, budget.load.wakes_per_day, wake_sd=0.05, leakage_sd=0.3)
        for i, h in enumerate(ahead)
    ]


def time_fleet(nodes: int, paths: int = 500, days: int = 365) -> Timing:
    """Forecast `nodes` nodes of thirty sites; compilation is not counted."""
    budget = parse_budget(BUDGET, "bench.toml")
    kinds = node_outlooks(histories(20, 1), budget, days)
    fleet = [_copy(kinds[i % 20], i) for i in range(nodes)]
    forecast(fleet[:2], paths=2)
    sustainable_interval(fleet[:2], paths=2)
    begin, cpu = time.perf_counter(), time.process_time()
    forecast(fleet, paths=paths)
    seconds, forecast_cpu = time.perf_counter() - begin, time.process_time() - cpu
    sustainable_interval(fleet)
    return Timing(nodes, seconds, forecast_cpu, time.process_time() - cpu - forecast_cpu, _resident_gib())


def _resident_gib() -> float:
    """Most memory this process has held; of this program alone, not of the one that started it."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 2**20
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def _copy(node: NodeOutlook, number: int) -> NodeOutlook:
    values: dict[str, Any] = {name: getattr(node, name) for name in NodeOutlook.__dataclass_fields__}
    return NodeOutlook(**values | {"node_id": f"n{number}", "site": f"s{number % 30}"})


def came(harvest: np.ndarray, usable: float, full: float) -> np.ndarray:
    """Usable energy at the end of each day ahead, by the day."""
    out = []
    for day in range(AHEAD):
        usable = min(max(usable + harvest[HISTORY + day] - LOAD_J, 0.0), full)
        out.append(usable)
    return np.array(out)


def structural(harvest: np.ndarray, usable: float, full: float, paths: int, seed: int) -> np.ndarray:
    """Usable energy ahead, shape (days, paths), by a local level, weekly season and AR(1), fitted and simulated."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = UnobservedComponents(harvest[:HISTORY], "local level", seasonal=7, autoregressive=1)
        fitted = model.fit(disp=False, maxiter=200)
        drawn = fitted.simulate(AHEAD, repetitions=paths, anchor="end", rng=seed)
    change = np.asarray(drawn).reshape(AHEAD, paths) - LOAD_J
    energy, out = np.full(paths, usable), []
    for day in range(AHEAD):
        energy = np.clip(energy + change[day], 0.0, full)
        out.append(energy)
    return np.array(out)


@dataclass(frozen=True)
class Comparison:
    speed_ratio: float  # of statsmodels' time for a node and 30 days, over ours for a node and 30 days
    crps_ours: float  # mean over nodes and days ahead [J]
    crps_structural: float


def compare(nodes: int = 40, paths: int = 500, seed: int = 7) -> Comparison:
    """Processor time and CRPS of usable energy over 30 days ahead, side by side on the same nodes."""
    budget, harvest = parse_budget(BUDGET, "bench.toml"), histories(nodes, seed)
    curve = NodeOutlook("p", "s", budget, node_outlooks(harvest[:1], budget, 30)[0].harvest, 3.0, 1.0).curve
    full = curve.full_j - curve.cutoff_j
    forecast(node_outlooks(harvest[:2], budget, AHEAD), paths=2)
    begin = time.process_time()
    found = forecast(node_outlooks(harvest, budget, AHEAD), paths=paths, threads=1)
    ours = (time.process_time() - begin) / nodes
    truth = np.stack([came(row, full / 2, full) for row in harvest])
    begin = time.process_time()
    other = np.stack([structural(row, full / 2, full, paths, seed) for row in harvest])
    theirs = (time.process_time() - begin) / nodes
    at = found.days_ahead.astype(int) - 1
    return Comparison(
        theirs / ours,
        _quantile_crps(found.usable, truth[:, at]),
        _quantile_crps(_quantiles(other[:, at]), truth[:, at]),
    )


def _quantiles(draws: np.ndarray) -> np.ndarray:
    return np.moveaxis(np.quantile(draws, (0.05, 0.1, 0.5, 0.9, 0.95), axis=-1), 0, -1)


def _quantile_crps(quantiles: np.ndarray, truth: np.ndarray) -> float:
    """CRPS of the distribution that is straight between the five quantiles, by 99 draws at equal shares."""
    share = np.linspace(0.01, 0.99, 99)
    shape = quantiles.reshape(-1, quantiles.shape[-1])
    draws = np.stack([np.interp(share, (0.05, 0.1, 0.5, 0.9, 0.95), row) for row in shape])
    return float(scores.crps(draws, truth.ravel()).mean())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nodes", type=int, default=10_000)
    nodes = parser.parse_args().nodes
    timing = time_fleet(nodes)
    print(f"{nodes} nodes x 500 paths x 365 days: {timing.seconds:.1f} s on two threads")
    print(f"of {timing.cpu_seconds / 2:.1f} s of processor time each, and {timing.peak_gib:.2f} GiB at most;")
    print(f"the wake intervals that last: {timing.interval_cpu_seconds / 2:.1f} s more of each")
    result = compare()
    print(f"a node {result.speed_ratio:.0f} times faster than statsmodels UnobservedComponents, fitted and simulated;")
    print(f"CRPS of usable energy 1 to 30 days ahead {result.crps_ours:.3f} J against {result.crps_structural:.3f} J")


if __name__ == "__main__":
    main()

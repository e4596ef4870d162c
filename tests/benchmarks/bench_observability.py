"""What is observable from which telemetry: the same nodes under variants of what their firmware reports.

Nodes with the same scattered parts are simulated under each variant, their reports admitted to a store in memory and
analysed; what the estimates say is compared with the simulated truth. Half of the nodes are sound, half lose capacity.
Size by JOULEBOOK_BENCH_NODES (default 36) and JOULEBOOK_BENCH_DAYS (default 240). By itself, for the tables of
DEVELOPERS.md: ``python -m tests.benchmarks.bench_observability``.
"""

import os
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analysis.estimate import LINES
from analysis.evidence import middle_voltage
from analysis.limits import quantisation_sd, slope_bound
from analysis.load import load_power, sleep_power, wake_energy
from analysis.run import read_windows
from analysis.run_books import ledger_of, site_books
from analysis.run_days import NumberedFleet, update_days
from analysis.run_field import update_field
from analysis.run_findings import find_all
from analysis.run_health import judge_nodes
from analysis.run_recent import RECENT_DAYS, read_recent
from analysis.run_sisters import settle
from analysis.storage import storage_curve
from fixtures.faults import Fault
from fixtures.mill import FOLDER
from fixtures.parts import Firmware
from fixtures.simulate import ADC_NOISE_V, Simulated, simulate
from ingest.budget import SECONDS_PER_DAY, Budget, parse_budget
from ingest.contract import REPORT_BATCH
from ingest.fleet import Fleet, Node, Site
from ingest.store import Store

NODES = int(os.environ.get("JOULEBOOK_BENCH_NODES", "36"))
DAYS = int(os.environ.get("JOULEBOOK_BENCH_DAYS", "240"))
START = datetime(2025, 10, 1, tzinfo=UTC)
SEED = 41
STEP_S = 900.0  # of the integration: divides every report interval below
FADE, FADE_FROM, FADE_EVERY = 0.3, 30, 15  # lost a year; the day it begins; days between two looks for it
CAPACITORS = ("conveyor-vibration", "packing-light", "yard-light")
ADMIT_DAYS = 20
REST_H = 8
SAID = {
    "capacity_ratio": "capacity", "esr_ohm": "resistance", "wake_energy_j": "wake energy", "sleep_power_w": "sleep",
    "leakage_power_w": "leakage", "net_harvest_w": "net harvest",
}  # fmt: skip


@dataclass(frozen=True)
class Telemetry:
    """What the firmware reports, and what the nodes do."""

    name: str
    interval_s: float = 3600.0
    bits: int = 12  # of the converter, over the range of the budget's
    loaded: bool = False
    temp: bool = False
    varied: bool = False  # the wake rate follows the work: other nodes wake at a constant rate
    rate: float = 1.0  # of wakes, to the mill's budgets
    alternating: float = 0.0  # by this share of the rate more wakes on one day, less on the next
    wake_tolerance: float = 0.1  # of the budget; the simulated parts scatter as much
    kinds: tuple[str, ...] = CAPACITORS
    edits: tuple[tuple[str, str], ...] = ()  # patterns of lines of the budget, and what takes their place


PLAIN = Telemetry("voltage and wakes alone")
ALL = replace(PLAIN, name="all three", loaded=True, temp=True, varied=True)
CHOICES = (
    PLAIN,
    replace(PLAIN, name="+ loaded voltage", loaded=True),
    replace(PLAIN, name="+ temperature", temp=True),
    replace(PLAIN, name="+ wake rate that varies with the work", varied=True),
    replace(PLAIN, name="+ wake rate 0.5 and 1.5 on alternate days", alternating=0.5),
    replace(PLAIN, name="voltage and wakes alone, two thirds of the wakes", rate=2 / 3),
    ALL,
    replace(ALL, name="all, every 15 min", interval_s=900.0),
    replace(ALL, name="all, every 2 h", interval_s=7200.0),
    replace(ALL, name="all, every 6 h", interval_s=21600.0),
    replace(ALL, name="all, 14 bit", bits=14),
    replace(ALL, name="all, 10 bit", bits=10),
    replace(ALL, name="all, 8 bit", bits=8),
    replace(ALL, name="all, a wake known to 2 %", wake_tolerance=0.02),
)
# Open-circuit voltage of lithium-iron-phosphate by the electrodes of Prada et al., J. Electrochem. Soc. 160:A616, 2013,
# as `tests/analysis/test_battery_truth.py` computes it with PyBaMM: flat from 30 to 96 % of charge.
IRON = (
    (r'"lithium-ion"', '"lithium-iron-phosphate"'),
    (
        r"ocv = .*",
        "ocv = [[0.0, 2.0], [0.04, 2.708], [0.08, 2.922], [0.12, 3.031], [0.16, 3.128], [0.2, 3.169], [0.24, 3.183],"
        " [0.28, 3.197], [0.32, 3.216], [0.36, 3.237], [0.4, 3.253], [0.44, 3.261], [0.48, 3.265], [0.52, 3.267],"
        " [0.56, 3.268], [0.6, 3.269], [0.64, 3.27], [0.68, 3.272], [0.72, 3.279], [0.76, 3.298], [0.8, 3.31],"
        " [0.84, 3.313], [0.88, 3.314], [0.92, 3.315], [0.96, 3.319], [0.97, 3.327], [0.98, 3.35], [0.99, 3.415],"
        " [1.0, 3.6]]",
    ),
    (r"cutoff_voltage = .*", 'cutoff_voltage = "2.9 V"'),
    (r"restart_voltage = .*", 'restart_voltage = "3.1 V"'),
)
TO_THE_TOP = (*IRON, (r"full_voltage = .*", 'full_voltage = "3.55 V"'))
ON_THE_FLAT = (*IRON, (r"full_voltage = .*", 'full_voltage = "3.319 V"'))
SMALL = ((r'"40 mAh"', '"10 mAh"'),)
KILN = replace(ALL, kinds=("kiln-thermal",))
CAPACITOR = (
    (r'"lithium-titanate"', '"supercapacitor"'),
    (r"capacity = .*", 'capacitance = "10 F"'),
    (r"ocv = .*\n", ""),
    (r"capacitance_tolerance = .*", "capacitance_tolerance = 0.15"),
)
BATTERY = replace(ALL, kinds=("yard-battery",))
STORES = (
    replace(ALL, name="supercapacitor 4.2 F, sun", kinds=("yard-light",)),
    replace(ALL, name="the same without temperature", kinds=("yard-light",), temp=False),
    replace(BATTERY, name="lithium-ion 40 mAh, sun"),
    replace(BATTERY, name="lithium-ion 10 mAh, sun", edits=SMALL),
    replace(BATTERY, name="iron-phosphate 40 mAh, sun, charged to 96 %", edits=ON_THE_FLAT),
    replace(BATTERY, name="iron-phosphate 10 mAh, sun, charged to 96 %", edits=ON_THE_FLAT + SMALL),
    replace(BATTERY, name="iron-phosphate 40 mAh, sun, charged to the top", edits=TO_THE_TOP),
    replace(BATTERY, name="iron-phosphate 10 mAh, sun, charged to the top", edits=TO_THE_TOP + SMALL),
    replace(KILN, name="supercapacitor 10 F, a kiln without rest", edits=CAPACITOR),
    replace(KILN, name="the same, constant wake rate", edits=CAPACITOR, varied=False),
    replace(KILN, name="lithium-titanate 20 mAh, a kiln without rest"),
    replace(ALL, name="primary 110 mAh, no harvest", kinds=("floor-primary",)),
)


def fleet_of(choice: Telemetry, nodes: int) -> Fleet:
    """Nodes of the choice's types in turn, named alike under every choice, so that their parts are the same."""
    texts = {kind: _text(choice, kind) for kind in choice.kinds}
    place = Site(site="site", name="Site", latitude=36.1, longitude=-79.95, timezone="America/New_York")
    names = [f"{'fading' if i % 2 else 'sound'}-{i // 2:03d}" for i in range(nodes)]
    known = {
        name: Node(node_id=name, site="site", budget=choice.kinds[i // 2 % len(choice.kinds)], commissioned=START)
        for i, name in enumerate(names)
    }
    budgets = {kind: parse_budget(text, f"{kind}.toml") for kind, text in texts.items()}
    return Fleet(sites={"site": place}, nodes=known, budgets=budgets, budget_texts=texts)


def _text(choice: Telemetry, kind: str) -> str:
    text = (FOLDER / "budgets" / f"{kind}.toml").read_text()
    mill = parse_budget(text, kind)
    step, wakes = mill.telemetry.adc_step * 2.0 ** (12 - choice.bits), mill.load.wakes_per_day * choice.rate
    edits = [
        (r"report_interval = .*", f'report_interval = "{choice.interval_s:g} s"'),
        (r"adc_step = .*", f'adc_step = "{step:.6g} V"'),
        (r"wakes_per_day = .*", f"wakes_per_day = {wakes:g}"),
        (r"wake_tolerance = .*\n", ""),
        (r"\[load\]", f"[load]\nwake_tolerance = {choice.wake_tolerance:g}"),
    ]
    for pattern, new in (*edits, *choice.edits):
        text = re.sub(pattern, new, text)
    return text


def history(choice: Telemetry, fleet: Fleet, days: int) -> Simulated:
    habits = Firmware(loaded=choice.loaded, temp=choice.temp, steady=0.0 if choice.varied else 1.0)
    begin = START + timedelta(days=FADE_FROM)
    faults = [Fault(name, "capacity-fade", begin, factor=1 - FADE) for name in fleet.nodes if name.startswith("fading")]
    for day in range(days if choice.alternating else 0):
        since = START + timedelta(days=day)
        factor = 1 + (choice.alternating if day % 2 else -choice.alternating)
        faults.append(Fault("", "wakes-over", since, since + timedelta(days=1), factor, site="site"))
    return simulate(
        fleet, START, days, SEED, tuple(faults), dict.fromkeys(fleet.budgets, habits), choice.interval_s, STEP_S
    )


def batches(simulated: Simulated, choice: Telemetry) -> Iterator[pa.Table]:
    """The reports as the store admits them, some days at a time."""
    times, rows = simulated.observed_at, round(ADMIT_DAYS * SECONDS_PER_DAY / choice.interval_s)
    for low in range(0, len(simulated.times), rows):
        i, k = np.nonzero(simulated.reported[:, low : low + rows])
        k = k + low
        known = {
            "node_id": np.array(simulated.node_ids, dtype=object)[i],
            "observed_at": times[i, k],
            "received_at": times[i, k] + 2.0,
            "storage_v": simulated.storage_v[i, k].round(4),
            "wakes": simulated.wakes[i, k],
            "boot": simulated.boot[i, k],
            "redelivered": np.zeros(len(i), dtype=bool),
        }
        if choice.loaded:
            known["loaded_v"] = simulated.loaded_v[i, k].round(4)
        if choice.temp:
            known["temp_c"] = simulated.temp_c[i, k].astype(float).round(1)
        columns = [
            pa.array(known[f.name], f.type) if f.name in known else pa.nulls(len(i), f.type) for f in REPORT_BATCH
        ]
        yield pa.table(columns, schema=REPORT_BATCH)


@dataclass(frozen=True)
class Observed:
    """What one choice of telemetry told.

    Attributes
    ----------
    lines : DataFrame
        The estimates of the sound nodes after all days, with `true`, and `doubt`, `error`, `budget_error` relative.
    found_after : list of float
        Days from the beginning of the fade until it was named, of each fading node; infinite where it was not.
    false : int
        Sound nodes said to fade at any look.
    wake_spread : float
        Standard deviation of a node's wakes a day over their mean, the median of the nodes.
    """

    fleet: Fleet
    simulated: Simulated
    lines: pd.DataFrame
    found_after: list[float]
    false: int
    wake_spread: float


def observe(choice: Telemetry, nodes: int, days: int, looks: Sequence[int] = ()) -> Observed:
    """Simulate, admit, and judge as of the ends of some days (`looks`) and of the last."""
    fleet = fleet_of(choice, nodes)
    simulated = history(choice, fleet, days)
    named: dict[str, int] = {}
    with Store.open(":memory:") as book:
        book.save_fleet(fleet)
        for batch in batches(simulated, choice):
            rejected = book.admit(batch).rejected
            assert not rejected, rejected
        for day in sorted({*looks, days}):
            estimates, findings = judged(book, START + timedelta(days=day) - timedelta(seconds=1))
            for finding in findings:
                if finding["finding"] == "capacity-fade":
                    named.setdefault(finding["node_id"], day)
    lines = _beside_truth(simulated, fleet, estimates, days)
    wakes = simulated.truth.day_wake_j
    return Observed(
        fleet,
        simulated,
        lines[lines["node_id"].str.startswith("sound")],
        [named.get(name, np.inf) - FADE_FROM for name in fleet.nodes if name.startswith("fading")],
        sum(name.startswith("sound") for name in named),
        float(np.median(wakes.std(axis=1) / wakes.mean(axis=1))),
    )


def judged(book: Store, moment: datetime) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """The lines of every node and the findings as of a moment: what `analyse` does, but for the forecast."""
    known, cursor = NumberedFleet.of(book), book.cursor()
    update_days(book, known, moment, lambda *_: None)
    own = list(update_field(book, known, moment.date() + timedelta(days=1), lambda *_: None))
    fields, sums = settle(book, known, own)
    ledger = ledger_of(sums, fields)
    books = site_books(known, fields, ledger, read_recent(cursor, known, fields, moment, ledger), moment)
    nodes = judge_nodes(known, fields, books, read_windows(cursor, moment), moment)
    rows = [
        {"node_id": node.node_id, **line._asdict()}
        for node, field in zip(known.nodes, nodes, strict=True)
        for line in field.lines
    ]
    return pd.DataFrame(rows), find_all(books, nodes)


def _beside_truth(simulated: Simulated, fleet: Fleet, estimates: pd.DataFrame, days: int) -> pd.DataFrame:
    true = truth(simulated, fleet, estimates, days).stack().rename("true")
    rows = estimates.join(true, on=["node_id", "line"])
    return rows.assign(
        error=(rows["estimate"] / rows["true"] - 1).abs(),
        doubt=rows["sd"] / rows["estimate"].abs(),
        budget_error=(rows["budget"] / rows["true"] - 1).abs(),
        budget_doubt=rows["budget_sd"] / rows["budget"].abs(),
    )


def truth(simulated: Simulated, fleet: Fleet, estimates: pd.DataFrame, day: int) -> pd.DataFrame:
    """The lines as they were at the end of a day, in the units of the estimates; nodes by lines.

    Wake energy and sleep power depend on voltage: the true ratio to the budget's is taken to the voltage at which the
    estimate is stated. Leakage and net harvest are means over the recent days, as the estimates are.
    """
    known, budgets = simulated.truth, [fleet.budgets[name] for name in simulated.budgets]
    stated = estimates.pivot(index="node_id", columns="line", values="budget").loc[list(simulated.node_ids)]
    per_day = len(simulated.times) // known.day_esr_ohm.shape[1]
    recent = slice(max(day - RECENT_DAYS, 0) * per_day + 1, day * per_day)
    inside = simulated.reported[:, recent] & simulated.reported[:, recent.start - 1 : recent.stop - 1]
    seconds = np.maximum(inside.sum(axis=1), 1) * (simulated.times[1] - simulated.times[0])

    def mean(energy: np.ndarray) -> np.ndarray:
        return np.asarray((energy[:, recent] * inside).sum(axis=1) / seconds)

    wake, sleep = (
        np.array([float(figure(b.load, middle_voltage(b))) for b in budgets]) for figure in (wake_energy, sleep_power)
    )
    return pd.DataFrame(
        {
            "capacity_ratio": known.day_capacity_ratio[:, day - 1],
            "esr_ohm": known.day_esr_ohm[:, day - 1],
            "wake_energy_j": known.day_wake_energy_j[:, day - 1] / wake * stated["wake_energy_j"],
            "sleep_power_w": known.day_sleep_power_w[:, day - 1] / sleep * stated["sleep_power_w"],
            "leakage_power_w": mean(known.leakage_j),
            "net_harvest_w": mean(known.harvest_j - known.leakage_j),
        },
        index=list(simulated.node_ids),
    )


def cells(rows: pd.DataFrame, doubt: str = "doubt", error: str = "error") -> list[str]:
    """Median stated sd and median error against the truth of each line, in per cent.

    In brackets where most nodes' telemetry did not tell the line apart; a dash where there is no harvest.
    """
    found = []
    for line in LINES:
        of_line = rows[rows["line"] == line]
        said, off = of_line[doubt].median() * 100, of_line[error].median() * 100
        pair = f"{said:.0f} / {off:.0f}"
        found.append(pair if of_line["separable"].mean() > 0.5 else f"({pair})")
    if (
        rows.loc[rows["line"] == "net_harvest_w", "budget"] < 0
    ).all():  # no source: leakage again, with its sign turned
        found[LINES.index("net_harvest_w")] = "-"
    return found


def fade_found(seen: Observed) -> str:
    """Median days until the fade was named, in how many nodes it was, and in how many sound ones falsely."""
    days = np.array(seen.found_after)
    typical = f"{np.median(days):.0f} d, " if np.isfinite(np.median(days)) else ""
    falsely = f"; falsely in {seen.false}" if seen.false else ""
    return f"{typical}{np.isfinite(days).sum()} of {len(days)}{falsely}"


def best_of_a_rest(choice: Telemetry, seen: Observed) -> tuple[float, float]:
    """What REST_H at rest can tell of a node's mean power by converter and interval alone, in closed form.

    Returns
    -------
    tuple of float
        Energy of one converter step, and the least standard deviation of the mean power times the length (Cramér-Rao
        bound of a slope), as shares of the budget's load over that time. Each node at its mean voltage; their median.
    """
    shares = []
    for i, name in enumerate(seen.simulated.budgets):
        budget: Budget = seen.fleet.budgets[name]
        voltage = float(seen.simulated.storage_v[i][seen.simulated.reported[i]].mean())
        step, curve = budget.telemetry.adc_step, storage_curve(budget.storage)
        per_volt = (float(curve.energy(voltage + step / 2)) - float(curve.energy(voltage - step / 2))) / step
        load = float(load_power(budget.load, voltage))
        noise = float(np.hypot(ADC_NOISE_V, quantisation_sd(step)))
        slope = float(slope_bound(noise, choice.interval_s, 1 + int(REST_H * 3600 // choice.interval_s)))
        shares.append((per_volt * step / (load * REST_H * 3600), per_volt * slope / load))
    one_step, bound = np.median(shares, axis=0)
    return float(one_step), float(bound)


def night_rate(seen: Observed) -> float:
    """Wakes from 22:00 to 06:00 at the site over their mean, the median of the nodes."""
    hour = pd.to_datetime(seen.simulated.times, unit="s", utc=True).tz_convert("America/New_York").hour
    wakes = seen.simulated.truth.wake_j
    return float(np.median(wakes[:, (hour < 6) | (hour >= 22)].mean(axis=1) / wakes.mean(axis=1)))


def table(choices: Sequence[Telemetry], results: Sequence[Observed]) -> str:
    """The lines under every choice, as a table in Markdown."""
    rows = [["", *SAID.values(), "fade of 30 %/a named after", "one step / best of a rest"]]
    for choice, seen in zip(choices, results, strict=True):
        if not rows[1:] and choice is PLAIN:
            untold = seen.lines.assign(separable=False)
            rows.append(["the budget alone", *cells(untold, "budget_doubt", "budget_error"), "", ""])
        one_step, bound = best_of_a_rest(choice, seen)
        rows.append([choice.name, *cells(seen.lines), fade_found(seen), f"{_two(one_step)} / {_two(bound)}"])
    head, *body = rows
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, ["---"] * len(head), *body])


def _two(share: float) -> str:
    """Two digits of a share, in per cent."""
    return f"{float(f'{share * 100:.2g}'):g}"


def run(nodes: int, days: int) -> list[Observed]:
    """Every choice, printed as the tables of DEVELOPERS.md."""
    begin = time.process_time()
    looks = range(FADE_FROM + 3 * FADE_EVERY, days, FADE_EVERY)
    results = [observe(choice, nodes, days, looks) for choice in (*CHOICES, *STORES)]
    print(
        f"\n{nodes} nodes a row, half of them fading from day {FADE_FROM} on; {days} days; seed {SEED};"
        f" {time.process_time() - begin:.0f} s of CPU"
        "\nin each cell, in %: median sd as stated / median error against the simulated truth, of the sound nodes;"
        "\nin brackets where most nodes' telemetry did not tell the line apart from its budget;"
        f"\nlast: one converter step / least sd of the mean power of {REST_H} h at rest, in closed form, in % of load"
    )
    for choices, found in ((CHOICES, results[: len(CHOICES)]), (STORES, results[len(CHOICES) :])):
        print(f"\n{table(choices, found)}")
    for choice, seen in list(zip(CHOICES, results, strict=False))[1:6]:
        print(f"{choice.name}: wakes a day with sd {seen.wake_spread:.0%}, at night {night_rate(seen):.2f} of the mean")
    return results


def test_what_is_observable() -> None:
    for seen in run(NODES, DAYS):
        assert np.isfinite(seen.lines[["doubt", "error"]]).all().all()


if __name__ == "__main__":
    run(NODES, DAYS)

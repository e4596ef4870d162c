"""A fleet whose nodes go dark slowly: dust, fade, leaks and growing work, the season, and stops that were announced.

A physics of its own, plainer than the mill's and shared with nothing: charge on an ideal capacitor in steps of half an
hour. `write` leaves a fleet folder and the reports as Parquet.
"""

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]

STEP_S = 1800.0
DAY_S = 86400.0
ADC_V = 1.2e-3
START = pd.Timestamp("2025-03-01", tz="UTC")
SITES = {"site-n": (58.0, -4.0), "site-m": (47.0, -1.5), "site-s": (40.0, -3.5)}
CAUSES = ("none", "none", "none", "dust", "fade", "leak", "work")


class Kind(NamedTuple):
    """A node type; SI units, hours of work in UTC."""

    source: str
    power: float
    farad: float
    full: float
    cutoff: float
    restart: float
    ohm: float
    leakage: float
    rail: float
    sleep: float
    wake_current: float
    wake_seconds: float
    wakes: int
    hours: tuple[int, int] = (0, 24)
    days: int = 7


KINDS = {
    "sun-large": Kind("light-outdoor", 7e-4, 120.0, 3.8, 2.2, 2.5, 0.1, 8e-6, 3.0, 6e-6, 20e-3, 1.0, 96),
    "sun-small": Kind("light-outdoor", 5e-4, 25.0, 5.0, 2.4, 2.8, 0.2, 5e-6, 3.0, 4e-6, 15e-3, 0.8, 96),
    "hall": Kind("light-indoor", 1e-4, 6.0, 4.5, 2.0, 2.4, 0.5, 1.5e-6, 2.5, 2e-6, 9e-3, 0.6, 72, (7, 19), 5),
    "gear": Kind("vibration", 1.4e-4, 4.0, 5.0, 2.2, 2.6, 0.4, 1.5e-6, 3.0, 2.4e-6, 14e-3, 0.7, 60, (6, 22), 6),
    "pipe": Kind("thermal", 2.5e-4, 10.0, 4.2, 2.0, 2.3, 0.3, 3e-6, 2.5, 3e-6, 12e-3, 1.0, 96),
}
EFFICIENCY = 0.85


def budget_text(name: str, kind: Kind) -> str:
    """The budget of a node type as its file holds it."""
    active = ""
    if kind.hours != (0, 24):
        last = {5: "fri", 6: "sat"}[kind.days]
        active = f'active_hours = "{kind.hours[0]:02d}:00-{kind.hours[1]:02d}:00"\nactive_days = "mon-{last}"\n'
    return f"""name = "{name}"
description = "{name}"
[harvest]
source = "{kind.source}"
mean_power = "{kind.power * 1e6:g} uW"
tolerance = 0.3
{active}[storage]
technology = "supercapacitor"
capacitance = "{kind.farad:g} F"
capacitance_slope = "0 F/V"
capacitance_tolerance = 0.15
esr = "{kind.ohm:g} ohm"
leakage_current = "{kind.leakage * 1e6:g} uA"
full_voltage = "{kind.full:g} V"
cutoff_voltage = "{kind.cutoff:g} V"
restart_voltage = "{kind.restart:g} V"
end_of_life_capacity = 0.7
end_of_life_esr_ratio = 2.0
[load]
rail_voltage = "{kind.rail:g} V"
regulator = "switching"
efficiency = {EFFICIENCY}
sleep_current = "{kind.sleep * 1e6:g} uA"
wake_current = "{kind.wake_current * 1e3:g} mA"
wake_duration = "{kind.wake_seconds:g} s"
wakes_per_day = {kind.wakes}
[targets]
autonomy = "3 day"
service_life = "10 year"
[telemetry]
report_interval = "60 min"
adc_step = "{ADC_V * 1e3:g} mV"
wake_counter_bits = 16
"""


class Clock(NamedTuple):
    """The steps of a run: time [s UTC], hour of day, day since the start, weekday (Monday is 0), day of year."""

    time: Floats
    hour: Floats
    day: npt.NDArray[np.int64]
    weekday: npt.NDArray[np.int64]
    of_year: Floats


def _clock(days: int) -> Clock:
    time = START.timestamp() + STEP_S * np.arange(1, int(days * DAY_S / STEP_S) + 1)
    day = ((time - START.timestamp()) // DAY_S).astype(np.int64)
    whole = (time // DAY_S).astype(np.int64)
    return Clock(time, time / 3600 % 24, np.minimum(day, days - 1), (whole + 3) % 7, (START.day_of_year + day) % 365.25)


def _wander(rng: np.random.Generator, days: int, keep: float, sd: float) -> Floats:
    out = np.empty(days)
    out[0] = rng.normal(0, sd)
    for day in range(1, days):
        out[day] = keep * out[day - 1] + rng.normal(0, sd * np.sqrt(1 - keep**2))
    return out


def _stops(rng: np.random.Generator, days: int) -> pd.DataFrame:
    rows = []
    for site in SITES:
        for _ in range(3):
            begin, length = int(rng.integers(80, days - 20)), int(rng.choice([3, 7, 10, 14, 21]))
            span = [START + pd.Timedelta(days=d) for d in (begin, begin + length)]
            rows.append(
                (site, span[0].isoformat(), span[1].isoformat(), round(float(rng.uniform(0.02, 0.2)), 2), "stop")
            )
    return pd.DataFrame(rows, columns=["site", "start", "end", "harvest_factor", "reason"])


def _offered(rng: np.random.Generator, kind: Kind, site: str, clock: Clock, common: dict[str, Floats]) -> Floats:
    """Harvest in multiples of its mean, without stops."""
    days = int(clock.day[-1]) + 1
    if kind.source == "light-outdoor":
        latitude, longitude = np.radians(SITES[site][0]), SITES[site][1]
        declination = np.radians(23.45) * np.sin(2 * np.pi * (284 + clock.of_year) / 365)
        angle = np.radians(15 * (clock.hour + longitude / 15 - 12))
        height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
        light = np.maximum(height, 0) * common[site, "sky"][clock.day]
        return np.asarray(light / light.mean())
    if kind.hours == (0, 24):
        own = np.exp(_wander(rng, days, 0.8, 0.12))
        return np.asarray(
            (own * common[site, "level"])[clock.day] * (1 + 0.1 * np.sin((clock.hour - 8) / 24 * 2 * np.pi))
        )
    at_work = (clock.hour > kind.hours[0]) & (clock.hour <= kind.hours[1]) & (clock.weekday < kind.days)
    share = (kind.hours[1] - kind.hours[0]) / 24 * kind.days / 7
    own = np.exp(_wander(rng, days, 0.5, 0.12)) * common[site, "work"]
    return np.asarray(at_work * own[clock.day] / share + 0.01)


def _air(kind: Kind, clock: Clock, rng: np.random.Generator) -> Floats:
    season = np.sin((clock.of_year - 110) / 365 * 2 * np.pi)
    swing = np.sin((clock.hour - 9) / 24 * 2 * np.pi)
    if kind.source != "light-outdoor":
        return 20 + 5 * season + 1.5 * swing
    days = np.arange(int(clock.day[-1]) + 1)
    weather = np.interp((clock.time - START.timestamp()) / DAY_S, days + 0.5, _wander(rng, len(days), 0.8, 3.0))
    return np.asarray(12 + 10 * season + 4 * swing + weather)


class Parts(NamedTuple):
    """What the nodes are made of and meet; shape (nodes,) or (nodes, steps)."""

    farad: Floats
    wake_j: Floats
    sleep_w: Floats
    leakage_a: Floats
    harvest_w: Floats
    wakes_per_step: Floats
    boundaries: Floats  # full, cut-off, restart [V], shape (nodes, 3)
    cause: npt.NDArray[np.str_]  # of CAUSES


def _run(parts: Parts, rng: np.random.Generator) -> dict[str, Any]:
    """Charge of every node step by step; voltage, wake counter, boots and darkness, shape (nodes, steps)."""
    full, cutoff, restart = parts.boundaries.T
    nodes, steps = parts.harvest_w.shape
    charge = parts.farad[:, 0] * full * rng.uniform(0.75, 0.98, nodes)
    running, due, boots = np.ones(nodes, dtype=bool), np.zeros(nodes), np.zeros(nodes, dtype=np.int64)
    counter = rng.integers(0, 60_000, nodes)
    out = {
        "volts": np.empty((nodes, steps)), "wakes": np.empty((nodes, steps), dtype=np.int64),
        "boots": np.empty((nodes, steps), dtype=np.int64), "dark": np.empty((nodes, steps), dtype=bool),
    }  # fmt: skip
    for k in range(steps):
        volts = np.maximum(charge / parts.farad[:, k], 1e-3)
        due += np.where(running, parts.wakes_per_step[:, k], 0.0)
        wakes = np.floor(due).astype(np.int64)
        due -= wakes
        ampere = parts.harvest_w[:, k] / np.maximum(volts, 0.5) - parts.leakage_a[:, k] * volts / full
        ampere -= np.where(running, parts.sleep_w / np.maximum(volts, 1.0), 0.0)
        charge += STEP_S * ampere - wakes * parts.wake_j / np.maximum(volts, 1.0)
        charge = np.clip(charge, 0.0, parts.farad[:, k] * full)
        volts = charge / parts.farad[:, k]
        back = ~running & (volts >= restart)
        running = (running & (volts >= cutoff)) | back
        boots += back
        counter = np.where(back, 0, counter) + wakes
        for name, value in zip(out, (volts, counter, boots, ~running), strict=True):
            out[name][:, k] = value
    return out


def write(folder: Path, nodes: int, days: int, seed: int) -> dict[str, str]:
    """Write a fleet folder and `reports.parquet` of nodes over days (at least 120); what befalls each node."""
    rng, clock = np.random.default_rng(seed), _clock(days)
    stops = _stops(rng, days)
    common = {(site, "sky"): np.clip(0.55 + _wander(rng, days, 0.35, 0.2), 0.08, 1.0) for site in SITES}
    common |= {(site, "work"): np.exp(_wander(rng, days, 0.6, 0.15)) for site in SITES}
    common |= {(site, "level"): np.exp(_wander(rng, days, 0.985, 0.12)) for site in SITES}
    rows, parts, air = [], [], []
    for i in range(nodes):
        name, site = list(KINDS)[i % len(KINDS)], str(rng.choice(list(SITES)))
        kind = KINDS[name]
        rows.append((f"{name}-{i:04d}", site, name, START.isoformat()))
        air.append(_air(kind, clock, rng))
        offered = _offered(rng, kind, site, clock, common)
        for stop in stops[stops.site == site].itertuples():
            inside = (clock.time > pd.Timestamp(stop.start).timestamp()) & (
                clock.time <= pd.Timestamp(stop.end).timestamp()
            )
            offered[inside] *= stop.harvest_factor
        parts.append(_part(rng, kind, clock, offered, air[-1]))
    made = Parts(*(np.stack(column) for column in zip(*parts, strict=True)))
    _save(folder, rows, stops, _reports(rng, rows, made, clock, np.stack(air)))
    return {row[0]: str(cause) for row, cause in zip(rows, made.cause, strict=True)}


def _part(rng: np.random.Generator, kind: Kind, clock: Clock, offered: Floats, air: Floats) -> tuple[Any, ...]:
    """One node's parts, scattered about its budget, and the slow cause that befalls it."""
    since_start = (clock.time - START.timestamp()) / DAY_S
    begin = rng.uniform(60, 0.6 * since_start[-1])
    ramp = np.clip((since_start - begin) / rng.uniform(80, 250), 0, 1)
    cause, steady = str(rng.choice(CAUSES)), np.ones(len(ramp))
    dust = 1 - rng.uniform(0.3, 0.75) * ramp if cause == "dust" else steady
    fade = np.maximum(1 - rng.uniform(0.15, 0.6) * since_start / 365, 0.3) if cause == "fade" else steady
    leak = 1 + rng.uniform(2, 12) * ramp if cause == "leak" else steady
    work = 1 + rng.uniform(0.4, 1.5) * ramp if cause == "work" else steady
    farad = kind.farad * np.exp(rng.normal(0, 0.15))
    wake_j = kind.rail * kind.wake_current * kind.wake_seconds / EFFICIENCY * np.exp(rng.normal(0, 0.1))
    sleep_w = kind.rail * kind.sleep / EFFICIENCY * np.exp(rng.normal(0, 0.2))
    leakage = kind.leakage * np.exp(rng.normal(0, 0.5))
    spent = wake_j * kind.wakes / DAY_S + sleep_w + 0.35 * leakage * kind.full
    margin = np.exp(rng.uniform(np.log(1.15), np.log(3.2)))
    busy = np.exp(_wander(rng, int(clock.day[-1]) + 1, 0.5, 0.1))[clock.day]
    busy *= work * (1 + 0.3 * np.sin((clock.hour - 9) / 24 * 2 * np.pi))
    return (
        farad * fade * (1 + 1e-3 * (air - 25)), wake_j, sleep_w, leakage * leak * 2 ** ((air - 25) / 20),
        spent * margin * offered * dust, kind.wakes * busy * STEP_S / DAY_S, (kind.full, kind.cutoff, kind.restart),
        cause,
    )  # fmt: skip


def _reports(rng: np.random.Generator, rows: list[Any], parts: Parts, clock: Clock, air: Floats) -> pd.DataFrame:
    """Hourly reports of the nodes while they run; a fiftieth is lost. A third report temperature, a quarter the dip."""
    ran = _run(parts, rng)
    heard = ~ran["dark"] & (np.arange(len(clock.time)) % 2 == 1) & (rng.random(ran["dark"].shape) > 0.02)
    i, k = np.nonzero(heard)
    kinds = [KINDS[row[2]] for row in rows]
    dip = np.array([1.1 * c.ohm * c.wake_current * c.rail / EFFICIENCY for c in kinds])[i] / ran["volts"][i, k]
    rest = ran["volts"][i, k] + rng.normal(0, 0.8e-3, len(i))

    def steps(volts: Floats) -> Floats:
        return np.round(np.round(volts / ADC_V) * ADC_V, 5)

    return pd.DataFrame({
        "node_id": np.array([row[0] for row in rows])[i],
        "time": pd.to_datetime(np.round(clock.time[k] + rng.uniform(0, 20, len(i))), unit="s", utc=True),
        "storage_v": steps(rest), "wakes": ran["wakes"][i, k] % 65536, "boot": ran["boots"][i, k],
        "temp_c": np.where(i % 3 == 0, np.round(air[i, k] + rng.normal(0, 0.3, len(i)), 1), np.nan),
        "loaded_v": np.where(i % 4 == 0, steps(rest - dip), np.nan),
    })  # fmt: skip


def _save(folder: Path, rows: list[Any], stops: pd.DataFrame, reports: pd.DataFrame) -> None:
    (folder / "budgets").mkdir(parents=True, exist_ok=True)
    places = [(site, site, *place, "UTC") for site, place in SITES.items()]
    pd.DataFrame(places, columns=["site", "name", "latitude", "longitude", "timezone"]).to_csv(
        folder / "sites.csv", index=False
    )
    pd.DataFrame(rows, columns=["node_id", "site", "budget", "commissioned"]).to_csv(folder / "nodes.csv", index=False)
    stops.to_csv(folder / "closures.csv", index=False)
    for name, kind in KINDS.items():
        (folder / "budgets" / f"{name}.toml").write_text(budget_text(name, kind))
    reports.to_parquet(folder / "reports.parquet", index=False)

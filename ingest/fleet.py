"""The fleet folder: sites, nodes, budgets, planned closures and visits, read and checked as a whole."""

import csv
import math
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from ingest.budget import Budget, describe, parse_budget
from ingest.errors import FleetError, few

FAR_KM = 100.0  # at which the sun stands within a degree and rises within ten minutes of the same
EARTH_RADIUS_KM = 6371.0  # mean (from memory)
SAME_V = 1e-6  # of two voltages that are meant to be the same
Identifier = Annotated[str, Field(pattern=r"^[^\s/+#]+$", max_length=100)]  # fits one level of an MQTT topic
Work = Literal["cleaned", "storage-replaced", "harvester-replaced", "relocated", "firmware"]


def _empty_is_none(value: Any) -> Any:
    return None if value == "" else value


OptionalDegrees = Annotated[float | None, BeforeValidator(_empty_is_none)]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


Row = TypeVar("Row", bound=_Row)
Item = TypeVar("Item")


class Site(_Row):
    """A place with one calendar and one sky."""

    site: Identifier
    name: str
    latitude: Annotated[float, Field(ge=-90, le=90)]
    longitude: Annotated[float, Field(ge=-180, le=180)]
    timezone: str

    @field_validator("timezone")
    @classmethod
    def _known_timezone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (KeyError, ValueError, OSError):
            msg = f'expected an IANA time zone such as "Europe/Berlin", got {value!r}'
            raise ValueError(msg) from None
        return value

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.timezone)


class Node(_Row):
    """One deployed node."""

    node_id: Identifier
    site: str
    budget: str
    commissioned: datetime  # UTC
    latitude: OptionalDegrees = None
    longitude: OptionalDegrees = None
    note: str = ""


class Closure(_Row):
    """A planned stop of a site: harvest is multiplied by the factor from start to end."""

    site: str
    start: datetime  # UTC
    end: datetime  # UTC
    harvest_factor: Annotated[float, Field(ge=0, le=10)]
    reason: str = ""


class Visit(_Row):
    """Work done at a node; it starts a new baseline for what it changed."""

    node_id: str
    at: datetime  # UTC
    work: Work
    note: str = ""


class Fleet(_Row):
    """A whole fleet folder, checked."""

    sites: dict[str, Site] = {}
    nodes: dict[str, Node] = {}
    budgets: dict[str, Budget] = {}
    budget_texts: dict[str, str] = {}  # the TOML as written, by budget name
    closures: tuple[Closure, ...] = ()
    visits: tuple[Visit, ...] = ()
    left_out: tuple[str, ...] = ()  # the node_id of each visit to a node that is not listed: struck out, or mistyped
    warnings: tuple[str, ...] = ()  # a line each: what the folder says that can be read, but hardly be meant

    def far_nodes(self) -> list[str]:
        """The nodes whose own coordinates lie more than FAR_KM from those of their site, whose sun they are given."""
        return [
            node.node_id
            for node in self.nodes.values()
            if node.latitude is not None and node.longitude is not None
            and _apart_km(node.latitude, node.longitude, self.sites[node.site]) > FAR_KM
        ]  # fmt: skip

    def storage_since(self, now: datetime) -> dict[str, date]:
        """The site day since which each node has its present storage: of its commissioning, or the last replacement."""
        begun = self.storage_begun(now)
        return {node_id: _day_meant(at, self.sites[self.nodes[node_id].site].zone) for node_id, at in begun.items()}

    def storage_begun(self, now: datetime) -> dict[str, datetime]:
        """The moment since which each node has its present storage: of its commissioning, or the last replacement."""
        since = {node_id: node.commissioned for node_id, node in self.nodes.items()}
        for visit in self.visits:
            if visit.work == "storage-replaced" and visit.node_id in since and visit.at <= now:
                since[visit.node_id] = max(since[visit.node_id], visit.at)
        return since


def _day_meant(at: datetime, zone: ZoneInfo) -> date:
    """The calendar day of a moment at a site; of a bare date, which may be kept as UTC's midnight, that date."""
    utc = at.astimezone(UTC)
    return utc.date() if utc.time() == time() else at.astimezone(zone).date()


def _apart_km(latitude: float, longitude: float, site: Site) -> float:
    """Distance on a sphere, by the haversine formula."""
    a, b = math.radians(latitude), math.radians(site.latitude)
    east = math.radians(longitude - site.longitude)
    half = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(east / 2) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(min(math.sqrt(half), 1.0))


def read_fleet(folder: Path) -> Fleet:
    """The fleet described by a folder.

    Times with an offset are taken as they say, times without one are UTC, and a bare date is the site's calendar day:
    from its start, except the end of a closure, which includes that day. A bare commissioning date is the earlier of
    the site's and UTC's midnight, so that no honest first report falls before it.

    Raises
    ------
    FleetError
        Naming file, line, key, value and what was expected.
    """
    if not folder.is_dir():
        msg = f"{folder}: no such folder; expected a fleet folder with sites.csv, nodes.csv and budgets/*.toml"
        raise FleetError(msg)
    warnings: list[str] = []
    budgets, texts = _read_budgets(folder / "budgets", warnings)
    sites = {site.site: site for _, site in _rows(folder / "sites.csv", Site, warnings, unique="site")}

    def node_row(row: dict[str, Any], where: str) -> dict[str, Any]:
        zone = _known(sites, row.get("site"), "site", where).zone
        _known(budgets, row.get("budget"), "budget", where)
        return row | {"commissioned": _commissioned(row.get("commissioned", ""), zone, where)}

    def closure_row(row: dict[str, Any], where: str) -> dict[str, Any]:
        zone = _known(sites, row.get("site"), "site", where).zone
        start, end = (_moment(row.get(key, ""), zone, f"{where}: {key}", end=key == "end") for key in ("start", "end"))
        if end <= start:
            msg = f"{where}: end {row['end']} must be later than start {row['start']}"
            raise FleetError(msg)
        return row | {"start": start, "end": end}

    nodes = {node.node_id: node for _, node in _rows(folder / "nodes.csv", Node, warnings, node_row, unique="node_id")}

    left_out: list[str] = []
    early: list[str] = []

    def visit_row(row: dict[str, Any], where: str) -> dict[str, Any] | None:
        if (node_id := row.get("node_id")) and node_id not in nodes:
            left_out.append(node_id)
            return None
        node = _known(nodes, node_id, "node_id", where)
        at = _moment(row.get("at", ""), sites[node.site].zone, f"{where}: at")
        if at < node.commissioned:
            early.append(f"{node_id} on {row['at']}")
        return row | {"at": at}

    closures = tuple(one for _, one in _rows(folder / "closures.csv", Closure, warnings, closure_row, optional=True))
    visits = tuple(visit for _, visit in _rows(folder / "visits.csv", Visit, warnings, visit_row, optional=True))
    if early:
        warnings.append(
            f"visits.csv: before the node was commissioned: {few(early)}; mend the date here or in nodes.csv"
        )
    return Fleet(
        sites=sites, nodes=nodes, budgets=budgets, budget_texts=texts,
        closures=closures, visits=tuple(sorted(visits, key=lambda visit: (visit.node_id, visit.at))),
        left_out=tuple(left_out), warnings=tuple(warnings),
    )  # fmt: skip


def _read_budgets(folder: Path, warnings: list[str]) -> tuple[dict[str, Budget], dict[str, str]]:
    budgets: dict[str, Budget] = {}
    texts: dict[str, str] = {}
    for path in sorted(folder.glob("*.toml")):
        text = _text(path)
        budget = parse_budget(text, f"budgets/{path.name}")
        _must_agree(budget, f"budgets/{path.name}")
        warnings += _doubts(budget, f"budgets/{path.name}")
        if budget.name in budgets:
            msg = f"budgets/{path.name}: name: {budget.name!r} is already used by another budget file"
            raise FleetError(msg)
        budgets[budget.name] = budget
        texts[budget.name] = text
    if not budgets:
        msg = f"{folder}: no budgets found; expected one .toml file for each node type"
        raise FleetError(msg)
    return budgets, texts


def _must_agree(budget: Budget, where: str) -> None:
    """What a budget must not contradict itself in. Asked of folders only: a store that holds such a one still opens."""
    harvest, storage = budget.harvest, budget.storage
    if harvest.source != "none" and harvest.mean_power == 0:
        msg = f'{where}: harvest.mean_power: must be given and above 0 W with source = "{harvest.source}", e.g. "70 uW"'
        raise FleetError(msg)
    if harvest.source == "none" and harvest.mean_power > 0:
        msg = f'{where}: harvest.mean_power: must be 0 W or left out with source = "none", got {harvest.mean_power:g} W'
        raise FleetError(msg)
    if storage.ocv is not None and storage.full_voltage > storage.ocv[-1][1] + SAME_V:
        msg = (
            f"{where}: storage.full_voltage: must be at most the ocv table's highest voltage {storage.ocv[-1][1]:g} V,"
            f" got {storage.full_voltage:g} V; give the voltage of the cell at rest when it is full"
        )
        raise FleetError(msg)


def _doubts(budget: Budget, where: str) -> Iterator[str]:
    """What is odd in a budget, but may be so."""
    storage, load = budget.storage, budget.load
    if storage.ocv is not None and storage.cutoff_voltage < storage.ocv[0][1] - SAME_V:
        yield (
            f"{where}: storage.cutoff_voltage {storage.cutoff_voltage:g} V lies below the ocv table's lowest voltage"
            f" {storage.ocv[0][1]:g} V, under which nothing is counted; carry the table on down to the cut-off"
        )
    if load.regulator == "linear" and load.voltage_rail > storage.cutoff_voltage + SAME_V:
        yield (
            f"{where}: load.rail_voltage {load.voltage_rail:g} V lies above storage.cutoff_voltage"
            f" {storage.cutoff_voltage:g} V, down to which a linear regulator cannot hold it; check both"
        )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"{path.name}: not UTF-8 text ({error.reason} at byte {error.start})"
        raise FleetError(msg) from None
    except OSError as error:
        msg = f"{path}: cannot be read: {error.strerror}"
        raise FleetError(msg) from None


def _rows(
    path: Path,
    model: type[Row],
    warnings: list[str],
    prepare: Callable[[dict[str, Any], str], dict[str, Any] | None] = lambda row, _: row,
    *,
    unique: str = "",
    optional: bool = False,
) -> Iterator[tuple[str, Row]]:
    """Where each row stands, and the row, checked; what `prepare` makes None is left out. At least one is required.

    Columns that are not known are added to the warnings.
    """
    if optional and not path.exists():
        return
    reader = csv.DictReader(_text(path).splitlines())
    required = {name for name, field in model.model_fields.items() if field.is_required()}
    missing = required - set(reader.fieldnames or ())
    if missing:
        msg = f"{path.name}: no column {', '.join(sorted(missing))}; expected {','.join(model.model_fields)}"
        raise FleetError(msg)
    unknown = [name for name in reader.fieldnames or () if name and name not in model.model_fields]
    if unknown:
        warnings.append(
            f"{path.name}: column {few(unknown)} is not known and was passed over; known are"
            f" {', '.join(model.model_fields)}"
        )
    seen: set[str] = set()
    raw = None
    for raw in reader:
        where = f"{path.name} line {reader.line_num}"
        row = {key: value.strip() for key, value in raw.items() if key is not None and isinstance(value, str)}
        if (prepared := prepare(row, where)) is None:
            continue
        try:
            item = model.model_validate(prepared)
        except ValidationError as error:
            raise FleetError(describe(error, where)) from None
        if unique and getattr(item, unique) in seen:
            msg = f"{where}: {unique} {getattr(item, unique)!r} is already listed above"
            raise FleetError(msg)
        seen.add(str(getattr(item, unique, "")))
        yield where, item
    if raw is None and not optional:
        msg = f"{path.name}: no line below its header; expected at least one (nothing was changed in the store)"
        raise FleetError(msg)


def _known(items: dict[str, Item], key: str | None, what: str, where: str) -> Item:
    if key is None or key not in items:
        msg = f"{where}: {what}: unknown {what} {key!r}; expected one of {few(sorted(items))}"
        raise FleetError(msg)
    return items[key]


def _parse(text: str, where: str) -> datetime | date:
    try:
        if len(text) == 10:
            return date.fromisoformat(text)
        return datetime.fromisoformat(text)
    except ValueError:
        msg = f'{where}: expected a date or time such as "2026-03-01" or "2026-03-01T06:00:00Z", got {text!r}'
        raise FleetError(msg) from None


def _moment(text: str, zone: ZoneInfo, where: str, *, end: bool = False) -> datetime:
    parsed = _parse(text, where)
    if isinstance(parsed, datetime):
        return (parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)).astimezone(UTC)
    day = parsed + timedelta(days=1) if end else parsed
    return datetime.combine(day, time(), zone).astimezone(UTC)


def _commissioned(text: str, zone: ZoneInfo, where: str) -> datetime:
    parsed = _parse(text, f"{where}: commissioned")
    at = _moment(text, zone, where)
    if isinstance(parsed, datetime):
        return at
    return min(at, datetime.combine(parsed, time(), UTC))

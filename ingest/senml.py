"""Sensor Measurement Lists: a pack in JSON or CBOR to resolved records, and resolved records to readings.

A fault anywhere in a pack refuses the whole pack: base fields carry from record to record, so what follows a fault
cannot be trusted. Every fault is a `PayloadError`; time and memory stay proportional to the payload.

References
----------
.. [1] RFC 8428, Sensor Measurement Lists (SenML), 2018. https://www.rfc-editor.org/rfc/rfc8428
.. [2] RFC 8798, Additional Units for SenML, 2020. https://www.rfc-editor.org/rfc/rfc8798
.. [3] RFC 9100, SenML Features and Versions, 2021. https://www.rfc-editor.org/rfc/rfc9100
.. [4] RFC 8949, Concise Binary Object Representation (CBOR), 2020. https://www.rfc-editor.org/rfc/rfc8949
"""

import base64
import binascii
import math
import re
from decimal import Decimal
from operator import attrgetter
from typing import Any, NamedTuple

import cbor2
import msgspec

from ingest.contract import READINGS_MAX, PayloadError, Reading

BASE_FIELDS = frozenset({"bver", "bn", "bt", "bu", "bv", "bs"})
OTHER_VALUES = frozenset({"vs", "vb", "vd"})
VALUE_FIELDS = OTHER_VALUES | {"v"}
REGULAR_FIELDS = VALUE_FIELDS | {"n", "u", "s", "t", "ut"}
FIELDS = BASE_FIELDS | REGULAR_FIELDS
# The integers that stand for the fields in CBOR: Table 4 of [1].
CBOR_LABELS = {-1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs"} | dict(
    enumerate(["n", "u", "v", "vs", "vb", "s", "t", "ut", "vd"])
)
VERSION = 10
VERSION_SECONDARY_UNITS = 26  # 10 + 2**4: feature code 4, section 4 of [3]
TIME_ABSOLUTE = 2.0**28  # times below are relative to now, section 4.5.3 of [1] [s]
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")  # section 4.5.1 of [1]
NAME_MAX = 256  # ours, so that a long base name before many records costs nothing
SEPARATORS = ":/-._"

# Secondary units by their primary unit, with the scale; Table 2 of [2].
_SCALES: dict[str, dict[str, float]] = {
    "s": {"ms": 1 / 1000, "min": 60, "h": 3600},
    "Hz": {"MHz": 1e6},
    "V": {"mV": 1 / 1000},
    "A": {"mA": 1 / 1000},
    "C": {"Ah": 3600},
    "W": {"kW": 1000},
    "J": {"Wh": 3600, "kWh": 3.6e6},
    "VA": {"kVA": 1000},
    "VAs": {"kVAh": 3.6e6},
    "var": {"kvar": 1000},
    "vars": {"varh": 3600, "kvarh": 3.6e6},
    "m": {"mm": 1 / 1000, "cm": 1 / 100, "km": 1000},
    "m/s": {"mm/h": 1 / 3.6e6, "m/h": 1 / 3600, "km/h": 1 / 3.6},
    "J/m": {"Wh/km": 3.6},
    "kg/m3": {"ug/m3": 1e-9},
    "Pa": {"hPa": 100},
    "/": {"/100": 1 / 100, "/1000": 1 / 1000, "ppm": 1e-6},
    "B": {"KiB": 1024, "GB": 1e9},
    "bit/s": {"B/s": 8, "Mbit/s": 1e6, "MB/s": 8e6},
}
# Secondary unit: primary unit, scale, offset.
SECONDARY_UNITS = {
    secondary: (unit, scale, 0.0) for unit, scales in _SCALES.items() for secondary, scale in scales.items()
} | {"dBm": ("dBW", 1.0, -30.0)}

# Record name: field of a reading, its unit.
QUANTITIES = {
    "storage": ("storage_v", "V"),
    "loaded": ("loaded_v", "V"),
    "wakes": ("wakes", "count"),
    "boot": ("boot", "count"),
    "temp": ("temp_c", "Cel"),
}
RECORDS_MAX = READINGS_MAX * len(QUANTITIES)  # in one pack


class Record(NamedTuple):
    """A resolved record (section 4.6 of [1]), its unit primary."""

    name: str
    unit: str | None
    time: float  # seconds since 1970 UTC
    value: float | str | bool | bytes | None
    sum: float | None = None  # integral of the value over time


def shown(value: object) -> str:
    """A short, printable form of any decoded value, for the detail of an error."""
    if isinstance(value, dict | list | tuple):
        return "an object" if isinstance(value, dict) else "an array"
    if isinstance(value, int) and value.bit_length() > 64:
        return f"an integer of {value.bit_length()} bits"
    text = ascii(value[:40] if isinstance(value, str | bytes) else value)
    return text if len(text) <= 60 else text[:57] + "..."


def number(field: str, value: object) -> float:
    """`value` as a float, which may be NaN or infinite; raises PayloadError if it is not a number."""
    if type(value) is float:
        return value
    if type(value) is int or isinstance(value, Decimal):
        try:
            return float(value)
        except OverflowError:
            raise PayloadError("malformed", f"{field} is beyond the range of a double, got {shown(value)}") from None
    raise PayloadError("malformed", f"{field} must be a number, got {shown(value)}")


def whole(field: str, value: object) -> int:
    """`value` as an integer of at most 64 bits; raises PayloadError for a fraction or anything that is no number."""
    count = value if type(value) is int else number(field, value)
    if count != count // 1:  # a fraction, NaN or infinite
        raise PayloadError("malformed", f"{field} must be a whole number, got {shown(value)}")
    if not -(2**63) <= count < 2**63:
        raise PayloadError("count-out-of-range", f"{field} must be below 2**53, got {shown(value)}")
    return int(count)


def names_node(name: str, node: str) -> bool:
    """Whether `name` is the node's id, or ends in it after ':', '/' or '-' (as in `urn:dev:os:32473-pump-7`)."""
    return name == node or name.endswith((":" + node, "/" + node, "-" + node))


def records_from_json(payload: bytes) -> list[dict[str, Any]]:
    """The unresolved records of application/senml+json (section 5 of [1])."""
    try:
        return msgspec.json.decode(payload, type=list[dict[str, Any]])
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise PayloadError("malformed", f"not a SenML pack in JSON: {error}") from None
    except RecursionError:
        raise PayloadError("malformed", "not a SenML pack in JSON: nested too deep") from None


def records_from_cbor(payload: bytes) -> list[dict[str, Any]]:
    """The unresolved records of application/senml+cbor (section 6 of [1]), labels replaced by the fields' names."""
    try:
        _check_cbor(payload)
        records = cbor2.loads(payload, allow_indefinite=False, allow_duplicate_keys=False)
    except IndexError:
        raise PayloadError("malformed", "not a SenML pack in CBOR: cut short") from None
    except cbor2.CBORError as error:
        raise PayloadError("malformed", f"not a SenML pack in CBOR: {ascii(str(error))[1:120]}") from None
    if any(FIELDS.intersection(record) for record in records):
        raise PayloadError("malformed", "a SenML field in CBOR is named by its integer label, got a text label")
    return [{CBOR_LABELS.get(label, str(label)): value for label, value in record.items()} for record in records]


def _check_cbor(payload: bytes) -> None:
    """Refuse, before anything is built, what the grammar of section 11 of [1] does not allow.

    A pack is an array of maps from integer or text to a number, text, bytes, boolean or decimal fraction, all of
    definite length. That leaves nothing to nest, share, expand or collide, whatever lengths the payload claims.
    """
    kind, records, at = _head(payload, 0)
    if kind != 4:
        raise PayloadError("malformed", "not a SenML pack in CBOR: the outermost item must be an array")
    if records > RECORDS_MAX:
        raise PayloadError("oversized", f"a pack must have at most {RECORDS_MAX} records, got {records}")
    for _ in range(records):
        kind, pairs, at = _head(payload, at)
        if kind != 5:
            raise PayloadError("malformed", "not a SenML pack in CBOR: a record must be a map")
        for _ in range(pairs):
            at = _after_scalar(payload, at, "label")
            at = _after_scalar(payload, at, "value")
    if at != len(payload):
        raise PayloadError("malformed", "not a SenML pack in CBOR: cut short, or more bytes after the pack")


def _head(payload: bytes, at: int) -> tuple[int, int, int]:
    """Major type, argument and next position of the item at `at`; section 3 of [4]."""
    first = payload[at]
    info = first & 31
    if info < 24:
        return first >> 5, info, at + 1
    if info > 27:
        raise PayloadError("malformed", "not a SenML pack in CBOR: lengths must be definite")
    end = at + 1 + (1 << (info - 24))
    return first >> 5, int.from_bytes(payload[at + 1 : end]), end


def _after_scalar(payload: bytes, at: int, role: str) -> int:
    """The position after the label or value at `at`."""
    kind, argument, end = _head(payload, at)
    if kind < 2:  # integer
        return end
    if kind == 3 or (kind == 2 and role == "value"):  # text, bytes
        return end + argument
    if role == "value":
        if kind == 7 and payload[at] in b"\xf4\xf5\xf6\xf7\xf9\xfa\xfb":  # false, true, null, undefined, floats
            return end
        if kind == 6 and argument == 4 and payload[end] == 0x82:  # decimal fraction: [exponent, mantissa]
            exponent, _, middle = _head(payload, end + 1)
            mantissa, _, end = _head(payload, middle)
            if exponent < 2 and mantissa < 2:
                return end
    raise PayloadError("malformed", f"not a SenML pack in CBOR: byte 0x{payload[at]:02x} cannot start a {role}")


def resolve(records: list[dict[str, Any]], received_at: float) -> list[Record]:
    """Records with base values applied, times absolute, units primary, in order of time; section 4.6 of [1].

    Parameters
    ----------
    records : list of dict
        As sent, by field name. A record of base fields alone sets them and measures nothing.
    received_at : float
        The "now" of relative times. [s since 1970 UTC]

    Raises
    ------
    PayloadError
        malformed: a rule of [1] is broken, or [3] does not allow it under the pack's version.
    """
    secondary = _version(records) == VERSION_SECONDARY_UNITS
    base = _Base()
    resolved = []
    for record in records:
        if not record.keys() <= FIELDS:
            _check_unknown(record)
        if not BASE_FIELDS.isdisjoint(record):
            base.update(record)
        if not REGULAR_FIELDS.isdisjoint(record):
            resolved.append(_resolved(record, base, received_at, secondary))
    resolved.sort(key=attrgetter("time"))
    return resolved


class _Base:
    """The base fields in force; section 4.1 of [1]."""

    name: str = ""
    time: float = 0.0
    unit: str | None = None
    value: float = 0.0
    sum: float | None = None

    def update(self, record: dict[str, Any]) -> None:
        if "bn" in record:
            self.name = _text("bn", record["bn"])
        if "bt" in record:
            self.time = number("bt", record["bt"])
        if "bu" in record:
            self.unit = _text("bu", record["bu"])
        if "bv" in record:
            self.value = number("bv", record["bv"])
        if "bs" in record:
            self.sum = number("bs", record["bs"])


def _version(records: list[dict[str, Any]]) -> int:
    """The pack's version: one for all records (section 4.4 of [1]), its features understood (section 2.2 of [3])."""
    declared = [record["bver"] for record in records if "bver" in record]
    if not declared:
        return VERSION
    version = whole("bver", declared[0])
    if any(other != version for other in declared) or ("bver" not in records[0] and version != VERSION):
        raise PayloadError("malformed", "bver must be the same in all records of a pack")
    if not 1 <= version <= VERSION and version != VERSION_SECONDARY_UNITS:
        detail = f"bver must be at most {VERSION}, or {VERSION_SECONDARY_UNITS}, got {version}"
        raise PayloadError("malformed", detail)
    return version


def _check_unknown(record: dict[str, Any]) -> None:
    for field in record.keys() - FIELDS:
        if field.endswith("_"):  # must be understood, section 4.4 of [1]
            raise PayloadError("malformed", f"field {shown(field)} must be understood and is not")


def _resolved(record: dict[str, Any], base: _Base, received_at: float, secondary: bool) -> Record:
    get = record.get
    time = base.time + number("t", get("t", 0.0))
    if time < TIME_ABSOLUTE:
        time += received_at
    total = base.sum
    if "s" in record:
        total = number("s", record["s"]) + (base.sum or 0.0)
    if "ut" in record:
        number("ut", record["ut"])
    value = _value(record, base.value, total is not None)
    unit = _text("u", record["u"]) if "u" in record else base.unit
    if unit in SECONDARY_UNITS:
        if not secondary:
            raise PayloadError("malformed", f"secondary unit {unit} needs bver {VERSION_SECONDARY_UNITS}")
        unit, scale, offset = SECONDARY_UNITS[unit]
        if type(value) is float:
            value = value * scale + offset
        total = None if total is None else total * scale
    return Record(_name(base.name, _text("n", get("n", ""))), unit, time, value, total)


def _name(first: str, last: str) -> str:
    length = len(first) + len(last)
    if length > NAME_MAX:
        raise PayloadError("malformed", f"a name must have at most {NAME_MAX} characters, got {length}")
    name = first + last
    if NAME.fullmatch(name) is None:
        detail = f"a name must be letters, digits and {SEPARATORS}, first a letter or digit, got {shown(name)}"
        raise PayloadError("malformed", detail)
    return name


def _value(record: dict[str, Any], base_value: float, has_sum: bool) -> float | str | bool | bytes | None:
    """The one value a record must have, unless it has a sum; section 4.2 of [1]."""
    if "v" in record and OTHER_VALUES.isdisjoint(record):
        return base_value + number("v", record["v"])
    given = VALUE_FIELDS.intersection(record)
    if len(given) > 1 or not (given or has_sum):
        detail = f"a record must have one of v, vs, vb, vd, or a sum, got {', '.join(sorted(given)) or 'none'}"
        raise PayloadError("malformed", detail)
    if "vs" in given:
        return _text("vs", record["vs"])
    if "vb" in given:
        return _boolean(record["vb"])
    return _data(record["vd"]) if given else None


def _boolean(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise PayloadError("malformed", f"vb must be true or false, got {shown(value)}")


def _text(field: str, value: object) -> str:
    if isinstance(value, str):
        return value
    raise PayloadError("malformed", f"{field} must be text, got {shown(value)}")


def _data(value: object) -> bytes:
    """Bytes of a CBOR byte string, or of unpadded base64url text in JSON; section 5 of [1]."""
    if isinstance(value, bytes):
        return value
    text = _text("vd", value)
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise PayloadError("malformed", f"vd must be base64url text, got {shown(text)}") from None


def readings(records: list[Record], node: str, received_at: float) -> list[Reading]:
    """Readings of one node: resolved records of the names `storage`, `wakes`, ..., put together by their time.

    Other names of the same node are ignored. What was measured "now" has no time of its own (None).

    Raises
    ------
    PayloadError
        wrong-node: a name that is not of this node. malformed: a wrong unit or type, a quantity twice at one time
        (a node without a clock sends one reading a pack), or no reading at all.
    """
    quantities: dict[str, str | None] = {}
    found: dict[float | None, dict[str, Any]] = {}
    for record in records:
        name = record.name
        if name not in quantities:
            quantities[name] = _quantity(name, node)
        quantity = quantities[name]
        if quantity is not None:
            fields = found.setdefault(_observed_at(record.time, received_at), {})
            _take(record, quantity, fields)
    if not found:
        raise PayloadError("malformed", f"no record is named {', '.join(QUANTITIES)}")
    return [
        Reading(time, f.get("storage_v"), f.get("wakes"), f.get("loaded_v"), f.get("temp_c"), f.get("boot"))
        for time, f in found.items()
    ]


def _observed_at(time: float, received_at: float) -> float | None:
    if time == received_at:
        return None
    return time if time == time else math.nan  # one NaN, so that a dict takes all NaN times for the same


def _take(record: Record, quantity: str, fields: dict[str, Any]) -> None:
    field, unit = QUANTITIES[quantity]
    if record.unit != unit and record.unit is not None:
        raise PayloadError("malformed", f"{quantity} must be in {unit}, got {shown(record.unit)}")
    if field in fields:
        raise PayloadError("malformed", f"{quantity} is given twice for one time")
    fields[field] = (whole if unit == "count" else number)(quantity, record.value)


def _quantity(name: str, node: str) -> str | None:
    """The quantity a resolved name stands for, None for a name of this node that the contract does not know."""
    for quantity in QUANTITIES:
        if name.endswith(quantity) and names_node(name[: -len(quantity)].rstrip(SEPARATORS), node):
            return quantity
    ends = [at for at, character in enumerate(name) if character in SEPARATORS] + [len(name)]
    if not any(names_node(name[:at], node) for at in ends):
        raise PayloadError("wrong-node", f"the topic is of node {shown(node)}, the record of {shown(name)}")
    return None

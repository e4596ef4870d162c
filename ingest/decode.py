"""A message's payload to readings: a JSON object, a JSON array of them, or SenML in JSON or CBOR.

Whatever the bytes are, the outcome is a list of readings or a `PayloadError`, in time and memory proportional to the
payload. Values are decoded, not judged: what is missing, not finite or out of range is the store's to refuse.
"""

from typing import Annotated, Any, TypeVar

import msgspec

from ingest import senml
from ingest.contract import PAYLOAD_MAX_BYTES, READINGS_MAX, PayloadError, Reading
from ingest.senml import names_node, number, shown, whole

SENML_JSON = "application/senml+json"
SENML_CBOR = "application/senml+cbor"
BLANK = b" \t\r\n"  # what JSON allows around a value

_Int64 = Annotated[int, msgspec.Meta(ge=-(2**63), le=2**63 - 1)]


class _Report(msgspec.Struct, gc=False):
    """The contract's JSON object; of a field given twice the last counts, fields that are not here are ignored."""

    t: float | None = None
    storage_v: float | None = None
    wakes: _Int64 | None = None
    loaded_v: float | None = None
    temp_c: float | None = None
    boot: _Int64 | None = None
    node_id: str | None = None
    node: str | None = None


_REPORT = msgspec.json.Decoder(_Report)
_OBJECT = msgspec.json.Decoder(dict[str, Any])
_KEYS = msgspec.json.Decoder(dict[str, msgspec.Raw])
_ELEMENTS = msgspec.json.Decoder(list[msgspec.Raw])
_T = TypeVar("_T")


def decode(
    payload: bytes,
    content_type: str | None,
    topic_node: str,
    received_at: float,
    faults: list[PayloadError] | None = None,
) -> list[Reading]:
    """Readings of one message, in the order of the payload (SenML: in order of time).

    Parameters
    ----------
    payload : bytes
    content_type : str or None
        MQTT 5 content type. `application/senml+json` and `application/senml+cbor` are taken at their word; for any
        other, or none, the form is found by looking.
    topic_node : str
        The node the topic names; a payload that names another is refused.
    received_at : float
        The "now" of relative SenML times. [s since 1970 UTC]
    faults : list, optional
        For a JSON array of which some elements are bad. Given: the good readings are returned, so that one bad element
        does not cost a node its stored history, and one error that counts the bad and describes the first is appended.
        Not given: that error is raised. (A SenML pack is always taken or refused as one.)

    Raises
    ------
    PayloadError
        malformed, oversized, wrong-node, or count-out-of-range for a count that does not fit 64 bits.
    """
    if len(payload) > PAYLOAD_MAX_BYTES:
        raise PayloadError("oversized", f"a payload must be at most {PAYLOAD_MAX_BYTES} bytes, got {len(payload)}")
    media_type = content_type.partition(";")[0].strip().lower() if content_type else ""
    looking = media_type not in (SENML_JSON, SENML_CBOR)
    if looking and payload[:1].isspace():
        payload = payload.lstrip(BLANK)
    if looking and payload.startswith(b"{"):
        return [_reading(payload, topic_node)]
    if media_type == SENML_CBOR or (looking and b"\x80" <= payload[:1] < b"\xa0"):  # a CBOR array
        records = senml.records_from_cbor(payload)
    elif looking and not _is_senml(elements := _json(_ELEMENTS, payload)):
        return _batch(elements, topic_node, faults)
    else:
        records = senml.records_from_json(payload)
    readings = senml.readings(senml.resolve(records, received_at), topic_node, received_at)
    _check_number(len(readings))
    return readings


def _json(decoder: msgspec.json.Decoder[_T], payload: bytes | msgspec.Raw) -> _T:
    try:
        return decoder.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise PayloadError("malformed", f"not the JSON of a report: {error}") from None
    except RecursionError:
        raise PayloadError("malformed", "not the JSON of a report: nested too deep") from None


def _is_senml(elements: list[msgspec.Raw]) -> bool:
    """Whether an array is a SenML pack: its first record must have a name, which a report has not."""
    if not elements or not bytes(elements[0]).lstrip(BLANK).startswith(b"{"):
        return False
    keys = _json(_KEYS, elements[0]).keys()
    return not keys.isdisjoint(("bn", "n")) and keys.isdisjoint(("storage_v", "wakes"))


def _batch(elements: list[msgspec.Raw], topic_node: str, faults: list[PayloadError] | None) -> list[Reading]:
    _check_number(len(elements))
    readings, bad = [], []
    for position, element in enumerate(elements, start=1):
        try:
            readings.append(_reading(element, topic_node))
        except PayloadError as error:
            bad.append((position, error))
    if bad:
        position, first = bad[0]
        detail = f"{len(bad)} of {len(elements)} readings refused, the first is number {position}: {first.detail}"
        if faults is None:
            raise PayloadError(first.reason, detail)
        faults.append(PayloadError(first.reason, detail))
    return readings


def _check_number(readings: int) -> None:
    if readings > READINGS_MAX:
        raise PayloadError("oversized", f"a payload must have at most {READINGS_MAX} readings, got {readings}")
    if readings == 0:
        raise PayloadError("malformed", "no reading in an empty array")


def _reading(payload: bytes | msgspec.Raw, topic_node: str) -> Reading:
    try:
        report = _REPORT.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        report = _careful(payload)
    if report.node_id is not None:
        _check_node("node_id", report.node_id, topic_node)
    if report.node is not None:
        _check_node("node", report.node, topic_node)
    return Reading(report.t, report.storage_v, report.wakes, report.loaded_v, report.temp_c, report.boot)


def _careful(payload: bytes | msgspec.Raw) -> _Report:
    """As `_REPORT` decodes it, but takes a count such as 18342.0, and tells a fault by its field and value."""
    given = _json(_OBJECT, payload)
    report = _Report()
    for field in ("t", "storage_v", "loaded_v", "temp_c"):
        if given.get(field) is not None:
            setattr(report, field, number(field, given[field]))
    for field in ("wakes", "boot"):
        if given.get(field) is not None:
            setattr(report, field, whole(field, given[field]))
    for field in ("node_id", "node"):
        if given.get(field) is not None:
            if not isinstance(given[field], str):
                raise PayloadError("malformed", f"{field} must be text, got {shown(given[field])}")
            setattr(report, field, given[field])
    return report


def _check_node(field: str, name: str, topic_node: str) -> None:
    if not names_node(name, topic_node):
        raise PayloadError("wrong-node", f"the topic is of node {shown(topic_node)}, {field} of {shown(name)}")

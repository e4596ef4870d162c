import json
import math

import cbor2
import pytest

from ingest.contract import PAYLOAD_MAX_BYTES, READINGS_MAX, PayloadError, Reading
from ingest.decode import _REPORT, _careful, decode

NODE = "mf-001"
NOW = 1.8e9
REPORT = b'{"t": 1767225600, "storage_v": 3.412, "wakes": 18342, "loaded_v": 3.391, "temp_c": 21.5, "boot": 3}'
READING = Reading(1767225600.0, 3.412, 18342, 3.391, 21.5, 3)
SENML_JSON = json.dumps(
    [
        {"bn": "urn:dev:mac:mf-001:", "bt": 1767225600, "n": "storage", "u": "V", "v": 3.412},
        {"n": "wakes", "u": "count", "v": 18342},
        {"n": "loaded", "u": "V", "v": 3.391},
        {"n": "temp", "u": "Cel", "v": 21.5},
        {"n": "boot", "u": "count", "v": 3},
    ]
).encode()
SENML_CBOR = cbor2.dumps(
    [
        {-2: "urn:dev:mac:mf-001:", -3: 1767225600, 0: "storage", 1: "V", 2: 3.412},
        {0: "wakes", 1: "count", 2: 18342},
        {0: "loaded", 1: "V", 2: 3.391},
        {0: "temp", 1: "Cel", 2: 21.5},
        {0: "boot", 1: "count", 2: 3},
    ]
)


def refused(payload: bytes, content_type: str | None = None) -> PayloadError:
    with pytest.raises(PayloadError) as caught:
        decode(payload, content_type, NODE, NOW)
    return caught.value


@pytest.mark.parametrize(
    ("payload", "content_type"),
    [
        (REPORT, None),
        (REPORT, "application/json"),
        (REPORT, "text/plain"),
        (b" \r\n\t" + REPORT + b"\n", None),
        (b"[" + REPORT + b"]", None),
        (b"[ " + REPORT + b"]", "application/json; charset=utf-8"),
        (SENML_JSON, None),
        (SENML_JSON, "application/json"),
        (SENML_JSON, "application/senml+json"),
        (b"\n" + SENML_JSON, None),
        (SENML_CBOR, None),
        (SENML_CBOR, "Application/SenML+CBOR"),
        (SENML_CBOR, "application/octet-stream"),
    ],
)
def test_every_form_gives_the_same_reading(payload: bytes, content_type: str | None) -> None:
    assert decode(payload, content_type, NODE, NOW) == [READING]


@pytest.mark.parametrize(
    ("payload", "content_type"),
    [
        (REPORT, "application/senml+json"),
        (REPORT, " Application/SenML+JSON; version=10"),
        (REPORT, "application/senml+cbor"),
        (SENML_JSON, "application/senml+cbor"),
        (SENML_CBOR, "application/senml+json"),
    ],
)
def test_senml_content_type_is_taken_at_its_word(payload: bytes, content_type: str) -> None:
    error = refused(payload, content_type)
    assert error.reason == "malformed"
    assert error.detail.startswith("not a SenML pack in ")


def test_store_and_forward_batch_keeps_the_order_of_the_payload() -> None:
    payload = b'[{"t": 300, "storage_v": 3, "wakes": 2}, {"t": 200, "storage_v": 4, "wakes": 1}]'
    assert decode(payload, None, NODE, NOW) == [Reading(300.0, 3.0, 2), Reading(200.0, 4.0, 1)]


def test_what_is_left_out_or_null_is_none() -> None:
    assert decode(b"{}", None, NODE, NOW) == [Reading(None, None, None)]
    assert decode(b'{"t": null, "storage_v": null, "wakes": null}', None, NODE, NOW) == [Reading(None, None, None)]


def test_other_fields_are_ignored() -> None:
    payload = b'{"storage_v": 3, "rssi": [-70, {"unit": "dBm"}], "n": 5, "wakes": 1}'
    assert decode(payload, None, NODE, NOW) == [Reading(None, 3.0, 1)]
    assert decode(b"[" + payload + b"]", None, NODE, NOW) == [Reading(None, 3.0, 1)]  # a field n is no SenML by itself


def test_count_written_with_a_point_is_a_count() -> None:
    (reading,) = decode(b'{"storage_v": 3, "wakes": 18342.0, "boot": 1e0}', None, NODE, NOW)
    assert (reading.wakes, reading.boot) == (18342, 1)
    assert type(reading.wakes) is int


def test_last_of_a_field_given_twice_counts() -> None:
    assert decode(b'{"storage_v": 3, "storage_v": 4}', None, NODE, NOW) == [Reading(None, 4.0, None)]


@pytest.mark.parametrize(
    ("payload", "detail"),
    [
        (b'{"storage_v": "3.4", "wakes": 1}', "storage_v must be a number, got '3.4'"),
        (b'{"storage_v": true}', "storage_v must be a number, got True"),
        (b'{"storage_v": [3.4]}', "storage_v must be a number, got an array"),
        (b'{"loaded_v": {}}', "loaded_v must be a number, got an object"),
        (b'{"temp_c": "warm"}', "temp_c must be a number, got 'warm'"),
        (b'{"t": "2026-01-01T00:00:00Z"}', "t must be a number, got '2026-01-01T00:00:00Z'"),
        (b'{"wakes": 3.5}', "wakes must be a whole number, got 3.5"),
        (b'{"wakes": true}', "wakes must be a number, got True"),
        (b'{"wakes": "3"}', "wakes must be a number, got '3'"),
        (b'{"boot": 0.1}', "boot must be a whole number, got 0.1"),
        (b'{"node_id": 7}', "node_id must be text, got 7"),
        (b'{"t": "' + b"x" * 1000 + b'"}', "t must be a number, got '" + "x" * 40 + "'"),
        (b'{"t": "\\u0000\\ud83d\\ude00"}', r"t must be a number, got '\x00\U0001f600'"),
        (
            b'{"storage_v": 1' + b"0" * 309 + b', "wakes": 1.0}',
            "storage_v is beyond the range of a double, got an integer of",
        ),
        (b'{"storage_v": NaN}', "not the JSON of a report: JSON is malformed: invalid character (byte 14)"),
        (b'{"storage_v": Infinity}', "not the JSON of a report: JSON is malformed"),
        (b'{"storage_v": 1e999}', "Number out of range"),
        (b'{"storage_v": 3.4', "Input data was truncated"),
        (b'{"storage_v": 3.4} {}', "trailing characters"),
        (b'{"node": "\xff"}', "can't decode byte 0xff"),
        (b"\xef\xbb\xbf{}", "invalid character (byte 0)"),
        (b"", "Input data was truncated"),
        (b"   ", "Input data was truncated"),
        (b"7", "Expected `array`, got `int`"),
        (b"[]", "no reading in an empty array"),
        (
            b"[7]",
            "1 of 1 readings refused, the first is number 1: not the JSON of a report: Expected `object`, got `int`",
        ),
        (b"\x80", "no record is named storage"),
        (b'{"wakes": 1.0, "x": ' + b"[" * 5000 + b"]" * 5000 + b"}", "not the JSON of a report: nested too deep"),
        (b"[" * 5000 + b"]" * 5000, "not the JSON of a report: nested too deep"),
        (b'[{"n": ' + b"[" * 5000 + b"]" * 5000 + b"}]", "nested too deep"),
    ],
)
def test_malformed_payload_names_the_fault(payload: bytes, detail: str) -> None:
    error = refused(payload)
    assert error.reason == "malformed"
    assert detail in error.detail
    assert len(error.detail) < 300


@pytest.mark.parametrize("count", [2**63, -(2**63) - 1, 10**30, 1e19])
def test_count_beyond_64_bits_is_out_of_range(count: float) -> None:
    error = refused(json.dumps({"wakes": count}).encode())
    assert error.reason == "count-out-of-range"
    assert error.detail.startswith("wakes must be below 2**53, got ")


@pytest.mark.parametrize("count", [-1, 2**53 + 1, 2**63 - 1, -(2**63)])
def test_count_of_64_bits_is_left_to_the_store(count: int) -> None:
    assert decode(json.dumps({"wakes": count}).encode(), None, NODE, NOW) == [Reading(None, None, count)]


@pytest.mark.parametrize("field", ["node_id", "node"])
def test_payload_that_names_another_node_is_refused(field: str) -> None:
    own, other = (json.dumps({field: node, "storage_v": 3, "wakes": 1}).encode() for node in (NODE, "mf-002"))
    assert decode(own, None, NODE, NOW) == [Reading(None, 3.0, 1)]
    error = refused(other)
    assert (error.reason, error.detail) == ("wrong-node", f"the topic is of node 'mf-001', {field} of 'mf-002'")


def test_senml_pack_of_another_node_is_refused() -> None:
    with pytest.raises(
        PayloadError, match="wrong-node: the topic is of node 'mf-002', the record of 'urn:dev:mac:mf-001"
    ):
        decode(SENML_CBOR, None, "mf-002", NOW)


BATCH = b"[" + REPORT + b', {"wakes": 3.5}, ' + REPORT + b', {"node": "mf-002"}]'


def test_bad_element_refuses_the_batch() -> None:
    error = refused(BATCH)
    assert error.reason == "malformed"
    assert error.detail == "2 of 4 readings refused, the first is number 2: wakes must be a whole number, got 3.5"


def test_bad_element_leaves_the_rest_of_the_batch_if_faults_are_taken() -> None:
    faults: list[PayloadError] = []
    assert decode(BATCH, None, NODE, NOW, faults) == [READING, READING]
    assert [(fault.reason, fault.detail[:24]) for fault in faults] == [("malformed", "2 of 4 readings refused,")]


def test_good_batch_has_no_faults() -> None:
    faults: list[PayloadError] = []
    assert decode(b"[" + REPORT + b"]", None, NODE, NOW, faults) == [READING]
    assert faults == []


def test_payload_may_be_as_large_as_the_limit() -> None:
    padding = PAYLOAD_MAX_BYTES - len(REPORT)
    assert decode(REPORT + b" " * padding, None, NODE, NOW) == [READING]
    error = refused(REPORT + b" " * (padding + 1))
    assert (error.reason, error.detail) == ("oversized", "a payload must be at most 262144 bytes, got 262145")


def senml_readings(count: int) -> bytes:
    return cbor2.dumps([{-2: "mf-001", 0: ":wakes", 2: 0}, *({0: ":wakes", 2: i, 6: i} for i in range(1, count))])


@pytest.mark.parametrize(
    "many",
    [
        pytest.param(lambda count: b"[" + b",".join([b"{}"] * count) + b"]", id="JSON"),
        pytest.param(senml_readings, id="SenML"),
    ],
)
def test_payload_may_have_as_many_readings_as_the_limit(many) -> None:
    assert len(decode(many(READINGS_MAX), None, NODE, NOW)) == READINGS_MAX
    error = refused(many(READINGS_MAX + 1))
    assert (error.reason, error.detail) == ("oversized", "a payload must have at most 10000 readings, got 10001")


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"t": 1767225600.25, "storage_v": 3, "wakes": 5, "loaded_v": -0.0, "temp_c": 1e-320, "boot": 0},
        {"wakes": 2**63 - 1, "boot": -(2**63), "node": "a", "node_id": "b", "other": None},
    ],
)
def test_careful_way_agrees_with_the_fast_way(fields: dict[str, object]) -> None:
    payload = json.dumps(fields).encode()
    assert _careful(payload) == _REPORT.decode(payload)


def test_not_a_number_in_cbor_is_left_to_the_store() -> None:
    payload = cbor2.dumps([{-2: "mf-001:", 0: "storage", 2: math.nan}, {0: "wakes", 2: 1}])
    (reading,) = decode(payload, None, NODE, NOW)
    assert math.isnan(reading.storage_v or 0)
    assert reading.wakes == 1

"""Whatever the bytes are: readings or a PayloadError, in bounded time and memory; and what was encoded comes back."""

import json
import math
import time
import tracemalloc

import cbor2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.contract import PAYLOAD_MAX_BYTES, READINGS_MAX, PayloadError, Reading
from ingest.decode import SENML_CBOR, SENML_JSON, _careful, decode
from ingest.senml import CBOR_LABELS, records_from_cbor

NODE = "mf-001"
NOW = 1.8e9
LABEL_OF = {name: label for label, name in CBOR_LABELS.items()}
FORMS = [None, "application/json", SENML_JSON, SENML_CBOR, "text/plain"]

fuzz = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def outcome(payload: bytes) -> list[list[Reading] | PayloadError]:
    """What `decode` makes of a payload under every content type; any exception but PayloadError fails the test."""
    outcomes: list[list[Reading] | PayloadError] = []
    for content_type in FORMS:
        try:
            readings = decode(payload, content_type, NODE, NOW)
        except PayloadError as error:
            check_error(error)
            outcomes.append(error)
        else:
            assert 0 < len(readings) <= READINGS_MAX
            for reading in readings:
                check_types(reading)
            outcomes.append(readings)
    return outcomes


def check_error(error: PayloadError) -> None:
    assert len(error.detail) < 400
    assert error.detail.isprintable()


def check_types(reading: Reading) -> None:
    for value in (reading.observed_at, reading.storage_v, reading.loaded_v, reading.temp_c):
        assert value is None or type(value) is float
    for count in (reading.wakes, reading.boot):
        assert count is None or (type(count) is int and -(2**63) <= count < 2**63)


field_names = st.sampled_from(
    ["t", "storage_v", "wakes", "loaded_v", "temp_c", "boot", "node", "node_id", *LABEL_OF, "must_", ""]
)
scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.just("mf-001:wakes")
    | st.just(NODE)
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(field_names, inner, max_size=4), max_leaves=8
)
json_records = st.dictionaries(field_names, values, max_size=6)
cbor_values = st.recursive(
    scalars | st.binary(max_size=8) | st.decimals(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.integers(-8, 10) | field_names, inner, max_size=4)
        | st.builds(cbor2.CBORTag, st.integers(0, 2**16), inner)
    ),
    max_leaves=8,
)
cbor_records = st.dictionaries(st.integers(-8, 10) | field_names | st.binary(max_size=2), cbor_values, max_size=6)


@fuzz
@given(st.binary(max_size=64))
def test_any_bytes(payload: bytes) -> None:
    outcome(payload)


@fuzz
@given(
    st.sampled_from([b"{", b'{"wakes":', b"[{", b'[{"bn":"mf-001:","n":"wakes","v":', b"\x81\xa2\x00"]),
    st.binary(max_size=40),
)
def test_any_bytes_after_a_good_start(start: bytes, rest: bytes) -> None:
    outcome(start + rest)


@fuzz
@given(json_records | st.lists(json_records | values, max_size=4))
def test_any_json(value: object) -> None:
    outcome(json.dumps(value).encode())


@fuzz
@given(st.lists(cbor_records, max_size=4) | cbor_values)
def test_any_cbor(value: object) -> None:
    try:
        payload = cbor2.dumps(value)
    except (cbor2.CBOREncodeError, UnicodeEncodeError):  # a lone surrogate, or tag of something that has no such form
        return
    outcome(payload)


pack_values = (
    st.integers(-(2**64), 2**64 - 1) | st.floats() | st.text(max_size=8) | st.booleans() | st.binary(max_size=300)
)


@fuzz
@given(st.lists(st.dictionaries(st.integers(-6, 8), pack_values | st.none(), max_size=30), max_size=30))
def test_pack_of_scalars_is_never_refused_by_the_grammar(records: list[dict[int, object]]) -> None:
    # cbor2 as the reference: the same values, the labels named
    payload = cbor2.dumps(records)
    named = [{CBOR_LABELS[label]: value for label, value in record.items()} for record in cbor2.loads(payload)]
    assert repr(records_from_cbor(payload)) == repr(named)  # repr, because NaN is not equal to itself


GOOD = [
    b'{"t": 1767225600, "storage_v": 3.412, "wakes": 18342, "loaded_v": 3.391, "temp_c": 21.5, "boot": 3}',
    b'[{"storage_v": 3.4, "wakes": 1}, {"t": -5, "storage_v": 3.5, "wakes": 2}]',
    b'[{"bn":"mf-001:","bver":26,"bt":1767225600,"n":"storage","u":"mV","v":3412},{"n":"wakes","u":"count","v":7,"t":-1}]',
    cbor2.dumps([{-2: "mf-001:", -1: 26, -3: 1767225600, 0: "storage", 1: "mV", 2: 3412.5}, {0: "wakes", 2: 7, 6: -1}]),
]


@fuzz
@given(st.sampled_from(GOOD), st.data())
def test_damaged_payload(payload: bytes, data: st.DataObject) -> None:
    damaged = bytearray(payload)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        match data.draw(st.sampled_from(["change", "cut", "repeat"])):
            case "change":
                damaged[at] = data.draw(st.integers(0, 255))
            case "cut":
                del damaged[at : at + data.draw(st.integers(1, 4))]
            case "repeat":
                damaged[at:at] = damaged[at : at + data.draw(st.integers(1, 16))]
        if not damaged:
            break
    outcome(bytes(damaged))


finite = st.floats(allow_nan=False, allow_infinity=False)
counts = st.integers(-(2**63), 2**63 - 1)
reports = st.builds(Reading, *(st.none() | kind for kind in (finite, finite, counts, finite, finite, counts)))
FIELDS = ("t", "storage_v", "wakes", "loaded_v", "temp_c", "boot")


def as_json(reading: Reading) -> dict[str, object]:
    return dict(zip(FIELDS, reading, strict=True))


@fuzz
@given(st.lists(reports, min_size=1, max_size=5))
def test_reading_survives_json(readings: list[Reading]) -> None:
    objects = [as_json(reading) for reading in readings]
    assert decode(json.dumps(objects).encode(), None, NODE, NOW) == readings
    assert decode(json.dumps(objects[0]).encode(), None, NODE, NOW) == readings[:1]


@fuzz
@given(reports)
def test_careful_way_agrees_with_the_fast_way(reading: Reading) -> None:
    payload = json.dumps(as_json(reading)).encode()
    careful = _careful(payload)
    assert decode(payload, None, NODE, NOW) == [Reading(*(getattr(careful, field) for field in FIELDS))]


senml_counts = st.integers(0, 2**53)  # as far as a double counts
senml_readings = st.builds(
    Reading,
    st.floats(2.0**28, 2.0**33),
    finite,
    senml_counts,
    st.none() | finite,
    st.none() | finite,
    st.none() | senml_counts,
)


@fuzz
@given(
    st.lists(senml_readings, min_size=1, max_size=4, unique_by=lambda r: r.observed_at), st.sampled_from(["bt", "t"])
)
def test_reading_survives_senml(readings: list[Reading], time_field: str) -> None:
    records: list[dict[str, object]] = []
    for observed_at, *measured in readings:
        names = zip(
            ("storage", "wakes", "loaded", "temp", "boot"), ("V", "count", "V", "Cel", "count"), measured, strict=True
        )
        records += [
            {"n": name, "u": unit, "v": value, time_field: observed_at}
            for name, unit, value in names
            if value is not None
        ]
    records[0]["bn"] = "urn:dev:mac:mf-001:"
    expected = sorted(readings, key=lambda reading: reading.observed_at or math.nan)
    in_cbor = [{LABEL_OF[field]: value for field, value in record.items()} for record in records]
    assert decode(json.dumps(records).encode(), None, NODE, NOW) == expected
    assert decode(cbor2.dumps(in_cbor), None, NODE, NOW) == expected
    assert decode(cbor2.dumps(in_cbor, canonical=True), SENML_CBOR, NODE, NOW) == expected  # shortest floats


@fuzz
@given(
    st.permutations(
        [{"n": "storage", "v": 3.4}, {"n": "wakes", "v": 7}, {"n": "temp", "v": 20}, {"n": "loaded", "v": 3}]
    )
)
def test_order_of_records_does_not_matter(records: list[dict[str, object]]) -> None:
    payload = json.dumps([{"bn": "mf-001:"}, *records]).encode()
    assert decode(payload, None, NODE, NOW) == [Reading(None, 3.4, 7, 3.0, 20.0)]


def colliding_keys(count: int) -> bytes:
    """A CBOR record whose labels are pairs; pairs can be chosen to have one hash, which costs a dict count**2 / 2."""
    return (
        b"\x81\xb9"
        + count.to_bytes(2, "big")
        + b"".join(b"\x82\x01\x1a" + i.to_bytes(4, "big") + b"\x01" for i in range(count))
    )


HEAD = b"\xff" * 8
BOMBS = [
    pytest.param(b"[" * PAYLOAD_MAX_BYTES, id="nested arrays"),
    pytest.param(b'{"a":' * (PAYLOAD_MAX_BYTES // 5), id="nested objects"),
    pytest.param(b'[{"n":' + b"[" * 200_000, id="nested in a record"),
    pytest.param(b'{"wakes":' + b"9" * 200_000 + b"}", id="long number"),
    pytest.param(b'{"x":' + b"9" * 200_000 + b', "wakes": 1.0}', id="long number beside"),
    pytest.param(b'{"t":"' + b"\\u0000" * 40_000 + b'"}', id="long text"),
    pytest.param(b"[" + b"{}," * 80_000 + b"{}]", id="many elements"),
    pytest.param(b"[" + b"1," * 9_999 + b"1]", id="many bad elements"),
    pytest.param(b'[{"bn":"' + b"a" * 100_000 + b'"}' + b',{"v":1}' * 19_000 + b"]", id="long base name"),
    pytest.param(b'[{"bn":"mf-001:' + b":" * 200 + b'"}' + b',{"v":1}' * 30_000 + b"]", id="name of separators"),
    pytest.param(b"\x9b" + HEAD, id="array length"),
    pytest.param(b"\x9a\x7f\xff\xff\xff", id="array length 2**31"),
    pytest.param(b"\x81\xbb" + HEAD, id="map length"),
    pytest.param(b"\x81\xa1\x00\x7b" + HEAD, id="text length"),
    pytest.param(b"\x81\xa1\x08\x5b" + HEAD, id="bytes length"),
    pytest.param(b"\x81" * PAYLOAD_MAX_BYTES, id="nested CBOR arrays"),
    pytest.param(b"\x81" + b"\xa1\x00" * 100_000, id="nested CBOR maps"),
    pytest.param(b"\x81\xa1\x02" + b"\xc4" * 200_000, id="nested tags"),
    pytest.param(b"\x81\xa1\x02\xc2\x5a\x00\x03\x00\x00" + b"\xff" * 0x30000, id="bignum"),
    pytest.param(b"\x81\xa1\x02\xc4\x82\x1b\x0d" + b"\xff" * 7 + b"\x01", id="decimal exponent"),
    pytest.param(b"\x81\xa1\x02\xc5\x82\x1b\x0d" + b"\xff" * 7 + b"\x01", id="binary exponent"),
    pytest.param(b"\x81\xd8\x1c\x81\xd8\x1d\x00", id="array that holds itself"),
    pytest.param(b"\x9f" + b"\xbf\xff" * 100_000 + b"\xff", id="indefinite"),
    pytest.param(colliding_keys(30_000), id="pairs as labels"),
    pytest.param(b"\x99\xc3\x50\xa2\x21\x66mf-001\x02\x00" + b"\xa1\x02\x00" * 49_999, id="many records"),
]


@pytest.mark.parametrize("payload", BOMBS)
def test_payload_bomb_costs_nothing(payload: bytes) -> None:
    assert len(payload) <= PAYLOAD_MAX_BYTES
    started = time.process_time()
    for result in outcome(payload):
        assert isinstance(result, PayloadError)
    assert time.process_time() - started < 5.0  # measured: 1.0 s at most, for the five content types


@pytest.mark.parametrize("payload", [bomb for bomb in BOMBS if len(bomb.values[0]) < 100])
def test_claimed_length_is_not_allocated(payload: bytes) -> None:
    tracemalloc.start()
    try:
        outcome(payload)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1_000_000  # bytes; the smallest claim above is 2**31


def test_oversized_payload_is_not_looked_at() -> None:
    for result in outcome(b"\xff" * 10_000_000):
        assert isinstance(result, PayloadError)
        assert result.reason == "oversized"

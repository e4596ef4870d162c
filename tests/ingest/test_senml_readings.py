import json
import math

import cbor2
import pytest

from ingest.contract import PayloadError, Reading
from ingest.senml import Record, names_node, readings, records_from_cbor, records_from_json, resolve

NOW = 1.8e9
NODE = "mf-001"


def pack(*records: dict[str, object]) -> list[Record]:
    return resolve(records_from_json(json.dumps(records).encode()), NOW)


def test_records_are_put_together_by_time() -> None:
    records = pack(
        {"bn": "urn:dev:mac:mf-001:", "bt": 1767225600, "bu": "V", "n": "storage", "v": 3.412},
        {"n": "wakes", "u": "count", "v": 18342},
        {"n": "loaded", "v": 3.391},
        {"n": "temp", "u": "Cel", "v": 21.5},
        {"n": "boot", "u": "count", "v": 3},
        {"n": "humidity", "u": "%RH", "v": 40},
        {"n": "storage", "t": -1800, "v": 3.5},
        {"n": "wakes", "t": -1800, "u": "count", "v": 18341},
    )
    assert readings(records, NODE, NOW) == [
        Reading(1767223800.0, 3.5, 18341),
        Reading(1767225600.0, 3.412, 18342, 3.391, 21.5, 3),
    ]


def test_reading_without_a_clock_has_no_time() -> None:
    records = pack({"bn": "mf-001:", "n": "storage", "u": "V", "v": 3.4}, {"n": "wakes", "u": "count", "v": 7})
    assert readings(records, NODE, NOW) == [Reading(None, 3.4, 7)]


def test_quantity_left_out_is_none() -> None:
    assert readings(pack({"n": "mf-001:temp", "v": 20}), NODE, NOW) == [Reading(None, None, None, temp_c=20.0)]


def test_value_that_is_not_finite_comes_through() -> None:
    payload = cbor2.dumps(
        [{-2: "mf-001:", 0: "storage", 2: math.nan, 6: math.inf}, {0: "loaded", 2: -math.inf, 6: math.inf}]
    )
    (reading,) = readings(resolve(records_from_cbor(payload), NOW), NODE, NOW)
    assert math.isnan(reading.storage_v or 0)
    assert (reading.observed_at, reading.loaded_v) == (math.inf, -math.inf)


def test_times_that_are_no_number_make_one_reading() -> None:
    payload = cbor2.dumps([{-2: "mf-001:", -3: math.nan, 0: "storage", 2: 3.4}, {0: "wakes", 2: 5}])
    (reading,) = readings(resolve(records_from_cbor(payload), NOW), NODE, NOW)
    assert math.isnan(reading.observed_at or 0)
    assert (reading.storage_v, reading.wakes) == (3.4, 5)


@pytest.mark.parametrize(
    ("record", "reason", "detail"),
    [
        pytest.param({"n": "storage", "u": "A", "v": 3}, "malformed", "storage must be in V, got 'A'", id="unit"),
        pytest.param({"n": "temp", "u": "K", "v": 294}, "malformed", "temp must be in Cel, got 'K'", id="kelvin"),
        pytest.param(
            {"n": "wakes", "u": "count", "v": 3.5}, "malformed", "wakes must be a whole number, got 3.5", id="half"
        ),
        pytest.param({"n": "wakes", "vs": "3"}, "malformed", "wakes must be a number, got '3'", id="text"),
        pytest.param({"n": "storage", "vb": True}, "malformed", "storage must be a number, got True", id="boolean"),
        pytest.param({"n": "storage", "s": 3}, "malformed", "storage must be a number, got None", id="sum alone"),
        pytest.param(
            {"n": "wakes", "v": 1e300}, "count-out-of-range", "wakes must be below 2**53, got 1e+300", id="huge"
        ),
        pytest.param({"n": "humidity", "v": 40}, "malformed", "no record is named storage", id="nothing of ours"),
        pytest.param(
            {"bn": "mf-0011:", "n": "wakes", "v": 4}, "wrong-node", "of node 'mf-001', the record", id="longer id"
        ),
        pytest.param({"bn": "xmf-001:", "n": "wakes", "v": 4}, "wrong-node", "'xmf-001:wakes'", id="no separator"),
        pytest.param({"bn": "", "n": "wakes", "v": 4}, "wrong-node", "of 'wakes'", id="no node"),
        pytest.param({"bn": "mf-002:", "n": "mf-001", "v": 4}, "malformed", "no record is named", id="node as record"),
    ],
)
def test_record_that_is_no_reading_of_the_node(record: dict[str, object], reason: str, detail: str) -> None:
    with pytest.raises(PayloadError, match=f"^{reason}: ") as caught:
        readings(pack({"bn": "mf-001:"} | record), NODE, NOW)
    assert detail in caught.value.detail


def test_not_a_number_is_no_count() -> None:
    payload = cbor2.dumps([{-2: "mf-001:", 0: "wakes", 2: math.nan}])
    with pytest.raises(PayloadError, match="wakes must be a whole number, got nan"):
        readings(resolve(records_from_cbor(payload), NOW), NODE, NOW)


def test_quantity_twice_at_one_time_is_malformed() -> None:
    records = pack({"bn": "mf-001:", "n": "wakes", "v": 4}, {"n": "wakes", "v": 5})
    with pytest.raises(PayloadError, match="wakes is given twice for one time"):
        readings(records, NODE, NOW)


@pytest.mark.parametrize(
    ("name", "named"),
    [
        ("mf-001", True),
        ("urn:dev:mac:mf-001", True),
        ("mill/mf-001", True),
        ("urn:dev:os:32473-mf-001", True),  # form of RFC 9039 section 4.3, from memory
        ("xmf-001", False),
        ("mf-001x", False),
        ("mf-0011", False),
        ("", False),
    ],
)
def test_name_ends_in_the_node_at_a_separator(name: str, named: bool) -> None:
    assert names_node(name, NODE) is named


@pytest.mark.parametrize(
    "base", ["mf-001", "mf-001:", "urn:dev:mac:mf-001/", "urn:dev:os:32473-mf-001_", "mill/mf-001-"]
)
def test_base_name_ends_in_the_node_with_or_without_separator(base: str) -> None:
    assert readings(pack({"bn": base, "n": "wakes", "v": 4}), NODE, NOW) == [Reading(None, None, 4)]


def test_node_may_be_called_like_a_quantity() -> None:
    assert readings(pack({"n": "mill:temp:temp", "u": "Cel", "v": 4}), "temp", NOW) == [
        Reading(None, None, None, None, 4)
    ]

"""Examples marked with a section are quoted from RFC 8428, RFC 8798 and RFC 9100."""

import json
from datetime import UTC, datetime
from decimal import Decimal

import cbor2
import pytest

from ingest.contract import PayloadError
from ingest.senml import (
    CBOR_LABELS,
    NAME_MAX,
    Record,
    records_from_cbor,
    records_from_json,
    resolve,
)

NOW = 1.8e9
LABEL_OF = {name: label for label, name in CBOR_LABELS.items()}

# RFC 8428 section 5.1.2, second example
VOLTAGE_AND_CURRENT = b"""
   [
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","t":-3,"v":1.4},
     {"n":"current","t":-2,"v":1.5},
     {"n":"current","t":-1,"v":1.6},
     {"n":"current","v":1.7}
   ]"""

# RFC 8428 section 6: the same measurement in CBOR
VOLTAGE_AND_CURRENT_CBOR = bytes.fromhex("""
    87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
    22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
    66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
    72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
    f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
    74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
    33 33 33""")

# RFC 8428 section 5.1.3
HUMIDITY_AND_POSITION = b"""
   [
     {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
      "bu":"%RH","v":20},
     {"u":"lon","v":24.30621},
     {"u":"lat","v":60.07965},
     {"t":60,"v":20.3},
     {"u":"lon","t":60,"v":24.30622},
     {"u":"lat","t":60,"v":60.07965},
     {"t":120,"v":20.7},
     {"u":"lon","t":120,"v":24.30623},
     {"u":"lat","t":120,"v":60.07966},
     {"u":"%EL","t":150,"v":98},
     {"t":180,"v":21.2},
     {"u":"lon","t":180,"v":24.30628},
     {"u":"lat","t":180,"v":60.07967}
   ]"""

# RFC 8428 section 5.1.4: the example of section 5.1.3 in resolved form
RESOLVED = b"""
   [
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,
      "v":20},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,
      "v":24.30621},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,
      "v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,
      "v":20.3},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,
      "v":24.30622},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,
      "v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,
      "v":20.7},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,
      "v":24.30623},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,
      "v":60.07966},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,
      "v":98},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,
      "v":21.2},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,
      "v":24.30628},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,
      "v":60.07967}
   ]"""

OW = "urn:dev:ow:10e2073a01080063"
EXAMPLES = [
    pytest.param(
        b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
        [Record(OW, "Cel", NOW, 23.1)],
        id="5.1.1 single data point",
    ),
    pytest.param(
        b"""[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
             {"n":"current","u":"A","v":1.2}]""",
        [Record(OW + ":voltage", "V", NOW, 120.1), Record(OW + ":current", "A", NOW, 1.2)],
        id="5.1.2 multiple data points",
    ),
    pytest.param(
        VOLTAGE_AND_CURRENT,
        [
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020071.001, 1.2),
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020072.001, 1.3),
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020073.001, 1.4),
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020074.001, 1.5),
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020075.001, 1.6),
            Record("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1),
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1276020076.001, 1.7),
        ],
        id="5.1.2 with times",
    ),
    pytest.param(
        # the stream's first records, closed as a pack
        b"""[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
             {"t":10,"v":21.3},{"t":20,"v":21.4},{"t":30,"v":21.4}]""",
        [
            Record(OW, "%RH", 1320067464.0, 21.2),
            Record(OW, "%RH", 1320067474.0, 21.3),
            Record(OW, "%RH", 1320067484.0, 21.4),
            Record(OW, "%RH", 1320067494.0, 21.4),
        ],
        id="5.1.2 stream",
    ),
    pytest.param(
        b"""[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
             {"n":"label","vs":"Machine Room"},
             {"n":"open","vb":false},
             {"n":"nfv-reader","vd":"aGkgCg"}]""",
        [
            Record(OW + ":temp", "Cel", NOW, 23.1),
            Record(OW + ":label", None, NOW, "Machine Room"),
            Record(OW + ":open", None, NOW, False),
            Record(OW + ":nfv-reader", None, NOW, b"hi \n"),
        ],
        id="5.1.5 multiple data types",
    ),
    pytest.param(
        b"""[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
             {"n":"humidity","u":"%RH","v":30},
             {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
             {"n":"humidity","u":"%RH","v":67}]""",
        [
            Record("2001:db8::2/temperature", "Cel", 1320078429.0, 25.2),
            Record("2001:db8::2/humidity", "%RH", 1320078429.0, 30.0),
            Record("2001:db8::1/temperature", "Cel", 1320078429.0, 12.3),
            Record("2001:db8::1/humidity", "%RH", 1320078429.0, 67.0),
        ],
        id="5.1.6 collection of resources",
    ),
    pytest.param(
        b"""[{"bn":"urn:dev:ow:10e2073a01080063:"},
             {"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}]""",
        [Record(OW + ":temp", "Cel", NOW, 23.1), Record(OW + ":heat", "/", NOW, 1.0), Record(OW + ":fan", "/", NOW, 0)],
        id="5.1.7 actuator",
    ),
    pytest.param(
        b"""[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":1},{"n":"2001:db8::4","v":1}]""",
        [Record("2001:db8::3", "/", 1320078429.0, 1.0), Record("2001:db8::4", "/", 1320078429.0, 1.0)],
        id="5.1.7 lights on",
    ),
    pytest.param(
        b"""[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},
             {"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]""",
        [
            Record("2001:db8::3", "/", 1320078429.0, 0.5),
            Record("2001:db8::4", "/", 1320078429.0, 0.5),
            Record("2001:db8::3", "/", 1320078429.1, 0.0),
            Record("2001:db8::4", "/", 1320078429.1, 0.0),
        ],
        id="5.1.7 lights off",
    ),
]


@pytest.mark.parametrize(("payload", "expected"), EXAMPLES)
def test_example_of_rfc_8428_resolves(payload: bytes, expected: list[Record]) -> None:
    assert resolve(records_from_json(payload), NOW) == expected


@pytest.mark.parametrize(("payload", "expected"), EXAMPLES)
def test_example_of_rfc_8428_resolves_the_same_in_cbor(payload: bytes, expected: list[Record]) -> None:
    records = [{LABEL_OF[field]: value for field, value in record.items()} for record in json.loads(payload)]
    for record in records:
        if LABEL_OF["vd"] in record:  # bytes in CBOR, section 6
            record[LABEL_OF["vd"]] = b"hi \n"
    assert resolve(records_from_cbor(cbor2.dumps(records)), NOW) == expected


def test_example_of_section_5_1_3_resolves_to_section_5_1_4() -> None:
    resolved = resolve(records_from_json(HUMIDITY_AND_POSITION), NOW)
    assert resolved == [
        Record(r["n"], r["u"], r["t"], r["v"]) for r in json.loads(RESOLVED)
    ]  # values as RFC 8428 section 5.1.4 has them, by another JSON parser
    assert resolve(records_from_json(RESOLVED), NOW) == resolved  # resolved records resolve to themselves


def test_cbor_dump_of_section_6_is_the_json_of_section_5_1_2() -> None:
    from_cbor = resolve(records_from_cbor(VOLTAGE_AND_CURRENT_CBOR), NOW)
    assert from_cbor == resolve(records_from_json(VOLTAGE_AND_CURRENT), NOW)


def pack(*records: dict[str, object]) -> list[Record]:
    return resolve(records_from_json(json.dumps(records).encode()), NOW)


@pytest.mark.parametrize(
    ("base_time", "time", "expected"),
    [
        pytest.param(0, 0, NOW, id="zero is now"),  # RFC 8428 section 4.5.3, as all of these
        pytest.param(0, -5, NOW - 5, id="negative is the past"),
        pytest.param(-10, 4, NOW - 6, id="relative base"),
        pytest.param(0, 2**28 - 1, NOW + 2**28 - 1, id="last relative"),
        pytest.param(0, 2**28, datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC).timestamp(), id="first absolute"),
        pytest.param(2**28, 1, 2**28 + 1, id="sum decides"),
    ],
)
def test_time_below_two_to_the_28_is_relative(base_time: float, time: float, expected: float) -> None:
    assert pack({"bn": "a", "bt": base_time, "t": time, "v": 1})[0].time == expected


def test_base_value_and_base_sum_are_added() -> None:
    # RFC 8428 section 4.5.4
    records = pack({"bn": "a", "bv": 20, "bs": 100, "v": 1.5, "s": 3}, {"v": 2}, {"s": 4}, {"bv": 0, "vs": "x"})
    assert [(r.value, r.sum) for r in records] == [(21.5, 103), (22, 100), (None, 104), ("x", 100)]


@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [
        pytest.param("ms", 100, ("s", 0.1), id="100 ms"),  # RFC 8798 section 3, example
        pytest.param("dBm", 10, ("dBW", -20.0), id="10 dBm"),  # RFC 8798 section 3, example
        pytest.param("mV", 3412, ("V", 3.412), id="mV"),  # RFC 8798 Table 2: 1/1000
        pytest.param("V", 3.412, ("V", 3.412), id="primary"),
    ],
)
def test_secondary_unit_is_converted_under_version_26(unit: str, value: float, expected: tuple[str, float]) -> None:
    record = pack({"bn": "a", "bver": 26, "u": unit, "v": value})[0]
    assert (record.unit, record.value) == (expected[0], pytest.approx(expected[1], rel=1e-15))  # one rounding


def test_secondary_unit_scales_the_sum() -> None:
    assert pack({"bn": "a", "bver": 26, "u": "mA", "s": 5000})[0] == Record("a", "A", NOW, None, 5.0)


@pytest.mark.parametrize("version", [1, 5, 10, 10.0, 26])
def test_version_that_is_understood(version: float) -> None:
    assert pack({"bn": "a", "bver": version, "v": 1}, {"v": 2}) == [
        Record("a", None, NOW, 1.0),
        Record("a", None, NOW, 2),
    ]


MALFORMED = [
    # RFC 9100 section 2.2: a feature that is not understood must not be used
    pytest.param([{"bn": "a", "bver": 42, "v": 1}], "bver must be at most 10, or 26, got 42", id="feature 5"),
    pytest.param([{"bn": "a", "bver": 11, "v": 1}], "got 11", id="version 11"),
    pytest.param([{"bn": "a", "bver": 0, "v": 1}], "got 0", id="version 0"),
    pytest.param([{"bn": "a", "bver": "10", "v": 1}], "bver must be a number, got '10'", id="version text"),
    pytest.param([{"bn": "a", "bver": 10, "v": 1}, {"bver": 26, "v": 1}], "same in all", id="two versions"),
    pytest.param([{"bn": "a", "v": 1}, {"bver": 26, "v": 1}], "same in all", id="version late"),
    # RFC 8798 section 3: version 10 is limited to primary units
    pytest.param([{"bn": "a", "u": "mV", "v": 1}], "secondary unit mV needs bver 26", id="secondary unit"),
    pytest.param([{"bn": "a", "bu": "mV", "v": 1}], "secondary unit mV needs bver 26", id="secondary base unit"),
    # RFC 8428 section 4.4
    pytest.param([{"bn": "a", "v": 1, "scale_": 2}], "field 'scale_' must be understood", id="must understand"),
    # RFC 8428 section 4.2
    pytest.param([{"n": "a", "u": "V"}], "one of v, vs, vb, vd, or a sum, got none", id="no value"),
    pytest.param([{"n": "a", "v": 1, "vs": "1"}], "got v, vs", id="two values"),
    # RFC 8428 section 4.5.1
    pytest.param([{"v": 1}], "first a letter or digit, got ''", id="no name"),
    pytest.param([{"n": ":a", "v": 1}], "got ':a'", id="name starts with a colon"),
    pytest.param([{"n": "a b", "v": 1}], "got 'a b'", id="blank in name"),
    pytest.param([{"n": "é", "v": 1}], "letters, digits", id="letter outside the set"),
    pytest.param([{"n": "a\n", "v": 1}], "letters, digits", id="newline at the end"),
    pytest.param([{"n": "a" * (NAME_MAX + 1), "v": 1}], "at most 256 characters, got 257", id="long name"),
    # RFC 8428 Table 1: types
    pytest.param([{"n": "a", "v": "1"}], "v must be a number, got '1'", id="v text"),
    pytest.param([{"n": "a", "v": True}], "v must be a number, got True", id="v boolean"),
    pytest.param([{"n": "a", "v": None}], "v must be a number, got None", id="v null"),
    pytest.param([{"n": "a", "v": [1]}], "v must be a number, got an array", id="v array"),
    pytest.param([{"n": "a", "v": 10**309}], "beyond the range of a double", id="v beyond double"),
    pytest.param([{"n": "a", "v": 1, "t": "0"}], "t must be a number", id="t text"),
    pytest.param([{"n": "a", "v": 1, "ut": "0"}], "ut must be a number", id="ut text"),
    pytest.param([{"n": "a", "v": 1, "s": {}}], "s must be a number, got an object", id="s object"),
    pytest.param([{"n": 7, "v": 1}], "n must be text, got 7", id="n number"),
    pytest.param([{"n": "a", "u": 7, "v": 1}], "u must be text, got 7", id="u number"),
    pytest.param([{"n": "a", "vs": 7}], "vs must be text", id="vs number"),
    pytest.param([{"n": "a", "vb": 1}], "vb must be true or false", id="vb number"),
    pytest.param([{"n": "a", "vd": "a"}], "vd must be base64url", id="vd cut"),
    pytest.param([{"n": "a", "vd": "é"}], "vd must be base64url", id="vd not ASCII"),
    pytest.param([7], "not a SenML pack in JSON", id="no record"),
]


@pytest.mark.parametrize(("records", "detail"), MALFORMED)
def test_pack_that_breaks_a_rule_is_malformed(records: list[dict[str, object]], detail: str) -> None:
    with pytest.raises(PayloadError, match=r"^malformed: ") as caught:
        pack(*records)
    assert detail in caught.value.detail


def test_unknown_field_is_ignored() -> None:
    # RFC 8428 section 4.4
    assert pack({"bn": "a", "v": 1, "quality": {"deep": [1]}}) == [Record("a", None, NOW, 1.0)]


@pytest.mark.parametrize(
    ("payload", "detail"),
    [
        pytest.param(b"", "cut short", id="empty"),
        pytest.param(b"\xa0", "outermost item must be an array", id="map outside"),
        pytest.param(b"\x81\x80", "a record must be a map", id="array inside"),
        # RFC 8428 section 6: not a stream, so of definite length
        pytest.param(b"\x9f\xff", "lengths must be definite", id="indefinite array"),
        pytest.param(b"\x81\xbf\xff", "lengths must be definite", id="indefinite map"),
        pytest.param(b"\x81\xa1\x00\x7f\x61a\xff", "lengths must be definite", id="indefinite text"),
        pytest.param(b"\x81\xa1\x02", "cut short", id="no value"),
        pytest.param(b"\x81\xa1\x02\x19\x01", "cut short", id="half a number"),
        pytest.param(b"\x81\xa1\x00\x63ab", "cut short", id="half a text"),
        pytest.param(b"\x80\x00", "more bytes after", id="trailing byte"),
        pytest.param(b"\x81\xa2\x02\x01\x02\x02", "Duplicate", id="label twice"),
        pytest.param(b"\x81\xa1\x00\x62\xc3\x28", "error decoding text", id="not UTF-8"),
        pytest.param(b"\x81\xa1\x41a\x02", "0x41 cannot start a label", id="bytes as label"),
        pytest.param(b"\x81\xa1\x82\x01\x02\x02", "0x82 cannot start a label", id="array as label"),
        pytest.param(b"\x81\xa1\x02\x81\x01", "0x81 cannot start a value", id="array as value"),
        pytest.param(b"\x81\xa1\x02\xc2\x41\x01", "0xc2 cannot start a value", id="bignum"),
        pytest.param(b"\x81\xa1\x02\xd8\x1c\x80", "0xd8 cannot start a value", id="shared reference"),
        pytest.param(b"\x81\xa1\x02\xc4\x82\x01\xc2\x41\x01", "0xc4 cannot start a value", id="decimal of bignum"),
        pytest.param(b"\x81\xa1\x02\xc5\x82\x01\x01", "0xc5 cannot start a value", id="binary fraction"),
        pytest.param(b"\x81\xa1\x02\xf8\xff", "0xf8 cannot start a value", id="simple value"),
        pytest.param(b"\x81\xa1\x61v\x01", "integer label", id="text label of a known field"),
    ],
)
def test_cbor_outside_the_grammar_is_malformed(payload: bytes, detail: str) -> None:
    with pytest.raises(PayloadError, match=r"^malformed: not a SenML pack in CBOR: |integer label") as caught:
        records_from_cbor(payload)
    assert detail in caught.value.detail


def test_cbor_detail_is_short_and_printable() -> None:
    label = b"\x79\x03\xe8" + b"\n" * 1000
    with pytest.raises(PayloadError, match="Duplicate") as caught:
        records_from_cbor(b"\x81\xa2" + label + b"\x01" + label + b"\x01")
    assert caught.value.detail.isprintable()
    assert len(caught.value.detail) < 200


def test_cbor_pack_has_at_most_five_records_a_reading() -> None:
    assert len(records_from_cbor(cbor2.dumps([{}] * 50_000))) == 50_000
    with pytest.raises(PayloadError, match="oversized: a pack must have at most 50000 records, got 50001"):
        records_from_cbor(cbor2.dumps([{}] * 50_001))


def test_cbor_decimal_fraction_is_a_number() -> None:
    # RFC 8428 section 6 allows decimal fractions; the bytes are the example of RFC 8949 section 3.4.4: 273.15
    records = records_from_cbor(bytes.fromhex("81a200616102c48221196ab3"))
    assert records == [{"n": "a", "v": Decimal("273.15")}]
    assert resolve(records, NOW)[0].value == 273.15

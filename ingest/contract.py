"""What crosses the boundary: one reading, the batch that is admitted together, and the reasons for refusing one."""

from typing import Any, Literal, NamedTuple

import pyarrow as pa

Reason = Literal[
    "malformed",  # not JSON, SenML JSON or SenML CBOR of the contract's form
    "oversized",  # payload larger than PAYLOAD_MAX_BYTES, or too many readings in it
    "wrong-topic",  # topic is not <prefix>/<site>/<node_id> of a known node
    "wrong-node",  # the payload names another node than its topic
    "unknown-node",  # node_id is not in the fleet
    "missing-field",  # storage_v or wakes is not there
    "not-finite",  # NaN or infinite
    "voltage-out-of-range",  # below zero or above what the node's budget allows
    "temperature-out-of-range",  # outside TEMPERATURE_RANGE_C
    "count-out-of-range",  # wakes or boot negative, or above 2**53
    "time-in-future",  # observed later than the arrival, allowing CLOCK_LEAD_S
    "before-commissioning",  # observed before the node was commissioned
    "too-late",  # of a day whose reports are no longer kept, so that its ledger cannot be computed anew
]

PAYLOAD_MAX_BYTES = 256 * 1024
READINGS_MAX = 10_000  # in one payload
PAYLOAD_KEPT_BYTES = 2_000  # of a rejected payload
CLOCK_LEAD_S = 300.0  # a node's clock may run ahead of ours by this much [s]
TEMPERATURE_RANGE_C = (-100.0, 300.0)
DEFAULT_PREFIX = "joulebook"


class Reading(NamedTuple):
    """One observation of one node, decoded but not yet judged; None marks what the payload left out."""

    observed_at: float | None  # seconds since 1970 UTC; None: the node has no clock
    storage_v: float | None  # rest voltage before the wake [V]
    wakes: int | None  # cumulative, as counted by the node
    loaded_v: float | None = None  # lowest voltage during the wake [V]
    temp_c: float | None = None  # [degC]
    boot: int | None = None  # cumulative restarts


class PayloadError(Exception):
    """A payload that cannot be decoded: the reason code and one line of detail."""

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason = reason
        self.detail = detail


# The batch that `Store.admit` judges and stores in one transaction. Null observed_at: the time of arrival is used.
REPORT_BATCH = pa.schema(
    [
        ("node_id", pa.string()),
        ("observed_at", pa.float64()),  # seconds since 1970 UTC
        ("received_at", pa.float64()),  # seconds since 1970 UTC
        ("storage_v", pa.float64()),
        ("wakes", pa.int64()),
        ("loaded_v", pa.float64()),
        ("temp_c", pa.float64()),
        ("boot", pa.int64()),
        ("topic", pa.string()),  # null for a bulk import
        ("redelivered", pa.bool_()),  # the broker sent the message again: it may have been stored already
        ("alone", pa.bool_()),  # the only reading of its message: made when it came
    ]
)


class Refusal(NamedTuple):
    """A payload refused before there was a reading."""

    received_at: float  # seconds since 1970 UTC
    topic: str
    reason: Reason
    detail: str
    payload: str  # bounded text
    node_id: str  # as the sender named it
    whole: bool  # whether the text is all of the payload, to be decoded again


REFUSALS = pa.schema(
    [
        ("received_at", pa.float64()),
        *((name, pa.string()) for name in ("topic", "reason", "detail", "payload", "node_id")),
        ("whole", pa.bool_()),
    ]
)


def kept(payload: bytes) -> tuple[str, bool]:
    """The bounded text of a payload, as `rejects` keeps it, and whether it is all of it, byte by byte."""
    try:
        text, whole = payload[:PAYLOAD_KEPT_BYTES].decode(), len(payload) <= PAYLOAD_KEPT_BYTES
    except UnicodeDecodeError:
        text, whole = payload[:PAYLOAD_KEPT_BYTES].decode("utf-8", "backslashreplace"), False
    return text.replace("\x00", "\\x00"), whole and "\x00" not in text


def batch_table(rows: list[tuple[Any, ...]]) -> pa.Table:
    """A REPORT_BATCH table from rows in its column order."""
    columns = zip(*rows, strict=True) if rows else [[] for _ in REPORT_BATCH]
    return pa.table(
        [pa.array(column, type=field.type) for column, field in zip(columns, REPORT_BATCH, strict=True)],
        schema=REPORT_BATCH,
    )

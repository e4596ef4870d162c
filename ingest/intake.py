"""From one message to the rows of a batch, or to a refusal: the same way in for live messages and stored ones."""

from typing import Any

from ingest.contract import PayloadError, Reading, Refusal, kept
from ingest.decode import decode


def take(
    prefix: str,
    topic: str,
    payload: bytes,
    content_type: str | None,
    received_at: float,
    redelivered: bool,
    rows: list[tuple[Any, ...]],
    refusals: list[Refusal],
) -> None:
    """Add what a message holds to `rows` (in the column order of REPORT_BATCH) and to `refusals`.

    Parameters
    ----------
    prefix : str
        The topic must be `<prefix>/<site>/<node_id>`.
    content_type : str or None
        Of MQTT 5, if the message had one.
    received_at : float
        Time of arrival. [s since 1970 UTC]
    redelivered : bool
        Whether the broker has sent the message before.
    """
    readings: list[Reading] = []
    faults: list[PayloadError] = []
    words = topic.rsplit("/", 2)
    node_id = words[-1]
    try:
        if len(words) != 3 or words[0] != prefix or not (words[1] and node_id):
            raise PayloadError("wrong-topic", f"expected {prefix}/<site>/<node_id>")
        readings = decode(payload, content_type, node_id, received_at, faults)
    except PayloadError as error:
        faults.append(error)
    alone = len(readings) == 1 and not faults
    rows.extend((node_id, r[0], received_at, *r[1:], topic, redelivered, alone) for r in readings)
    if faults:
        text, whole = kept(payload)
        refusals.extend(Refusal(received_at, topic, f.reason, f.detail, text, node_id, whole) for f in faults)

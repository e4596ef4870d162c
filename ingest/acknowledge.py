"""Acknowledging an alarm: a person takes it on, and it stays open until the analysis clears it."""

from datetime import datetime

from ingest.store import Store

NOTE_MAX = 200  # characters kept of what the person adds


def acknowledge(store: Store, alarm_id: str, at: datetime, note: str = "") -> bool:
    """Whether the alarm was active and is acknowledged now.

    False where there is no such alarm, somebody was quicker, or it has been cleared meanwhile: nothing is changed then.

    Parameters
    ----------
    at : datetime
        When the person acted, UTC and aware.
    note : str
        Who acts and how, if said; set behind the alarm's evidence, as one line of at most NOTE_MAX characters.
    """
    said = " ".join("".join(c if c.isprintable() else " " for c in note).split())[:NOTE_MAX]
    with store.write() as cursor:
        cursor.execute(
            "UPDATE alarms SET state = 'acknowledged', acknowledged_at = $at,"
            " note = concat_ws('; ', nullif(note, ''), nullif($note, ''))"
            " WHERE alarm_id = $alarm_id AND state = 'active'",
            {"alarm_id": alarm_id, "at": at, "note": f"acknowledged: {said}" if said else ""},
        )
        changed = cursor.fetchone()
    return changed is not None and changed[0] == 1

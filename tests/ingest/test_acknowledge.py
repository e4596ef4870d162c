"""An acknowledgement is written once, and lives with the analysis that goes on beside it."""

import threading
from datetime import UTC, datetime, timedelta

import pytest

from analysis.run import analyse, open_alarms
from ingest.acknowledge import NOTE_MAX, acknowledge
from tests.conftest import reading

FIRST = datetime(2026, 1, 1, tzinfo=UTC)
SILENT_SINCE = FIRST + timedelta(days=10)
LATER = SILENT_SINCE + timedelta(days=2)


@pytest.fixture
def alarmed(book, admit):
    """A store whose mf-01 reported hourly for ten days and then fell silent."""
    admit(*(reading("mf-01", (FIRST + timedelta(hours=h)).timestamp(), 3.5 + 0.1 * (h % 24 > 12), 2 * h)
            for h in range(240)))  # fmt: skip
    analyse(book, LATER)
    return book


def silence(store):
    row = store.cursor().execute(
        "SELECT alarm_id, state, acknowledged_at, cleared_at, note FROM alarms"
        " WHERE node_id = 'mf-01' AND kind = 'silent'"
    )  # fmt: skip
    names = [column[0] for column in row.description]
    (only,) = row.fetchall()
    return dict(zip(names, only, strict=True))


def test_an_active_alarm_is_acknowledged_with_time_and_note(alarmed):
    raised = silence(alarmed)
    assert acknowledge(alarmed, raised["alarm_id"], LATER, "  Ada:\nnew antenna\ttomorrow ")
    found = silence(alarmed)
    assert (found["state"], found["acknowledged_at"], found["cleared_at"]) == ("acknowledged", LATER, None)
    assert found["note"] == raised["note"] + "; acknowledged: Ada: new antenna tomorrow"


def test_without_a_note_the_evidence_stays_as_it_was(alarmed):
    before = silence(alarmed)
    assert acknowledge(alarmed, before["alarm_id"], LATER)
    assert silence(alarmed)["note"] == before["note"]


def test_a_long_note_is_cut(alarmed):
    before = silence(alarmed)
    acknowledge(alarmed, before["alarm_id"], LATER, "x" * 1000)
    assert silence(alarmed)["note"].count("x") == NOTE_MAX


def test_only_the_first_acknowledgement_counts(alarmed):
    alarm_id = silence(alarmed)["alarm_id"]
    assert acknowledge(alarmed, alarm_id, LATER, "Ada")
    assert not acknowledge(alarmed, alarm_id, LATER + timedelta(hours=1), "Ben")
    assert silence(alarmed)["acknowledged_at"] == LATER
    assert "Ben" not in silence(alarmed)["note"]


def test_an_unknown_alarm_changes_nothing(alarmed):
    before = silence(alarmed)
    assert not acknowledge(alarmed, "mf-01'; DROP TABLE alarms; --", LATER)
    assert silence(alarmed) == before


def test_the_analysis_keeps_an_acknowledged_alarm_open_until_its_cause_has_passed(alarmed, admit):
    raised = silence(alarmed)
    acknowledge(alarmed, raised["alarm_id"], LATER, "Ada")
    analyse(alarmed, LATER + timedelta(hours=6))
    kept = silence(alarmed)
    assert (kept["alarm_id"], kept["state"], kept["acknowledged_at"]) == (raised["alarm_id"], "acknowledged", LATER)
    assert kept["note"].endswith("acknowledged: Ada")
    assert ("mf-01", "silent") in {(a.node_id, a.kind) for a in open_alarms(alarmed.cursor())}
    admit(reading("mf-01", (LATER + timedelta(hours=7)).timestamp(), 3.5, 500))
    analyse(alarmed, LATER + timedelta(hours=7))
    gone = silence(alarmed)
    assert (gone["state"], gone["cleared_at"]) == ("cleared", LATER + timedelta(hours=7))
    assert not acknowledge(alarmed, raised["alarm_id"], LATER + timedelta(hours=8))


def test_acknowledging_while_the_analysis_runs_loses_neither(alarmed):
    alarm_id, done = silence(alarmed)["alarm_id"], []
    other = threading.Thread(target=lambda: [done.append(analyse(alarmed, LATER + timedelta(hours=h))) for h in (1, 2)])
    other.start()
    assert acknowledge(alarmed, alarm_id, LATER)
    other.join()
    assert len(done) == 2
    assert (silence(alarmed)["alarm_id"], silence(alarmed)["state"]) == (alarm_id, "acknowledged")

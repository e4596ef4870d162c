"""An alarm is raised once, does not chatter, and is cleared when its cause has passed."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from analysis.alarms import Condition, step

NOW = datetime(2026, 3, 1, tzinfo=UTC)
FINE = Condition("mf-01", "mill-floor", 0.0, 0.0, None, 0.0)


def play(*conditions):
    """The changes at each step, an hour apart."""
    known, history = {}, []
    for i, condition in enumerate(conditions):
        changed = step({k: a for k, a in known.items() if a.state != "cleared"}, [condition], NOW + timedelta(hours=i))
        known |= {(a.node_id, a.kind): a for a in changed}
        history.append([(a.kind, a.state, a.priority) for a in changed])
    return history


def test_raised_once_and_cleared_once():
    risky = replace(FINE, p_dark_30d=0.4, days_p10=12.0)
    assert play(FINE, risky, risky, FINE, FINE) == [
        [], [("depletion", "active", "medium")], [], [("depletion", "cleared", "medium")], []
    ]  # fmt: skip


def test_a_chance_hovering_at_the_limit_does_not_chatter():
    chances = [0.39, 0.41, 0.39, 0.41, 0.38, 0.41, 0.21, 0.19, 0.39, 0.41]
    history = play(*(replace(FINE, p_dark_30d=p) for p in chances))
    assert [len(changes) for changes in history] == [0, 1, 0, 0, 0, 0, 0, 1, 0, 1]


def test_urgency_changes_the_same_alarm():
    history = play(replace(FINE, p_dark_30d=0.5), replace(FINE, p_dark_30d=0.9, p_dark_7d=0.6))
    assert history == [[("depletion", "active", "medium")], [("depletion", "active", "high")]]


def test_urgency_does_not_chatter_and_keeps_what_a_person_said():
    history = play(*(replace(FINE, p_dark_30d=0.9, p_dark_7d=p) for p in (0.29, 0.31, 0.29, 0.31, 0.14, 0.29)))
    assert [len(changes) for changes in history] == [1, 1, 0, 0, 1, 0]
    (alarm,) = step({}, [replace(FINE, p_dark_30d=0.9)], NOW)
    said = replace(alarm, state="acknowledged", note=alarm.note + "; acknowledged: round on Monday")
    (urgent,) = step({("mf-01", "depletion"): said}, [replace(FINE, p_dark_30d=0.9, p_dark_7d=0.8)], NOW)
    assert urgent.note.endswith("within 7 d: 80%; acknowledged: round on Monday")
    assert urgent.state == "acknowledged"


def test_silence_is_an_alarm_and_no_forecast_changes_nothing():
    risky = replace(FINE, p_dark_30d=0.4)
    silent = replace(FINE, p_dark_7d=None, p_dark_30d=None, silent_for_s=90_000.0)
    assert play(risky, silent, FINE) == [
        [("depletion", "active", "medium")],
        [("silent", "active", "medium")],
        [("silent", "cleared", "medium"), ("depletion", "cleared", "medium")],
    ]


@pytest.mark.parametrize("p30", [0.4, 1.0])
def test_the_note_carries_figures(p30):
    (alarm,) = step({}, [replace(FINE, p_dark_30d=p30, days_p10=9.4)], NOW)
    assert f"{p30:.0%}" in alarm.note
    assert "9 d" in alarm.note
    assert alarm.alarm_id == "mf-01/depletion/20260301T000000Z"


def test_a_node_that_has_gone_dark_is_told_so_and_not_how_likely_it_is():
    likely = replace(FINE, p_dark_30d=0.9, p_dark_7d=0.6, days_p10=2.0)
    dark = replace(FINE, p_dark_30d=1.0, p_dark_7d=1.0, days_p10=0.0)
    assert [len(changes) for changes in play(likely, dark, dark, likely, likely)] == [1, 1, 0, 1, 0]
    (alarm,) = step({}, [likely], NOW)
    said = replace(alarm, state="acknowledged", note=alarm.note + "; acknowledged: round on Monday")
    (changed,) = step({("mf-01", "depletion"): said}, [dark], NOW)
    assert changed.note == "dark now, below the cut-off voltage; acknowledged: round on Monday"
    assert changed.state == "acknowledged"
    (back,) = step({("mf-01", "depletion"): changed}, [likely], NOW)
    assert back.note == said.note  # and one that has come back, but may not stay, is no more said to be dark


def test_the_alarms_of_a_node_taken_out_of_the_fleet_are_cleared():
    raised = step({}, [replace(FINE, silent_for_s=9e4)], NOW)
    other = Condition("mf-02", "mill-floor", 0.0, 0.0, None, 0.0)
    changed = step({(a.node_id, a.kind): a for a in raised}, [other], NOW + timedelta(hours=1))
    assert [(a.node_id, a.state, a.cleared_at) for a in changed] == [("mf-01", "cleared", NOW + timedelta(hours=1))]

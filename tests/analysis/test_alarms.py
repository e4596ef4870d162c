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
        changed = step([a for a in known.values() if a.state != "cleared"], [condition], NOW + timedelta(hours=i))
        known |= {(a.node_id, a.kind): a for a in changed}
        history.append([(a.kind, a.state, a.priority) for a in changed])
    return history


def test_raised_once_and_cleared_once():
    risky = replace(FINE, p_dark_30d=0.45, days_p10=12.0)
    assert play(FINE, risky, risky, FINE, FINE) == [
        [], [("depletion", "active", "medium")], [], [("depletion", "cleared", "medium")], []
    ]  # fmt: skip


def test_a_chance_hovering_at_the_limit_does_not_chatter():
    chances = [0.44, 0.46, 0.44, 0.46, 0.3, 0.46, 0.06, 0.04, 0.44, 0.46]
    history = play(*(replace(FINE, p_dark_30d=p) for p in chances))
    assert [len(changes) for changes in history] == [0, 1, 0, 0, 0, 0, 0, 1, 0, 1]


def test_urgency_changes_the_same_alarm():
    history = play(replace(FINE, p_dark_30d=0.45), replace(FINE, p_dark_30d=0.9, p_dark_7d=0.6))
    assert history == [[("depletion", "active", "medium")], [("depletion", "active", "high")]]


def test_urgency_does_not_chatter_and_keeps_what_a_person_said():
    history = play(*(replace(FINE, p_dark_30d=0.9, p_dark_7d=p) for p in (0.29, 0.31, 0.29, 0.31, 0.14, 0.29)))
    assert [len(changes) for changes in history] == [1, 1, 0, 0, 1, 0]
    (alarm,) = step([], [replace(FINE, p_dark_30d=0.9)], NOW)
    said = replace(alarm, state="acknowledged", note=alarm.note + "; acknowledged: round on Monday")
    (urgent,) = step([said], [replace(FINE, p_dark_30d=0.9, p_dark_7d=0.8)], NOW)
    assert urgent.note.endswith("within 7 d: 80%; acknowledged: round on Monday")
    assert urgent.state == "acknowledged"


def test_silence_is_an_alarm_and_no_forecast_changes_nothing():
    risky = replace(FINE, p_dark_30d=0.45)
    silent = replace(FINE, p_dark_7d=None, p_dark_30d=None, silent_for_s=90_000.0)
    assert play(risky, silent, FINE) == [
        [("depletion", "active", "medium")],
        [("silent", "active", "medium")],
        [("silent", "cleared", "medium"), ("depletion", "cleared", "medium")],
    ]


def test_a_silent_node_taken_for_dark_has_one_alarm():
    silent = replace(FINE, silent_for_s=90_000.0)
    dark = replace(silent, p_dark_30d=1.0, p_dark_7d=1.0, days_p10=0.0)
    assert play(silent, dark, dark, FINE) == [
        [("silent", "active", "medium")],
        [("silent", "cleared", "medium"), ("depletion", "active", "high")],
        [],
        [("depletion", "cleared", "high")],
    ]


@pytest.mark.parametrize(("hours", "said"), [(47.6, "48 h"), (8761, "365 days")])
def test_a_long_silence_is_told_in_days(hours, said):
    (alarm,) = step([], [replace(FINE, silent_for_s=3600.0 * hours)], NOW)
    assert alarm.note == f"not heard from in the {said} before"


@pytest.mark.parametrize(("p30", "said"), [(0.45, "45%"), (1.0, ">99%")])
def test_the_note_carries_figures(p30, said):
    (alarm,) = step([], [replace(FINE, p_dark_30d=p30, days_p10=9.4)], NOW)
    assert f"within 30 d: {said}, within 7 d: <1%" in alarm.note
    assert "9 d" in alarm.note
    assert alarm.note.startswith("on 2026-03-01 UTC: ")  # a note stands unchanged while chances move
    assert alarm.alarm_id == "mf-01/depletion/20260301T000000Z"


def test_a_node_that_has_gone_dark_is_told_so_and_not_how_likely_it_is():
    likely = replace(FINE, p_dark_30d=0.9, p_dark_7d=0.6, days_p10=2.0)
    dark = replace(FINE, p_dark_30d=1.0, p_dark_7d=1.0, days_p10=0.0)
    assert [len(changes) for changes in play(likely, dark, dark, likely, likely)] == [1, 1, 0, 1, 0]
    (alarm,) = step([], [likely], NOW)
    said = replace(alarm, state="acknowledged", note=alarm.note + "; acknowledged: round on Monday")
    (changed,) = step([said], [dark], NOW)
    assert changed.note == "dark now: below the cut-off voltage at its last report; acknowledged: round on Monday"
    assert changed.state == "acknowledged"
    (silent,) = step([], [replace(dark, silent_for_s=9e4)], NOW)
    assert silent.note == "dark now: not heard from since it had next to nothing in hand"
    (back,) = step([changed], [likely], NOW)
    assert back.note == said.note  # and one that has come back, but may not stay, is no more said to be dark


def test_the_alarms_of_a_node_taken_out_of_the_fleet_are_cleared():
    raised = step([], [replace(FINE, silent_for_s=9e4)], NOW)
    other = Condition("mf-02", "mill-floor", 0.0, 0.0, None, 0.0)
    changed = step(raised, [other], NOW + timedelta(hours=1))
    assert [(a.node_id, a.state, a.cleared_at) for a in changed] == [("mf-01", "cleared", NOW + timedelta(hours=1))]


def of_site(*conditions, common=True, since=NOW - timedelta(days=2)):
    """The alarms that stand after each step, an hour apart, as (node, kind, note)."""
    standing, history = {}, []
    begun = {"mill-floor": since}
    for i, those in enumerate(conditions):
        since = begun if common is True or i in common else {}
        changed = step(standing.values(), those, NOW + timedelta(hours=i), since)
        standing |= {a.alarm_id: a for a in changed}
        standing = {key: a for key, a in standing.items() if a.state != "cleared"}
        history.append([(a.node_id, a.kind, a.note) for a in standing.values()])
    return history


def many(n, *, p=0.9, dark=0, **more):
    return [
        replace(FINE, node_id=f"mf-{i:02d}", p_dark_7d=p / 2, p_dark_30d=p, days_p10=0.0 if i < dark else 9.0, **more)
        for i in range(n)
    ]


def test_one_cause_at_a_site_is_one_alarm_that_names_the_nodes():
    (first, later) = of_site(many(6), many(7, dark=2))
    names = "mf-00, mf-01, mf-02, mf-03, mf-04"
    said = f"6 nodes likely to be dark within 30 d, none of them now: {names} and 1 more"
    assert first == [(None, "depletion", said)]
    assert later == [(None, "depletion", f"7 nodes likely to be dark within 30 d, 2 of them now: {names} and 2 more")]
    (alarm,) = step([], many(6), NOW, {"mill-floor": NOW})
    assert alarm.alarm_id == "whole site mill-floor/depletion/20260301T000000Z"  # no node's id has a space


def test_without_a_common_cause_or_with_few_nodes_each_has_its_alarm():
    assert [len(alarms) for alarms in of_site(many(6), common=set())] == [6]
    (few,) = of_site(many(3))
    assert [node for node, *_ in few] == ["mf-00", "mf-01", "mf-02"]


def test_an_alarm_that_stood_before_the_cause_stays_and_those_since_count():
    steps = many(2), many(5), many(6)
    before, with_cause, more = of_site(*steps, common={1, 2})  # which began before all of them
    assert [node for node, *_ in before] == ["mf-00", "mf-01"]
    assert sorted(node or "site" for node, *_ in with_cause) == ["mf-00", "mf-01", "site"]
    ends = ["mf-02, mf-03, mf-04; 2 with alarms of their own", "mf-02, mf-03, mf-04, mf-05; 2 with alarms of their own"]
    assert [note.split(": ")[1] for node, _, note in (*with_cause, *more) if node is None] == ends
    _, three_more, four_more = of_site(*steps, common={1, 2}, since=NOW + timedelta(minutes=30))
    assert [node for node, *_ in three_more] == ["mf-00", "mf-01", "mf-02", "mf-03", "mf-04"]
    assert sorted(node or "site" for node, *_ in four_more)[-1] == "site"


def test_when_the_cause_has_passed_those_still_likely_get_an_alarm_of_their_own():
    mended = [*many(2), *many(6, p=0.1)[2:]]
    history = of_site(many(6), many(6), mended, mended, common={0, 1})
    assert [len(alarms) for alarms in history] == [1, 1, 2, 2]
    assert [node for node, *_ in history[2]] == ["mf-00", "mf-01"]
    assert of_site(many(6), many(6, p=0.1), common={0})[1] == []
    falling = [*many(3, p=0.3), *many(6, p=0.1)[3:]]  # above the limit that clears, of which they had no alarm
    assert of_site(many(6), falling, common={0})[1] == []


def test_who_comes_to_the_limit_when_the_cause_has_passed_is_not_in_the_sites_alarm():
    """Of a stop in October an alarm stood until March, and in it every node that December took."""
    winter = [*many(5), *many(12)[5:]]
    stop, lasts, over, later = of_site(many(5), many(5), many(5), winter, common={0, 1})
    assert [node for node, *_ in (*stop, *lasts)] == [None, None]
    assert [node for node, *_ in over] == [f"mf-{i:02d}" for i in range(5)]
    assert [node for node, *_ in later] == [f"mf-{i:02d}" for i in range(12)]


def test_what_a_person_said_of_a_sites_alarm_stays_with_it():
    (alarm,) = step([], many(5), NOW, {"mill-floor": NOW})
    said = replace(alarm, state="acknowledged", note=alarm.note + "; acknowledged: plant rings on Monday")
    assert step([said], many(5), NOW + timedelta(hours=1), {"mill-floor": NOW}) == []
    (changed,) = step([said], many(6), NOW + timedelta(hours=1), {"mill-floor": NOW})
    assert changed.note.startswith("6 nodes")
    assert changed.note.endswith("; acknowledged: plant rings on Monday")
    assert (changed.state, changed.alarm_id) == ("acknowledged", alarm.alarm_id)
    ended, *own = step([said], many(2), NOW + timedelta(hours=1))
    assert (ended.alarm_id, ended.state) == (alarm.alarm_id, "cleared")
    assert [(a.node_id, a.state) for a in own] == [("mf-00", "acknowledged"), ("mf-01", "acknowledged")]
    assert all(a.note.endswith("; acknowledged: plant rings on Monday") for a in own)


def test_a_sites_alarm_names_who_is_at_the_limit_and_is_told_anew_for_other_nodes_only():
    near = [replace(FINE, node_id=f"mf-{i:02d}", p_dark_30d=0.25) for i in range(5, 9)]
    wobbling = [[replace(c, p_dark_7d=0.5 + 0.01 * (i * k % 3)) for i, c in enumerate(many(5))] for k in range(4)]
    history = of_site(*([*those, *near] for those in wobbling))
    assert all(told == history[0] for told in history)
    assert history[0][0][2].startswith("5 nodes likely")


def test_a_sites_alarm_stays_as_it_is_without_a_forecast():
    unknown = [replace(c, p_dark_7d=None, p_dark_30d=None) for c in many(6)]
    first, second = of_site(many(6), unknown)
    assert first == second


def test_a_node_that_has_moved_has_its_alarm_at_the_new_site():
    (alarm,) = step([], [replace(FINE, p_dark_30d=0.9)], NOW)
    old, new = step([alarm], [replace(FINE, site="yard", p_dark_30d=0.9)], NOW + timedelta(hours=1))
    assert (old.site, old.state) == ("mill-floor", "cleared")
    assert (new.site, new.state, new.node_id) == ("yard", "active", "mf-01")


def test_a_gateway_that_is_down_is_one_silence_and_a_node_lost_when_it_is_up_another():
    quiet = many(5, p=0.0, silent_for_s=9e4)
    heard = [*many(4, p=0.0, silent_for_s=9e4), replace(FINE, node_id="mf-04")]
    again = [*many(4, p=0.0, silent_for_s=9e4), replace(FINE, node_id="mf-04", silent_for_s=3500.0)]
    *_, third = of_site(quiet, heard, again)
    assert third == of_site(quiet)[0]
    first, second, third = of_site(quiet, heard, again, common={0, 1})
    assert first == [(None, "silent", "5 nodes not heard from: mf-00, mf-01, mf-02, mf-03, mf-04")]
    assert [note[:7] for *_, note in second] == ["4 nodes"]
    assert [(node, note) for node, _, note in third[1:]] == [("mf-04", "not heard from in the 1 h before")]
    assert third[0][2].startswith("4 nodes")


def test_the_alarm_of_a_site_without_nodes_is_cleared():
    (alarm,) = step([], many(5), NOW, {"mill-floor": NOW})
    (cleared,) = step([alarm], [replace(FINE, node_id="kr-01", site="kiln-row")], NOW, {})
    assert (cleared.node_id, cleared.state) == (None, "cleared")

"""Alarms on the pages: what stands for a site, taking an alarm on, a first analysis, a node that leaves."""

import dash
import pytest
from dash._callback_context import context_value
from dash._utils import AttributeDict
from dash.exceptions import PreventUpdate

from dashboard.app import create_app
from dashboard.pages import alarms, fleet
from tests.conftest import reading
from tests.dashboard.conftest import LATE_NOTE, NOW, found, table_rows
from tests.dashboard.page_helpers import callback, rows_of, text

LATE = "mf-01/depletion/10"
COMMON = "3 of 4 nodes at kiln-row show dark since 2026-03-08: one cause at the site (stop, lights, gateway)"


@pytest.fixture
def app(mill):
    return create_app(mill, clock=lambda: NOW)


@pytest.fixture
def pressed():
    """Tell the callbacks what was pressed, as Dash does; forgotten afterwards."""
    tokens = []

    def press(prop, value=1):
        tokens.append(context_value.set(AttributeDict(triggered_inputs=[{"prop_id": prop, "value": value}])))

    yield press
    for token in reversed(tokens):
        context_value.reset(token)


def button(alarm_id):
    return f'{{"alarm":"{alarm_id}","type":"{alarms.BUTTON}"}}.n_clicks'


def state_of(mill, alarm_id):
    row = mill.cursor().execute("SELECT state, acknowledged_at, note FROM alarms WHERE alarm_id = ?", [alarm_id])
    return row.fetchone()


def test_only_an_active_alarm_can_be_taken_on(mill, app):
    standing = callback(app, "fleet-alarms")("", fleet.ALL, None)[1]
    buttons = [part.id["alarm"] for item in standing for part in _parts(item) if isinstance(part, dash.html.Button)]
    assert buttons == ["kr-01/silent/09", LATE]
    with mill.write() as writing:
        writing.execute("UPDATE alarms SET state = 'acknowledged', acknowledged_at = ? WHERE node_id = 'kr-01'", [NOW])
    standing = callback(app, "fleet-alarms")("", fleet.ALL, None)[1]
    buttons = [part.id["alarm"] for item in standing for part in _parts(item) if isinstance(part, dash.html.Button)]
    assert buttons == [LATE]
    assert "acknowledged 2026-03-10 12:00 UTC" in text(standing)


def test_since_when_an_alarm_stands_is_told_in_utc_too_as_its_evidence_is(app):
    standing = text(callback(app, "fleet-alarms")("", fleet.ALL, None)[1])
    assert "2026-03-10 02:00 America/New_York 2026-03-10 06:00 UTC" in standing
    assert standing.count("2026-03-09 06:00 UTC") == 1  # a site on UTC says it once


def _parts(item):
    return [] if item is None else list(item._traverse())


def test_taking_an_alarm_on_asks_first_and_then_writes_who_and_when(mill, app, pressed):
    ask, answer = callback(app, "alarm-form"), callback(app, "alarm-settled")
    pressed(button(LATE))
    asked, alarm_id = ask([1], None)
    assert alarm_id == LATE
    assert "Who acts on depletion of mf-01" in text(asked)
    assert state_of(mill, LATE)[0] == "active"
    pressed("alarm-confirm.n_clicks")
    settled = answer(1, None, None, alarm_id, "Ada, new mount on Friday")
    assert state_of(mill, LATE) == ("acknowledged", NOW, f"{LATE_NOTE}; acknowledged: Ada, new mount on Friday")
    pressed("alarm-settled.data", settled)
    said, kept = ask([None], settled)
    assert text(said) == alarms.TAKEN
    assert kept is None


def test_leaving_it_changes_nothing(mill, app, pressed):
    pressed("alarm-leave.n_clicks")
    settled = callback(app, "alarm-settled")(None, None, 1, LATE, "never mind")
    assert state_of(mill, LATE) == ("active", None, LATE_NOTE)
    pressed("alarm-settled.data", settled)
    assert callback(app, "alarm-form")([None], settled) == ([], None)


def test_two_people_at_once_hear_who_was_late(app, pressed):
    answer = callback(app, "alarm-settled")
    pressed("alarm-note.n_submit")
    assert answer(None, 1, None, LATE, "Ada")["said"] == alarms.TAKEN
    assert answer(None, 1, None, LATE, "Ben")["said"] == alarms.TOO_LATE


def test_a_button_that_has_only_appeared_asks_nothing(app, pressed):
    pressed(button(LATE), None)
    assert callback(app, "alarm-form")([None], None) == (dash.no_update, dash.no_update)
    pressed("alarm-confirm.n_clicks", None)
    assert callback(app, "alarm-settled")(None, None, None, LATE, None) is dash.no_update


def test_an_alarm_cleared_meanwhile_is_not_asked_about(mill, app, pressed):
    with mill.write() as writing:
        writing.execute("UPDATE alarms SET state = 'cleared', cleared_at = ? WHERE alarm_id = ?", [NOW, LATE])
    pressed(button(LATE))
    said, chosen = callback(app, "alarm-form")([1], None)
    assert text(said) == alarms.TOO_LATE
    assert chosen is None


def test_what_stands_for_a_site_is_said_once_above_the_alarms_and_on_the_sites_nodes(mill, app):
    table_rows(mill, "findings", [found(None, "site-wide", evidence=COMMON, site="kiln-row")])
    warn = callback(app, "fleet-alarms")
    first, table = warn("", fleet.ALL, None)[1]
    assert text(first).count("one cause at the site") == 1
    assert "Kiln row: cause common to the site" in text(first)
    assert len(rows_of(table)) == 3
    assert warn("", "mill-floor", None)[1][0] is None
    show = callback(app, "node-facts")
    assert "cause common to the site (Kiln row)" in text(show("", "", "", "kr-01")[2])
    assert "cause common" not in text(show("", "", "", "mf-01")[2])


def test_the_verdict_filter_narrows_the_table_alone(app):
    fill = callback(app, "fleet-summary")
    for verdict, nodes in (("watch", ["mf-01"]), ("not-enough-data", ["kr-01", "mf-02"]), ("spent", [])):
        facts, rows = fill("", "", fleet.ALL, verdict)
        assert [row["node_id"] for row in rows] == nodes
        assert "3" in text(facts[0])


def test_before_the_first_analysis_every_page_says_what_is_computed(book, admit):
    admit(reading("mf-01", NOW.timestamp(), 3.5, 1))
    app = create_app(book, clock=lambda: NOW)
    for output, arguments in (
        ("fleet-alarms", ("", fleet.ALL, None)), ("node-alarms", ("", None, "mf-01")), ("visits-round", ("", 90, 0.1)),
    ):  # fmt: skip
        said = text(callback(app, output)(*arguments)[0])
        assert "reports stored: 1. Under serve and in the demo the first one is being computed now" in said, output
        assert "joulebook analyse" in said


def test_once_analysed_nothing_is_said(app):
    assert callback(app, "fleet-alarms")("", fleet.ALL, None)[0] is None
    assert callback(app, "node-alarms")("", None, "mf-01")[0] is None


def test_a_node_retired_while_its_page_is_open_says_so_and_leaves_the_rest(mill, app):
    with mill.write() as writing:
        writing.execute("UPDATE nodes SET retired = true WHERE node_id = 'mf-01'")
    said, standing = callback(app, "node-alarms")("", None, "mf-01")
    assert "taken out of the fleet folder" in text(said)
    assert standing == []
    assert callback(app, "node-count")(1, "mf-01", None, None, None)[2] != dash.no_update
    for output, arguments in (
        ("node-facts", ("", "", "")), ("node-voltage", ("", 7, "light")), ("node-ledger", ("", 7, "light")),
        ("node-fan", ("", 90, "light")),
    ):  # fmt: skip
        with pytest.raises(PreventUpdate):
            callback(app, output)(*arguments, "mf-01")


def test_visits_are_grouped_by_site_the_most_urgent_first(mill, app):
    table_rows(mill, "findings", [found(None, "site-wide", evidence=COMMON, site="kiln-row")])
    said, shown = callback(app, "visits-round")("", 90, 0.1)
    assert said is None
    assert [text(section.children[0]) for section in shown] == ["Kiln row: 1 node", "Mill floor: 1 node"]
    dark, soon = (" ".join(text(section).split()) for section in shown)
    assert "cause common to the site" in dark
    assert "now: dark back by itself in 2.0 d, as likely as not" in dark
    assert "mf-01 2026-03-22 45 % harvest short (80 %); capacity fade (20 %)" in soon
    assert "rotating machinery: isolate and lock out" in soon
    assert "fasteners for the harvester's mount" in soon


def test_a_fleet_without_a_visit_due_says_so(mill, app):
    with mill.write() as writing:
        writing.execute("DELETE FROM prospects")
        writing.execute("DELETE FROM alarms")
    assert text(callback(app, "visits-round")("", 30, 0.1)[1]) == "No node needs a visit in this time."


def test_the_round_is_downloaded_as_it_is_shown(app):
    file = callback(app, "visits-file")(1, 90, 0.1)
    assert file["filename"] == "visits-2026-03-10.csv"
    assert [line.split(",")[:2] for line in file["content"].splitlines()[1:]] == [
        ["Kiln row", "kr-01"], ["Mill floor", "mf-01"]
    ]  # fmt: skip


def test_visits_begin_with_the_cautions(mill):
    from dashboard.pages import visits
    from dashboard.wording import VISIT_CAUTION

    shown = visits.layout(mill.fleet())
    sections = [part for part in shown._traverse() if isinstance(part, dash.html.Section)]
    assert [text(item).replace(":  ", ": ") for item in sections[0].children[1].children] == list(VISIT_CAUTION)
    ids = [getattr(part, "id", None) for part in shown._traverse()]
    assert list(shown._traverse()).index(sections[0]) < ids.index("visits-round")

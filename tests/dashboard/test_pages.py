from datetime import timedelta

import dash
import pytest

from dashboard import wording
from dashboard.app import PAGES, create_app, page
from dashboard.grid import records
from dashboard.pages import alarms, fleet, node, node_view
from dashboard.queries import fleet_rows
from ingest.budget import parse_budget
from tests.conftest import CONVEYOR, reading
from tests.dashboard.conftest import LATE_NOTE, NOW, alarm, outlook, prospect, table_rows
from tests.dashboard.page_helpers import callback, facts, ids, rows_of, text


@pytest.fixture
def app(mill):
    return create_app(mill, clock=lambda: NOW)


def test_making_the_app_twice_leaves_nothing_behind(mill):
    first, second = create_app(mill), create_app(mill)
    assert first.callback_map.keys() == second.callback_map.keys()
    assert dash.page_registry == {}


def test_every_callback_refers_to_components_of_the_shell_or_a_page(app, mill):
    books = mill.fleet()
    asked = dash.html.Div(alarms.question(alarm("mf-01", "silent", "high")))
    known = ids(app.layout) | ids(node.layout(books, "mf-01")) | ids(asked)
    for shown in PAGES.values():
        known |= ids(shown.layout(books))
    for spec in app._callback_list:
        used = {part["id"] for part in (*spec["inputs"], *spec["state"]) if alarms.BUTTON not in part["id"]}
        assert used <= known, spec["output"]


def test_pages_by_path(mill):
    for path, words in (
        (None, "Fleet"),
        ("/", "Fleet"),
        ("/visits", "Visits"),
        ("/node/mf-01", "mf-01"),
        ("/node/zz-99", "Unknown node"),
        ("/elsewhere", "Nothing here"),
    ):
        shown, title = page(mill, path)
        assert words in text(shown), path
        assert title.endswith("Joulebook")


def test_an_unknown_node_is_named_and_leads_back(mill):
    shown, _ = page(mill, "/node/zz%2F99")
    assert "zz/99" in text(shown)
    assert [part.href for part in shown._traverse() if isinstance(part, dash.dcc.Link)] == ["/"]


def test_cautions_stand_at_the_end_of_every_page(app):
    end = text(app.layout.children[-1])
    for words in ("not a safety function", "lock out", "discharge capacitors", "lithium"):
        assert words in end
    assert text(list(wording.CAUTION)) == end


def test_fleet_facts_alarms_and_rows(app):
    summary, rows = callback(app, "fleet-summary")("", "", fleet.ALL, fleet.ALL)
    said, standing = callback(app, "fleet-alarms")("", fleet.ALL, None)
    assert said is None
    shown = facts(summary)
    assert shown["Nodes in service"] == ["3"]
    assert shown["Need a visit within 30 d"][0] == "2"
    assert shown["Dark"][0] == "1"
    assert shown["Silent"][0] == "0"
    assert shown["Active alarms"][0] == "2"
    assert shown["Reports"][0] == "24"
    assert shown["Latest analysis"] == ["6 h ago", "2026-03-10 06:00 UTC"]  # the sites' zones differ: UTC
    assert LATE_NOTE in text(standing)
    assert "2026-03-10 02:00 America/New_York" in text(standing)
    assert [row["node_id"] for row in rows] == ["mf-01", "kr-01", "mf-02"]


def test_the_site_filter_narrows_facts_alarms_and_rows(app):
    summary, rows = callback(app, "fleet-summary")("", "", "kiln-row", fleet.ALL)
    assert facts(summary)["Nodes in service"] == ["1"]
    assert "mf-01" not in text(callback(app, "fleet-alarms")("", "kiln-row", None)[1])
    assert [row["node_id"] for row in rows] == ["kr-01"]


def test_a_fleet_without_reports_or_analysis_says_so(book):
    app = create_app(book, clock=lambda: NOW)
    summary, rows = callback(app, "fleet-summary")("", "", fleet.ALL, fleet.ALL)
    said, standing = callback(app, "fleet-alarms")("", fleet.ALL, None)
    assert facts(summary)["Latest analysis"] == ["none yet", "–"]
    assert facts(summary)["Dark"][0] == facts(summary)["Active alarms"][0] == "–"
    assert "No report in this store yet" in text(said)
    assert text(standing) == "None before the first analysis."
    assert len(rows) == 3
    budgets, figure = callback(app, "fleet-field")("", fleet.ALL, "net_harvest_w", "light")
    assert text(budgets) == "No estimate yet."
    assert figure.layout.annotations[0].text == "No estimate of this line yet."


def test_the_fleet_table_says_what_to_take_to_the_nodes_that_need_a_visit(app):
    rows = {row["node_id"]: row["take"] for row in callback(app, "fleet-grid")("", "", fleet.ALL, fleet.ALL)[1]}
    assert rows["mf-02"] is None
    assert "start the node again" in rows["kr-01"]
    assert rows["mf-01"]


def test_grid_rows_are_in_the_units_of_their_headings_and_never_invent(mill):
    with mill.cursor() as cursor:
        rows = records(fleet_rows(cursor, mill.fleet().budgets, NOW), {"mill-floor": "Mill floor"}, {"mf-01": "a part"})
    first, second, third = rows
    assert first["site"] == "Mill floor"
    assert (first["days_p10"], first["days_p50"], first["days_p90"]) == (12.0, 31.0, None)
    assert (first["dark_percent"], first["usable_percent"], first["balance_uw"]) == (45.0, 37.0, -2.5)
    assert (first["harvest_percent"], first["harvest_lower_bound"]) == (58.0, True)
    assert first["causes"] == "harvest short (80\u00a0%); capacity fade (20\u00a0%)"
    assert [(row["take"], row["visit_due"]) for row in (first, second, third)] == [
        ("a part", True),
        *[(None, False)] * 2,
    ]
    assert first["silence_h"] == 0.5
    assert (second["forecast"], second["days_p10"]) == (True, None)  # past the horizon
    assert (third["forecast"], third["days_p10"], third["silence_h"]) == (False, None, None)


def test_budget_table_gives_medians_and_leaves_out_what_is_not_separable(app):
    (budgets, *_notes), _ = callback(app, "fleet-field")("", fleet.ALL, "net_harvest_w", "light")
    cells = [text(cell) for row in budgets._traverse() if isinstance(row, dash.html.Tr) for cell in row.children]
    heads, row = cells[: len(cells) // 2], cells[len(cells) // 2 :]
    shown = dict(zip(heads, row, strict=True))
    assert (shown["Budget"], shown["Nodes"]) == ("conveyor", "1")
    assert shown["Net harvest"] == "≥ 58  (58 to 58)"
    assert shown["Series resistance"] == "120  (120 to 120)"
    assert shown["Sleep power"] == "not separable"
    assert shown["Autonomy from full"].startswith("130")  # 3.9 d of the 3 d promised


def test_node_page_shows_facts_findings_alarms_and_reports(app):
    shown, driver, findings, health, wakes, reports = callback(app, "node-facts")("", "", "", "mf-01")
    shown = facts(shown)
    assert LATE_NOTE in text(callback(app, "node-alarms")("", None, "mf-01")[1])
    assert shown["Last report"] == ["30 min ago", "2026-03-10 07:30 America/New_York"]
    assert shown["Storage voltage"] == ["3.500 V", "full 5 V, cut-off 2.2 V"]
    # By hand: 1 F at 3.5, full at 5 and cut off at 2.2 V, 0.91 of it left: (12.25 - 4.84) / 2 and (25 - 4.84) / 2 J.
    assert shown["Usable energy"] == ["37 %", "3.37 J of 9.17 J at the estimated capacity"]
    assert shown["Days to depletion"] == ["31 d", "80 % of outcomes: 12 d to past the horizon"]
    assert shown["Visit by"][0] == "2026-03-22"
    assert shown["Autonomy"][0] == "3.4 d"
    assert shown["Balance"] == ["−2.50 µW", "net harvest less load, next 7 d, were it never full"]
    assert shown["Season's low point"] == ["2026-04-07", "0.410 J usable, median of outcomes, in 28 d"]
    assert shown["Boot count"][0] == "3"
    assert "Back by itself in" not in shown
    assert text(driver) == "The weekly stops outlast the 3.4-day autonomy."
    assert "net harvest short of budget" in text(findings)
    assert "80 % probable · since 2026-02-10" in text(findings)
    assert "watch" in text(health)
    assert "Capacity 91.0 ± 3.0 % 80 %: wear too slight or unsure for a date" in rows_of(health)
    assert "Series resistance 120 ± 10 % 200 %: wear too slight or unsure for a date" in rows_of(health)
    assert "Leakage 100 ± 40 % –" in rows_of(health)
    assert "Capacity fade, mean since then 6.0 ± 2.0 % a year –" in rows_of(health)
    assert "lengthen the interval to at least 2 101 s (35 min), 1.2 times the plan" in text(wakes)
    assert "no longer so" not in text(findings)
    assert "3.500 V" in text(reports)


def test_node_page_of_a_node_never_heard_from_invents_nothing(app):
    shown, driver, findings, health, wakes, reports = callback(app, "node-facts")("", "", "", "mf-02")
    shown = facts(shown)
    assert callback(app, "node-alarms")("", None, "mf-02") == (None, [])
    assert shown["Last report"] == ["never", "–"]
    assert shown["Days to depletion"] == ["no forecast yet"]
    assert shown["Visit by"][0] == "no forecast yet"
    assert text(driver) == "No forecast yet."
    assert text(health) == "Not judged yet."
    assert text(wakes).endswith("No forecast yet.")
    assert shown["Season's low point"] == ["–"]
    assert text(findings) == "None in the latest analysis."
    assert text(reports) == "No report yet."


def test_a_silent_node_is_said_to_be_silent_or_taken_to_be_dark(app, mill):
    show = callback(app, "node-facts")
    assert facts(show("", "", "", "kr-01")[0])["Last report"] == ["5 d ago", "2026-03-05 12:00 UTC; taken to be dark"]
    table_rows(mill, "alarms", [alarm("mf-01", "silent", "medium")])
    assert facts(show("", "", "", "mf-01")[0])["Last report"][1].endswith("New_York; silent")


def test_a_node_of_a_silent_site_is_silent_unless_it_has_been_heard_since(app, mill):
    show = callback(app, "node-facts")
    table_rows(mill, "alarms", [alarm(None, "silent", "medium")])
    assert facts(show("", "", "", "mf-01")[0])["Last report"][1].endswith("New_York")
    table_rows(mill, "forecast", [outlook("mf-01", NOW, 0.04, (None, None, None))])
    table_rows(mill, "prospects", [prospect("mf-01", None, as_of=NOW, silent_s=9e4)])
    assert facts(show("", "", "", "mf-01")[0])["Last report"][1].endswith("New_York; silent")


def test_a_dark_node_says_when_it_comes_back_by_itself(app):
    shown, driver, _, _, wakes, _ = callback(app, "node-facts")("", "", "", "kr-01")
    shown = facts(shown)
    assert shown["Visit by"] == ["now", "the node is dark"]
    assert shown["Back by itself in"] == ["2.0 d", "as likely as not; 80 % of outcomes: 0.50 d to past the horizon"]
    assert "Days to depletion" not in shown
    assert text(driver) == "Dark; as likely as not it runs again by itself within 2.0 d."
    assert "No interval can be stated while the node is dark" in text(wakes)


def test_days_to_depletion_past_the_horizon_are_said_so(app, mill):
    table_rows(mill, "forecast", [outlook("mf-01", NOW, 0.0, (None, None, None))])
    table_rows(mill, "prospects", [prospect("mf-01", None, as_of=NOW, driver="no depletion in sight")])
    shown = facts(callback(app, "node-facts")("", "", "", "mf-01")[0])
    assert shown["Days to depletion"][0] == shown["Visit by"][0] == "past the horizon"


def test_a_new_message_reaches_the_node_page_and_only_its_own(app, admit):
    tick = callback(app, "node-count")
    minute, count, analysis = tick(0, "mf-01", None, None, None)
    assert tick(1, "mf-01", minute, count, analysis) == (dash.no_update,) * 3
    admit(reading("kr-01", NOW.timestamp(), 3.0, 71))
    assert tick(2, "mf-01", minute, count, analysis) == (dash.no_update,) * 3
    admit(reading("mf-01", (NOW - timedelta(minutes=1)).timestamp(), 4.321, 9001, received_at=NOW.timestamp()))
    assert tick(3, "mf-01", minute, count, analysis)[1] != dash.no_update
    shown, *_, reports = callback(app, "node-facts")("", "", "", "mf-01")
    assert facts(shown)["Storage voltage"][0] == "4.321 V"
    assert "4.321 V" in text(reports)


def test_fleet_figures_are_left_alone_until_the_next_analysis(app, admit):
    tick = callback(app, "fleet-reports")
    reports, analysis = tick(0, None, None)
    assert tick(1, reports, analysis) == (dash.no_update, dash.no_update)
    admit(reading("kr-01", NOW.timestamp(), 3.0, 71))
    changed = tick(2, reports, analysis)
    assert changed[0] != dash.no_update
    assert changed[1] == dash.no_update


def test_node_figures_show_the_chosen_span(app):
    draw = callback(app, "node-voltage")
    week, month = draw("", 7, "light", "mf-01"), draw("", 30, "light", "mf-01")
    assert min(month.data[0].y) == 2.345  # the dip, 18 days ago
    assert min(week.data[0].y) == 3.5
    ledger, harvest, _ = callback(app, "node-ledger")("", 7, "dark", "mf-01")
    assert len(ledger.data[0].x) == len(harvest.data[0].x) == 7


def test_fan_reaches_up_to_the_usable_energy_at_the_estimated_capacity(app):
    figure = callback(app, "node-fan")("", 90, "light", "mf-01")
    # Closed form: 0.91 * 1.0 F * (5^2 - 2.2^2) V^2 / 2; the curve is read between 513 points.
    assert figure.layout.shapes[1].y0 == pytest.approx(0.91 * 20.16 / 2, rel=1e-4)


def test_budget_lines_say_what_the_telemetry_can_tell(app):
    _, _, lines = callback(app, "node-ledger")("", 30, "light", "mf-01")
    rows = rows_of(lines)
    assert "Energy per wake 34.6 ± 3.5 mJ 34.6 ± 3.5 mJ 100 % not separable" in rows
    least = "mean of the last 28 d, whatever the season; lower bound: curtailed while at full"
    assert f"Net harvest 64.0 ± 21 µW ≥ 41.0 ± 2.0 µW ≥ 64 % {least}" in rows
    assert "Series resistance 0.400 ± 0.12 Ω 0.480 ± 0.020 Ω 120 % separable" in rows


def test_an_estimate_far_from_its_budget_is_marked_so():
    line = {"line": "wake_energy_j", "budget": 34.6e-3, "budget_sd": 3.5e-3, "sd": 1e-3, "separable": True}
    now = {"harvest_w": None, "full_autonomy_days": None, "harvest_lower_bound": False, "observed_at": NOW}
    for sds, expected in ((3.9, "separable"), (4.1, "separable; beyond 4 sd of the budget")):  # of 3.64 mJ, both doubts
        estimates = {"wake_energy_j": line | {"estimate": 34.6e-3 + sds * 3.64e-3}}
        assert (
            text(node_view.line_table(estimates, now, None, parse_budget(CONVEYOR, "c.toml")))
            .rstrip()
            .endswith(expected)
        )


def test_a_share_reads_alike_on_the_fleet_and_the_node_page(mill):
    with mill.cursor() as cursor:
        rows = fleet_rows(cursor, mill.fleet().budgets, NOW)
    share = 0.34462  # 34.5 to a tenth, which rounds on to 35
    row = records(rows.assign(usable_share=share, p_dark_30d=share), {}, {})[0]
    assert wording.percent(share) == wording.chance(share) == f"{row['usable_percent']:.0f}\u00a0%" == "34\u00a0%"
    assert row["dark_percent"] == 34.0


def test_a_target_that_the_budget_leaves_out_is_told_as_the_programs_default(mill, app):
    def said():
        of_node = callback(app, "node-ledger")("", 30, "light", "mf-01")[2]
        return text([of_node, callback(app, "fleet-field")("", fleet.ALL, "net_harvest_w", "light")[0]])

    assert "The budget states no autonomy: 3.0 d is this program's default, not a promise." in said()
    assert "default" not in text(
        callback(app, "node-ledger")("", 30, "light", "mf-02")[2]
    )  # nothing is held against it
    assert "No autonomy is stated by conveyor: there it is over this program's default of 3.0 d." in said()
    with mill.write() as writing:
        writing.execute("UPDATE budgets SET toml = toml || '[targets]\nautonomy = \"3 d\"\n'")
    assert "default" not in said()


def test_the_node_page_speaks_of_a_visit_as_the_visits_page_does(mill, app):
    assert text(callback(app, "node-visit")("", "mf-01")).startswith("For a visit: ")
    assert text(callback(app, "node-visit")("", "mf-02")) == ""
    with mill.write() as writing:
        writing.execute("UPDATE prospects SET visit_by_days = 91 WHERE node_id = 'mf-01'")
    assert "mf-01" not in text(callback(app, "visits-round")("", 90, 0.1)[1])
    assert text(callback(app, "node-visit")("", "mf-01")).startswith("No visit is due within 90 d at a risk of 10 %")


def test_node_links_survive_odd_identifiers(mill):
    from dashboard.pages.parts import node_href

    assert node_href("a?b&c%d") == "/node/a%3Fb%26c%25d"
    assert page(mill, node_href("mf-01"))[1] == "mf-01 · Joulebook"


def test_usable_energy_and_the_full_line_go_by_the_nodes_own_full_voltage(app, mill):
    with mill.write() as cursor:
        cursor.execute("UPDATE prospects SET full_v = 4.9 WHERE node_id = 'mf-01'")
    shown = facts(callback(app, "node-facts")("", "", "", "mf-01")[0])
    assert shown["Storage voltage"] == ["3.500 V", "full 4.9 V (budget 5 V), cut-off 2.2 V"]
    # By hand: 0.91 F at 3.5, full at 4.9 and cut off at 2.2 V: (12.25 - 4.84) / 2 and (24.01 - 4.84) / 2 J.
    assert shown["Usable energy"] == ["39 %", "3.37 J of 8.72 J at the estimated capacity"]
    lines = callback(app, "node-voltage")("", 30, "light", "mf-01").layout.annotations
    assert "full 4.9 V" in [note.text for note in lines]

from datetime import UTC, date, datetime, timedelta

import pytest

from dashboard.pages import node_view
from ingest.budget import parse_budget
from tests.conftest import CONVEYOR
from tests.dashboard.page_helpers import rows_of, text

BUDGET = parse_budget(CONVEYOR, "conveyor.toml")
SINCE = date(2026, 1, 1)
NOW = {
    "driver": "no depletion in sight", "back_p10_days": 0.0, "wake_interval_s": 600.2, "wakes_per_day": 40.0,
    "as_of": datetime(2026, 3, 10, 6, tzinfo=UTC), "verdict": "sound", "loaded_v": 3.4,
    "observed_at": datetime(2026, 3, 10, 5, tzinfo=UTC),
    "capacity_ratio": 0.9, "capacity_sd": 0.02, "esr_ratio": None, "esr_sd": None, "leakage_ratio": None,
    "leakage_sd": None, "fade_per_year": None, "fade_sd": None, "saves_below": None, "saves_factor": None,
}  # fmt: skip


def wakes(place, **more):
    return text(node_view.wake_block(NOW | more, BUDGET)[place])


def advice(**more):
    return wakes(1, **more)


def test_a_plan_that_lasts_may_stay_and_how_far_it_may_be_shortened_is_said_rounded_up():
    assert advice() == "The plan can stay. It could be shortened to 601 s (10 min), but no further."


def test_a_firmware_that_saves_is_told_beside_the_interval():
    said = wakes(2, saves_below=0.4, saves_factor=0.52).replace("\u00a0", " ")
    assert "below 40 % of usable energy the nodes of this budget wake 0.52 times as often" in said


def test_a_plan_that_does_not_last_is_to_be_lengthened():
    assert advice(wake_interval_s=3600.0) == (
        "To hold the risk of going dark within 365 d to 5 %, lengthen the interval to at least 3 600 s (60 min),"
        " 2 times the plan, or mend what drives it."
    )
    assert wakes(-1, wake_interval_s=3600.2) == 'For a downlink to its firmware:  {"wake_interval_s": 3601}'
    assert len(node_view.wake_block(NOW | {"wake_interval_s": None}, BUDGET)) == 2  # nothing to send


def test_a_plan_that_barely_lasts_is_not_to_be_changed():
    assert advice(wake_interval_s=1818.0) == "The plan is about the shortest interval that lasts."


def test_a_node_that_nothing_charges_is_told_what_would_make_its_cell_last():
    said = node_view.wake_advice(NOW, 1800.0, 3600.0, charged=False)
    assert said.replace("\u00a0", " ").replace("\u202f", " ") == (
        "Nothing charges this node: wakes 3 600 s (60 min) apart, it would last 365 d."
    )


def test_a_node_without_a_visit_due_says_what_a_finding_would_take_and_nothing_without_one():
    assert node_view.for_a_visit(None, NOW, [], BUDGET) == []
    (said,) = node_view.for_a_visit(None, NOW, [{"finding": "capacity-fade", "evidence": ""}], BUDGET)
    assert "No visit is due" in text(said)
    assert "storage: supercapacitor, 1 F, 5 V." in text(said)


def test_a_node_that_wakes_more_often_than_lasts_is_told_so_though_its_plan_would():
    said = advice(wake_interval_s=1129.0, wakes_per_day=86400 / 1020)
    assert said.startswith("The plan would last, but the node wakes every 1 020 s")
    assert said.endswith("no less than 1 129 s (18.8 min) will do.")
    assert "The plan can stay" in advice(wake_interval_s=1129.0, wakes_per_day=86400 / 1700)


def test_a_node_never_heard_from_has_no_field_estimates():
    line = {"budget": 1.0, "budget_sd": 0.2, "estimate": 1.0, "sd": 0.2, "separable": False}
    said = text(node_view.line_table({"capacity_ratio": line}, NOW | {"observed_at": None}, None, BUDGET))
    assert said == "No estimate yet."


def test_a_service_life_that_the_budget_leaves_out_is_told_as_the_programs_default():
    ends = {"capacity": {"by_p10": None, "by_p50": None, "by_p90": None}}
    stated = parse_budget(CONVEYOR + '[targets]\nservice_life = "10 years"\n', "conveyor.toml")
    said = [text(node_view.health_block(NOW, ends, None, budget, SINCE)) for budget in (BUDGET, stated)]
    assert "The budget states no service life: 10 years is this program's default, not a promise." in said[0]
    assert "default" not in said[1]


def test_where_no_interval_lasts_none_is_named():
    assert "No wake interval carries this node through 365 d at 5 % risk" in advice(wake_interval_s=None)
    assert advice(wake_interval_s=None, back_p10_days=1.0) == "No interval can be stated while the node is dark."
    assert advice(driver=None) == "No forecast yet."


def test_a_budget_without_wakes_has_no_interval():
    idle = parse_budget(CONVEYOR.replace("wakes_per_day = 48", "wakes_per_day = 0"), "idle.toml")
    assert text(node_view.wake_block(NOW, idle)[-1]) == "The budget plans no wakes."


def test_planned_and_seen_intervals_stand_beside_the_sustainable_one():
    rows = rows_of(node_view.wake_block(NOW, BUDGET))
    # By hand: 86400 s over 48 and over 40 wakes a day.
    assert rows[1:] == ["Planned 1 800 s (30 min)", "In the field, last 28 d 2 160 s (36 min)",
                        "Shortest sustainable 601 s (10 min)"]  # fmt: skip


@pytest.mark.parametrize(
    ("more", "said"),
    [
        pytest.param({"fade_per_year": 0.283, "fade_sd": 0.011}, "28.3 ± 1.1 % a year", id="stated"),
        pytest.param({}, "not stated before 2026-04-01", id="too soon"),  # 90 days after 1 January
        pytest.param({"as_of": datetime(2026, 4, 1, tzinfo=UTC)}, "not stated: still too uncertain", id="uncertain"),
        pytest.param(
            {"as_of": datetime(2026, 4, 1, tzinfo=UTC), "capacity_ratio": None},
            "not stated: capacity is not told", id="capacity not told",
        ),
    ],
)  # fmt: skip
def test_fade_is_stated_or_the_reason_why_not(more, said):
    assert node_view.fade(NOW | more, SINCE).replace("\u00a0", " ") == said


def test_ratios_that_the_telemetry_does_not_tell_say_so():
    rows = rows_of(node_view.health_block(NOW, {}, None, BUDGET, SINCE))
    assert "Capacity 90.0 ± 2.0 % 80 %: wear too slight or unsure for a date" in rows
    assert "Series resistance the telemetry does not tell 200 %" in rows
    rows = rows_of(node_view.health_block(NOW | {"loaded_v": None}, {}, None, BUDGET, SINCE))
    assert "Series resistance no loaded voltage reported 200 %" in rows
    rows = rows_of(node_view.health_block(NOW | {"leakage_ratio": 1.2, "leakage_sd": 28.3}, {}, None, BUDGET, SINCE))
    assert any(row.startswith("Leakage the telemetry does not tell") for row in rows)


@pytest.mark.parametrize(
    ("days", "said"),
    [
        pytest.param(
            (date(2026, 9, 1), date(2027, 3, 1), date(2028, 1, 1)),
            "2026-09-01 to 2028-01-01, as likely as not by 2027-03-01", id="ahead",
        ),
        pytest.param((date(2035, 9, 1), None, None), "2035-09-01 to past 10 years", id="far"),
        pytest.param((None, None, None), "past 10 years", id="past the horizon"),
        pytest.param(
            (date(2026, 3, 10), date(2026, 4, 1), date(2026, 6, 1)),
            "now to 2026-06-01, as likely as not by 2026-04-01", id="perhaps already",
        ),
        pytest.param((date(2026, 3, 10),) * 3, "now", id="already"),
    ],
)  # fmt: skip
def test_the_end_of_life_is_said_as_a_span_of_days(days, said):
    row = dict(zip(("by_p10", "by_p50", "by_p90"), days, strict=True)) | {"criterion": "capacity"}
    assert node_view.reached(row, NOW) == said


def test_what_could_be_harvested_stands_beside_the_lower_bound():
    now = NOW | {"harvest_lower_bound": True, "harvest_w": 98e-6, "harvest_sd_w": 7e-6, "full_autonomy_days": None}
    line = {"budget": 64e-6, "budget_sd": 21e-6, "estimate": 41e-6, "sd": 2e-6, "separable": True}
    rows = rows_of(node_view.line_table({"net_harvest_w": line}, now, None, BUDGET))
    assert rows[1].startswith("Net harvest 64.0 ± 21 µW ≥ 41.0 ± 2.0 µW ≥ 64 %")
    assert rows[2].startswith("Harvest, were it never full 70.0 ± 21 µW 98.0 ± 7.0 µW 140 %")
    without = BUDGET.model_copy(update={"harvest": BUDGET.harvest.model_copy(update={"mean_power": 0.0})})
    assert len(rows_of(node_view.line_table({"net_harvest_w": line}, now, None, without))) == 2


def test_autonomy_from_full_stands_beside_what_the_design_promised():
    now = NOW | {"harvest_lower_bound": False, "harvest_w": None, "full_autonomy_days": 2.1}
    line = {"budget": 1.0, "budget_sd": 0.2, "estimate": 0.9, "sd": 0.1, "separable": True}
    rows = rows_of(node_view.line_table({"capacity_ratio": line}, now, None, BUDGET))
    assert rows[1].startswith("Autonomy from full 3.0 d 2.1 d 70 %")  # of the 3 days promised


def test_service_life_is_held_against_the_wear_that_shows():
    year = timedelta(days=365.25).total_seconds()
    end = {"criterion": "capacity", "by_p10": date(2029, 1, 1), "by_p50": date(2031, 1, 1), "by_p90": None}
    said = {life: text(node_view.service_life(life * year, {"capacity": end}, SINCE, SINCE)[0]) for life in (4, 10)}
    assert said[4] == "Service life of the budget: to 2030-01-01; at this pace it lasts by its capacity alone."
    assert said[10] == "Service life of the budget: to 2036-01-01; more likely than not it falls short."
    unknown = end | {"by_p50": None}
    long = {life: text(node_view.service_life(life * year, {"capacity": unknown}, SINCE, SINCE)[0]) for life in (9, 15)}
    assert long[9].endswith("; at this pace it lasts by its capacity alone.")  # of its resistance nothing is known
    assert long[15].endswith("; at this pace it lasts 10 years more at least by its capacity alone.")
    both = text(node_view.service_life(4 * year, {"capacity": end, "resistance": end}, SINCE, SINCE)[0])
    assert both.endswith("; at this pace it lasts.")
    assert node_view.service_life(year, {}, SINCE, SINCE) == []


CELL = parse_budget(
    CONVEYOR.replace('"supercapacitor"', '"primary"').replace(
        'capacitance = "1.0 F"', 'capacity = "110 mAh"\nocv = [[0.0, 2.0], [1.0, 5.1]]'
    ),
    "cell.toml",
)
LEFT = {
    "by_voltage": 0.71, "by_voltage_sd": 0.156, "by_counting": 0.79, "by_counting_sd": 0.033,
    "counted_from": date(2026, 1, 1),
}  # fmt: skip


def test_a_cell_whose_capacity_is_not_told_says_so_and_counts():
    now = NOW | {"capacity_ratio": None}
    assert "Capacity not observable 80 %" in rows_of(node_view.health_block(now, {}, LEFT, CELL, SINCE))
    block = node_view.remaining_block(now, LEFT)
    assert rows_of(block)[1:] == [
        "By its voltage 71 ± 16 %", "By counting what was spent since 2026-01-01 79.0 ± 3.3 %",
    ]  # fmt: skip
    # By hand: from 1 January to 10 March are 68 days.
    assert "its doubt is 3 % after 68 d and grows on" in text(block[-1])
    assert "shows neither what is left nor the capacity" in text(block[-1])
    line = {"budget": 1.0, "budget_sd": 0.05, "estimate": 1.0, "sd": 0.08, "separable": False}
    now |= {"harvest_w": None, "harvest_lower_bound": False, "full_autonomy_days": 900.0}
    lines = node_view.line_table({"capacity_ratio": line}, now, LEFT, CELL)
    assert rows_of(lines)[1].endswith("not observable")
    assert len(rows_of(lines)) == 2  # nothing charges a primary cell: no autonomy from full


def test_a_cell_never_seen_full_is_not_counted_and_a_capacitor_has_no_such_table():
    block = node_view.remaining_block(NOW, LEFT | {"by_counting": None, "by_counting_sd": None, "counted_from": None})
    assert len(rows_of(block)) == 2
    assert "there has been none" in text(block[-1])
    assert node_view.remaining_block(NOW, None) == []

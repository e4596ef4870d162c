"""Whom to visit, by when, with what."""

import csv
import io
from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from dashboard import queries, rounds
from ingest.budget import parse_budget
from tests.conftest import CONVEYOR
from tests.dashboard.conftest import AS_OF, NOW, alarm, found, outlook, prospect, table_rows

VIBRATION = parse_budget(CONVEYOR, "conveyor.toml")
PRIMARY = parse_budget(
    CONVEYOR.replace('source = "vibration"', 'source = "none"')
    .replace('technology = "supercapacitor"', 'technology = "primary"')
    .replace('capacitance = "1.0 F"', 'capacity = "110 mAh"\nocv = [[0.0, 2.0], [1.0, 3.6]]'),
    "primary.toml",
)
STORAGE = "storage: supercapacitor, 1 F, 5 V"
TIED = "a rise of leakage (leakage-rise) is not separable at these voltages and temperatures"


def take(*names, worn=False, dark=False, budget=VIBRATION, interval=None, evidence=""):
    return rounds.what_to_take(
        [{"finding": name, "probability": 0.9, "evidence": evidence} for name in names], worn, dark, budget, interval
    )


@pytest.mark.parametrize(
    ("names", "brought"),
    [
        pytest.param(["capacity-fade"], (STORAGE,), id="faded"),
        pytest.param(["resistance-rise"], (STORAGE,), id="resistive"),
        pytest.param(["leakage-rise"], (STORAGE,), id="leaky"),
        pytest.param(["harvest-short"], (rounds.HARVESTER["vibration"],), id="harvest"),
        pytest.param(["wakes-over"], (rounds.FIRMWARE,), id="wakes"),
        pytest.param(["drain-over"], (rounds.FIRMWARE,), id="drain"),
        pytest.param(["silent-charged"], (rounds.RADIO,), id="radio"),
        pytest.param(["harvest-short", "capacity-fade"], (STORAGE, rounds.HARVESTER["vibration"]), id="two causes"),
    ],
)
def test_each_finding_brings_its_part(names, brought):
    assert take(*names) == brought


def test_two_causes_that_cannot_be_told_apart_bring_the_parts_of_both():
    assert take("drain-over", evidence=TIED) == (STORAGE, rounds.FIRMWARE)


def test_a_worn_storage_is_replaced_whatever_was_found():
    assert take(worn=True) == (STORAGE,)
    assert STORAGE not in take(worn=False)


@pytest.mark.parametrize(
    ("verdict", "listed"),
    [("degraded", True), ("spent", True), ("sound", False), ("watch", False), ("not-enough-data", False)],
)
def test_a_storage_judged_worn_is_visited(mill, stops, verdict, listed):
    table_rows(mill, "health", [{"node_id": "mf-02", "as_of": NOW, "verdict": verdict}])
    assert ("mf-02" in [stop.node_id for stop in stops(30)]) == listed


def test_a_storage_that_may_be_worn_in_the_time_ahead_is_visited_with_its_day(mill, stops):
    ends = {"node_id": "mf-02", "as_of": NOW, "by_p50": None, "by_p90": None}
    table_rows(mill, "end_of_life", [
        ends | {"criterion": "capacity", "by_p10": date(2026, 5, 2)},
        ends | {"criterion": "resistance", "by_p10": date(2026, 4, 20)},
    ])  # fmt: skip
    last = stops(90)[-1]
    assert (last.node_id, last.worn_by, last.take) == ("mf-02", date(2026, 4, 20), (STORAGE,))
    assert "mf-02" not in [stop.node_id for stop in stops(30)]


def test_a_dark_node_without_a_cause_has_its_harvester_seen_to_and_is_started_again():
    assert take("dark", dark=True) == (rounds.HARVESTER["vibration"], rounds.RESTART)
    assert take("dark", "capacity-fade", dark=True) == (STORAGE, rounds.RESTART)


def test_a_node_without_a_harvester_gets_a_fresh_cell():
    assert take(budget=PRIMARY) == ("storage: primary cell, 110 mAh, 5 V",)
    assert take("dark", dark=True, budget=PRIMARY) == ("storage: primary cell, 110 mAh, 5 V",)
    assert take("silent-charged", budget=PRIMARY) == (rounds.RADIO,)


def test_where_nothing_is_broken_a_longer_wake_interval_is_named_if_one_would_do():
    (said,) = take(interval=2100.4)  # 48 a day planned: 1800 s
    assert said.replace("\u00a0", " ").replace("\u202f", " ") == (
        "no part: wakes 2 101 s (35 min) apart would carry it; planned 1 800 s (30 min)"
    )
    assert take(interval=600.0) == take(interval=None) == (rounds.NO_PART,)


def test_dangers_follow_from_where_a_node_sits_and_what_it_stores():
    assert rounds.dangers(VIBRATION) == ("rotating machinery: isolate and lock out", rounds.DISCHARGE)
    assert rounds.dangers(PRIMARY) == (rounds.LITHIUM,)


@pytest.fixture
def stops(mill):
    """The round of a fleet where mf-02 is sound but lasts less than a year."""
    table_rows(mill, "forecast", [outlook("mf-02", NOW, 0.0, (200.0, None, None))])
    table_rows(mill, "prospects", [prospect("mf-02", 200.0, as_of=NOW)])

    def planned(within, common=()):
        with mill.cursor() as cursor:
            rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW)
        return rounds.plan(rows, mill.fleet(), common, within)

    return planned


def test_dark_nodes_come_first_then_the_soonest(stops):
    assert [(stop.node_id, stop.dark) for stop in stops(365)] == [("kr-01", True), ("mf-01", False), ("mf-02", False)]
    assert [stop.node_id for stop in stops(90)] == ["kr-01", "mf-01"]


def test_the_date_is_the_sites_day_at_the_stated_risk(stops):
    dark, soon = stops(30)
    # By hand: 12 days after 2026-03-10 06:00 UTC, which is 02:00 in New York.
    assert (soon.visit_by.isoformat(), soon.chance_30d) == ("2026-03-22", 0.45)
    assert (dark.visit_by, dark.back_days) == (None, 2.0)
    assert soon.back_days is None
    assert soon.driver == "The weekly stops outlast the 3.4-day autonomy."


def test_at_a_smaller_risk_a_visit_is_due_earlier(mill):
    """Of mf-01 one future in fifty has ended within 5 days, one in ten within 12, three in ten within 26."""
    dates = {"visit_by_02_days": 5.0, "visit_by_20_days": 20.0, "visit_by_30_days": 26.0}
    table_rows(mill, "prospects", [prospect("mf-01", 12.0, as_of=NOW, **dates)])
    table_rows(mill, "forecast", [outlook("mf-01", NOW, 0.45, (12.0, 31.0, None))])
    with mill.cursor() as cursor:
        rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW)
    due = {risk: [s.visit_by for s in rounds.plan(rows, mill.fleet(), (), 30, risk) if s.node_id == "mf-01"]
           for risk in (0.02, 0.05, 0.1, 0.3)}  # fmt: skip
    assert due == {0.02: [date(2026, 3, 15)], 0.05: [], 0.1: [date(2026, 3, 22)], 0.3: [date(2026, 4, 5)]}
    stop = rounds.plan(rows, mill.fleet(), (), 30, 0.3)[-1]
    assert "2026-04-05,0.3" in rounds.as_csv([stop], {})


def test_a_silent_node_and_a_worn_storage_are_listed_without_a_date(mill, stops):
    table_rows(mill, "findings", [found("mf-02", "silent-charged", as_of=NOW)])
    table_rows(mill, "health", [{"node_id": "mf-02", "as_of": NOW, "verdict": "degraded"}])
    last = stops(30)[-1]
    assert last.node_id == "mf-02"
    assert last.take == (STORAGE, rounds.RADIO)


def test_a_node_that_was_never_heard_from_is_looked_for(mill):
    table_rows(mill, "alarms", [alarm("mf-02", "silent", "medium")])
    with mill.cursor() as cursor:
        rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW)
    last = rounds.plan(rows, mill.fleet(), (), 30)[-1]
    assert (last.node_id, last.driver, last.visit_by, last.state) == ("mf-02", "", None, "silent")
    assert (last.causes, last.take) == ("never heard from", (rounds.JOINED,))
    (shared,) = [stop for stop in rounds.plan(rows, mill.fleet(), {"mill-floor"}, 30) if stop.node_id == "mf-02"]
    assert shared.take == (rounds.JOINED,)  # no cause of the site explains it


def test_at_a_site_with_a_common_cause_the_site_is_looked_at_first(mill, stops):
    assert stops(30, {"kiln-row"})[0].take == (rounds.SITE_FIRST,)
    assert stops(30, {"mill-floor"})[0].take == (rounds.HARVESTER["vibration"], rounds.RESTART)
    table_rows(mill, "findings", [found("kr-01", "capacity-fade")])
    assert stops(30, {"kiln-row"})[0].take == (STORAGE, rounds.RESTART)  # a cause of its own


def test_a_retired_node_is_not_visited(mill, stops):
    with mill.cursor() as cursor:
        rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW)
    with mill.write() as writing:
        writing.execute("UPDATE nodes SET retired = true WHERE node_id = 'kr-01'")
    assert [stop.node_id for stop in rounds.plan(rows, mill.fleet(), (), 30)] == ["mf-01"]


def test_a_fleet_never_analysed_needs_no_visit(book):
    with book.cursor() as cursor:
        rows = queries.fleet_rows(cursor, book.fleet().budgets, NOW)
    assert rounds.plan(rows, book.fleet(), (), 365) == []


def test_the_csv_reads_back_as_it_was_planned(stops):
    planned = stops(365)
    planned[1] = replace(planned[1], note='behind "B", ladder', causes="harvest short (80\u00a0%)")
    text = rounds.as_csv(planned, {"mill-floor": "Mill floor", "kiln-row": "Kiln row"})
    rows = list(csv.DictReader(io.StringIO(text)))  # RFC 4180 quoting, read by the standard library
    assert [row["node_id"] for row in rows] == ["kr-01", "mf-01", "mf-02"]
    assert (rows[0]["state"], rows[0]["visit_by"]) == ("dark", "")
    assert (rows[1]["visit_by"], rows[1]["risk_dark_by_then"], rows[1]["chance_dark_30d"]) == (
        "2026-03-22", "0.1", "0.450"
    )  # fmt: skip
    assert (rows[1]["note"], rows[1]["causes"]) == ('behind "B", ladder', "harvest short (80 %)")
    assert rows[1]["mind"] == "; ".join(rounds.dangers(VIBRATION))
    assert len(pd.read_csv(io.StringIO(text)).columns) == len(rows[0])


def test_silent_alarm_alone_is_enough_to_be_listed(mill, stops):
    table_rows(mill, "alarms", [alarm("mf-02", "silent", "medium", raised_at=AS_OF)])
    assert "mf-02" in [stop.node_id for stop in stops(30)]

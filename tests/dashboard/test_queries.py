from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from dashboard import queries
from tests.conftest import reading
from tests.dashboard.conftest import AS_OF, DIP_AT, EARLIER, LINES, NOW, alarm, found, table_rows


@pytest.fixture
def cursor(mill):
    with mill.cursor() as opened:
        yield opened


@pytest.fixture
def rows(mill, cursor):
    return queries.fleet_rows(cursor, mill.fleet().budgets, NOW)


@pytest.fixture
def mf_01(rows):
    return rows.set_index("node_id").loc["mf-01"]


def test_fleet_is_ranked_by_days_to_depletion_with_the_unknown_last(rows):
    assert list(rows["node_id"]) == ["mf-01", "kr-01", "mf-02"]


def test_only_the_latest_analysis_counts(mf_01):
    assert (mf_01["days_p10"], mf_01["p_dark_30d"]) == (12.0, 0.45)
    assert [f["finding"] for f in mf_01["causes"]] == ["harvest-short", "capacity-fade"]  # and not the earlier one's


def test_usable_share_of_a_capacitor_goes_by_the_squares_of_voltage(mf_01):
    # Closed form E = C V^2 / 2: (3.5^2 - 2.2^2) / (5^2 - 2.2^2); the curve is read between 513 points.
    assert mf_01["usable_share"] == pytest.approx(7.41 / 20.16, rel=1e-4)


def test_harvest_and_load_ratios_are_the_ledgers_over_the_budget(mf_01):
    # By hand: 3.2 J a day over 64 uW; 3.0 J a day over 34.6 mJ * 48 a day + 8.47 uW.
    assert mf_01["harvest_ratio"] == pytest.approx(3.2 / 86400 / 64e-6)
    assert mf_01["load_ratio"] == pytest.approx((3.0 / 86400) / (0.0346 * 48 / 86400 + 8.47e-6))
    assert mf_01["harvest_lower_bound"]  # one of the last 28 days had an hour at full


def test_what_could_be_harvested_and_autonomy_are_held_against_what_was_designed(mf_01):
    assert mf_01["offered_ratio"] == pytest.approx(77 / 70)  # over the budget's 70 uW into storage
    assert mf_01["autonomy_ratio"] == pytest.approx(3.9 / 3.0)  # over the 3 days promised


def test_budget_load_of_a_common_node():
    # Common practice, no source: 3.3 V, 10 mA for 1 s each hour (33.0 mJ), 3 uA asleep: 19.06 uW. The sleep current is
    # taken to flow during the wake too, which adds 0.003 uW.
    assert queries.budget_load_w(0.033, 3.3 * 3e-6, 24) == pytest.approx(19.06e-6, abs=0.01e-6)


def test_a_node_never_heard_from_has_no_numbers_and_no_alarm_colour(rows):
    silent = rows.set_index("node_id").loc["mf-02"]
    assert silent[["storage_v", "usable_share", "days_p10", "load_ratio", "silence_s"]].isna().all()
    assert not silent[["dark", "silent"]].any()


def test_silent_since_nearly_empty_counts_as_dark(rows):
    node = rows.set_index("node_id").loc["kr-01"]  # 2.21 V of 2.2 V cut-off, silent alarm, p_dark_30d 0.02
    assert node["dark"]
    assert not node["silent"]


def test_silent_with_energy_in_hand_is_silent_not_dark(mill, cursor):
    table_rows(mill, "alarms", [alarm("mf-01", "silent", "medium")])
    node = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id").loc["mf-01"]
    assert (node["dark"], node["silent"]) == (False, True)


def test_silence_shows_without_an_alarm_of_its_own(mill, cursor):
    """A node taken for dark has only the alarm that says so."""
    with mill.write() as writing:
        writing.execute("UPDATE prospects SET silent_s = 9e4, as_of = $now WHERE node_id = 'mf-01'", {"now": NOW})
        writing.execute("UPDATE forecast SET as_of = $now WHERE as_of = $then", {"now": NOW, "then": AS_OF})
    node = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id").loc["mf-01"]
    assert (node["dark"], node["silent"]) == (False, True)


def test_a_storage_that_came_after_the_last_report_has_no_voltage_yet(mill, cursor):
    """That of the old one, at its cut-off, says nothing of it: it is silent, not dark."""
    at = AS_OF - timedelta(minutes=1)
    table_rows(mill, "visits", [{"node_id": "kr-01", "visited_at": at, "work": "storage-replaced", "note": ""}])
    node = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id").loc["kr-01"]
    assert pd.isna(node["storage_v"])
    assert (node["dark"], node["silent"]) == (False, True)
    now = queries.node_now(cursor, "kr-01")
    assert (now["replaced_since"], now["storage_v"]) == (True, None)


def test_a_finding_overrules_the_guess_that_a_silent_node_is_dark(mill, cursor):
    table_rows(mill, "findings", [{"node_id": "kr-01", "as_of": AS_OF, "finding": "silent-charged", "since": AS_OF,
                                   "probability": 0.9, "evidence": ""}])  # fmt: skip
    node = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id").loc["kr-01"]
    assert (node["dark"], node["silent"]) == (False, True)


def test_retired_nodes_leave_the_table(mill, cursor):
    with mill.write() as writing:
        writing.execute("UPDATE nodes SET retired = true WHERE node_id = 'kr-01'")
    assert "kr-01" not in set(queries.fleet_rows(cursor, mill.fleet().budgets, NOW)["node_id"])


def test_age_of_the_last_report_is_counted_from_the_given_now(mf_01):
    assert mf_01["silence_s"] == 1800.0
    assert mf_01["observed_at"] == NOW - timedelta(minutes=30)


def test_times_are_utc_and_aware_whatever_the_session_says(mill):
    with mill.cursor() as cursor:
        cursor.execute("SET TimeZone = 'Asia/Tokyo'")
        rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW)
        assert str(rows["observed_at"].dt.tz) == "UTC"
        assert rows["observed_at"].iloc[0] == NOW - timedelta(minutes=30)
        assert queries.node_now(cursor, "mf-01")["as_of"] == AS_OF
        assert len(queries.voltage_history(cursor, "mf-01", NOW - timedelta(hours=3), NOW)) == 3


def test_field_ratios_hold_each_line_once_and_leave_out_budgets_of_nothing(mill, cursor, rows):
    table_rows(mill, "estimates", [{"node_id": "kr-01", "as_of": AS_OF, "line": "esr_ohm", "budget": 0.0,
                                    "budget_sd": 0.0, "estimate": 1.0, "sd": 0.1, "separable": True}])  # fmt: skip
    ratios = queries.field_ratios(cursor, rows)
    mine = ratios[ratios["node_id"] == "mf-01"].set_index("line")
    assert sorted(mine.index) == sorted([*LINES, "load_w", "harvest_w", "full_autonomy_days"])
    assert mine.loc["capacity_ratio", "ratio"] == 0.91
    assert mine.loc["esr_ohm", "tolerance"] == pytest.approx(0.3)
    assert mine.loc["net_harvest_w", "ratio"] == pytest.approx(3.2 / 86400 / 64e-6)
    assert mine["lower_bound"].to_dict() == {line: line == "net_harvest_w" for line in mine.index}
    assert "kr-01" not in set(ratios["node_id"])


def test_active_alarms_are_the_ones_not_cleared_the_gravest_first(cursor):
    found = queries.active_alarms(cursor)
    assert [(a["node_id"], a["kind"]) for a in found] == [("kr-01", "silent"), ("mf-01", "depletion")]
    assert [a["node_id"] for a in queries.active_alarms(cursor, site="mill-floor")] == ["mf-01"]
    assert queries.active_alarms(cursor, node_id="mf-02") == []


def test_a_whole_sites_alarm_has_no_node(mill, cursor):
    table_rows(mill, "alarms", [alarm(None, "depletion", "high")])
    assert None in [a["node_id"] for a in queries.active_alarms(cursor)]
    assert [a["node_id"] for a in queries.active_alarms(cursor, node_id="mf-02")] == [None]
    assert [a["node_id"] for a in queries.active_alarms(cursor, node_id="kr-01")] == ["kr-01"]


def test_a_sites_silence_is_that_of_its_nodes_that_are_not_heard_from(mill, cursor):
    def silent():
        rows = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id")
        return rows["not_heard"].to_dict()

    table_rows(mill, "alarms", [alarm(None, "silent", "medium")])
    assert silent() == {"mf-01": False, "mf-02": True, "kr-01": True}  # never heard from; by its own alarm
    with mill.write() as writing:
        writing.execute("UPDATE prospects SET silent_s = 9e4")
    assert silent() == {"mf-01": False, "mf-02": True, "kr-01": True}  # heard from since that analysis
    with mill.write() as writing:
        writing.execute("UPDATE prospects SET as_of = $now", {"now": NOW})
        writing.execute("UPDATE forecast SET as_of = $now WHERE as_of = $then", {"now": NOW, "then": AS_OF})
    assert silent() == {"mf-01": True, "mf-02": True, "kr-01": True}


@pytest.mark.parametrize(
    ("site", "count"), [pytest.param(None, 24, id="all"), pytest.param("kiln-row", 0, id="a silent site")]
)
def test_reports_of_the_last_day_are_counted(cursor, site, count):
    assert queries.reports_since(cursor, site, NOW - timedelta(days=1), NOW) == count


def test_voltage_history_keeps_the_dip_when_it_thins(cursor, mill, admit):
    start = NOW - timedelta(days=40)
    seconds = [start.timestamp() + 60 * i + 1 for i in range(20_000)]
    admit(*(reading("mf-02", t, 3.6, 1, received_at=NOW.timestamp()) for t in seconds))
    admit(reading("mf-02", DIP_AT.timestamp(), 2.345, 1, received_at=NOW.timestamp()))
    points = queries.voltage_history(cursor, "mf-02", start, NOW)
    assert len(points) <= queries.POINTS_MAX < len(seconds)
    assert points["observed_at"].is_monotonic_increasing
    lowest = points.loc[points["storage_v"].idxmin()]
    assert (lowest["observed_at"], lowest["storage_v"]) == (DIP_AT, 2.345)


def test_voltage_history_of_a_few_reports_is_all_of_them(cursor):
    assert len(queries.voltage_history(cursor, "mf-01", NOW - timedelta(days=7), NOW)) == 7 * 24


def test_ledger_mean_looks_back_beyond_the_days_shown(cursor):
    days = queries.ledger_days(cursor, "mf-01", date(2026, 2, 10))  # 3.2 J a day from here on, 5 J before
    assert days["day"].iloc[0] == date(2026, 2, 10)
    assert days["net_harvest_w"].iloc[0] == pytest.approx(3.2 / 86400)
    assert days["mean_28d_w"].iloc[0] == pytest.approx((27 * 5.0 + 3.2) / 28 / 86400)
    assert days["mean_28d_w"].iloc[-2] == pytest.approx((1 * 5.0 + 27 * 3.2) / 28 / 86400)
    assert days["mean_28d_w"].iloc[-1] == pytest.approx(3.2 / 86400)


def test_ledger_mean_is_marked_a_lower_bound_for_28_days_after_a_day_at_full(cursor):
    days = queries.ledger_days(cursor, "mf-01", date(2026, 1, 1)).set_index("day")["mean_is_lower_bound"]
    assert not days[date(2026, 2, 19)]
    assert days[date(2026, 2, 20)]  # the day with an hour at full
    assert days[date(2026, 3, 9)]


def test_node_now_is_the_last_report_and_the_latest_analysis(cursor):
    now = queries.node_now(cursor, "mf-01")
    assert (now["storage_v"], now["boot"], now["wakes"]) == (3.5, 3, 9000)
    assert (now["days_p50"], now["days_p90"], now["verdict"]) == (31.0, None, "watch")
    assert (now["visit_by_days"], now["wake_interval_s"]) == (12.0, 2100.4)
    assert now["wakes_per_day"] == pytest.approx(48.0)  # of each day of the ledger


def test_node_now_of_an_unknown_node_is_an_error(cursor):
    with pytest.raises(LookupError, match="no node zz-99"):
        queries.node_now(cursor, "zz-99")


def test_findings_are_those_of_the_latest_analysis_the_surest_first(cursor):
    assert [f["finding"] for f in queries.node_findings(cursor, "mf-01")] == ["harvest-short", "capacity-fade"]


def test_a_finding_of_a_whole_site_is_told_with_its_site_while_the_latest_analysis_names_it(mill, cursor):
    table_rows(mill, "findings", [
        found(None, "site-wide", site="mill-floor"), found(None, "site-wide", as_of=EARLIER, site="kiln-row"),
    ])  # fmt: skip
    assert [f["site"] for f in queries.site_findings(cursor)] == ["mill-floor"]
    assert len(queries.site_findings(cursor, "mill-floor")) == 1
    assert queries.site_findings(cursor, "kiln-row") == []


def test_the_end_of_life_is_that_of_the_latest_analysis_by_criterion(mill, cursor):
    row = {"node_id": "mf-01", "by_p10": date(2026, 9, 1), "by_p50": date(2027, 3, 1), "by_p90": None}
    table_rows(mill, "end_of_life", [
        row | {"criterion": "capacity", "as_of": AS_OF}, row | {"criterion": "resistance", "as_of": EARLIER},
    ])  # fmt: skip
    found_ends = queries.end_of_life(cursor, "mf-01")
    assert list(found_ends) == ["capacity"]
    assert (found_ends["capacity"]["by_p10"], found_ends["capacity"]["by_p90"]) == (date(2026, 9, 1), None)
    assert queries.end_of_life(cursor, "kr-01") == {}


def test_a_message_published_now_heads_the_recent_reports_whatever_its_own_clock_says(cursor, admit):
    old = datetime(2026, 2, 1, 0, 0, 30, tzinfo=UTC).timestamp()
    admit(reading("mf-01", old, 4.321, 5, received_at=NOW.timestamp()))
    recent = queries.recent_reports(cursor, "mf-01")
    assert len(recent) == queries.RECENT_REPORTS
    assert (recent[0]["storage_v"], recent[0]["temp_c"]) == (4.321, None)


def test_stamps_change_with_what_they_stand_for_and_not_otherwise(mill, cursor, admit):
    before, node_before = queries.stamp(cursor), queries.node_stamp(cursor, "mf-01")
    assert queries.stamp(cursor) == before
    admit(reading("kr-01", NOW.timestamp(), 3.0, 71))
    after = queries.stamp(cursor)
    assert after.reports == before.reports + 1
    assert after.analysis == before.analysis
    assert queries.node_stamp(cursor, "mf-01") == node_before
    admit(reading("mf-01", NOW.timestamp(), 3.0, 9001))
    assert queries.node_stamp(cursor, "mf-01") != node_before
    with mill.write() as writing:
        writing.execute("UPDATE alarms SET cleared_at = $at WHERE kind = 'depletion'", {"at": NOW})
    assert queries.stamp(cursor).analysis != before.analysis


def test_usable_share_goes_by_the_nodes_own_full_voltage(mill):
    # Closed form E = C V^2 / 2, of a node that is full at 4.9 V: (3.5^2 - 2.2^2) / (4.9^2 - 2.2^2).
    with mill.write() as cursor:
        cursor.execute("UPDATE prospects SET full_v = 4.9 WHERE node_id = 'mf-01'")
    with mill.cursor() as cursor:
        row = queries.fleet_rows(cursor, mill.fleet().budgets, NOW).set_index("node_id").loc["mf-01"]
    assert row["usable_share"] == pytest.approx(7.41 / 19.17, rel=1e-4)

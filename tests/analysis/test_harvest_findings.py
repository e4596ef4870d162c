"""Falls of harvest, and what the nodes of a site show together, are found, dated and told apart."""

import re
from datetime import date, timedelta

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from findings_parts import DAYS, FIRST, fall, names, node

from analysis.facts import Finding
from analysis.findings import find
from analysis.harvest_findings import courses_of
from analysis.site_findings import in_common, site_wide
from fixtures.mill import FOLDER
from ingest.budget import parse_budget


def test_a_fall_of_harvest_is_dated_and_measured():
    one = node()
    (found,) = find([one._replace(harvest_w=fall(one.harvest_w, 120, 0.5))])
    assert found.finding == "harvest-short"
    assert abs((found.since - (FIRST + timedelta(days=120))).days) <= 3
    assert "50%" in found.evidence or "49%" in found.evidence or "51%" in found.evidence
    assert found.probability > 0.9


def test_a_fall_tells_by_the_pace_of_days_that_become_full_early_all_the_same():
    one, day = node(), np.arange(DAYS)
    bound = (day < 120) & (day % 4 > 0)
    usual = np.where(bound, 0.4, np.where(day < 120, 0.8, 0.75)) * one.harvest_w  # bounds, then only poor days
    full = one._replace(harvest_w=usual, harvest_bound=bound, harvest_lost=np.where(bound, 0.92, 0.2))
    assert find([full]) == []
    (found,) = find([full._replace(harvest_pace=np.where(bound, 12.0, 1.0))])
    assert found.finding == "harvest-short"
    assert abs((found.since - (FIRST + timedelta(days=120))).days) <= 4  # every fourth day is seen whole
    assert find([full._replace(harvest_pace=np.where(bound, 3.0, 1.0))]) == []  # the hour of full is not seen so well


def test_what_a_site_shares_is_told_by_its_nodes_that_are_full_too():
    day = np.arange(DAYS)
    bound, spell = (day < 120) & (day % 10 > 0), np.where(day < 120, 1.0, 0.3)
    members = [node(f"mf-{i}") for i in range(6)]
    common = in_common([one._replace(harvest_w=one.harvest_w * spell, harvest_bound=bound) for one in members])
    assert 0.2 < np.median(common.others[:, 120:]) < 0.4  # by the days that are no bounds alone, 1


def test_what_a_few_nodes_share_is_told_to_each_by_the_others():
    whole = [node(f"mf-{i}") for i in range(6)]
    low = [one._replace(harvest_w=fall(one.harvest_w, 120, 0.5)) for one in whole[:3]]
    common = in_common(low + whole[3:])
    fallen, sound = np.nanmedian(common.others[:, 120:], axis=1)[[0, 5]]
    assert fallen > sound + 0.15  # to one that has fallen three of five are as ever, to one that has not two


def test_a_fall_that_another_mounting_of_the_panel_explains_is_none():
    one = node()
    short = one._replace(harvest_w=fall(one.harvest_w, 120, 0.65))
    assert names(find([short])) == {"harvest-short"}
    assert find([short._replace(harvest_season_sd=np.where(np.arange(DAYS) < 120, 0.3, 0.0))]) == []


def test_a_harvest_that_never_met_the_budget_is_found_unless_days_at_full_may_have():
    one = node()
    poor = one._replace(harvest_w=0.2 * one.harvest_w)
    (found,) = find([poor])
    assert (found.finding, found.since) == ("harvest-short", one.commissioned)
    # On one day of four it stood at full: these may have met it, and then the mean is 0.4 of the budget.
    assert find([poor._replace(harvest_bound=np.arange(DAYS) % 4 == 0)]) == []
    assert find([poor._replace(harvest_lost=np.where(np.arange(DAYS) % 4 == 0, 0.3, 0.0))]) == []
    assert names(find([poor._replace(harvest_bound=np.arange(DAYS) % 30 == 0)])) == {"harvest-short"}


def test_a_fall_that_has_passed_is_not_a_finding():
    one = node()
    bump = one.harvest_w * np.where((np.arange(DAYS) > 60) & (np.arange(DAYS) < 110), 0.4, 1.0)
    assert find([one._replace(harvest_w=bump)]) == []


def test_a_fall_of_a_node_that_is_mostly_full_lasts_in_spite_of_one_good_day():
    # Two days of three are at full, of which nothing is known but that they brought in what was spent.
    one = node()
    bound = np.arange(DAYS) % 3 > 0
    harvest = fall(one.harvest_w, 100, 0.6) * np.where(bound, 0.3, 1.0)
    harvest[160] = 1.4 * 70e-6  # at full early, and more than it ever was
    (found,) = find([one._replace(harvest_w=harvest, harvest_bound=bound)])
    assert found.finding == "harvest-short"
    assert "fell by at least" in found.evidence
    mended = np.where(np.arange(DAYS) < DAYS - 12, harvest, 65e-6)
    assert find([one._replace(harvest_w=mended, harvest_bound=bound | (np.arange(DAYS) >= DAYS - 12))]) == []


def test_a_fall_that_began_while_a_node_was_full_has_no_day_but_a_span():
    day, one = np.arange(DAYS), node()
    full = (day >= 40) & (day < 150) & (day % 12 > 0)  # a summer, of which only dull days show
    harvest = fall(one.harvest_w, 120, 0.5) * np.where(full, 0.4, np.where((day >= 40) & (day < 120), 0.6, 1.0))
    (found,) = find([one._replace(harvest_w=harvest, harvest_bound=full)])
    assert found.finding == "harvest-short"
    early, late = (
        date.fromisoformat(word) for word in re.findall(r"some time from (\S+) to (\S+),", found.evidence)[0]
    )
    assert FIRST + timedelta(days=40) <= early < found.since < late
    assert FIRST + timedelta(days=120) < late < FIRST + timedelta(days=155)


def test_a_node_that_was_full_on_every_day_but_took_in_much_on_some_is_known_to_have_fallen():
    # Full on every day before, of which each Monday tells that it brought in at least as much as comes on a good day.
    one = node()
    day = np.arange(DAYS)
    before = day < 120
    harvest = np.where(before, np.where(day % 7 == 0, 1.0, 0.4), 0.5) * one.harvest_w
    few = before & (day % 10 == 9)  # poor days are the others that are known
    harvest = np.where(few, 0.6 * one.harvest_w, harvest)
    (found,) = find([one._replace(harvest_w=harvest, harvest_bound=before & ~few)])
    assert found.finding == "harvest-short"
    assert abs((found.since - (FIRST + timedelta(days=120))).days) <= 7


def test_what_the_whole_site_shows_is_one_finding_of_the_site():
    fleet = [node(f"mf-{i:02d}") for i in range(12)]
    found = find([one._replace(harvest_w=fall(one.harvest_w, DAYS - 4, 0.1)) for one in fleet])
    assert names(found) == {"site-wide"}
    assert found[0].node_id is None
    assert "12 nodes at mill-floor" in found[0].evidence


@pytest.mark.parametrize(("nodes", "days"), [(12, 2), (4, 4)])
def test_a_young_stop_and_one_of_few_nodes_is_one_finding_of_the_site(nodes, days):
    fleet = [node(f"mf-{i:02d}") for i in range(nodes)]
    fleet = [one._replace(harvest_w=fall(one.harvest_w, DAYS - days, 0.1)) for one in fleet]
    fleet[0] = fleet[0]._replace(silent_for_s=50_000.0, usable_share=0.005)  # what the stop has emptied
    (found,) = find(fleet)
    assert (found.node_id, found.finding, found.since) == (None, "site-wide", FIRST + timedelta(days=DAYS - days))
    assert f"{nodes} of {nodes} nodes" in found.evidence


@pytest.mark.parametrize(("apart", "expected"), [(2, {"site-wide"}), (15, {"harvest-short"})])
def test_falls_that_begin_within_two_weeks_on_most_nodes_of_a_site_are_one_finding(apart, expected):
    # When a noisy harvest fell is known to a week or two: five of seven nodes, dated some days apart.
    nodes = [node(f"mf-{i}") for i in range(7)]
    fallen = [
        Finding(one.node_id, "harvest-short", FIRST + timedelta(days=100 + apart * i), 0.9, "", one.site)
        for i, one in enumerate(nodes[:5])
    ]
    found = site_wide(nodes, fallen)
    assert names(found) == expected
    assert found[0].since == FIRST + timedelta(days=100)


def test_sources_of_a_site_that_stop_together_are_one_finding():
    kiln = parse_budget((FOLDER / "budgets" / "kiln-thermal.toml").read_text(), "kiln-thermal.toml")
    kinds = [conveyor_budget(), kiln]
    fleet = [node(f"{b.harvest.source}-{i}", budget=b) for b in kinds for i in range(6)]
    (found,) = find([one._replace(harvest_w=fall(one.harvest_w, DAYS - 5, 0.1)) for one in fleet])
    assert found.finding == "site-wide"
    assert "vibration" in found.evidence
    assert "thermal" in found.evidence
    assert found.evidence.count("rather than many at the nodes") == 1


def test_days_on_which_a_site_all_but_stood_still_tell_of_no_node():
    """By hand: at 0.4 of what its site shares a node has fallen; a day with a twelfth of the usual tells nothing."""
    one, day = node(), np.arange(DAYS)
    common = np.where(day < 100, 1.0, np.where(day < 150, 0.5, 0.08))[None]
    (course,) = courses_of([one], one.harvest_w[None] * np.where(day < 100, 1.0, 0.2), common)
    np.testing.assert_allclose(course.harvest[:150], one.harvest_w[:150] * np.where(day[:150] < 100, 1.0, 0.4))
    assert np.isnan(course.harvest[150:]).all()


def test_a_node_that_is_low_alone_has_a_cause_of_its_own():
    fleet = [node(f"mf-{i:02d}") for i in range(12)]
    fleet[3] = fleet[3]._replace(harvest_w=fall(fleet[3].harvest_w, DAYS - 7, 0.1))
    (found,) = find(fleet)
    assert (found.node_id, found.finding) == ("mf-03", "harvest-short")


def test_a_stop_that_is_over_is_no_lasting_fall():
    # Since then the storage has been full: the days of the stop are the last whose harvest is known.
    one = node()
    day = np.arange(DAYS)
    stopped = (day >= 150) & (day < 160)
    seen = (day % 4 == 0) & (day < 150) | stopped
    harvest = np.where(stopped, 0.1, np.where(seen, 1.0, 0.6)) * one.harvest_w
    assert find([one._replace(harvest_w=harvest, harvest_bound=~seen)]) == []


def test_a_gateway_that_is_down_is_one_finding_of_the_site():
    found = find([node(f"mf-{i:02d}", silent_for_s=50_000.0) for i in range(12)])
    assert names(found) == {"site-wide"}
    assert "silent-charged" in found[0].evidence


def test_who_fell_silent_before_the_gateway_is_not_of_its_outage():
    nodes = [node(f"mf-{i:02d}", silent_for_s=50_000.0) for i in range(8)]
    nodes[0] = nodes[0]._replace(heard=nodes[0].heard - timedelta(days=3), silent_for_s=4 * 86_400.0)
    own, outage = sorted(find(nodes), key=lambda finding: finding.since)
    assert (own.node_id, own.finding) == ("mf-00", "silent-charged")
    assert (outage.finding, outage.since) == ("site-wide", nodes[1].heard)
    assert outage.evidence.startswith("7 of 8 nodes")


def test_a_fall_at_a_source_that_seldom_rests_names_what_it_is_not_told_from():
    kiln = parse_budget((FOLDER / "budgets" / "kiln-thermal.toml").read_text(), "kiln-thermal.toml")
    one = node(budget=kiln)
    (found,) = find([one._replace(harvest_w=fall(one.harvest_w * kiln.harvest.mean_power / 70e-6, 120, 0.4))])
    assert "(drain-over, leakage-rise) is not separable" in found.evidence
    one = node()
    (found,) = find([one._replace(harvest_w=fall(one.harvest_w, 120, 0.4))])
    assert "not separable" not in found.evidence


def test_a_sunny_harvest_must_fall_farther_than_the_season_leaves_in_doubt():
    yard = parse_budget((FOLDER / "budgets" / "yard-light.toml").read_text(), "yard-light.toml")
    one = node()
    fallen = [one._replace(harvest_w=fall(one.harvest_w, 90, left)) for left in (0.6, 0.75)]
    (indoors,) = find([fallen[0]])
    sunny = [x._replace(budget=yard, harvest_w=x.harvest_w * yard.harvest.mean_power / 70e-6) for x in fallen]
    (outdoors,) = find([sunny[0]])
    assert (indoors.finding, outdoors.finding) == ("harvest-short", "harvest-short")
    assert outdoors.probability < indoors.probability
    assert find([sunny[1]]) == []

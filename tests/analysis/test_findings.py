"""Findings name the cause that is there, and none that is not."""

from datetime import timedelta

import numpy as np
import pytest
from analysis_parts import conveyor_budget
from findings_parts import DAYS, FIRST, NAN, SOUND, fall, names, node

from analysis.facts import Rise
from analysis.findings import find
from analysis.run_health import curve_doubt
from fixtures.mill import FOLDER
from ingest.budget import parse_budget


def test_a_sound_fleet_has_none():
    assert find([node(f"mf-{i:02d}") for i in range(20)]) == []


@pytest.mark.parametrize(("share", "cause"), [(0.6, "silent-charged"), (0.005, "dark")])
def test_energy_in_hand_tells_a_dead_radio_from_a_dark_node(share, cause):
    (found,) = find([node(silent_for_s=90_000.0, usable_share=share, usable_j=10 * share)])
    assert found.finding == cause
    assert f"{share:.0%}" in found.evidence


@pytest.mark.parametrize(("hours", "cause"), [(0.25, "dark"), (3.0, "silent-charged")])
def test_a_small_storage_that_would_not_have_lasted_to_its_next_report_is_dark(hours, cause):
    one = node()  # half full at its last report, which is due every half hour
    in_hand = one.load_w * hours * 3600
    (found,) = find([one._replace(silent_for_s=90_000.0, usable_share=0.5, usable_j=in_hand)])
    assert found.finding == cause
    assert f"enough for {hours:.1f} h" in found.evidence
    (found,) = find([one._replace(silent_for_s=90_000.0, usable_share=0.5, usable_j=in_hand, load_w=0.0)])
    assert found.evidence.endswith("in hand at the last report: radio, gateway or node fault, not energy")


def test_more_wakes_than_planned():
    one = node()
    (found,) = find([one._replace(wakes=one.wakes * np.where(np.arange(DAYS) < 150, 1, 2.2))])
    assert found.finding == "wakes-over"
    assert "48 planned" in found.evidence
    assert abs((found.since - (FIRST + timedelta(days=150))).days) <= 2


def test_wakes_where_none_are_planned():
    one = node()
    idle = one.budget.model_copy(update={"load": one.budget.load.model_copy(update={"wakes_per_day": 0.0})})
    (found,) = find([one._replace(budget=idle)])
    assert (found.finding, found.evidence[-21:]) == ("wakes-over", " against none planned")
    assert find([one._replace(budget=idle, wakes=0.01 * one.wakes)]) == []


def test_more_wakes_stay_a_finding_over_a_closed_week_and_go_when_they_have_gone():
    one, day = node(), np.arange(DAYS)
    more = one.wakes * np.where(day < 120, 1, 1.7)
    (found,) = find([one._replace(wakes=np.where(day >= DAYS - 7, 0.2, 1.0) * more)])
    assert found.finding == "wakes-over"
    assert find([one._replace(wakes=np.where(day >= DAYS - 21, 1 / 1.7, 1.0) * more)]) == []


def test_a_fortnight_of_much_work_is_no_finding_where_the_weeks_swing_so_nor_is_a_week_ever():
    one, day = node(), np.arange(DAYS)
    assert find([one._replace(wakes=one.wakes * np.where(day >= DAYS - 7, 1.7, 1.0))]) == []
    busy = np.where(day >= DAYS - 14, 1.7, 1.0)
    assert names(find([one._replace(wakes=one.wakes * busy)])) == {"wakes-over"}
    swings = 1 + 0.5 * np.sin(2 * np.pi * (day // 7) / 5)
    assert find([one._replace(wakes=one.wakes * np.where(day >= DAYS - 7, 1.7, swings))]) == []
    assert names(find([one._replace(wakes=one.wakes * np.where(day >= DAYS - 28, 3.0, swings))])) == {"wakes-over"}


def test_wakes_that_grow_slowly_are_dated_to_when_they_began():
    one, day = node(), np.arange(DAYS)
    (found,) = find([one._replace(wakes=one.wakes * (1 + np.clip((day - 60) / 100, 0, 1.2)))])
    assert found.finding == "wakes-over"
    assert abs((found.since - (FIRST + timedelta(days=60))).days) <= 15


def test_drain_and_leakage_that_cannot_be_told_apart_name_each_other():
    risen = Rise(3.0, 0.3, FIRST)
    (found,) = find([node(sleep=risen, leak_odds=-2.0)])
    assert found.finding == "drain-over"
    assert "leakage (leakage-rise) is not separable" in found.evidence
    (found,) = find([node(sleep=risen, leak_odds=-9.0)])
    assert "not separable" not in found.evidence
    (found,) = find([node(leakage=risen, leak_odds=10.0)])
    assert "a costlier wake or sleep (drain-over) is not separable" in found.evidence
    (found,) = find([node(leakage=risen, leak_odds=19.0)])
    assert "not separable" not in found.evidence
    both = find([node(sleep=risen, leakage=Rise(6.0, 1.0, FIRST), leak_odds=2.0)])
    assert [found.finding for found in both] == ["drain-over", "leakage-rise"]
    assert all("not separable" in found.evidence for found in both)  # two causes at a time are rare


def test_a_wake_that_costs_more_is_an_overdrawn_load_and_says_what_it_is_not_told_from():
    (found,) = find([node(wake=Rise(1.5, 0.1, FIRST))])
    # By hand: Phi(ln(1.5 / 1.15) / (0.1 / 1.5)) = Phi(3.99).
    assert (found.finding, found.probability) == ("drain-over", pytest.approx(0.99997, abs=1e-5))
    assert "the energy of a wake is 1.5 times what it was" in found.evidence
    assert "not separable" not in found.evidence
    (found,) = find([node(wake=Rise(1.5, 0.1, FIRST), wake_tie=0.7)])
    assert "(capacity-fade) is not separable" in found.evidence
    (found,) = find([node(health=SOUND._replace(capacity_ratio=0.85), wake_tie=0.7)])
    assert found.finding == "capacity-fade"
    assert "(drain-over) is not separable" in found.evidence


def test_a_fade_that_only_wakes_tell_of_may_be_a_costlier_wake():
    untold = Rise(NAN, NAN, None)
    health = SOUND._replace(capacity_ratio=0.85, leakage_ratio=NAN, leakage_sd=NAN)
    (found,) = find([node(health=health, sleep=untold, leakage=untold, wake=untold, load=untold)])
    assert found.finding == "capacity-fade"
    assert "each wake costs more voltage; " in found.evidence  # rest it has none
    assert "(drain-over) is not separable from it while the harvest never rests: a meter" in found.evidence


def test_a_fade_is_not_told_from_a_costlier_load_where_wakes_and_sleep_are_not_told_apart():
    (found,) = find([node(health=SOUND._replace(capacity_ratio=0.85), blur=0.95)])
    assert found.finding == "capacity-fade"
    assert "(drain-over) is not separable" in found.evidence


def test_a_loss_of_capacity_that_came_in_weeks_and_has_stood_since_may_be_another_cause():
    # Of linear wear from day 60 on, nine tenths have stood for an eighth of the time that they took (by hand).
    (found,) = find([node(health=SOUND._replace(capacity_ratio=0.85), stood=0.125)])
    assert "not separable" not in found.evidence
    (found,) = find([node(health=SOUND._replace(capacity_ratio=0.85), stood=2.0)])
    assert found.finding == "capacity-fade"
    assert "(leakage-rise) or a wake or sleep costlier by 18% (drain-over) is not separable" in found.evidence


def test_wakes_and_sleep_that_only_together_are_sure_are_one_finding():
    (found,) = find([node(wake=Rise(1.2, 0.2, None), sleep=Rise(1.6, 0.6, None), load=Rise(1.3, 0.05, None))])
    assert found.finding == "drain-over"
    assert "which of the two does not show" in found.evidence
    assert "capacity-fade" not in found.evidence
    # Nor does a smaller storage look otherwise, where the evidence has told nothing of one against the other.
    (found,) = find([node(load=Rise(1.3, 0.05, None), blur=0.95)])
    assert "(capacity-fade)" in found.evidence
    (found,) = find([node(sleep=Rise(2.0, 0.1, None), load=Rise(1.3, 0.05, None), blur=0.95)])
    assert "sleep power is" in found.evidence
    assert "(capacity-fade)" in found.evidence


def test_a_wake_is_not_named_while_a_sleep_of_which_nothing_is_known_may_be_it():
    wake, both = Rise(2.8, 0.4, FIRST), Rise(2.7, 0.2, FIRST)
    (found,) = find([node(wake=wake, sleep=Rise(2.0, 1.7, FIRST), load=both, blur=0.95)])
    assert "what wakes and sleep cost together is 2.7 times" in found.evidence
    assert "the energy of a wake" not in found.evidence
    (found,) = find([node(wake=wake, sleep=Rise(1.0, 0.1, FIRST), load=both, blur=0.95)])
    assert "the energy of a wake is 2.8 times" in found.evidence


def test_a_storage_that_empties_faster_for_whichever_reason_is_found_with_all_of_them():
    rest = Rise(1.3, 0.04, FIRST)
    (found,) = find([node(rest=rest, wake=Rise(1.15, 0.1, FIRST))])
    assert found.finding == "drain-over"
    assert "(capacity-fade) or a rise of leakage (leakage-rise) is not separable" in found.evidence
    (found,) = find([node(rest=rest, leakage=Rise(1.6, 0.4, None))])
    assert found.finding == "leakage-rise"
    assert find([node(rest=Rise(1.08, 0.04, FIRST))]) == []  # as much as parts lose
    kiln = parse_budget((FOLDER / "budgets" / "kiln-thermal.toml").read_text(), "kiln-thermal.toml")
    idle = fall(np.full(DAYS, kiln.harvest.mean_power), 120, 0.0)  # and nothing of it is left in hours taken for rest
    found = find([node(rest=rest, budget=kiln, load_w=0.5 * kiln.harvest.mean_power, harvest_w=idle)])
    assert "drain-over" not in names(found)


def test_sleep_that_rises_while_nothing_empties_the_storage_faster_has_not_risen():
    risen = Rise(3.0, 0.3, FIRST)
    assert names(find([node(sleep=risen, rest=Rise(1.3, 0.1, None))])) == {"drain-over"}
    assert find([node(sleep=risen, leakage=Rise(0.5, 0.1, None), rest=Rise(1.0, 0.1, None))]) == []
    (found,) = find([node(sleep=risen, rest=Rise(1.2, 0.1, None))])
    # By hand: Phi(ln(1.2 / 1.02) / (0.1 / 1.2)) = Phi(1.950), no surer than that anything has risen.
    assert found.probability == pytest.approx(0.9744, abs=1e-3)


def test_two_causes_that_are_both_likely_name_each_other():
    (found,) = find([node(leakage=Rise(1.6, 0.4, None), health=SOUND._replace(capacity_ratio=0.85))])
    assert found.finding == "capacity-fade"
    assert "leakage-rise" in found.evidence


def test_harvest_that_fell_takes_with_it_what_passed_for_rest():
    kiln = parse_budget((FOLDER / "budgets" / "kiln-thermal.toml").read_text(), "kiln-thermal.toml")
    one = node(budget=kiln, sleep=Rise(2.6, 0.3, FIRST))
    harvest = one.harvest_w * kiln.harvest.mean_power / 70e-6
    assert names(find([one._replace(harvest_w=harvest)])) == {"drain-over"}
    assert names(find([one._replace(harvest_w=fall(harvest, 120, 0.0))])) == {"harvest-short"}


def test_a_fade_is_as_sure_as_leakage_is_steady():
    faded = SOUND._replace(capacity_ratio=0.9)
    (found,) = find([node(health=faded, fade=((0.97, 0.9, 0.02), (0.03, 0.99, 0.05)))])
    # By hand: 0.97 * Phi(0.06 / 0.02) + 0.03 * Phi(-0.03 / 0.05) = 0.969 + 0.008.
    assert found.probability == pytest.approx(0.977, abs=0.002)
    assert "leakage-rise" in found.evidence
    (found,) = find([node(health=faded, fade=((0.7, 0.9, 0.02), (0.3, 0.99, 0.05)))])
    assert "leakage-rise" in found.evidence  # 0.78 alone; one of the two is sure
    assert found.probability == pytest.approx(1.0, abs=0.002)
    assert find([node(health=faded, fade=((0.3, 0.9, 0.02), (0.7, 0.99, 0.05)))]) == []
    (found,) = find([node(health=faded, fade=((0.9, 0.9, 0.02), (0.1, 0.91, 0.02)))])
    assert "leakage-rise" not in found.evidence


def test_a_fall_of_harvest_feigns_no_fade():
    # Harvest left in quiet hours falls with the rest: less than 3 % of the mean, which here is that share of the load.
    health = SOUND._replace(capacity_ratio=0.925, capacity_sd=0.01)
    fallen = np.concatenate([np.full(120, 70e-6), np.full(60, 20e-6)]) * (1 + 0.05 * np.sin(np.arange(180.0)))
    assert "capacity-fade" in names(find([node(health=health)]))
    assert "capacity-fade" not in names(find([node(health=health, harvest_w=fallen)]))


def test_storage_that_wears():
    assert names(find([node(health=SOUND._replace(capacity_ratio=0.85))])) == {"capacity-fade"}
    assert names(find([node(health=SOUND._replace(esr_ratio=1.8))])) == {"resistance-rise"}
    assert names(find([node(leakage=Rise(6.0, 1.0, None))])) == {"leakage-rise"}
    assert find([node(health=SOUND._replace(capacity_ratio=0.93, capacity_sd=0.06))]) == []


def test_a_step_that_is_mostly_the_wakes_own_charge_does_not_tell_resistance_from_capacity():
    risen = SOUND._replace(esr_ratio=1.8)
    told = [find([node(health=risen, fall=fall)])[0].evidence for fall in (0.3, 5.0)]
    assert ["(capacity-fade) is not separable" in evidence for evidence in told] == [False, True]


def test_of_a_leak_and_a_costlier_sleep_the_one_that_expects_the_evidence_is_found():
    # The same evidence makes both look risen where they are hardly told apart; one of them is enough to explain it.
    both = node(sleep=Rise(5.0, 0.6, None), leakage=Rise(8.0, 2.0, None))
    found = [find([both._replace(leak_odds=odds)]) for odds in (-20.0, -2.0, 2.0, 20.0)]
    assert [names(one) for one in found] == [
        {"drain-over"}, {"drain-over"}, {"drain-over", "leakage-rise"}, {"leakage-rise"}
    ]  # fmt: skip
    assert ["not separable" in one[0].evidence for one in found] == [False, True, True, False]


def test_what_parts_lose_without_a_cause_is_no_finding():
    assert find([node(health=SOUND._replace(capacity_ratio=0.95, capacity_sd=0.015))]) == []


def test_a_step_that_grows_may_be_of_the_current():
    # Ohm's law: a step is resistance times current, and radio power makes both the step and the wake's energy grow.
    risen, cell = (
        SOUND._replace(esr_ratio=1.8),
        parse_budget((FOLDER / "budgets" / "yard-battery.toml").read_text(), "x"),
    )
    cases = [node(health=risen), node(health=risen, wake=Rise(1.7, 0.1, None)), node(health=risen, budget=cell)]
    cases.append(node(health=SOUND._replace(esr_ratio=4.0), wake=Rise(1.7, 0.1, None), budget=cell))
    evidence = [{f.finding: f.evidence for f in find([one])}["resistance-rise"] for one in cases]
    assert ["(drain-over) is not separable" in told for told in evidence] == [False, True, True, False]


def test_where_capacity_is_not_known_the_wakes_own_charge_may_have_grown():
    unknown = SOUND._replace(esr_ratio=1.4, capacity_ratio=NAN, capacity_sd=NAN)
    told = [find([node(health=unknown, fall=fall)])[0].evidence for fall in (0.1, 0.5)]
    assert ["(capacity-fade) is not separable" in evidence for evidence in told] == [False, True]


def test_fade_and_leakage_that_move_together_name_each_other():
    (found,) = find([node(health=SOUND._replace(capacity_ratio=0.85), fade_tie=-0.7)])
    assert "leakage-rise" in found.evidence
    (found,) = find([node(leakage=Rise(6.0, 1.0, None), fade_tie=0.7)])
    assert "capacity-fade" in found.evidence


def test_what_a_primary_cells_curve_may_feign_is_no_drain():
    """A cost 1.7 times as high is sure of a cell that is charged; along a primary cell's life its slope may be so."""
    primary = parse_budget((FOLDER / "budgets" / "floor-primary.toml").read_text(), "floor-primary")
    for budget, expected in ((conveyor_budget(), {"drain-over"}), (primary, set())):
        risen = Rise(1.7, float(np.hypot(0.1, 1.7 * curve_doubt(budget, np.empty(0), np.empty(0, dtype=bool)))), None)
        assert names(find([node(load=risen, wake=risen, rest=risen)])) == expected


def test_what_a_cells_curve_may_feign_between_the_points_of_its_table():
    """By hand: between 3.52 and 3.63 V the table rises by 0.733 V a unit of charge, above it by 0.4; halfway of either
    the smooth curve is within a few per cent of that, and at 3.63 V at their harmonic mean, 0.53 (weighed by length).
    """
    table = ((0.0, 3.0), (0.04, 3.35), (0.1, 3.52), (0.25, 3.63), (0.5, 3.73), (0.7, 3.88), (0.85, 4.03), (1.0, 4.2))
    yard = conveyor_budget()
    cell = {"ocv": table, "capacity": 108.0, "technology": "lithium-ion", "full_voltage": 4.2, "cutoff_voltage": 3.3}
    budget = yard.model_copy(update={"storage": yard.storage.model_copy(update=cell)})
    summer, none = np.full(60, 3.64), np.zeros(180, dtype=bool)
    assert curve_doubt(budget, np.full(120, 3.64), none[:120]) == 0.0
    assert curve_doubt(yard, np.concatenate([summer, summer - 0.02]), none[:120]) == 0.0
    doubt = curve_doubt(budget, np.concatenate([summer, summer - 0.02]), none[:120])
    assert doubt == pytest.approx(np.log(0.733 / 0.4) / 2, abs=0.08)
    # What changed in winter was told in winter, though the next summer the cell stands where it stood at first.
    round_a_year, winter = np.concatenate([summer, summer - 0.02, summer]), np.arange(180) >= 60
    assert curve_doubt(budget, round_a_year, none) == 0.0
    assert curve_doubt(budget, round_a_year, winter) == doubt
    risen = Rise(1.4, float(np.hypot(0.1, 1.4 * doubt)), None)
    assert names(find([node(load=risen, wake=risen, rest=risen)])) == set()

from datetime import UTC, datetime

import pytest

from dashboard import wording
from dashboard.wording import LINES

NBSP = "\u00a0"


def plain(text):
    return text.replace(NBSP, " ").replace("\u202f", " ")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        pytest.param(19.0614, "µW", "19.1 µW", id="three digits"),
        pytest.param(-2.861, "µW", "−2.86 µW", id="a minus, not a hyphen"),
        pytest.param(0.00661, "Ω", "0.00661 Ω", id="small"),
        pytest.param(275.0, "J", "275 J", id="whole"),
        pytest.param(61866.0, "", "61 866", id="thousands apart"),
        pytest.param(0.0, "J", "0.00 J", id="zero"),
        pytest.param(None, "J", "–", id="none"),
        pytest.param(float("nan"), "J", "–", id="not a number"),
    ],
)
def test_number_has_its_unit(value, unit, text):
    assert plain(wording.number(value, unit)) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        pytest.param(0.647, "65 %", id="rounded"),
        pytest.param(0.0, "0 %", id="none"),
        pytest.param(0.999, "100 %", id="nearly all"),
        pytest.param(1.0, "100 %", id="all"),
        pytest.param(-0.13, "−13 %", id="negative net harvest"),
        pytest.param(None, "–", id="none known"),
    ],
)
def test_percent_is_whole(share, text):
    assert plain(wording.percent(share)) == text


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        pytest.param(0.0, "< 1 %", id="never"),
        pytest.param(0.001, "< 1 %", id="not quite never"),
        pytest.param(0.005, "< 1 %", id="half of one"),
        pytest.param(0.64, "64 %", id="between"),
        pytest.param(0.999, "> 99 %", id="not quite always"),
        pytest.param(0.985, "98 %", id="below"),
        pytest.param(1.0, "> 99 %", id="always"),
        pytest.param(None, "–", id="not known"),
    ],
)
def test_no_chance_is_stated_as_certain(probability, text):
    assert plain(wording.chance(probability)) == text


def test_an_empty_quantile_is_past_the_horizon_and_never_a_number():
    assert wording.days(None) == wording.days(float("nan")) == "past the horizon"
    assert wording.days(None, forecast=False) == "no forecast yet"
    assert wording.day_range(None, None) == "past the horizon"
    assert plain(wording.day_range(12.3, None)) == "12 d to past the horizon"
    assert plain(wording.day_range(2.31, 46.0)) == "2.3 d to 46 d"
    assert plain(wording.days(0.014)) == "< 0.1 d"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        pytest.param(30.0, "just now", id="seconds"),
        pytest.param(-200.0, "just now", id="a node's clock ahead of ours"),
        pytest.param(420.0, "7 min ago", id="minutes"),
        pytest.param(7300.0, "2 h ago", id="hours"),
        pytest.param(432000.0, "5 d ago", id="days"),
        pytest.param(None, "never", id="never heard from"),
    ],
)
def test_age_is_in_the_largest_unit_that_fits(seconds, text):
    assert plain(wording.age(seconds)) == text


def test_moment_is_the_sites_clock_with_the_zone_named():
    # IANA time zone database: New York is five hours behind UTC in winter, four in summer.
    winter, summer = datetime(2026, 1, 1, 3, tzinfo=UTC), datetime(2026, 7, 1, 3, tzinfo=UTC)
    assert wording.moment(winter, "America/New_York") == "2025-12-31 22:00 America/New_York"
    assert wording.moment(summer, "America/New_York") == "2026-06-30 23:00 America/New_York"
    assert wording.moment(None, "UTC") == "–"


def test_an_estimate_shows_its_deviation_in_the_unit_of_its_line():
    assert plain(wording.plus_minus(34.6e-6, 3.46e-6, LINES["net_harvest_w"])) == "34.6 ± 3.5 µW"
    assert plain(wording.plus_minus(0.033, None, LINES["wake_energy_j"])) == "33.0 mJ"
    assert wording.plus_minus(None, None, LINES["esr_ohm"]) == "–"


TIED = "sleep power is 2.1 times what it was (sd 0.3); a rise of leakage (leakage-rise) is not separable"
FADED = (
    "leakage is 8.9 times what it was (sd 1.1); a loss of capacity (capacity-fade) is not separable from it: a visit"
)


def test_a_tie_names_both_causes():
    assert wording.cause("drain-over", TIED) == "draining faster than budgeted or storage leakage rising: not separable"
    assert wording.cause("drain-over", "sleep power is 4.6 times what it was") == "draining faster than budgeted"
    assert wording.cause("dark", None) == "dark"
    assert wording.cause("leakage-rise", FADED) == "storage leakage rising or storage capacity fading: not separable"
    assert wording.ties("low; what else is not separable") == ("another cause",)


def test_causes_are_one_line_and_a_tie_is_said_once():
    rows = [
        {"finding": "drain-over", "probability": 0.97, "evidence": TIED},
        {"finding": "leakage-rise", "probability": 0.95, "evidence": TIED},
        {"finding": "harvest-short", "probability": 0.91, "evidence": "harvest fell"},
    ]
    assert plain(wording.causes(rows)) == "drain over or leakage rise, not separable (97 %); harvest short (91 %)"
    assert wording.causes([]) == ""


@pytest.mark.parametrize(
    ("written", "text"),
    [
        pytest.param("balance -2.5 uW", "Balance -2.5 µW.", id="capital, sign and stop"),
        pytest.param("fell by 49% at 25 degC.", "Fell by 49 % at 25 °C.", id="one stop"),
        pytest.param("", "", id="nothing"),
        pytest.param(None, "", id="none"),
    ],
)
def test_a_sentence_of_the_analysis_is_set_as_the_pages_set_it(written, text):
    assert plain(wording.sentence(written)) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        pytest.param(45.0, "45 s", id="seconds"),
        pytest.param(1800.0, "1 800 s (30 min)", id="minutes"),
        pytest.param(25349.0, "25 349 s (7.04 h)", id="hours"),
        pytest.param(7 * 86400.0, "604 800 s (7 d)", id="days"),
    ],
)
def test_a_duration_is_exact_and_readable(seconds, text):
    assert plain(wording.duration(seconds)) == text


@pytest.mark.parametrize(
    ("share", "deviation", "text"),
    [
        pytest.param(0.6623, 0.0175, "66.2 ± 1.8 %", id="known well"),
        pytest.param(1.27, 0.19, "127 ± 19 %", id="known poorly"),
        pytest.param(-0.048, 0.062, "−4.8 ± 6.2 %", id="growing"),
        pytest.param(0.5, None, "50 %", id="without doubt stated"),
    ],
)
def test_a_share_shows_the_digits_that_its_deviation_carries(share, deviation, text):
    assert plain(wording.share_plus_minus(share, deviation)) == text


def test_the_cautions_of_a_visit_name_every_danger():
    for words in ("lock it out", "Hot surfaces", "Heights", "Charged storage", "Lithium", "local codes",
                  "Licensed practice", "qualified person", "nothing that protects people"):  # fmt: skip
        assert any(words in line for line in wording.VISIT_CAUTION), words

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from dashboard import figures
from dashboard.theme import DARK, LIGHT
from ingest.budget import parse_budget
from tests.conftest import CONVEYOR

STORAGE = parse_budget(CONVEYOR, "conveyor.toml").storage
ZONE = "America/New_York"
AS_OF = datetime(2026, 3, 1, 5, tzinfo=UTC)  # midnight in New York
SPAN = (AS_OF - timedelta(days=1), AS_OF + timedelta(days=2))
DAYS = (date(2026, 2, 28), date(2026, 3, 3))
SITES = {"mill-floor": "Mill floor", "yard": "Yard"}


def named(figure, name):
    found = [trace for trace in figure.data if trace.name == name]
    assert len(found) == 1, [trace.name for trace in figure.data]
    return found[0]


def titles(figure):
    return figure.layout.xaxis.title.text, figure.layout.yaxis.title.text


def notes(figure):
    return [annotation.text for annotation in figure.layout.annotations]


@pytest.fixture
def points():
    at = [AS_OF + timedelta(hours=h) for h in (0, 1, 2, 10, 11)]
    return pd.DataFrame({"observed_at": pd.Series(at), "storage_v": [3.0, 2.9, 2.8, 3.1, 3.2]})


@pytest.fixture
def days():
    return pd.DataFrame(
        {
            "day": [date(2026, 3, 1), date(2026, 3, 2)],
            "net_harvest_j": [5.0, -0.5], "wake_j": [2.0, 2.5], "sleep_j": [1.0, 1.0], "stored_change_j": [2.0, -4.0],
            "full_s": [7200.0, 0.0], "observed_s": [86400.0, 43200.0], "net_harvest_w": [5.0 / 86400, -0.5 / 43200],
            "mean_28d_w": [50e-6, 40e-6], "mean_is_lower_bound": [True, True],
        }
    )  # fmt: skip


@pytest.fixture
def path():
    rows = [(float(d), 0.0, 1.0, 5.0 - d / 20, 8.0, 9.0) for d in (0, 1, 30, 37, 100)]
    names = ["days_ahead", *(f"usable_p{q}_j" for q in ("05", "10", "50", "90", "95"))]
    return pd.DataFrame(rows, columns=names).assign(as_of=pd.Timestamp(AS_OF))


@pytest.fixture
def ratios():
    columns = ["node_id", "site", "budget", "line", "ratio", "tolerance", "separable", "lower_bound"]
    return pd.DataFrame(
        [
            ("mf-01", "mill-floor", "conveyor", "net_harvest_w", 0.8, 0.3, True, True),
            ("mf-02", "mill-floor", "conveyor", "net_harvest_w", 0.9, 0.3, True, False),
            ("yd-01", "yard", "conveyor", "net_harvest_w", 1.3, 0.3, False, False),
            ("yd-02", "yard", "light", "net_harvest_w", 1.1, 0.2, True, False),
            ("yd-02", "yard", "light", "esr_ohm", 1.7, 0.2, True, False),
        ],
        columns=columns,
    )


def test_voltage_stands_at_site_time_and_breaks_where_reports_are_missing(points):
    figure = figures.voltage(points, STORAGE, 5.0, SPAN, ZONE, 4 * 3600.0, LIGHT)
    line = named(figure, "Storage voltage")
    assert pd.Timestamp(line.x[0]) == pd.Timestamp("2026-03-01T00:00")
    assert np.array_equal(np.array(line.y, float), [3.0, 2.9, 2.8, np.nan, 3.1, 3.2], equal_nan=True)
    assert not line.connectgaps
    assert titles(figure) == ("Site time (America/New_York)", "Storage voltage (V)")


def test_voltage_shows_the_limits_of_the_storage(points):
    figure = figures.voltage(points, STORAGE, 5.0, SPAN, ZONE, 4 * 3600.0, LIGHT)
    assert notes(figure) == ["full 5 V", "cut-off 2.2 V", "restart 2.6 V"]
    assert [shape.y0 for shape in figure.layout.shapes] == [5.0, 2.2, 2.6]
    low, high = figure.layout.yaxis.range
    assert low < 2.2
    assert high > 5.0


def test_time_axes_run_to_the_end_of_the_span_even_where_the_node_fell_silent(points, days):
    figure = figures.voltage(points, STORAGE, 5.0, SPAN, ZONE, 4 * 3600.0, LIGHT)
    assert [pd.Timestamp(end) for end in figure.layout.xaxis.range] == [
        pd.Timestamp("2026-02-28T00:00"), pd.Timestamp("2026-03-03T00:00")
    ]  # fmt: skip
    for figure in (figures.ledger(days, DAYS, LIGHT), figures.harvest(days, None, None, DAYS, LIGHT)):
        assert pd.Timestamp(figure.layout.xaxis.range[1]) == pd.Timestamp("2026-03-03T12:00")


def test_ledger_bars_add_up_to_the_stored_change(days):
    figure = figures.ledger(days, DAYS, LIGHT)
    bars = [np.array(named(figure, name).y, float) for name in ("Net harvest", "Wakes", "Sleep")]
    assert sum(bars) == pytest.approx(np.array(named(figure, "Stored change").y, float))
    assert figure.layout.barmode == "relative"
    assert titles(figure) == ("Day (site calendar)", "Energy (J per day)")


def test_days_with_hours_at_full_are_marked_as_lower_bounds(days):
    for figure in (figures.ledger(days, DAYS, LIGHT), figures.harvest(days, 64e-6, 21e-6, DAYS, LIGHT)):
        mark = named(figure, "Lower bound (hours at full)")
        assert list(mark.x) == [date(2026, 3, 1)]
        assert mark.customdata == pytest.approx([2.0])  # hours


def test_no_lower_bound_is_claimed_without_hours_at_full(days):
    figure = figures.harvest(days.assign(full_s=0.0, mean_is_lower_bound=False), 64e-6, 21e-6, DAYS, LIGHT)
    assert [trace.name for trace in figure.data] == ["Day", "28-day mean"]


def test_harvest_is_in_microwatts_against_the_budget_and_its_tolerance(days):
    figure = figures.harvest(days, 64e-6, 21e-6, DAYS, LIGHT)
    assert named(figure, "28-day mean (a lower bound)").y == pytest.approx([50.0, 40.0])
    assert named(figure, "Day").y == pytest.approx([5e6 / 86400, -0.5e6 / 43200])
    band, level = figure.layout.shapes
    assert (band.y0, band.y1, level.y0) == pytest.approx((43.0, 85.0, 64.0))
    assert titles(figure) == ("Day (site calendar)", "Net harvest (µW)")


def test_harvest_without_a_budget_draws_none(days):
    assert not figures.harvest(days, None, None, DAYS, LIGHT).layout.shapes


def test_fan_holds_both_bands_the_median_and_the_limits(path):
    figure = figures.fan(path, 10.0, {"10 %": 17.0, "50 %": 80.0, "90 %": None}, 90, ZONE, LIGHT)
    assert named(figure, "Median").y == pytest.approx([5.0, 4.95, 3.5, 3.15])
    for share, low, high in (("80 %", 1.0, 8.0), ("90 %", 0.0, 9.0)):
        assert set(named(figure, f"{share} of outcomes").y) == {low}
        assert set(named(figure, f"upper edge of {share}").y) == {high}
    assert {shape.y0 for shape in figure.layout.shapes} == {0.0, 10.0}
    assert notes(figure) == ["cut-off: dark", "full 10.0\u00a0J"]
    assert titles(figure) == ("Date (America/New_York)", "Usable energy (J)")


def test_fan_marks_the_days_to_depletion_that_lie_in_view(path):
    quantiles = {"10 %": 17.0, "50 %": 95.0, "90 %": None}
    mark = named(figures.fan(path, 10.0, quantiles, 90, ZONE, LIGHT), "Gone dark by then: 10 %")
    assert pd.Timestamp(mark.x[0]) == pd.Timestamp("2026-03-18T01:00")  # 17 d on, an hour of summer time won
    assert list(mark.y) == [0.0]


def test_no_words_lie_on_the_fan(path):
    figure = figures.fan(path, 10.0, {"10 %": 17.0, "50 %": 18.0, "90 %": 80.0}, 90, ZONE, LIGHT)
    mark = named(figure, "Gone dark by then: 10 %, 50 %, 90 %")  # in the legend, in the order of the marks
    assert (mark.mode, list(mark.customdata)) == ("markers", ["10 %", "50 %", "90 %"])
    (cut_off,) = (note for note in figure.layout.annotations if note.text == "cut-off: dark")
    assert (cut_off.y, cut_off.yanchor) == (0.0, "top")  # below the line, and the axis leaves room there
    assert figure.layout.yaxis.range[0] <= -1.4


def test_fan_without_a_crossing_marks_none(path):
    figure = figures.fan(path, 10.0, {"10 %": None, "50 %": None, "90 %": None}, 90, ZONE, LIGHT)
    assert not [trace for trace in figure.data if trace.name.startswith("Gone dark")]


def test_field_shows_each_node_in_per_cent_with_a_shape_for_its_site(ratios):
    figure = figures.field(ratios, "net_harvest_w", SITES, LIGHT)
    mill, yard = named(figure, "Mill floor"), named(figure, "Yard")
    assert list(mill.x) == pytest.approx([80.0, 90.0])
    assert list(yard.x) == pytest.approx([130.0, 110.0])
    assert set(mill.marker.symbol) == {"circle"}
    assert list(yard.marker.symbol) == ["square-open", "square"]  # the first is not separable
    assert [point[0] for point in yard.customdata] == ["yd-01", "yd-02"]
    assert figure.layout.xaxis.title.text == "Net harvest<br>(% of budget)"


def test_field_rows_carry_the_budgets_tolerance_and_median(ratios):
    figure = figures.field(ratios, "net_harvest_w", SITES, LIGHT)
    assert list(figure.layout.yaxis.ticktext) == ["light", "conveyor"]
    bands = [(shape.x0, shape.x1) for shape in figure.layout.shapes if shape.type == "rect"]
    assert bands == [pytest.approx((80.0, 120.0)), pytest.approx((70.0, 130.0))]
    assert [trace.x[0] for trace in figure.data if trace.name == "median"] == pytest.approx([110.0, 90.0])


def test_field_points_at_lower_bounds(ratios):
    figure = figures.field(ratios, "net_harvest_w", SITES, LIGHT)
    assert list(named(figure, "Lower bound (hours at full)").x) == pytest.approx([80.0])


def test_sites_keep_colour_and_shape_when_others_have_no_nodes(ratios):
    alone = figures.field(ratios[ratios["site"] == "yard"], "net_harvest_w", SITES, LIGHT)
    assert named(alone, "Yard").marker.color == LIGHT.categories[1]


@pytest.mark.parametrize("theme", [pytest.param(LIGHT, id="light"), pytest.param(DARK, id="dark")])
def test_figures_take_the_theme(points, theme):
    figure = figures.voltage(points, STORAGE, 5.0, SPAN, ZONE, 4 * 3600.0, theme)
    assert figure.layout.template.layout.paper_bgcolor == theme.ground
    assert figure.layout.template.layout.font.color == theme.ink
    assert named(figure, "Storage voltage").line.color == theme.voltage


def test_nothing_to_draw_is_said_in_words(points, days, path, ratios):
    for figure, words in (
        (figures.voltage(points[:0], STORAGE, 5.0, SPAN, ZONE, 3600.0, LIGHT), "No report in this span."),
        (figures.ledger(days[:0], DAYS, LIGHT), "No ledger in this span."),
        (figures.harvest(days[:0], None, None, DAYS, LIGHT), "No ledger in this span."),
        (figures.fan(path[:0], 10.0, {}, 90, ZONE, LIGHT), "No forecast yet."),
        (figures.field(ratios, "sleep_power_w", SITES, LIGHT), "No estimate of this line yet."),
    ):
        assert notes(figure) == [words]
        assert not figure.data

"""The page of past forecasts: what its callbacks show of a backtest, and what it says before there is one."""

from datetime import UTC, datetime

import pandas as pd
import pytest

from analysis import backtest
from analysis.run_backtest import Backtest
from dashboard import past_figures, past_queries, terminal
from dashboard.app import create_app, page
from dashboard.pages import scores
from dashboard.theme import DARK, LIGHT
from tests.dashboard.conftest import NOW, table_rows
from tests.dashboard.page_helpers import callback, facts, text

RUN, EARLIER = datetime(2026, 3, 9, tzinfo=UTC), datetime(2026, 3, 1, tzinfo=UTC)
FIRST, LAST = datetime(2025, 6, 1, 12, tzinfo=UTC), datetime(2026, 3, 1, 12, tzinfo=UTC)


def score(name, horizon, method, value, n, low=None, high=None, run_at=RUN):
    return {"run_at": run_at, "first_origin": FIRST, "last_origin": LAST, "every_days": 7.0, "score": name,
            "horizon_days": horizon, "method": method, "value": value, "low": low, "high": high, "n": n}  # fmt: skip


def group(said, came, n, horizon=30, method="forecast", run_at=RUN):
    return {"run_at": run_at, "horizon_days": horizon, "method": method, "said": said, "came": came,
            "low": max(said - 0.1, 0), "high": min(said + 0.1, 1), "n": n}  # fmt: skip


@pytest.fixture
def tested(mill):
    rows = [score("brier", 7, "forecast", 0.004, 1234)]
    rows += [score("skill", h, m, v, 1234) for h in (7, 30, 90)
             for m, v in (("forecast", 0.8), ("weekday", 0.6), ("slope", -3.0), ("climatology", 0.0))]  # fmt: skip
    rows += [score("recall", lead, m, v, 40) for lead in (1, 7) for m, v in (("forecast", 0.95), ("weekday", 0.7))]
    rows += [score("false_warnings", 30, "forecast", 0.034, 44)]
    rows += [score("coverage_80", h, m, 0.71, 1000, 0.775, 0.825) for h in (7, 30) for m in ("all", "open")]
    rows += [score("recovery_80", 90, "forecast", 0.83, 52, 0.69, 0.91)]
    rows += [score("brier", 7, "forecast", 0.5, 9, run_at=EARLIER)]
    table_rows(mill, "backtests", rows)
    table_rows(mill, "reliability", [
        group(0.01, 0.012, 1000), group(0.3, 0.55, 60), group(0.7, 0.9, 40), group(0.2, 0.1, 50, method="weekday"),
        group(0.5, 0.5, 7, horizon=7), group(0.99, 0.0, 9, run_at=EARLIER),
    ])  # fmt: skip
    return mill


@pytest.fixture
def app(tested):
    return create_app(tested, clock=lambda: NOW)


def test_the_page_is_linked_and_has_its_place(tested, app):
    shown, title = page(tested, "/past-forecasts")
    assert "How past forecasts came out" in text(shown)
    assert title == "Past forecasts · Joulebook"
    assert "Past forecasts" in text(app.layout)


def test_figures_of_the_latest_backtest_and_what_they_mean_to_whom(app):
    head, *_ = callback(app, "scores-summary")(str(RUN), None)
    assert facts(head[0].children) == {
        "Forecasts": ["1 234", "2025-06-01 to 2026-03-01, every 7 d"],
        "Warned 7 d before": ["95 %", "of 40 times a node went dark"],
        "False warnings": ["0.034", "a node-year"],
        "80 % interval held": ["71 %", "energy 7 d ahead"],
        "Return held": ["83 %", "80 % interval of when a dark node runs again, 52 times"],
    }
    said = text(head[1])
    assert "of 40 times a node went dark, a depletion alarm stood in time for 95 %. False" in said
    assert "held 71 % of 1000 outcomes: too narrow; leave more margin" in said
    # By hand: (60 x 0.3 + 40 x 0.7) / 100 = 46 % was said, (60 x 0.55 + 40 x 0.9) / 100 = 69 % came.
    assert "on average 46 %, 69 % went dark; go sooner than the visit date" in said


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            [score("recall", 7, "forecast", 0.5, 40), score("false_warnings", 30, "forecast", 0.4, 40)],
            ["for 50 %; do not wait for the alarm alone", "0.40 a node-year, too many"],
        ),
        ([score("recall", 7, "forecast", 1.0, 3)], ["only 3 times a node went dark", "too few to judge"]),
        ([score("coverage_80", 30, "all", 0.8, 900)], ["as it should; margins can be taken"]),
        ([score("coverage_80", 30, "all", 0.93, 900)], ["wider than needed"]),
    ],
)
def test_what_to_do_follows_from_the_figures(rows, words):
    told = scores.Told(pd.DataFrame(rows))
    said = " ".join(scores.meanings(told, pd.DataFrame([group(0.5, 0.5, 5)])).values()).replace("\u00a0", " ")
    for wanted in words:
        assert wanted in said


@pytest.mark.parametrize(
    ("came", "words"), [(0.2, "early side"), (0.5, "as said; the visit date can be planned by"), (0.8, "go sooner")]
)
def test_the_planner_reads_which_way_the_chances_err(came, words):
    told = scores.Told(pd.DataFrame([score("brier", 7, "forecast", 0.1, 9)]))
    assert words in scores.meanings(told, pd.DataFrame([group(0.5, came, 100)]))["Maintenance planner"]


def test_the_reliability_diagram_shows_the_chosen_horizon(app):
    figure = callback(app, "scores-reliability")(str(RUN), 30, None)
    lines = {trace.name: trace for trace in figure.data}
    assert list(lines["Forecast"].x) == pytest.approx([1.0, 30.0, 70.0])
    assert list(lines["Forecast"].y) == pytest.approx([1.2, 55.0, 90.0])
    assert list(lines["Forecast"].text) == ["1\u202f000", "60", "40"]
    assert list(lines["As said"].x) == list(lines["As said"].y)  # the diagonal
    assert list(lines["What chance allows"].y[3:5]) == pytest.approx([20.0, 40.0])
    assert "Past days drawn by weekday" in lines
    week = callback(app, "scores-reliability")(str(RUN), 7, "dark")
    assert [list(trace.x) for trace in week.data if trace.name == "Forecast"] == [[50.0]]
    assert week.layout.template.layout.paper_bgcolor == DARK.ground


def test_bars_and_intervals_show_the_figures(app):
    _, recall, skill, coverage, corrections = callback(app, "scores-summary")(str(RUN), None)
    assert {bar.name: list(bar.y) for bar in recall.data} == {
        "Forecast": [95.0, 95.0], "Past days drawn by weekday": [70.0, 70.0]}  # fmt: skip
    bars = {bar.name: bar for bar in skill.data}
    assert list(bars["Forecast"].y) == pytest.approx([80.0] * 3)
    assert list(bars["Voltage slope"].y) == [-100.0] * 3  # cut off; the true figure is told on hovering
    assert bars["Voltage slope"].customdata[0][0] == -300
    assert "Base rate" not in bars
    held = next(trace for trace in coverage.data if trace.name == "Held")
    band = next(trace for trace in coverage.data if trace.name == "What chance allows")
    assert list(held.x) == pytest.approx([71.0] * 4)
    assert list(band.base) == pytest.approx([77.5] * 4)
    assert list(band.x) == pytest.approx([5.0] * 4)
    assert "None: the chances are shown as forecast" in text(corrections)


def test_corrections_in_use_are_told_by_examples(tested, app):
    table_rows(tested, "calibration", [
        {"horizon_days": 30, "shift": 1.0, "slope": 1.0, "fitted_at": RUN, "events": 55}])  # fmt: skip
    *_, corrections = callback(app, "scores-summary")(str(RUN), None)
    # By hand: odds times e: 10 % to 0.302 / 1.302 = 23 %, 30 % to 1.165 / 2.165 = 54 %, 60 % to 4.077 / 5.077 = 80 %.
    assert "30 d 55 23 % 54 % 80 %" in text(corrections)


def test_before_the_first_backtest_the_page_says_how_to_make_one(mill):
    app = create_app(mill, clock=lambda: NOW)
    head, recall, *_ = callback(app, "scores-summary")("", None)
    assert "Run joulebook backtest" in text(head)
    assert recall.layout.annotations[0].text == past_figures.NOT_YET
    figure = callback(app, "scores-reliability")("", 30, None)
    assert figure.layout.annotations[0].text == past_figures.NOT_YET
    assert past_queries.run(mill.cursor()) == ""
    assert past_figures.coverage(past_queries.scores(mill.cursor()), LIGHT).layout.annotations


def test_every_way_to_forecast_is_named_on_the_page_and_in_print():
    assert tuple(past_figures.METHODS) == backtest.METHODS
    assert tuple(terminal.BACKTEST_METHODS) == (*backtest.METHODS, backtest.CLIMATOLOGY)
    assert len(past_figures.SYMBOLS) >= len(backtest.METHODS) <= len(LIGHT.categories)


@pytest.mark.parametrize("rate", [0.0, 0.02])
def test_a_printed_backtest_without_a_dark_node_says_so_and_prints_no_nan(rate):
    skill = 0.8 if rate else float("nan")
    figures = [("base_rate", "came", rate), *((name, method, value) for method in terminal.BACKTEST_METHODS
               for name, value in (("brier", 0.004), ("skill", skill)))]  # fmt: skip
    rows = [backtest.Score(name, 7, method, value, skill, skill, 90) for name, method, value in figures]
    table = terminal.backtest_table(Backtest(RUN, [FIRST, LAST], 7.0, 3, 90, rows, {}, []))
    cells = [cell for column in table.columns for cell in column.cells]
    assert "dark in 7 d, Brier" in cells
    assert ("better at 7 d by" in cells) == bool(rate)
    assert ("there is no dark event to score by" in table.caption) == (not rate)
    assert not any("nan" in cell for cell in cells)

"""How past forecasts came out: whether the chances, dates and intervals can be relied on, and what to do about it."""

from collections.abc import Mapping
from typing import Any

import dash
import pandas as pd
from dash import Input, Output, State, dcc, html

from dashboard import past_figures, past_queries
from dashboard.pages.parts import REFRESH_MS, Desk, changed, choice, fact, graph, pair, panel, table
from dashboard.past_queries import EXAMPLES
from dashboard.theme import theme_of
from dashboard.wording import NOTHING, chance, number, percent
from ingest.fleet import Fleet

NAME = "Past forecasts"
HORIZONS = {7: "7 d", 30: "30 d", 90: "90 d"}
WANTED_RECALL, WANTED_FALSE = 0.9, 0.1  # of what is worth acting on: warned in time, and false a node-year
AS_GOOD_AS = 0.03  # a share that is no further off needs no other margin
FEW = 10  # fewer outcomes than this carry no conclusion
NOT_YET = (
    "No past forecast has been scored yet. Run joulebook backtest: it makes forecasts again from what was known at"
    " past moments and compares them with what came. It needs about 70 days of reports, and the store to itself;"
    " joulebook serve does the same once a month."
)


def layout(_: Fleet) -> html.Div:
    """The page, to be filled by its callbacks."""
    return html.Div(
        [
            dcc.Interval(id="scores-tick", interval=REFRESH_MS),
            dcc.Store(id="scores-run"),
            html.Div([html.H1("How past forecasts came out")], className="page-head"),
            html.Div(id="scores-summary"),
            panel(
                "Chance said against what came",
                choice("scores-horizon", "Dark within", HORIZONS, 30),
                graph("scores-reliability", "Chance of going dark that was said, against the share that went dark"),
                note="Each point is a group of forecasts that said about the same; the figure above it counts them;"
                " groups of fewer than five are left out. On the dashed line the chances were right. Above it nodes"
                " went dark more often than said: visit sooner than the chance suggests. Below it, less often: there"
                " was more time. Grey strokes: what chance allows if the nodes go their own ways; one stop of a whole"
                " site moves all its nodes at once.",
            ),
            pair(
                panel(
                    "Nodes that went dark: warned how long before",
                    graph("scores-recall", "Share of the times a node went dark that were warned of, by lead"),
                    note="A depletion alarm stood at least so long before, or for the node's autonomy at full where"
                    " that is shorter. A sudden fault cannot be foreseen and counts as missed. In service forecasts"
                    " are made all the time, and an alarm stands earlier by up to the days between these.",
                ),
                panel(
                    "Against plain ways to forecast",
                    graph("scores-skill", "How much better than the best of base rate and voltage slope"),
                    note="Brier score of the chance of going dark, over the better of a constant chance and a straight"
                    " line through the voltage. 0 is no better than these, 100 % is perfect, and bars are cut at"
                    " -100 %. WCMA and Pro-Energy: published predictors of the next harvest, kept up over the days"
                    " ahead.",
                ),
            ),
            panel(
                "Energy ahead: how often the interval held what came",
                graph("scores-coverage", "Share of outcomes inside the intervals of energy ahead"),
                note="Left of its grey band an interval is too narrow: expect larger swings than the fan on the node"
                " page shows. Right of it, too wide.",
            ),
            panel("Corrections in use", html.Div(id="scores-corrections")),
        ]
    )


class Told:
    """The figures of the last backtest by name, horizon and method; NaN and 0 where there is none."""

    def __init__(self, rows: pd.DataFrame) -> None:
        self._rows: Mapping[Any, Any] = rows.set_index(["score", "horizon_days", "method"])[["value", "n"]].T.to_dict()

    def value(self, score: str, horizon: float, method: str = "forecast") -> float:
        """The figure."""
        return float(self._rows.get((score, horizon, method), {"value": float("nan")})["value"])

    def count(self, score: str, horizon: float, method: str = "forecast") -> int:
        """Over how many."""
        return int(self._rows.get((score, horizon, method), {"n": 0})["n"])


def summary(rows: pd.DataFrame, groups: pd.DataFrame) -> list[Any]:
    """The figures that matter most, and what they mean to whom."""
    told, first = Told(rows), rows.iloc[0]
    span = f"{first['first_origin']:%Y-%m-%d} to {first['last_origin']:%Y-%m-%d}, every {first['every_days']:g} d"
    events = told.count("recall", 7)
    facts = [
        fact("Forecasts", f"{told.count('brier', 7):,}".replace(",", "\u202f"), span),
        fact(
            "Warned 7 d before",
            percent(told.value("recall", 7)) if events else NOTHING,
            f"of {events} times a node went dark",
        ),
        fact("False warnings", number(told.value("false_warnings", 30), digits=2), "a node-year"),
        fact("80 % interval held", percent(told.value("coverage_80", 7, "all")), "energy 7 d ahead"),
        fact(
            "Return held",
            percent(told.value("recovery_80", 90)) if told.count("recovery_80", 90) else NOTHING,
            f"80 % interval of when a dark node runs again, {told.count('recovery_80', 90)} times",
        ),
    ]
    meaning = [html.Li([html.Strong(f"{who}: "), said]) for who, said in meanings(told, groups).items()]
    return [html.Dl(facts, className="facts"), html.Ul(meaning)]


def meanings(told: Told, groups: pd.DataFrame) -> dict[str, str]:
    """What the figures say to each user, and what to do."""
    return {
        "Operations": _of_warnings(told),
        "Design engineer": _of_intervals(told),
        "Maintenance planner": _of_chances(groups[groups["horizon_days"] == 30]),
    }


def _of_warnings(told: Told) -> str:
    events, recall = told.count("recall", 7), told.value("recall", 7)
    false = told.value("false_warnings", 30)
    if events < FEW:
        return f"only {events} times a node went dark with a forecast before it: too few to judge the warnings by."
    said = f"of {events} times a node went dark, a depletion alarm stood in time for {percent(recall)}"
    if recall < WANTED_RECALL:
        said += "; do not wait for the alarm alone, look through the nodes with a falling balance each week"
    said += f". False warnings: {number(false, digits=2)} a node-year"
    return said + (", too many; check a node's voltage before sending anybody." if false > WANTED_FALSE else ".")


def _of_intervals(told: Told) -> str:
    share, n = told.value("coverage_80", 30, "all"), told.count("coverage_80", 30, "all")
    if n < FEW:
        return "too few outcomes to judge the energy ahead by."
    half = max(1.96 * (0.8 * 0.2 / n) ** 0.5, AS_GOOD_AS)
    held = f"the 80 % interval of energy 30 d ahead held {percent(share)} of {n} outcomes"
    if share < 0.8 - half:
        return held + ": too narrow; leave more margin in autonomy and storage than it suggests."
    if share > 0.8 + half:
        return held + ": wider than needed; margins taken from it are on the safe side."
    return held + ", as it should; margins can be taken from it."


def _of_chances(groups: pd.DataFrame) -> str:
    middle = groups[(groups["method"] == "forecast") & (groups["said"] > 0.1) & (groups["said"] < 0.9)]
    n = int(middle["n"].sum())
    if n < FEW:
        return f"only {n} forecasts said between 10 and 90 % for 30 d: too few to judge the chances by."
    said, came = (float((middle[name] * middle["n"]).sum() / n) for name in ("said", "came"))
    told = f"where it said between 10 and 90 % for 30 d, on average {percent(said)}, {percent(came)} went dark"
    half = 1.96 * (said * (1 - said) / n) ** 0.5
    if came > said + half:
        return told + "; go sooner than the visit date."
    if came < said - half:
        return told + "; the visit date is on the early side."
    return told + ", as said; the visit date can be planned by."


def correction_table(rows: pd.DataFrame) -> html.Div | html.P:
    """What the chances of the forecasts to come are corrected by."""
    if rows.empty:
        return html.P(
            "None: the chances are shown as forecast. A correction needs 30 times that nodes went dark and as many that"
            " they did not, and is kept only where later forecasts would have been better with it.",
            className="quiet",
        )
    body = [
        [
            f"{row['horizon_days']} d",
            str(row["events"]),
            *(chance(row[past_queries.column(said)]) for said in EXAMPLES),
        ]
        for row in rows.to_dict("records")
    ]
    headers = ["Dark within", "From so many times dark", *(f"{percent(said)} becomes" for said in EXAMPLES)]
    return table("Corrections of the chance of going dark", headers, body, numeric=range(1, 2 + len(EXAMPLES)))


def register(app: dash.Dash, desk: Desk) -> None:
    """The page's callbacks."""

    @app.callback(Output("scores-run", "data"), Input("scores-tick", "n_intervals"), State("scores-run", "data"))
    def tick(_: int | None, run: str | None) -> Any:
        with desk.cursor() as cursor:
            return changed(past_queries.run(cursor), run)

    @app.callback(
        Output("scores-summary", "children"),
        Output("scores-recall", "figure"),
        Output("scores-skill", "figure"),
        Output("scores-coverage", "figure"),
        Output("scores-corrections", "children"),
        Input("scores-run", "data"),
        Input("scheme", "data"),
    )
    def fill(_: str, scheme: str | None) -> tuple[Any, ...]:
        theme = theme_of(scheme)
        with desk.cursor() as cursor:
            rows, groups, corrections = (
                past_queries.scores(cursor),
                past_queries.groups(cursor),
                past_queries.corrections(cursor),
            )
        named = {name: rows[rows["score"].str.startswith(name)] for name in ("recall", "skill", "coverage")}
        head = summary(rows, groups) if len(rows) else html.P(NOT_YET, className="statement")
        return (
            head,
            past_figures.recall(named["recall"], theme),
            past_figures.skill(named["skill"], theme),
            past_figures.coverage(named["coverage"], theme),
            correction_table(corrections),
        )

    @app.callback(
        Output("scores-reliability", "figure"),
        Input("scores-run", "data"),
        Input("scores-horizon", "value"),
        Input("scheme", "data"),
    )
    def compare(_: str, horizon: int, scheme: str | None) -> Any:
        with desk.cursor() as cursor:
            groups = past_queries.groups(cursor)
        return past_figures.reliability(groups[groups["horizon_days"] == horizon], theme_of(scheme))

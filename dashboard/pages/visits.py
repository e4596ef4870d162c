"""The visits page: whom to visit, by when, with what part; what can hurt there stands above it."""

from collections.abc import Sequence
from typing import Any

import dash
from dash import Input, Output, State, dcc, html

from analysis.depletion import VISIT_RISK, VISIT_RISKS
from analysis.end_of_life import QUANTILES
from dashboard import queries, rounds
from dashboard.pages.alarms import site_list
from dashboard.pages.parts import (
    REFRESH_MS,
    Desk,
    changed,
    choice,
    node_link,
    notice,
    panel,
    site_names,
    table,
)
from dashboard.rounds import Stop
from dashboard.wording import NOTHING, VISIT_CAUTION, chance, number
from ingest.fleet import Fleet

NAME = "Visits"
WITHIN = {30: "30 d", 90: "90 d", 365: "365 d"}
RISKS = {risk: chance(risk) for risk in VISIT_RISKS}


def layout(_: Fleet) -> html.Div:
    """The page, to be filled by its callbacks."""
    return html.Div(
        [
            dcc.Interval(id="visits-tick", interval=REFRESH_MS),
            dcc.Store(id="visits-analysis"),
            dcc.Download(id="visits-file"),
            html.Div([html.H1("Visits")], className="page-head"),
            html.Section(
                [html.H2("Before anybody goes"), html.Ul([html.Li(_lead(line)) for line in VISIT_CAUTION])],
                className="panel warn",
            ),
            html.Div(id="visits-notice"),
            html.Div(
                [
                    choice("visits-within", "Due within", WITHIN, queries.ROUND_DAYS),
                    choice("visits-risk", "At a risk of", RISKS, VISIT_RISK),
                    html.Button("Download as CSV", id="visits-download", type="button"),
                ],
                className="controls",
            ),
            html.P(
                "Visit by: the day by which the chance of having gone dark reaches the chosen risk. Dark"
                " nodes first. Nodes that are silent with energy in hand, or whose storage is worn, are listed whatever"
                f" their date; worn out by: the day by which the chance of it reaches {chance(QUANTILES[0])}.",
                className="quiet",
            ),
            html.Div(id="visits-round"),
        ]
    )


def _lead(line: str) -> list[Any]:
    """A caution with its subject set off."""
    subject, _, rest = line.partition(": ")
    return [html.Strong(f"{subject}: "), rest] if rest else [line]


def stop_list(stops: Sequence[Stop], findings: Sequence[queries.Row], fleet: Fleet) -> list[Any]:
    """The round by site, the site with the most urgent node first."""
    sites = list(dict.fromkeys(stop.site for stop in stops))
    if not sites:
        return [html.P("No node needs a visit in this time.", className="statement")]
    return [
        panel(
            f"{fleet.sites[site].name}: {len(mine)} {'node' if len(mine) == 1 else 'nodes'}",
            site_list([row for row in findings if row["site"] == site], fleet),
            _table(mine, fleet.sites[site].name),
        )
        for site in sites
        for mine in [[stop for stop in stops if stop.site == site]]
    ]


def _table(stops: Sequence[Stop], site: str) -> html.Div:
    headers = ["Node", "Visit by", "Dark within 30 d", "Causes", "Mind", "Take"]
    return table(f"Visits at {site}", headers, [_cells(stop) for stop in stops], stacks=True)


def _cells(stop: Stop) -> list[Any]:
    why = "" if stop.dark else stop.driver  # of a dark node it says when it is back, which stands at the date
    return [
        html.Div([node_link(stop.node_id), html.Div(stop.note, className="quiet")]),
        html.Div(_when(stop), className="words"),
        chance(stop.chance_30d),
        html.Div([stop.causes or "none found", html.Div(why, className="quiet")], className="words"),
        html.Div([html.Div(item) for item in stop.mind], className="words"),
        html.Div([html.Div(item) for item in stop.take]),
    ]


def _when(stop: Stop) -> Any:
    if stop.dark:
        back = f"back by itself in {number(stop.back_days, 'd', 2)}, as likely as not" if stop.back_days else ""
        return html.Div([html.Strong("now: dark", className="alert"), html.Div(back, className="quiet")])
    date = NOTHING if stop.visit_by is None else stop.visit_by.isoformat()
    if stop.worn_by is None:
        return date
    worn = "storage worn out" if stop.worn_already else f"storage worn out by {stop.worn_by.isoformat()}"
    return html.Div([date, html.Div(worn, className="quiet")])


def register(app: dash.Dash, desk: Desk) -> None:
    """The page's callbacks."""

    def gather(within: int, risk: float) -> tuple[Fleet, list[Stop], list[queries.Row]]:
        fleet = desk.store.fleet()
        with desk.cursor() as cursor:
            rows = queries.fleet_rows(cursor, fleet.budgets, desk.clock())
            findings = queries.site_findings(cursor)
        return fleet, rounds.plan(rows, fleet, {row["site"] for row in findings}, within, risk), findings

    @app.callback(
        Output("visits-analysis", "data"), Input("visits-tick", "n_intervals"), State("visits-analysis", "data")
    )
    def tick(_: int | None, analysis: str | None) -> Any:
        with desk.cursor() as cursor:
            return changed(queries.stamp(cursor).analysis, analysis)

    @app.callback(
        Output("visits-notice", "children"),
        Output("visits-round", "children"),
        Input("visits-analysis", "data"),
        Input("visits-within", "value"),
        Input("visits-risk", "value"),
    )
    def fill(_: str, within: int, risk: float) -> tuple[Any, Any]:
        said = notice(desk)
        if said is not None:
            return said, []
        fleet, stops, findings = gather(within, risk)
        return None, stop_list(stops, findings, fleet)

    @app.callback(
        Output("visits-file", "data"),
        Input("visits-download", "n_clicks"),
        State("visits-within", "value"),
        State("visits-risk", "value"),
        prevent_initial_call=True,
    )
    def download(_: int, within: int, risk: float) -> Any:
        fleet, stops, _findings = gather(within, risk)
        content = rounds.as_csv(stops, site_names(fleet))
        return {"content": content, "filename": f"visits-{desk.clock():%Y-%m-%d}.csv", "type": "text/csv"}

"""The fleet page: which nodes are in trouble, and whether the budgets hold in the field."""

from datetime import datetime, timedelta
from typing import Any

import dash
import pandas as pd
from dash import Input, Output, State, dcc, html

from analysis.depletion import VISIT_RISK
from dashboard import figures, queries, rounds
from dashboard.grid import fleet_grid, paper, records
from dashboard.pages import alarms
from dashboard.pages.parts import (
    REFRESH_MS,
    Desk,
    changed,
    choice,
    common_zone,
    fact,
    graph,
    named,
    notice,
    panel,
    site_names,
    table,
)
from dashboard.theme import theme_of
from dashboard.wording import LINES, NOTHING, VERDICTS, age, chance, moment, span
from ingest.fleet import Fleet

NAME = "Fleet"
ALL = "all"  # of the filters
SPREAD = (0.1, 0.9)  # quantiles over the nodes of a budget


def layout(fleet: Fleet) -> html.Div:
    """The page, to be filled by its callbacks."""
    sites = {ALL: "All sites"} | site_names(fleet)
    return html.Div(
        [
            dcc.Interval(id="fleet-tick", interval=REFRESH_MS),
            dcc.Store(id="fleet-reports"),
            dcc.Store(id="fleet-analysis"),
            html.Div(
                [html.H1("Fleet"), choice("fleet-site", "Site", sites, ALL)],
                className="page-head",
            ),
            html.Div(id="fleet-notice"),
            html.Dl(id="fleet-summary", className="facts"),
            panel("Active alarms", html.Div(id="fleet-alarms"), alarms.form()),
            panel(
                "Nodes by days to depletion",
                choice("fleet-verdict", "Storage verdict", {ALL: "All"} | VERDICTS, ALL),
                html.Div(fleet_grid("fleet-grid"), role="region", **named("Nodes by days to depletion")),
                paper("fleet-grid"),
                note="The most urgent first; marked at the left edge: needs a visit. A row opens its page, by click or"
                " Enter. 10 % in the heading reads: by then, one chance in ten that the node has gone dark."
                " Further columns lie to the right.",
            ),
            panel(
                "Field against budget",
                html.Div(id="fleet-budgets"),
                choice("fleet-line", "Budget line", {key: line.name for key, line in LINES.items()}, "harvest_w"),
                graph("fleet-field", "The chosen budget line of each node, in per cent of its budget"),
                note="Field estimates in per cent of the design budget. Table: median of the nodes, and from the lowest"
                " to the highest tenth. Grey band: the budget's tolerance, one standard deviation. Stroke: median."
                " Hollow: not separable from the telemetry so far; told of: of how many nodes it is. ≥ and arrows: a"
                " lower bound, as harvest is curtailed while a node is at full. Autonomy: from full, at the present"
                " load and capacity, over the budget's target.",
            ),
        ]
    )


def summary(rows: pd.DataFrame, due: int, reports: int, standing: int, now: datetime, zone: str) -> list[html.Div]:
    """The facts at the top of the page; `due` nodes are on the list of visits."""
    as_of = rows["as_of"].max()
    latest = None if pd.isna(as_of) else as_of
    dark, silent = (int(rows[name].sum()) for name in ("dark", "silent"))

    def count(number: int) -> str:
        return NOTHING if latest is None else str(number)

    return [
        fact("Nodes in service", str(len(rows))),
        fact(
            f"Need a visit within {queries.VISIT_DAYS} d",
            count(due),
            dcc.Link(
                f"dark, silent, worn, or at least {chance(VISIT_RISK)} likely to be dark: whom to visit, with what",
                href="/visits",
            ),
            "attention" if due else "",
        ),
        fact("Dark", count(dark), "silent since nearly empty", "alert" if dark else ""),
        fact("Silent", count(silent), "not taken to be dark: radio or node fault?", "attention" if silent else ""),
        fact("Active alarms", count(standing), "", "attention" if standing else ""),
        fact("Reports", f"{reports:,}".replace(",", "\u202f"), "observed in the last 24 h"),
        fact(
            "Latest analysis",
            "none yet" if latest is None else age((now - latest).total_seconds()),
            moment(latest, zone),
        ),
    ]


def budget_table(ratios: pd.DataFrame) -> html.Div | html.P:
    """The median over each budget's nodes of every line over its budget, with the spread of the nodes.

    All nodes count, and how many of them the telemetry tells the line of stands beside, where it is not all: of these
    alone, who are told by what has gone wrong, a budget would seem wrong. A median that takes in a lower bound is one.
    """
    if ratios.empty:
        return html.P("No estimate yet.", className="quiet")
    groups = ratios.groupby("budget")
    rows = []
    for name, mine in groups:
        by_line = dict(list(mine.groupby("line")))
        rows.append([name, str(mine["node_id"].nunique()), *(_median_and_spread(by_line.get(line)) for line in LINES)])
    return table(
        "Median of the nodes in per cent of budget, and from the lowest to the highest tenth",
        ["Budget", "Nodes", *(line.name for line in LINES.values())],
        rows,
        numeric=range(1, 2 + len(LINES)),
    )


def _median_and_spread(rows: pd.DataFrame | None) -> Any:
    if rows is None:
        return NOTHING
    told = int(rows["separable"].sum())
    if not told:
        return html.Span("not separable", className="quiet")
    low, high = (rows["ratio"].quantile(share) for share in SPREAD)
    known = [] if told == len(rows) else [html.Div(f"told of {told}", className="quiet")]
    return [
        html.Span(("≥\u202f" if rows["lower_bound"].any() else "") + f"{100 * rows['ratio'].median():.0f}"),
        html.Span(f" ({100 * low:.0f} to {100 * high:.0f})", className="quiet"),
        *known,
    ]


def by_default(ratios: pd.DataFrame, fleet: Fleet) -> list[html.P]:
    """Which budgets promise no autonomy, so that theirs is over the program's default; nothing where all do."""
    told = sorted(ratios.loc[ratios["line"] == "full_autonomy_days", "budget"].unique())
    without = [name for name in told if "autonomy" not in fleet.budgets[name].targets.model_fields_set]
    if not without:
        return []
    days = span(queries.promised_days(fleet.budgets[without[0]]))
    said = f"No autonomy is stated by {', '.join(without)}: there it is over this program's default of {days}."
    return [html.P(said, className="quiet")]


def chosen(site: str | None, fleet: Fleet) -> str | None:
    """The site that the filter names; None for all."""
    return site if site in fleet.sites else None


def of_site(rows: pd.DataFrame, site: str | None) -> pd.DataFrame:
    """The rows of a site, or all."""
    return rows if site is None else rows[rows["site"] == site]


def of_verdict(rows: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """The rows whose storage is so judged, or all; a storage not judged yet counts as not enough data."""
    return rows if verdict == ALL else rows[rows["verdict"].fillna("not-enough-data") == verdict]


def register(app: dash.Dash, desk: Desk) -> None:
    """The page's callbacks."""

    @app.callback(
        Output("fleet-reports", "data"),
        Output("fleet-analysis", "data"),
        Input("fleet-tick", "n_intervals"),
        State("fleet-reports", "data"),
        State("fleet-analysis", "data"),
    )
    def tick(_: int | None, reports: str | None, analysis: str | None) -> tuple[Any, Any]:
        with desk.cursor() as cursor:
            stamp = queries.stamp(cursor)
        return changed(f"{stamp.reports} {desk.clock():%H:%M}", reports), changed(stamp.analysis, analysis)

    @app.callback(
        Output("fleet-notice", "children"),
        Output("fleet-alarms", "children"),
        Input("fleet-analysis", "data"),
        Input("fleet-site", "value"),
        Input("alarm-settled", "data"),
    )
    def warn(_: str, value: str | None, __: Any) -> tuple[Any, Any]:
        fleet = desk.store.fleet()
        site = chosen(value, fleet)
        with desk.cursor() as cursor:
            standing = queries.active_alarms(cursor, site)
            common = queries.site_findings(cursor, site)
        said = notice(desk)
        if said is not None:
            return said, html.P("None before the first analysis.", className="quiet")
        return None, [alarms.site_list(common, fleet), alarms.alarm_table(standing, fleet)]

    @app.callback(
        Output("fleet-summary", "children"),
        Output("fleet-grid", "rowData"),
        Input("fleet-reports", "data"),
        Input("fleet-analysis", "data"),
        Input("fleet-site", "value"),
        Input("fleet-verdict", "value"),
    )
    def fill(_: str, __: str, value: str | None, verdict: str) -> tuple[Any, Any]:
        now, fleet = desk.clock(), desk.store.fleet()
        site = chosen(value, fleet)
        with desk.cursor() as cursor:
            rows = of_site(queries.fleet_rows(cursor, fleet.budgets, now), site)
            standing = queries.active_alarms(cursor, site)
            common = {row["site"] for row in queries.site_findings(cursor, site)}
            reports = queries.reports_since(cursor, site, now - timedelta(days=1), now)
        zone = fleet.sites[site].timezone if site else common_zone(fleet)
        take = {stop.node_id: "; ".join(stop.take) for stop in rounds.plan(rows, fleet, common, queries.VISIT_DAYS)}
        facts = summary(rows, len(take), reports, len(standing), now, zone)
        return facts, records(of_verdict(rows, verdict), site_names(fleet), take)

    @app.callback(
        Output("fleet-budgets", "children"),
        Output("fleet-field", "figure"),
        Input("fleet-analysis", "data"),
        Input("fleet-site", "value"),
        Input("fleet-line", "value"),
        Input("scheme", "data"),
    )
    def compare(_: str, value: str | None, line: str, scheme: str | None) -> tuple[Any, Any]:
        fleet = desk.store.fleet()
        with desk.cursor() as cursor:
            rows = queries.fleet_rows(cursor, fleet.budgets, desk.clock())
            ratios = of_site(queries.field_ratios(cursor, rows), chosen(value, fleet))
        shown = [budget_table(ratios), *by_default(ratios, fleet)]
        return shown, figures.field(ratios, line, site_names(fleet), theme_of(scheme))

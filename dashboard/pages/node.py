"""The node page: one node's facts, books, budget and forecast."""

from datetime import timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import dash
from dash import Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from analysis.depletion import HORIZON_DAYS, INTERVAL_RISK
from analysis.ledger import HOLE_INTERVALS
from analysis.storage import storage_curve
from dashboard import figures, queries, rounds
from dashboard.pages import alarms, node_view
from dashboard.pages.parts import REFRESH_MS, Desk, changed, choice, graph, notice, pair, panel, zone_of
from dashboard.theme import Theme, theme_of
from dashboard.wording import chance, missing, sentence
from ingest.budget import SECONDS_PER_DAY, Budget
from ingest.fleet import Fleet, Node

AHEAD = {30: "30 d", 90: "90 d", 365: "365 d"}
RETIRED = "The node has been taken out of the fleet folder. What stands below is as it last was; its history is kept."
SPANS = {7: "7 d", 30: "30 d", 90: "90 d", 365: "365 d"}


class Place(NamedTuple):
    """A node in its fleet."""

    fleet: Fleet
    node: Node
    budget: Budget
    zone: str


def title(node_id: str) -> str:
    """The title of the page."""
    return f"{node_id} · Joulebook"


def unknown(node_id: str) -> html.Div:
    """The page of a node that is not there."""
    return html.Div(
        [
            html.H1("Unknown node"),
            html.P(
                [
                    "The fleet has no node ",
                    html.Strong(node_id),
                    ". It may be misspelt, not loaded yet, or taken out of the fleet.",
                ]
            ),
            html.P(dcc.Link("Back to the fleet", href="/")),
        ]
    )


def layout(fleet: Fleet, node_id: str) -> html.Div:
    """The page, to be filled by its callbacks; a plain message for a node that the fleet does not have."""
    if node_id not in fleet.nodes:
        return unknown(node_id)
    node = fleet.nodes[node_id]
    budget = fleet.budgets[node.budget]
    return html.Div(
        [
            dcc.Interval(id="node-tick", interval=REFRESH_MS),
            *(dcc.Store(id=name) for name in ("node-minute", "node-count", "node-analysis")),
            dcc.Store(id="node-id", data=node_id),
            html.P(dcc.Link("← Fleet", href="/"), className="back"),
            html.Div(
                [
                    html.H1(node_id),
                    html.P(
                        f"{fleet.sites[node.site].name} · budget {node.budget}"
                        + (f": {budget.description}" if budget.description else "")
                        + (f" · {node.note}" if node.note else ""),
                        className="quiet",
                    ),
                ],
                className="page-head",
            ),
            html.Div(id="node-notice"),
            html.Div(id="node-alarms"),
            alarms.form(),
            html.Dl(id="node-facts", className="facts wide"),
            html.P(id="node-drivers", className="statement"),
            panel("Findings", html.Div(id="node-findings"), html.Div(id="node-visit")),
            pair(
                panel(
                    "Storage health",
                    html.Div(id="node-health"),
                    note="Against the storage's own beginning, at equal voltage and temperature; ± is one standard"
                    " deviation. The limits are the budget's; reached by: 80 % of outcomes, at the pace of late.",
                ),
                panel(
                    "Wake interval",
                    html.Div(id="node-wakes"),
                    note="Sustainable: with the energy of a wake, the rest of the load and the pauses of its work as"
                    f" they are, the node goes dark within {HORIZON_DAYS} d in {chance(INTERVAL_RISK)} of outcomes.",
                ),
            ),
            panel(
                "Forecast of usable energy",
                choice("node-ahead", "Look ahead", AHEAD, 90),
                graph("node-fan", "Usable energy by day ahead: median, 80 % and 90 % bands"),
                note="Above the cut-off voltage, by day ahead. Zero is dark.",
            ),
            choice("node-span", "Show the last", SPANS, 30),
            pair(
                panel("Storage voltage", graph("node-voltage", "Storage voltage over time with the storage's limits")),
                panel(
                    "Net harvest against budget",
                    graph("node-harvest", "Net harvest by day and its 28-day mean against the budget"),
                    note="Band: the budget's tolerance (one standard deviation).",
                ),
            ),
            panel(
                "Ledger",
                graph("node-ledger", "Net harvest, wakes, sleep and stored change by day"),
                note="Stored change = net harvest − wakes − sleep. A day with gaps covers its observed hours only. On"
                " days with hours at full the harvest is curtailed and the figure a lower bound.",
            ),
            panel(
                "Budget lines",
                html.Div(id="node-lines"),
                note="± is one standard deviation. Not separable: the telemetry so far cannot tell this line from"
                " another cause, so the estimate leans on the budget, and on like nodes of the site."
                f" Beyond {node_view.FAR_SD:.0f} sd of the budget: a fault, a wrong figure in the budget, or readings"
                " that are not what they seem.",
            ),
            panel("Latest reports", html.Div(id="node-reports"), note="The last to arrive, the latest first."),
        ]
    )


def capacity_of(cursor: queries.Cursor, node_id: str) -> float | None:
    """The estimated capacity over the budget's, None before the first estimate."""
    line = queries.node_estimates(cursor, node_id).get("capacity_ratio")
    return float(line["estimate"]) if line else None


def fan_of(cursor: queries.Cursor, now: queries.Row, budget: Budget, ahead: int, zone: str, theme: Theme) -> Any:
    """The forecast's fan up to the usable energy at full voltage, at the estimated capacity."""
    usable = storage_curve(budget.storage).usable(queries.full_voltage(now, budget.storage))
    full_j = float(usable) * (capacity_of(cursor, now["node_id"]) or 1.0)
    quantiles = {"10 %": now["days_p10"], "50 %": now["days_p50"], "90 %": now["days_p90"]}
    return figures.fan(queries.forecast_path(cursor, now["node_id"]), full_j, quantiles, ahead, zone, theme)


def register(app: dash.Dash, desk: Desk) -> None:
    """The page's callbacks."""

    def place(node_id: str) -> Place:
        """Where the node stands; the page is left as it is when the node has been retired meanwhile."""
        fleet = desk.store.fleet()
        node = fleet.nodes.get(node_id)
        if node is None:
            raise PreventUpdate
        return Place(fleet, node, fleet.budgets[node.budget], zone_of(fleet, node.site))

    @app.callback(
        Output("node-minute", "data"),
        Output("node-count", "data"),
        Output("node-analysis", "data"),
        Input("node-tick", "n_intervals"),
        State("node-id", "data"),
        State("node-minute", "data"),
        State("node-count", "data"),
        State("node-analysis", "data"),
    )
    def tick(_: int | None, node_id: str, minute: Any, count: Any, analysis: Any) -> tuple[Any, Any, Any]:
        with desk.cursor() as cursor:
            reports, stamp = queries.node_stamp(cursor, node_id), queries.stamp(cursor)
        return changed(f"{desk.clock():%H:%M}", minute), changed(reports, count), changed(stamp.analysis, analysis)

    @app.callback(
        Output("node-notice", "children"),
        Output("node-alarms", "children"),
        Input("node-analysis", "data"),
        Input("alarm-settled", "data"),
        State("node-id", "data"),
    )
    def warn(_: str, __: Any, node_id: str) -> tuple[Any, Any]:
        fleet = desk.store.fleet()
        if node_id not in fleet.nodes:
            return panel("No longer in the fleet", note=RETIRED), []
        with desk.cursor() as cursor:
            standing = queries.active_alarms(cursor, node_id=node_id)
        shown: Any = panel("Active alarms", alarms.alarm_table(standing, fleet)) if standing else []
        return notice(desk), shown

    @app.callback(
        Output("node-facts", "children"),
        Output("node-drivers", "children"),
        Output("node-findings", "children"),
        Output("node-health", "children"),
        Output("node-wakes", "children"),
        Output("node-reports", "children"),
        Input("node-minute", "data"),
        Input("node-count", "data"),
        Input("node-analysis", "data"),
        State("node-id", "data"),
    )
    def fill(_: str, __: str, ___: str, node_id: str) -> tuple[Any, ...]:
        fleet, node, budget, zone = place(node_id)
        with desk.cursor() as cursor:
            now = queries.node_now(cursor, node_id)
            findings = queries.node_findings(cursor, node_id)
            common = queries.site_findings(cursor, node.site)
            ends, left = queries.end_of_life(cursor, node_id), queries.remaining(cursor, node_id)
            reports = queries.recent_reports(cursor, node_id)
            standing = queries.active_alarms(cursor, node_id=node_id)
            capacity = capacity_of(cursor, node_id)
        since = fleet.storage_since(desk.clock())[node_id]
        return (
            node_view.facts(now, standing, findings, budget, capacity, desk.clock(), zone),
            "No forecast yet." if now["driver"] is None else sentence(now["driver"]),
            node_view.findings_list(findings, common, fleet.sites[node.site].name),
            [
                *node_view.health_block(now, ends, left, budget, since),
                *node_view.remaining_block(now, left),
            ],
            node_view.wake_block(now, budget),
            node_view.report_table(reports, zone),
        )

    @app.callback(
        Output("node-visit", "children"),
        Input("node-analysis", "data"),
        State("node-id", "data"),
    )
    def plan_visit(_: str, node_id: str) -> Any:
        """By the rule of the visits page and what it looks ahead; once an analysis, for it asks for the whole fleet."""
        fleet, node, budget, _zone = place(node_id)
        with desk.cursor() as cursor:
            rows = queries.fleet_rows(cursor, fleet.budgets, desk.clock())
            now, findings = queries.node_now(cursor, node_id), queries.node_findings(cursor, node_id)
            common = {node.site} if queries.site_findings(cursor, node.site) else set()
        mine = rounds.plan(rows[rows["node_id"] == node_id], fleet, common, queries.ROUND_DAYS)
        return node_view.for_a_visit(mine[0] if mine else None, now, findings, budget)

    @app.callback(
        Output("node-voltage", "figure"),
        Input("node-count", "data"),
        Input("node-span", "value"),
        Input("scheme", "data"),
        State("node-id", "data"),
    )
    def draw_voltage(_: str, length: int, scheme: str | None, node_id: str) -> Any:
        now = desk.clock()
        shown = (now - timedelta(days=length), now)
        budget, zone = place(node_id)[2:]
        with desk.cursor() as cursor:
            points = queries.voltage_history(cursor, node_id, *shown)
            full_v = queries.full_voltage(queries.node_now(cursor, node_id), budget.storage)
        apart = SECONDS_PER_DAY * length / queries.POINTS_MAX
        gap_s = max(HOLE_INTERVALS * budget.telemetry.report_interval, 2 * apart)
        return figures.voltage(points, budget.storage, full_v, shown, zone, gap_s, theme_of(scheme))

    @app.callback(
        Output("node-ledger", "figure"),
        Output("node-harvest", "figure"),
        Output("node-lines", "children"),
        Input("node-analysis", "data"),
        Input("node-span", "value"),
        Input("scheme", "data"),
        State("node-id", "data"),
    )
    def draw_books(_: str, length: int, scheme: str | None, node_id: str) -> tuple[Any, Any, Any]:
        theme = theme_of(scheme)
        budget, zone = place(node_id)[2:]
        today = desk.clock().astimezone(ZoneInfo(zone)).date()
        shown = (today - timedelta(days=length), today)
        with desk.cursor() as cursor:
            estimates = queries.node_estimates(cursor, node_id)
            now, left = queries.node_now(cursor, node_id), queries.remaining(cursor, node_id)
            booked = queries.ledger_days(cursor, node_id, shown[0])
        budgeted = estimates.get("net_harvest_w", {})
        drawn = figures.harvest(booked, budgeted.get("budget"), budgeted.get("budget_sd"), shown, theme)
        held = now["full_autonomy_days"] is not None and not missing(queries.promised_days(budget))
        lines = [node_view.line_table(estimates, now, left, budget)]
        lines += node_view.not_promised(budget, "autonomy") if held else []
        return figures.ledger(booked, shown, theme), drawn, lines

    @app.callback(
        Output("node-fan", "figure"),
        Input("node-analysis", "data"),
        Input("node-ahead", "value"),
        Input("scheme", "data"),
        State("node-id", "data"),
    )
    def draw_fan(_: str, ahead: int, scheme: str | None, node_id: str) -> Any:
        budget, zone = place(node_id)[2:]
        with desk.cursor() as cursor:
            now = queries.node_now(cursor, node_id)
            return fan_of(cursor, now, budget, ahead, zone, theme_of(scheme))

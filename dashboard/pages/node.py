"""The node page: one node's facts, books, budget and forecast."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import dash
from dash import Input, Output, State, dcc, html

from analysis.ledger import HOLE_INTERVALS
from dashboard import figures, queries
from dashboard.pages.parts import (
    REFRESH_MS,
    Desk,
    alarm_table,
    changed,
    choice,
    fact,
    graph,
    pair,
    panel,
    table,
    text_or_dash,
    zone_of,
)
from dashboard.theme import Theme, theme_of
from dashboard.wording import (
    LINES,
    NOTHING,
    Line,
    age,
    chance,
    day_range,
    days,
    drivers,
    finding,
    moment,
    number,
    percent,
    plus_minus,
    span,
    verdict,
    volts,
)
from ingest.budget import Budget
from ingest.fleet import Fleet

AHEAD = {30: "30 d", 90: "90 d", 365: "365 d"}
SPANS = {7: "7 d", 30: "30 d", 90: "90 d", 365: "365 d"}


def title(node_id: str) -> str:
    """The title of the page."""
    return f"{node_id} · Joulebook"


def unknown(node_id: str) -> html.Div:
    """The page of a node that is not there."""
    return html.Div(
        [
            html.H1("Unknown node"),
            html.P(["The fleet has no node ", html.Strong(node_id), ". It may be misspelt, or not loaded yet."]),
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
            html.Div(id="node-alarms"),
            html.Dl(id="node-facts", className="facts wide"),
            html.P(id="node-drivers", className="statement"),
            panel("Findings", html.Div(id="node-findings")),
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
                " another cause, so the estimate leans on the budget.",
            ),
            panel("Latest reports", html.Div(id="node-reports"), note="The last to arrive, the latest first."),
        ]
    )


def facts(
    now: Mapping[str, Any],
    alarms: Sequence[queries.Row],
    findings: Sequence[queries.Row],
    budget: Budget,
    clock: datetime,
    zone: str,
) -> list[html.Div]:
    """The facts at the top of the page, from a row of `queries.node_now` and what stands against the node."""
    silence = None if now["observed_at"] is None else (clock - now["observed_at"]).total_seconds()
    curve = queries.curve_of(budget.storage)
    usable = None if now["storage_v"] is None else float(curve.usable(now["storage_v"]))
    full = curve.full_j - curve.cutoff_j
    forecast = now["p_dark_30d"] is not None
    heard = _heard(alarms, findings, None if usable is None else usable / full)
    return [
        fact("Last report", age(silence), f"{moment(now['observed_at'], zone)}{heard}", "alert" if heard else ""),
        fact(
            "Storage voltage",
            volts(now["storage_v"]),
            f"full {budget.storage.full_voltage:g} V, cut-off {budget.storage.cutoff_voltage:g} V",
        ),
        fact(
            "Usable energy",
            percent(None if usable is None else usable / full),
            f"{number(usable, 'J')} of {number(full, 'J')} at nominal capacity",
        ),
        fact("Days to depletion", days(now["days_p50"], forecast=forecast), _spread(now), _urgency(now)),
        fact("Visit by", visit_by(now, zone), f"{chance(queries.VISIT_RISK)} risk of being dark by then"),
        fact(
            "Chance of going dark",
            chance(now["p_dark_30d"]),
            f"in 30 d; {chance(now['p_dark_7d'])} in 7 d, {chance(now['p_dark_90d'])} in 90 d",
        ),
        fact("Autonomy", span(now["autonomy_days"]), "with no harvest, at the present load"),
        fact("Balance", number(_scaled(now["balance_w"], 1e6), "µW"), "net harvest less load"),
        fact("Storage", verdict(now["verdict"]), _condition(now)),
        fact("Boot count", text_or_dash(now["boot"]), f"wake count {text_or_dash(now['wakes'])}"),
    ]


def visit_by(now: Mapping[str, Any], zone: str) -> str:
    """The day by which a visit is due at the stated risk."""
    if now["p_dark_30d"] is None:
        return "no forecast yet"
    if now["days_p10"] is None:
        return days(None)
    at = now["as_of"] + timedelta(days=float(now["days_p10"]))
    return f"{at.tz_convert(zone):%Y-%m-%d}"


def findings_list(findings: Sequence[queries.Row], zone: str) -> html.Ul | html.P:
    """The findings with probability, since when, and evidence."""
    if not findings:
        return html.P("None in the latest analysis.", className="quiet")
    return html.Ul(
        [
            html.Li(
                [
                    html.Strong(finding(row["finding"])),
                    f" · {chance(row['probability'])} probable · since {moment(row['since'], zone)}",
                    html.P(row["evidence"], className="quiet"),
                ]
            )
            for row in findings
        ],
        className="findings",
    )


def line_table(estimates: Mapping[str, queries.Row], harvest_lower_bound: bool) -> html.Div | html.P:
    """Every budget line: budget, field estimate, their ratio, and whether the telemetry can tell."""
    if not estimates:
        return html.P("No estimate yet.", className="quiet")
    rows = [
        _line_cells(line, estimates[key], harvest_lower_bound and key == "net_harvest_w")
        for key, line in LINES.items()
        if key in estimates
    ]
    headers = ["Line", "Budget", "Field estimate", "Field / budget", "From the telemetry"]
    return table("Budget lines", headers, rows, numeric=(1, 2, 3))


def _line_cells(line: Line, row: queries.Row, lower_bound: bool) -> list[str]:
    least = "≥\u202f" if lower_bound else ""
    told = "separable" if row["separable"] else "not separable"
    over = percent(row["estimate"] / row["budget"]) if row["budget"] and row["budget"] > 0 else NOTHING
    return [
        line.name,
        plus_minus(row["budget"], row["budget_sd"], line),
        least + plus_minus(row["estimate"], row["sd"], line),
        over if over == NOTHING else least + over,
        "lower bound: curtailed while at full" if lower_bound and row["separable"] else told,
    ]


def report_table(reports: Sequence[queries.Row], zone: str) -> html.Div | html.P:
    """The reports that arrived last."""
    if not reports:
        return html.P("No report yet.", className="quiet")
    rows = [
        [
            moment(row["observed_at"], zone),
            volts(row["storage_v"]),
            volts(row["loaded_v"]),
            number(row["temp_c"], "°C"),
            text_or_dash(row["wakes"]),
            text_or_dash(row["boot"]),
            moment(row["received_at"], zone),
        ]
        for row in reports
    ]
    headers = ["Observed", "Storage voltage", "Loaded voltage", "Temperature", "Wake count", "Boot count", "Received"]
    return table("Latest reports", headers, rows, numeric=(1, 2, 3, 4, 5))


def fan_of(cursor: queries.Cursor, now: queries.Row, budget: Budget, ahead: int, zone: str, theme: Theme) -> Any:
    """The forecast's fan up to the usable energy at full voltage, at the estimated capacity."""
    capacity = queries.node_estimates(cursor, now["node_id"]).get("capacity_ratio")
    curve = queries.curve_of(budget.storage)
    full_j = (curve.full_j - curve.cutoff_j) * (capacity["estimate"] if capacity else 1.0)
    quantiles = {"10 %": now["days_p10"], "50 %": now["days_p50"], "90 %": now["days_p90"]}
    return figures.fan(queries.forecast_path(cursor, now["node_id"]), full_j, quantiles, ahead, zone, theme)


def _heard(alarms: Sequence[queries.Row], findings: Sequence[queries.Row], share: float | None) -> str:
    """What to say of a node that is not heard from; nothing of one that is."""
    found = {row["finding"] for row in findings}
    silent = any(alarm["kind"] == "silent" for alarm in alarms)
    if queries.taken_for_dark("dark" in found, "silent-charged" in found, silent, 1.0 if share is None else share):
        return "; taken to be dark"
    return "; silent" if silent or "silent-charged" in found else ""


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _spread(now: Mapping[str, Any]) -> str:
    if now["p_dark_30d"] is None:
        return ""
    return f"80 % of outcomes: {day_range(now['days_p10'], now['days_p90'])}"


def _urgency(now: Mapping[str, Any]) -> str:
    return "alert" if (now["p_dark_30d"] or 0.0) >= queries.VISIT_RISK else ""


def _condition(now: Mapping[str, Any]) -> str:
    if now["capacity_ratio"] is None:
        return ""
    share = Line("", "%", 100.0)
    text = f"capacity {plus_minus(now['capacity_ratio'], now['capacity_sd'], share)} of commissioning"
    fade = now["fade_per_year"]
    return text if fade is None else text + f", fade {number(fade * 100, '%', 2)} a year"


def register(app: dash.Dash, desk: Desk) -> None:
    """The page's callbacks."""

    def place(fleet: Fleet, node_id: str) -> tuple[Budget, str]:
        node = fleet.nodes[node_id]
        return fleet.budgets[node.budget], zone_of(fleet, node.site)

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
        Output("node-alarms", "children"),
        Output("node-facts", "children"),
        Output("node-drivers", "children"),
        Output("node-findings", "children"),
        Output("node-reports", "children"),
        Input("node-minute", "data"),
        Input("node-count", "data"),
        Input("node-analysis", "data"),
        State("node-id", "data"),
    )
    def fill(_: str, __: str, ___: str, node_id: str) -> tuple[Any, ...]:
        fleet, clock = desk.store.fleet(), desk.clock()
        budget, zone = place(fleet, node_id)
        with desk.cursor() as cursor:
            now = queries.node_now(cursor, node_id)
            findings = queries.node_findings(cursor, node_id)
            reports = queries.recent_reports(cursor, node_id)
            alarms = queries.active_alarms(cursor, node_id=node_id)
            ratios = queries.budget_ratios(now, queries.node_estimates(cursor, node_id), budget)
        return (
            panel("Active alarms", alarm_table(alarms, fleet)) if alarms else [],
            facts(now, alarms, findings, budget, clock, zone),
            drivers(now, ratios, findings[0]["finding"] if findings else None),
            findings_list(findings, zone),
            report_table(reports, zone),
        )

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
        budget, zone = place(desk.store.fleet(), node_id)
        with desk.cursor() as cursor:
            points = queries.voltage_history(cursor, node_id, *shown)
        gap_s = max(HOLE_INTERVALS * budget.telemetry.report_interval, 2 * 86400.0 * length / queries.POINTS_MAX)
        return figures.voltage(points, budget.storage, shown, zone, gap_s, theme_of(scheme))

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
        zone = place(desk.store.fleet(), node_id)[1]
        today = desk.clock().astimezone(ZoneInfo(zone)).date()
        shown = (today - timedelta(days=length), today)
        with desk.cursor() as cursor:
            estimates = queries.node_estimates(cursor, node_id)
            lower_bound = queries.node_now(cursor, node_id)["harvest_lower_bound"]
            booked = queries.ledger_days(cursor, node_id, shown[0])
        budgeted = estimates.get("net_harvest_w", {})
        drawn = figures.harvest(booked, budgeted.get("budget"), budgeted.get("budget_sd"), shown, theme)
        return figures.ledger(booked, shown, theme), drawn, line_table(estimates, lower_bound)

    @app.callback(
        Output("node-fan", "figure"),
        Input("node-analysis", "data"),
        Input("node-ahead", "value"),
        Input("scheme", "data"),
        State("node-id", "data"),
    )
    def draw_fan(_: str, ahead: int, scheme: str | None, node_id: str) -> Any:
        budget, zone = place(desk.store.fleet(), node_id)
        with desk.cursor() as cursor:
            now = queries.node_now(cursor, node_id)
            return fan_of(cursor, now, budget, ahead, zone, theme_of(scheme))

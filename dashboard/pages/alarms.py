"""The alarms of a page: the list, what stands for a whole site, and the form with which a person takes one on."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import dash
from dash import ALL, Input, Output, State, dcc, html

from dashboard import queries
from dashboard.pages.parts import Desk, named, node_link, table, zone_of
from dashboard.wording import NOTHING, chance, day, finding, moment, sentence
from ingest.acknowledge import NOTE_MAX, acknowledge
from ingest.fleet import Fleet

BUTTON = "take-on"  # one to each active alarm, with the alarm's id
TAKEN = "Acknowledged. The alarm stays in the list until its cause has passed."
TOO_LATE = "Nothing changed: somebody else has acknowledged the alarm, or it has been cleared."


def site_list(findings: Sequence[queries.Row], fleet: Fleet) -> html.Ul | None:
    """The findings that stand for many nodes of a site, each said once; nothing where there is none."""
    if not findings:
        return None
    return html.Ul(
        [
            html.Li(
                [
                    html.Strong(f"{fleet.sites[row['site']].name}: {finding('site-wide')}"),
                    f" · {chance(row['probability'])} probable · since {day(row['since'])}",
                    html.P(sentence(row["evidence"]), className="quiet"),
                ]
            )
            for row in findings
        ],
        className="findings site-wide",
    )


def alarm_table(alarms: Sequence[queries.Row], fleet: Fleet) -> html.Div | html.P:
    """The alarms that are not cleared, times on the clock of each alarm's site; since when in UTC as well."""
    if not alarms:
        return html.P("No active alarm.", className="quiet")
    rows = [
        [
            html.Span(alarm["priority"], className=f"priority priority-{alarm['priority']}"),
            alarm["kind"].replace("-", " "),
            node_link(alarm["node_id"]) if alarm["node_id"] else "whole site",
            fleet.sites[alarm["site"]].name if alarm["site"] in fleet.sites else alarm["site"],
            _since(alarm["raised_at"], zone_of(fleet, alarm["site"])),
            _state(alarm, zone_of(fleet, alarm["site"])),
            sentence(alarm["note"]) or NOTHING,
        ]
        for alarm in alarms
    ]
    headers = ["Priority", "Alarm", "Node", "Site", "Since", "State", "Evidence"]
    return table("Active alarms", headers, rows, stacks=True)


def _since(raised_at: datetime, zone: str) -> Any:
    """When an alarm was raised on the clock of its site, and in UTC, the days of which its evidence names."""
    on_site, everywhere = moment(raised_at, zone), moment(raised_at, "UTC")
    return on_site if zone == "UTC" else html.Div([on_site, html.Div(everywhere, className="quiet")])


def _state(alarm: queries.Row, zone: str) -> Any:
    """Where the alarm stands in its life, and the way on."""
    if alarm["state"] != "active":
        return f"{alarm['state']} {moment(alarm['acknowledged_at'], zone)}"
    whose = f"{alarm['kind']} of {alarm['node_id'] or alarm['site']}"
    button = html.Button(
        "Acknowledge", id={"type": BUTTON, "alarm": alarm["alarm_id"]}, type="button", **named(f"Acknowledge {whose}")
    )
    return [button, html.Span("active", className="on-paper")]


def form() -> html.Div:
    """The place where an alarm is taken on; apart from the list, so that the list can change while one writes."""
    return html.Div(
        [
            dcc.Store(id="alarm-chosen"),
            dcc.Store(id="alarm-settled"),
            html.Div(id="alarm-form", className="ask", role="status"),
        ]
    )


def question(alarm: queries.Row) -> list[Any]:
    """What is asked before an alarm is acknowledged."""
    return [
        html.Label(
            [
                f"Who acts on {alarm['kind']} of {alarm['node_id'] or alarm['site']}, and how? (optional)",
                dcc.Input(id="alarm-note", type="text", maxLength=NOTE_MAX, autoFocus=True, autoComplete="off"),
            ]
        ),
        html.Button("Acknowledge", id="alarm-confirm", type="button"),
        html.Button("Leave it", id="alarm-leave", type="button"),
    ]


def settle(desk: Desk, alarm_id: str, note: str | None) -> str:
    """Acknowledge an alarm now; what to say of it."""
    return TAKEN if acknowledge(desk.store, alarm_id, desk.clock(), note or "") else TOO_LATE


def register(app: dash.Dash, desk: Desk) -> None:
    """The callbacks of the form."""

    @app.callback(
        Output("alarm-form", "children"),
        Output("alarm-chosen", "data"),
        Input({"type": BUTTON, "alarm": ALL}, "n_clicks"),
        Input("alarm-settled", "data"),
        prevent_initial_call=True,
    )
    def ask(_: list[int | None], said: dict[str, Any] | None) -> tuple[Any, Any]:
        pressed = dash.ctx.triggered_id
        if pressed == "alarm-settled":
            return html.P(said["said"]) if said and said["said"] else [], None
        if not dash.ctx.triggered[0]["value"]:  # a button that has only just appeared
            return dash.no_update, dash.no_update
        with desk.cursor() as cursor:
            found = [a for a in queries.active_alarms(cursor) if a["alarm_id"] == pressed["alarm"]]
        return (question(found[0]), pressed["alarm"]) if found else (html.P(TOO_LATE), None)

    @app.callback(
        Output("alarm-settled", "data"),
        Input("alarm-confirm", "n_clicks"),
        Input("alarm-note", "n_submit"),
        Input("alarm-leave", "n_clicks"),
        State("alarm-chosen", "data"),
        State("alarm-note", "value"),
        prevent_initial_call=True,
    )
    def answer(_: Any, __: Any, ___: Any, alarm_id: str | None, note: str | None) -> Any:
        if alarm_id is None or not dash.ctx.triggered[0]["value"]:  # the form has only just appeared
            return dash.no_update
        said = "" if dash.ctx.triggered_id == "alarm-leave" else settle(desk, alarm_id, note)
        return {"said": said, "at": desk.clock().isoformat()}

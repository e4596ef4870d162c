"""Pieces that more than one page is built from."""

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

import dash
from dash import dcc, html

from dashboard import queries
from dashboard.wording import NOTHING
from ingest.fleet import Fleet
from ingest.store import Store

GRAPH_CONFIG: Any = {
    "displaylogo": False,
    "responsive": False,  # assets/joulebook.js fits the figures
    "displayModeBar": "hover",
    "modeBarButtonsToRemove": ["lasso2d", "select2d", "autoScale2d"],
}
REFRESH_MS = 5_000  # how often a page asks whether anything is new


@dataclass(frozen=True)
class Desk:
    """What the callbacks work with: the store and the clock."""

    store: Store
    clock: Callable[[], datetime]

    def cursor(self) -> "closing[queries.Cursor]":
        """A cursor for one answer, closed on leaving."""
        return closing(self.store.cursor())


def node_href(node_id: str) -> str:
    """The address of a node's page."""
    return f"/node/{quote(node_id, safe='')}"


def node_link(node_id: str) -> dcc.Link:
    """A link to a node's page."""
    return dcc.Link(node_id, href=node_href(node_id))


def fact(label: str, value: Any, note: Any = "", mark: str = "") -> html.Div:
    """One labelled value; `mark` is a class that says it asks for attention."""
    children = [html.Dt(label), html.Dd(value, className="value")]
    if note:
        children.append(html.Dd(note, className="note"))
    return html.Div(children, className=f"fact {mark}".strip())


def table(
    caption: str,
    headers: Sequence[str],
    rows: Sequence[Sequence[Any]],
    numeric: Sequence[int] = (),
    *,
    stacks: bool = False,
) -> html.Div:
    """A table that scrolls inside its own frame; the columns numbered in `numeric` are set to the right.

    One that `stacks` shows each row as a list on a narrow screen, so that nothing to act on lies out of view.
    """

    def kind(index: int) -> str:
        return "number" if index in numeric else ""

    def cell(index: int, content: Any) -> html.Td:
        label: Any = {"data-label": headers[index]}
        return html.Td(content, className=kind(index), **label)

    head = html.Tr([html.Th(text, scope="col", className=kind(i)) for i, text in enumerate(headers)])
    body = [html.Tr([cell(i, content) for i, content in enumerate(row)]) for row in rows]
    inside = html.Table(
        [html.Caption(caption, className="unseen"), html.Thead(head), html.Tbody(body)],
        className="stacks" if stacks else "",
    )
    return html.Div(inside, className="scroll", tabIndex=0, role="region", **named(caption))


def notice(desk: Desk) -> html.Section | None:
    """What a page says while there is nothing to show; nothing once an analysis has been made."""
    if desk.store.meta("analysed_as_of") is not None:
        return None
    with desk.cursor() as cursor:
        reports = queries.stamp(cursor).reports
    if not desk.store.fleet().nodes:
        said = "No fleet in this store yet: load its folder with joulebook fleet DIR."
    elif not reports:
        said = "No report in this store yet. The page fills by itself once nodes have been heard from."
    else:
        said = (
            f"No analysis yet; reports stored: {text_or_dash(reports)}. Under serve and in the demo the first one is"
            " being computed now: the ledger day by day, then estimates, forecast, storage health and findings. The"
            " page fills by itself when it is done. The dashboard alone computes nothing: stop it and run joulebook"
            " analyse first."
        )
    return html.Section([html.P(said)], className="panel", role="status")


def named(label: str) -> dict[str, Any]:
    """The property that names a component for those who cannot see it."""
    return {"aria-label": label}


def panel(title: str, *children: Any, note: str = "") -> html.Section:
    """A titled part of a page."""
    heading = [html.H2(title), *([html.P(note, className="quiet")] if note else [])]
    return html.Section([*heading, *children], className="panel")


def graph(identity: str, label: str) -> html.Div:
    """A place for a figure, named for those who cannot see it."""
    inside = dcc.Graph(id=identity, config=GRAPH_CONFIG, responsive="auto")
    return html.Div(inside, className="graph", role="figure", **named(label))


def pair(*panels: html.Section) -> html.Div:
    """Panels side by side where there is room."""
    return html.Div(list(panels), className="pair")


def choice(identity: str, label: str, options: dict[Any, str], value: Any) -> html.Fieldset:
    """One of a few, as radio buttons."""
    buttons = dcc.RadioItems(
        id=identity, options=[{"value": v, "label": t} for v, t in options.items()], value=value, inline=True
    )
    return html.Fieldset([html.Legend(label), buttons], className="choice")


def site_names(fleet: Fleet) -> dict[str, str]:
    """Site names by site, in a fixed order."""
    return {site.site: site.name for site in fleet.sites.values()}


def zone_of(fleet: Fleet, site: str) -> str:
    """The time zone of a site, UTC for a site that is no longer in the fleet."""
    return fleet.sites[site].timezone if site in fleet.sites else "UTC"


def common_zone(fleet: Fleet) -> str:
    """The time zone that all sites share, or UTC."""
    zones = {site.timezone for site in fleet.sites.values()}
    return zones.pop() if len(zones) == 1 else "UTC"


def changed(new: Any, old: Any) -> Any:
    """`new`, or Dash's word for leaving things as they are when it equals `old`."""
    return dash.no_update if new == old else new


def text_or_dash(value: Any) -> str:
    """A whole number or a word as text, or a dash."""
    if value is None:
        return NOTHING
    return f"{value:,.0f}".replace(",", "\u202f") if isinstance(value, (int, float)) else str(value)

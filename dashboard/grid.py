"""The fleet table: its columns, its rows, and the grid that shows them.

Values stand in the rows in the unit of the column's heading, so that a filter is typed as the number is read.
"""

from collections.abc import Mapping
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import html

from dashboard.wording import causes, verdict, whole_percent

TOOLTIP_MS = 300  # until a cell that is too narrow for its words says them all
COLOURS = {
    "backgroundColor": "--surface", "foregroundColor": "--ink", "headerBackgroundColor": "--raised",
    "headerTextColor": "--ink", "borderColor": "--rule", "accentColor": "--accent", "rowHoverColor": "--raised",
    "menuBackgroundColor": "--surface", "chromeBackgroundColor": "--raised",
}  # fmt: skip


def records(rows: pd.DataFrame, sites: Mapping[str, str], take: Mapping[str, str]) -> list[dict[str, Any]]:
    """The rows of the grid, from `queries.fleet_rows`, with None where there is nothing.

    Parameters
    ----------
    sites, take : mapping
        Names by site; what to take to a visit by node, for those that need one.
    """
    shown = pd.DataFrame(
        {
            "node_id": rows["node_id"],
            "site": rows["site"].map(lambda site: sites.get(site, site)),
            "budget": rows["budget"],
            "days_p10": rows["days_p10"].round(1),
            "days_p50": rows["days_p50"].round(1),
            "days_p90": rows["days_p90"].round(1),
            "forecast": rows["p_dark_30d"].notna(),
            "dark_percent": whole_percent(rows["p_dark_30d"]),
            "causes": rows["causes"].map(causes),
            "take": rows["node_id"].map(take),
            "storage_v": rows["storage_v"].round(3),
            "usable_percent": whole_percent(rows["usable_share"]),
            "autonomy_days": rows["autonomy_days"].round(2),
            "harvest_percent": whole_percent(rows["harvest_ratio"]),
            "harvest_lower_bound": rows["harvest_lower_bound"],
            "load_percent": whole_percent(rows["load_ratio"]),
            "balance_uw": (rows["balance_w"] * 1e6).round(2),
            "verdict": rows["verdict"].map(verdict, na_action=None),
            "silence_h": (rows["silence_s"] / 3600).round(2),
            "visit_due": rows["node_id"].isin(list(take)),
        }
    ).astype(object)
    return [{str(k): v for k, v in row.items()} for row in shown.where(shown.notna(), None).to_dict("records")]


def fleet_grid(identity: str) -> dag.AgGrid:
    """The grid, empty; rows open with a click or Enter and carry a link."""
    colours = ", ".join(f"{name}: 'var({variable})'" for name, variable in COLOURS.items())
    sizes = "fontSize: 13, spacing: 6, cellHorizontalPadding: 8, iconSize: 12"
    theme = f"themeQuartz.withParams({{{colours}, fontFamily: 'inherit', browserColorScheme: 'inherit', {sizes}}})"
    return dag.AgGrid(
        id=identity,
        columnDefs=_columns(),
        rowData=[],
        getRowId="params.data.node_id",
        defaultColDef={
            "sortable": True, "filter": True, "resizable": True, "suppressHeaderMenuButton": True,
            "wrapHeaderText": True, "autoHeaderHeight": True,
        },
        eventListeners={"cellKeyDown": ["openOnEnter(params)"], "rowClicked": ["openOnClick(params)"]},
        dashGridOptions={
            "theme": {"function": theme},
            "rowClassRules": {"row-due": "params.data.visit_due"},
            "localeText": {"noRowsToShow": "No node here."},
            "animateRows": False,
            "enableCellTextSelection": True,
            "tooltipShowDelay": TOOLTIP_MS,
        },
        className="grid",
        style={"height": "34rem", "width": "100%"},
    )  # fmt: skip


def paper(identity: str) -> html.Div:
    """Where the browser puts the plain table that a grid is printed as; on a screen there is nothing."""
    of_grid: Any = {"data-grid": identity}
    return html.Div(className="paper", **of_grid)


def _columns() -> list[dict[str, Any]]:
    return [
        {
            "field": "node_id", "headerName": "Node", "pinned": "left", "width": 92, "cellRenderer": "NodeLink",
            "filter": "agTextColumnFilter",
        },
        {
            "headerName": "Days to depletion (d)",
            "children": [
                _number("days_p10", "10 %", 100, "daysAhead(params)") | {"sort": "asc"},
                _number("days_p50", "50 %", 100, "daysAhead(params)"),
                _number("days_p90", "90 %", 100, "daysAhead(params)"),
            ],
        },
        _number("dark_percent", "Dark within 30 d (%)", 82, "chance(params)"),
        _text("causes", "Causes, the most probable first", 180) | {"cellClass": "at-length"},
        _text("take", "Take to the visit", 152) | {"cellClass": "at-length"},
        _number("usable_percent", "Usable energy (% of full)", 86, "plain(params, 0)"),
        _number("autonomy_days", "Autonomy (d)", 102, "plain(params, 1)"),
        _number("harvest_percent", "Net harvest (% of budget)", 86, "bounded(params)"),
        _number("load_percent", "Load (% of budget)", 86, "plain(params, 0)"),
        _text("site", "Site", 116),
        _number("storage_v", "Storage voltage (V)", 96, "plain(params, 3)"),
        _number("balance_uw", "Balance, next 7 d (µW)", 100, "plain(params, 1)"),
        _text("verdict", "Storage verdict", 110),
        _text("budget", "Budget", 160),
        _number("silence_h", "Last report (age)", 100, "age(params)"),
    ]  # fmt: skip


def _text(field: str, title: str, width: int) -> dict[str, Any]:
    return {"field": field, "headerName": title, "width": width, "filter": "agTextColumnFilter", "tooltipField": field}


def _number(field: str, title: str, width: int, shown: str) -> dict[str, Any]:
    return {
        "field": field, "headerName": title, "width": width, "filter": "agNumberColumnFilter", "type": "rightAligned",
        "valueFormatter": {"function": shown}, "comparator": {"function": "emptyLast"},
    }  # fmt: skip

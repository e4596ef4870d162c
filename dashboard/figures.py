"""Figures from data alone: data frames and numbers in, a plotly figure out.

Times go in as UTC and stand on the axis as the site's local time, which the axis title names; the hour that a clock
change repeats is drawn over itself.
"""

from collections.abc import Mapping
from datetime import date, datetime
from html import escape
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from dashboard.theme import SYMBOLS, Theme
from dashboard.wording import LINES, number, percent
from ingest.budget import Storage

LANE_SHARE = 0.7  # of the room between two budgets that the sites' lanes take up


def empty(message: str, theme: Theme) -> go.Figure:
    """A figure that says why there is nothing to draw."""
    figure = blank(theme)
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    figure.add_annotation(text=message, showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper")
    return figure


def voltage(
    points: pd.DataFrame,
    storage: Storage,
    full_v: float,
    span: tuple[datetime, datetime],
    zone: str,
    gap_s: float,
    theme: Theme,
) -> go.Figure:
    """Storage voltage over time with the storage's limits.

    Parameters
    ----------
    points : DataFrame
        `observed_at` (UTC), `storage_v` [V], in order of time.
    full_v : float
        At which the node is full. [V]
    span : tuple of datetime
        From when to when; shown to its end even where the node has fallen silent.
    gap_s : float
        The line breaks where reports are further apart. [s]
    """
    if points.empty:
        return empty("No report in this span.", theme)
    broken = _with_gaps(points, gap_s)
    figure = blank(theme)
    figure.add_scatter(
        x=_local(broken["observed_at"], zone), y=broken["storage_v"], mode="lines", name="Storage voltage",
        line={"color": theme.voltage, "width": 1.6}, connectgaps=False, showlegend=False,
        hovertemplate="%{x|%Y-%m-%d %H:%M}<br>%{y:.3f} V<extra></extra>",
    )  # fmt: skip
    limits = [("full", full_v, theme.harvest), ("cut-off", storage.cutoff_voltage, theme.limit)]
    if storage.restart_voltage is not None and storage.restart_voltage != storage.cutoff_voltage:
        limits.append(("restart", storage.restart_voltage, theme.wake))
    for name, level, colour in limits:
        _level(figure, level, f"{name} {round(level, 3):g} V", colour)
    low = min(storage.cutoff_voltage, float(points["storage_v"].min()))
    high = max(full_v, float(points["storage_v"].max()))
    figure.update_yaxes(title_text="Storage voltage (V)", range=[low - 0.06 * (high - low), high + 0.1 * (high - low)])
    ends = _local(pd.Series(span, dtype="datetime64[us, UTC]"), zone)
    figure.update_xaxes(title_text=f"Site time ({zone})", range=list(ends))
    return figure


def ledger(days: pd.DataFrame, span: tuple[date, date], theme: Theme) -> go.Figure:
    """The ledger by day: net harvest above zero, wakes and sleep below, the stored change as points.

    Parameters
    ----------
    days : DataFrame
        `day, net_harvest_j, wake_j, sleep_j, stored_change_j, full_s, observed_s`.
    span : tuple of date
        First and last day shown.
    """
    if days.empty:
        return empty("No ledger in this span.", theme)
    figure = blank(theme)
    hours = days["observed_s"] / 3600
    for name, values, colour, pattern in (
        ("Net harvest", days["net_harvest_j"], theme.harvest, ""),
        ("Wakes", -days["wake_j"], theme.wake, "/"),
        ("Sleep", -days["sleep_j"], theme.sleep, "."),
    ):
        figure.add_bar(
            x=days["day"], y=values, name=name, customdata=hours,
            marker={"color": colour, "line": {"width": 0}, "pattern": _hatch(pattern, theme)},
            hovertemplate="%{x|%Y-%m-%d}: %{y:.3g} J in %{customdata:.1f} h observed<extra>" + name + "</extra>",
        )  # fmt: skip
    figure.add_scatter(
        x=days["day"], y=days["stored_change_j"], mode="markers", name="Stored change",
        marker={"color": theme.ink, "symbol": "diamond", "size": 6},
        hovertemplate="%{x|%Y-%m-%d}: %{y:.3g} J<extra>Stored change</extra>",
    )  # fmt: skip
    _mark_full(figure, days, days["net_harvest_j"].clip(lower=0), theme.ink)
    figure.update_layout(barmode="relative", bargap=0.15)
    figure.update_yaxes(title_text="Energy (J per day)")
    _day_axis(figure, span)
    return figure


def harvest(
    days: pd.DataFrame, budget_w: float | None, budget_sd_w: float | None, span: tuple[date, date], theme: Theme
) -> go.Figure:
    """Net harvest by day and its four-week mean against the budget's mean and tolerance.

    Parameters
    ----------
    days : DataFrame
        `day, net_harvest_w, mean_28d_w, mean_is_lower_bound, full_s`.
    budget_w, budget_sd_w : float or None
        The budget's net harvest and its standard deviation. [W]
    span : tuple of date
        First and last day shown.
    """
    if days.empty:
        return empty("No ledger in this span.", theme)
    figure = blank(theme)
    if budget_w is not None:
        if budget_sd_w is not None:
            _band(figure, (budget_w - budget_sd_w) * 1e6, (budget_w + budget_sd_w) * 1e6, theme)
        _level(figure, budget_w * 1e6, f"budget {number(budget_w * 1e6, 'µW')}", theme.budget)
    daily = days["net_harvest_w"] * 1e6
    figure.add_scatter(
        x=days["day"], y=daily, mode="markers", name="Day", marker={"color": theme.harvest, "size": 5, "opacity": 0.6},
        hovertemplate="%{x|%Y-%m-%d}: %{y:.3g} µW<extra>Day</extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=days["day"], y=days["mean_28d_w"] * 1e6, mode="lines",
        name="28-day mean (a lower bound)" if days["mean_is_lower_bound"].any() else "28-day mean",
        line={"color": theme.voltage, "width": 2.4},
        hovertemplate="%{x|%Y-%m-%d}: %{y:.3g} µW<extra>28-day mean</extra>",
    )  # fmt: skip
    _mark_full(figure, days, daily, theme.harvest)
    figure.update_yaxes(title_text="Net harvest (µW)")
    _day_axis(figure, span)
    return figure


def fan(
    path: pd.DataFrame, full_j: float, quantiles: Mapping[str, float | None], ahead: int, zone: str, theme: Theme
) -> go.Figure:
    """The forecast of usable energy as a fan: 80 % and 90 % bands and the median.

    Parameters
    ----------
    path : DataFrame
        Rows of `forecast_path` of one analysis: `as_of` (UTC), `days_ahead` [d], `usable_p05_j` to `usable_p95_j` [J].
    full_j : float
        Usable energy at full voltage. [J]
    quantiles : mapping
        Days to depletion by the chance of having gone dark by then, such as {"10 %": 17.0}; None is past the horizon.
    ahead : int
        How far to look. [d]
    """
    if path.empty:
        return empty("No forecast yet.", theme)
    path = path[path["days_ahead"] <= ahead]
    figure = blank(theme)
    at = _local(path["as_of"] + pd.to_timedelta(path["days_ahead"], unit="D"), zone)
    for low, high, share, alpha in (
        ("usable_p05_j", "usable_p95_j", "90 %", 0.22),
        ("usable_p10_j", "usable_p90_j", "80 %", 0.38),
    ):
        edge = {"mode": "lines", "line": {"width": 0}, "x": at, "hoverinfo": "skip"}
        figure.add_scatter(y=path[high], showlegend=False, name=f"upper edge of {share}", **edge)
        figure.add_scatter(
            y=path[low], name=f"{share} of outcomes", fill="tonexty", fillcolor=_rgba(theme.voltage, alpha), **edge
        )
    figure.add_scatter(
        x=at, y=path["usable_p50_j"], mode="lines", name="Median", line={"color": theme.voltage, "width": 2.4},
        customdata=path[["usable_p05_j", "usable_p10_j", "usable_p90_j", "usable_p95_j"]],
        hovertemplate="%{x|%Y-%m-%d}: %{y:.3g} J<br>80 %: %{customdata[1]:.3g} to %{customdata[2]:.3g} J"
        "<br>90 %: %{customdata[0]:.3g} to %{customdata[3]:.3g} J<extra></extra>",
    )  # fmt: skip
    _level(figure, 0.0, "cut-off: dark", theme.limit, "bottom right")
    _level(figure, full_j, f"full {number(full_j, 'J')}", theme.harvest)
    shown = {chance: value for chance, value in quantiles.items() if value is not None and value <= ahead}
    _mark_depletion(figure, path["as_of"].iloc[0], shown, zone, theme)
    figure.update_yaxes(title_text="Usable energy (J)", range=[-0.14 * full_j, 1.12 * full_j])
    figure.update_xaxes(title_text=f"Date ({zone})")
    return figure


def field(ratios: pd.DataFrame, line: str, sites: Mapping[str, str], theme: Theme) -> go.Figure:
    """One budget line in the field, over its budget: a point a node, a row a budget, a shape a site.

    Parameters
    ----------
    ratios : DataFrame
        Rows of `queries.field_ratios`.
    line : str
        Which line to draw.
    sites : mapping
        Site names by site; their order gives colour and shape, whatever the rows hold.
    """
    rows = ratios[ratios["line"] == line]
    if rows.empty:
        return empty("No estimate of this line yet.", theme)
    figure = blank(theme)
    budgets = sorted(rows["budget"].unique(), reverse=True)
    height = {name: index for index, name in enumerate(budgets)}
    for name in budgets:
        mine = rows[rows["budget"] == name]
        _budget_row(figure, height[name], mine["ratio"] * 100, mine["tolerance"].median(), theme)
    lane = _lanes(rows, list(sites))
    for index, (site, title) in enumerate(sites.items()):
        mine = rows[rows["site"] == site]
        if not mine.empty:
            _site_points(figure, mine, mine["budget"].map(height) + lane[mine.index], escape(title), index, theme)
    _mark_lower_bounds(figure, rows, rows["budget"].map(height) + lane, theme)
    figure.add_vline(x=100, line={"color": theme.budget, "dash": "dash", "width": 1.5})
    figure.update_yaxes(
        tickvals=list(height.values()), ticktext=budgets, range=[-0.6, len(budgets) - 0.4], zeroline=False
    )
    figure.update_xaxes(title_text=f"{LINES[line].name}<br>(% of budget)")  # in one line too long for a phone
    figure.update_layout(height=150 + 70 * len(budgets))
    return figure


def blank(theme: Theme) -> go.Figure:
    """A figure with nothing on it yet."""
    return go.Figure(layout={"template": theme.template(), "height": 380})


def _local(times: "pd.Series[pd.Timestamp]", zone: str) -> Any:
    return times.dt.tz_convert(zone).dt.tz_localize(None)


def _with_gaps(points: pd.DataFrame, gap_s: float) -> pd.DataFrame:
    """`points` with an empty row after each report that the next one follows too late."""
    late = points["observed_at"].diff().shift(-1).dt.total_seconds() > gap_s
    holes = points[late].assign(storage_v=float("nan"))
    broken: pd.DataFrame = pd.concat([points, holes], ignore_index=True)
    return broken.sort_values("observed_at", kind="stable")


def _level(figure: go.Figure, level: float, label: str, colour: str, where: str = "top right") -> None:
    figure.add_hline(
        y=level, line={"color": colour, "dash": "dash", "width": 1.4},
        annotation={"text": label, "font": {"color": colour, "size": 12}, "xanchor": "right"},
        annotation_position=where,
    )  # fmt: skip


def _day_axis(figure: go.Figure, span: tuple[date, date]) -> None:
    half = pd.Timedelta("12h")
    ends = [pd.Timestamp(span[0]) - half, pd.Timestamp(span[1]) + half]
    figure.update_xaxes(title_text="Day (site calendar)", range=ends)


def _hatch(shape: str, theme: Theme) -> dict[str, Any]:
    return {
        "shape": shape,
        "fillmode": "overlay",
        "fgcolor": theme.ground,
        "fgopacity": 0.7,
        "size": 6,
        "solidity": 0.2,
    }


def _band(figure: go.Figure, low: float, high: float, theme: Theme) -> None:
    figure.add_hrect(y0=low, y1=high, fillcolor=_rgba(theme.budget, 0.16), line={"width": 0}, layer="below")


def _mark_full(figure: go.Figure, days: pd.DataFrame, heights: "pd.Series[float]", colour: str) -> None:
    """Arrows upwards on days with hours at full voltage: what is drawn there is a lower bound."""
    full = days["full_s"] > 0
    if full.any():
        figure.add_scatter(
            x=days["day"][full], y=heights[full], mode="markers", name="Lower bound (hours at full)",
            marker={"symbol": "triangle-up-open", "size": 9, "color": colour},
            customdata=days["full_s"][full] / 3600,
            hovertemplate="%{x|%Y-%m-%d}: full for %{customdata:.1f} h, net harvest is a lower bound<extra></extra>",
        )  # fmt: skip


def _mark_depletion(
    figure: go.Figure, as_of: datetime, quantiles: Mapping[str, float], zone: str, theme: Theme
) -> None:
    """A mark at each day to depletion; the legend names them in their order, for labels would lie on the fan."""
    if not quantiles:
        return
    at = [(pd.Timestamp(as_of) + pd.Timedelta(days=value)).tz_convert(zone) for value in quantiles.values()]
    figure.add_scatter(
        x=[moment.tz_localize(None) for moment in at], y=[0.0] * len(at), mode="markers", customdata=list(quantiles),
        name=f"Gone dark by then: {', '.join(quantiles)}",
        marker={"color": theme.limit, "symbol": "diamond", "size": 9},
        hovertemplate="%{customdata} dark by %{x|%Y-%m-%d}<extra></extra>",
    )  # fmt: skip


def _budget_row(figure: go.Figure, height: int, percents: "pd.Series[float]", tolerance: float, theme: Theme) -> None:
    """The tolerance of a budget as a band and the median of its nodes as a stroke."""
    if tolerance == tolerance:  # not NaN
        figure.add_shape(
            type="rect", x0=100 * (1 - tolerance), x1=100 * (1 + tolerance), y0=height - 0.42, y1=height + 0.42,
            fillcolor=_rgba(theme.budget, 0.16), line={"width": 0}, layer="below",
        )  # fmt: skip
    middle = float(percents.median())
    figure.add_scatter(
        x=[middle, middle], y=[height - 0.42, height + 0.42], mode="lines", showlegend=False, name="median",
        line={"color": theme.ink, "width": 2.5}, hovertemplate=f"median {percent(middle / 100)}<extra></extra>",
    )  # fmt: skip


def _lanes(rows: pd.DataFrame, order: list[str]) -> "pd.Series[float]":
    """How far above its budget's row each point stands: the sites that share a budget side by side."""
    lane = pd.Series(0.0, index=rows.index)
    for _, mine in rows.groupby("budget"):
        present = sorted(mine["site"].unique(), key=lambda site: order.index(site) if site in order else len(order))
        step = LANE_SHARE / len(present)
        lane[mine.index] = mine["site"].map(
            {site: step * (len(present) / 2 - 0.5 - i) for i, site in enumerate(present)}
        )
    return lane


def _mark_lower_bounds(figure: go.Figure, rows: pd.DataFrame, heights: Any, theme: Theme) -> None:
    bound = rows["lower_bound"]
    if bound.any():
        figure.add_scatter(
            x=rows["ratio"][bound] * 100, y=heights[bound] + 0.2, mode="markers", hoverinfo="skip",
            name="Lower bound (hours at full)", marker={"symbol": "arrow-right", "size": 7, "color": theme.muted},
        )  # fmt: skip


def _site_points(figure: go.Figure, rows: pd.DataFrame, heights: Any, title: str, index: int, theme: Theme) -> None:
    """The nodes of one site; hollow where the telemetry cannot tell the line from another."""
    colour = theme.categories[index % len(theme.categories)]
    symbol = SYMBOLS[index % len(SYMBOLS)]
    shown = [symbol if told else f"{symbol}-open" for told in rows["separable"]]
    note = ["" if told else "<br>not separable" for told in rows["separable"]]
    figure.add_scatter(
        x=rows["ratio"] * 100, y=heights, mode="markers", name=title,
        customdata=list(zip(rows["node_id"], note, strict=True)),
        marker={"color": colour, "symbol": shown, "size": 8, "opacity": 0.85, "line": {"width": 1.2, "color": colour}},
        hovertemplate="%{customdata[0]}: %{x:.0f} %%{customdata[1]}<extra>" + title + "</extra>",
    )  # fmt: skip


def _rgba(colour: str, alpha: float) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"

"""Figures of how past forecasts came out: data frames in, a plotly figure out."""

import pandas as pd
import plotly.graph_objects as go

from dashboard.figures import blank, empty
from dashboard.theme import SYMBOLS, Theme

METHODS = {
    "forecast": "Forecast",
    "weekday": "Past days drawn by weekday",
    "slope": "Voltage slope",
    "mean": "Mean of 30 days",
    "wcma": "WCMA",
    "pro_energy": "Pro-Energy",
}
NOT_YET = "Not enough past forecasts."
LEAST_GROUP = 5  # forecasts of a group for its share to be drawn
WORST = -100.0  # per cent: a bar that goes further down is cut


def reliability(groups: pd.DataFrame, theme: Theme) -> go.Figure:
    """What was said against what came, on the diagonal if the chances were right; a point a group of LEAST_GROUP up.

    Parameters
    ----------
    groups : DataFrame
        Rows of the table `reliability` of one run and horizon: `method, said, came, low, high, n`.
    """
    groups = groups[groups["n"] >= LEAST_GROUP]
    if groups.empty:
        return empty(NOT_YET, theme)
    figure = blank(theme)
    figure.add_scatter(
        x=[0, 100], y=[0, 100], mode="lines", name="As said", hoverinfo="skip",
        line={"color": theme.muted, "dash": "dash", "width": 1.4},
    )  # fmt: skip
    for index, (method, name) in enumerate(METHODS.items()):
        mine = groups[groups["method"] == method].sort_values("said")
        if mine.empty:
            continue
        main = method == "forecast"
        colour = _colour(method, theme)
        allowed = {}
        if main:
            _chance(figure, mine, theme)
            allowed = {"text": [f"{n:,}".replace(",", "\u202f") for n in mine["n"]], "textposition": "top center"}
        figure.add_scatter(
            x=100 * mine["said"], y=100 * mine["came"], mode="lines+markers+text" if main else "lines+markers",
            name=name, line={"color": colour, "width": 2.2 if main else 1.2},
            marker={"color": colour, "symbol": SYMBOLS[index], "size": 9 if main else 7}, customdata=mine["n"],
            hovertemplate="said %{x:.0f} %, came %{y:.0f} % of %{customdata}<extra>" + name + "</extra>", **allowed,
        )  # fmt: skip
    figure.update_xaxes(title_text="Chance that was said (%)", range=[-4, 104])
    figure.update_yaxes(title_text="Share that went dark (%)", range=[-6, 110])
    return figure


def _chance(figure: go.Figure, mine: pd.DataFrame, theme: Theme) -> None:
    """Strokes within which the share lies 95 times in 100 if the chance said is right."""
    x: list[float | None] = []
    y: list[float | None] = []
    for said, low, high in zip(mine["said"], mine["low"], mine["high"], strict=True):
        x += [100 * said, 100 * said, None]
        y += [100 * low, 100 * high, None]
    figure.add_scatter(
        x=x, y=y, mode="lines", name="What chance allows", hoverinfo="skip", line={"color": theme.budget, "width": 6},
        opacity=0.35,
    )  # fmt: skip


def coverage(rows: pd.DataFrame, theme: Theme) -> go.Figure:
    """Share of outcomes inside the intervals of energy ahead, on the band that chance allows.

    Parameters
    ----------
    rows : DataFrame
        Rows of `backtests` named coverage_80 and coverage_90: `score, horizon_days, method, value, low, high, n`.
    """
    rows = rows[rows["n"] > 0]
    if rows.empty:
        return empty(NOT_YET, theme)
    figure = blank(theme)
    which = {"all": "all forecasts", "open": "not pinned at full or empty"}
    labels = [
        f"{str(score).removeprefix('coverage_')} %, {days:g} d ahead<br>{which[str(method)]}"
        for score, days, method in zip(rows["score"], rows["horizon_days"], rows["method"], strict=True)
    ]
    figure.add_bar(
        x=100 * (rows["high"] - rows["low"]), base=100 * rows["low"], y=labels, orientation="h", width=0.6,
        name="What chance allows", marker={"color": theme.budget, "opacity": 0.35}, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=100 * rows["value"], y=labels, mode="markers", name="Held", customdata=rows["n"],
        marker={"color": theme.voltage, "size": 11, "symbol": "diamond"},
        hovertemplate="%{x:.1f} % of %{customdata} held<extra></extra>",
    )  # fmt: skip
    least = 100 * min(rows["value"].min(), rows["low"].min())
    figure.update_xaxes(title_text="Outcomes inside (%)", range=[max(0.0, min(50.0, least - 5)), 102])
    figure.update_yaxes(autorange="reversed")
    figure.update_layout(height=120 + 52 * len(rows))
    return figure


def skill(rows: pd.DataFrame, theme: Theme) -> go.Figure:
    """How much better each way to forecast is than the best of base rate and voltage slope, by horizon.

    Parameters
    ----------
    rows : DataFrame
        Rows of `backtests` named skill: `horizon_days, method, value, n`.
    """
    return _bars(rows, "Dark within (d)", "Better than either (%)", (WORST, 105), theme)


def recall(rows: pd.DataFrame, theme: Theme) -> go.Figure:
    """Share of the nodes that went dark of which a warning stood so long before, by lead.

    Parameters
    ----------
    rows : DataFrame
        Rows of `backtests` named recall: `horizon_days` (the lead), `method, value, n`.
    """
    return _bars(rows, "Warned so many days before", "Times it went dark (%)", (0, 105), theme)


def _bars(rows: pd.DataFrame, x_title: str, y_title: str, span: tuple[float, float], theme: Theme) -> go.Figure:
    if rows.empty:
        return empty(NOT_YET, theme)
    figure = blank(theme)
    for index, method in enumerate(METHODS):
        mine = rows[rows["method"] == method].sort_values("horizon_days")
        if mine.empty:
            continue
        colour = _colour(method, theme)
        pattern = {
            "shape": ("", "/", ".", "x")[index % 4],
            "fgcolor": theme.ground,
            "fgopacity": 0.7,
            "size": 6,
            "fillmode": "overlay",
        }
        figure.add_bar(
            x=[f"{days:g}" for days in mine["horizon_days"]], y=(100 * mine["value"]).clip(lower=span[0]),
            name=METHODS[method], marker={"color": colour, "pattern": pattern},
            customdata=mine[["value", "n"]] * [100, 1],
            hovertemplate="%{customdata[0]:.0f} % of %{customdata[1]:.0f}<extra>" + METHODS[method] + "</extra>",
        )  # fmt: skip
    figure.update_layout(barmode="group", bargap=0.3)
    figure.update_xaxes(title_text=x_title, type="category")
    figure.update_yaxes(title_text=y_title, range=list(span))
    return figure


def _colour(method: str, theme: Theme) -> str:
    return theme.voltage if method == "forecast" else theme.categories[list(METHODS).index(method)]

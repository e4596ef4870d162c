"""Colours of figures in light and dark, and the plotly template of each; the page's own are in `assets/joulebook.css`.

The category colours were chosen to stay apart under simulated colour blindness and to keep a contrast of 3:1 against
their ground (tests hold both); every category also has a marker shape of its own, so that colour is never alone.
"""

from dataclasses import dataclass

import plotly.graph_objects as go

FONT = 'system-ui, -apple-system, "Segoe UI", "Helvetica Neue", Arial, sans-serif'
SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "x")


@dataclass(frozen=True)
class Theme:
    """Colours of one scheme, by what they stand for."""

    ground: str
    ink: str
    muted: str
    rule: str
    voltage: str
    harvest: str
    wake: str
    sleep: str
    limit: str
    budget: str
    categories: tuple[str, ...]

    def template(self) -> go.layout.Template:
        """The plotly template of this scheme."""
        axis = {
            "gridcolor": self.rule, "linecolor": self.muted, "zerolinecolor": self.muted, "tickcolor": self.muted,
            "ticks": "outside", "automargin": True, "title": {"standoff": 10},
        }  # fmt: skip
        return go.layout.Template(
            layout={
                "paper_bgcolor": self.ground,
                "plot_bgcolor": self.ground,
                "font": {"family": FONT, "size": 13, "color": self.ink},
                "colorway": list(self.categories),
                "xaxis": axis,
                "yaxis": axis,
                "margin": {"l": 60, "r": 16, "t": 40, "b": 48},
                "legend": {"orientation": "h", "yref": "container", "yanchor": "bottom", "y": 0.0, "x": 0.0},
                "hoverlabel": {"bgcolor": self.ground, "bordercolor": self.muted, "font": {"color": self.ink}},
            }
        )


LIGHT = Theme(
    ground="#ffffff", ink="#1b2326", muted="#56636a", rule="#e1e6e7",
    voltage="#1f5fa8", harvest="#00806a", wake="#b35c00", sleep="#7d4a94", limit="#b3261e", budget="#56636a",
    categories=("#1c3c6c", "#c47404", "#0c9494", "#b45ce4", "#64242c", "#7c8c5c"),
)  # fmt: skip
DARK = Theme(
    ground="#1a2226", ink="#e6ecee", muted="#9fb0b7", rule="#2f3b41",
    voltage="#74abe8", harvest="#3fc2a6", wake="#e6a04a", sleep="#c79bdb", limit="#f08a80", budget="#9fb0b7",
    categories=("#7c74fc", "#ec4c2c", "#74ecdc", "#ac74bc", "#cc6474", "#dcdc94"),
)  # fmt: skip


def theme_of(scheme: str | None) -> Theme:
    """The theme of a scheme, "light" unless "dark"."""
    return DARK if scheme == "dark" else LIGHT

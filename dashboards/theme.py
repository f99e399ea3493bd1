"""Colours, type and the figure template, for light and for dark: one calm look.

Two accents, blue for what is measured and brown for what asks for attention. They stay apart for
the common colour-vision deficiencies, and no figure leans on colour alone: shapes, dashes and
words say the same. The same values stand as variables in assets/style.css.
"""

from dataclasses import dataclass

import plotly.graph_objects as go
from dash.dcc import Graph

FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"


@dataclass(frozen=True)
class Look:
    """The colours of one scheme.

    Attributes:
        ink: Text.
        muted: Text that may be overlooked; still readable on paper and ground.
        line: Rules and grids.
        paper: Behind everything.
        ground: Behind raw lines and chosen rows.
        accent: What is measured.
        warm: What asks for attention.
        scale: From nothing to much, one hue, evenly away from the paper.
    """

    ink: str
    muted: str
    line: str
    paper: str
    ground: str
    accent: str
    warm: str
    scale: tuple[str, ...]


LIGHT = Look(
    ink="#20262b", muted="#555f67", line="#d6d3ca", paper="#fcfbf8", ground="#f0eee7",
    accent="#1f5a73", warm="#85540f",
    scale=("#e9edec", "#c4d6dc", "#94b8c6", "#5f95aa", "#36758f", "#1b546d", "#0c3548"),
)  # fmt: skip
DARK = Look(
    ink="#e7e4dc", muted="#a9b0b4", line="#3b4247", paper="#16191c", ground="#22272b",
    accent="#88c0d6", warm="#dcab66",
    scale=("#242b30", "#2c4652", "#366576", "#45879c", "#62a9bf", "#93cbdc", "#d3eef7"),
)  # fmt: skip
LOOKS = {"light": LIGHT, "dark": DARK}

# Plotly 7 offers to send a chart to its maker's cloud unless it is told not to. There are no
# buttons at all: they would stand in the way on a phone, and the tables hold the numbers.
GRAPH_CONFIG: Graph.Config = {
    "displayModeBar": False,
    "showSendToCloud": False,
    "displaylogo": False,
    "responsive": True,
}


def template(look: Look) -> go.layout.Template:
    """How every figure looks in a scheme."""
    axis = {
        "gridcolor": look.line, "linecolor": look.line, "zeroline": False, "automargin": True,
        "fixedrange": True, "ticks": "", "title": {"font": {"size": 14, "color": look.muted}},
    }  # fmt: skip
    return go.layout.Template(
        layout={
            "font": {"family": FONT, "size": 14, "color": look.ink},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "colorway": [look.accent, look.warm],
            "margin": {"l": 8, "r": 16, "t": 8, "b": 40},
            "xaxis": axis,
            "yaxis": axis,
            "hoverlabel": {
                "bgcolor": look.ground, "bordercolor": look.muted,
                "font": {"family": FONT, "size": 14, "color": look.ink},
            },
            "dragmode": False,
        }
    )  # fmt: skip

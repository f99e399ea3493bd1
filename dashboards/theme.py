"""Colours, type and the figure template: one calm look, safe for colour-blind readers.

The two accents differ in lightness as well as in hue, so a print in grey still tells them apart.
"""

import plotly.graph_objects as go

INK = "#1c2a33"
MUTED = "#566570"
LINE = "#d9dee0"
PAPER = "#ffffff"
ACCENT = "#1b5e77"  # what is measured
WARM = "#b4641e"  # what asks for attention
# From "nothing" to "much", in one hue, growing darker evenly.
SCALE = ["#f3f6f7", "#cfdfe5", "#9dbecb", "#6499ac", "#357792", "#17506a", "#0b3347"]
FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"

# Plotly 7 offers to send a chart to its maker's cloud unless it is told not to.
GRAPH_CONFIG = {
    "showSendToCloud": False,
    "displaylogo": False,
    "responsive": True,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
}

TEMPLATE = go.layout.Template(
    layout={
        "font": {"family": FONT, "size": 13, "color": INK},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "colorway": [ACCENT, WARM],
        "margin": {"l": 56, "r": 16, "t": 12, "b": 44},
        "xaxis": {"gridcolor": LINE, "linecolor": LINE, "zeroline": False, "automargin": True},
        "yaxis": {"gridcolor": LINE, "linecolor": LINE, "zeroline": False, "automargin": True},
        "hoverlabel": {"font": {"family": FONT, "size": 13}},
        "legend": {"orientation": "h", "y": 1.08, "x": 0},
    }
)

"""Plain shapes that several pages draw: dots with intervals, a split bar, lines, a matrix."""

from collections.abc import Mapping, Sequence

import pandas as pd
import plotly.graph_objects as go

from dashboards.figures import (
    DAYS,
    GAP_PX,
    PANEL_PX,
    ROW_PX,
    Door,
    finish,
    label,
    leads,
    of_chute,
    panels,
    total,
)
from dashboards.theme import LOOKS
from loganalyzer.language import phrase

PATTERNS = ("", "/", ".", "x", "\\", "-", "+")
DASHES = ("solid", "dash", "dot", "dashdot")
SYMBOLS = ("circle", "triangle-up", "square", "diamond", "cross")
LEGEND = {
    "orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top",
    "itemclick": False, "itemdoubleclick": False,
}  # fmt: skip


def dots(rows: pd.DataFrame, axis: str, scheme: str, door: Door = "") -> go.Figure:
    """A row a door: `name`, `value`, and the interval `low` to `high`; the first on top.

    `floor` and `chute` tell where a mark leads.
    """
    look, shown = LOOKS[scheme], rows.iloc[::-1]
    value, low, high = (shown[name].astype(float) for name in ("value", "low", "high"))
    names = [label(name) for name in shown["name"]]
    figure = go.Figure(
        go.Scatter(
            x=value, y=list(range(len(shown))), mode="markers",
            marker={"size": 10, "color": look.accent, "symbol": "diamond"},
            error_x={
                "type": "data", "symmetric": False, "array": high - value,
                "arrayminus": value - low, "color": look.muted, "thickness": 2, "width": 4,
            },
            customdata=[list(row) for row in zip(names, low, high, strict=True)],
            meta=leads(door, shown["floor"], shown["chute"]),
            hovertemplate=phrase(
                "{name}<br>{value} ({low} to {high})<extra></extra>",
                name="%{customdata[0]}", value="%{x:.2f}", low="%{customdata[1]:.2f}",
                high="%{customdata[2]:.2f}",
            ),
        )
    )  # fmt: skip
    end = float(high.max())
    figure.update_xaxes(title_text=axis, range=[-0.02 * end, 1.03 * end])
    figure.update_yaxes(
        tickvals=list(range(len(names))), ticktext=names, range=[-0.7, len(names) - 0.3]
    )
    return finish(figure, look, ROW_PX * max(len(shown), 2) + GAP_PX)


def split(rows: pd.DataFrame, axis: str, scheme: str, door: Door = "") -> go.Figure:
    """Bars that follow one another: a row of bars for each `chute`; `part`, `value` in order."""
    look = LOOKS[scheme]
    bars, figure = list(rows["chute"].unique()), go.Figure()
    for place, (part, mine) in enumerate(rows.groupby("part", sort=False)):
        figure.add_bar(
            orientation="h", x=mine["value"].astype(float), name=str(part),
            y=[bars.index(chute) for chute in mine["chute"]], meta=leads(door, [], bars),
            marker={
                "color": look.scale[1 + place % (len(look.scale) - 1)],
                "line": {"color": look.ink, "width": 1},
                "pattern": {
                    "shape": PATTERNS[place % len(PATTERNS)], "fgcolor": look.ink, "size": 6,
                    "solidity": 0.2, "fillmode": "overlay", "fgopacity": 0.6,
                },
            },
            hovertemplate=phrase(
                "{part}: {n} s<extra></extra>", part=phrase(str(part)), n="%{x:.2f}"
            ),
        )  # fmt: skip
    figure.update_layout(barmode="stack", bargap=0.4, legend=LEGEND | {"traceorder": "normal"})
    figure.update_xaxes(title_text=axis)
    figure.update_yaxes(
        tickvals=list(range(len(bars))),
        ticktext=[of_chute(chute) for chute in bars],
        showgrid=False,
    )
    return finish(figure, look, 48 * max(len(bars), 2) + GAP_PX, top=GAP_PX + 32)


def lines(
    rows: pd.DataFrame, axis: str, scheme: str, marks: Sequence[tuple[pd.Timestamp, str]] = (),
    doors: Mapping[tuple[str, str], Door] | None = None,
) -> go.Figure:  # fmt: skip
    """Lines over time or place: `panel`, `line`, `x`, `value`, and where known `low`, `high`.

    `marks` are moments with a word that stand in every panel; `doors` says where the marks of a
    panel's line lead.
    """
    look = LOOKS[scheme]
    each = [(name, rows[rows["panel"].eq(name)]) for name in rows["panel"].unique()]
    heights = [PANEL_PX] * len(each)
    figure, named = panels([name for name, _ in each], heights), list(rows["line"].unique())
    seen: set[str] = set()
    for row, (panel, part) in enumerate(each, start=1):
        for line, mine in part.groupby("line", sort=False):
            place = named.index(line)
            colour = (look.accent, look.warm, look.ink, look.muted)[place % 4]
            value = mine["value"].astype(float)
            bars = None
            if "low" in mine and mine["low"].notna().any():
                bars = {
                    "type": "data", "symmetric": False, "thickness": 1, "width": 2,
                    "color": colour, "array": mine["high"].astype(float) - value,
                    "arrayminus": value - mine["low"].astype(float),
                }  # fmt: skip
            figure.add_scatter(
                x=mine["x"], y=value, error_y=bars, name=label(line), legendgroup=str(line),
                showlegend=len(named) > 1 and line not in seen, mode="lines+markers",
                line={"color": colour, "dash": DASHES[place % len(DASHES)], "width": 2},
                marker={"symbol": SYMBOLS[place % len(SYMBOLS)], "size": 6},
                hovertemplate=phrase("{x}: {y}<extra>{line}</extra>", x="%{x}", y="%{y:.2f}",
                                     line=phrase(label(line))),
                meta=leads((doors or {}).get((panel, str(line)), ""), [], []), row=row, col=1,
            )  # fmt: skip
            seen.add(str(line))
    for moment, word in marks:
        figure.add_vline(moment.timestamp() * 1000, line={"color": look.warm, "width": 2},
                         annotation_text=label(word))  # fmt: skip
    figure.update_yaxes(title_text=axis, rangemode="tozero", nticks=5)
    figure.update_layout(legend=LEGEND)
    # The names of lines take more rows on a phone: room for two in each.
    rows_of_names = -(-len(named) // 2)
    return finish(figure, look, total(heights) + GAP_PX, top=GAP_PX - 12 + 20 * rows_of_names)


def of_week(figure: go.Figure) -> go.Figure:
    """Days of the week along an axis of 168 hours."""
    return figure.update_xaxes(
        tickvals=[24 * day + 11.5 for day in range(7)], ticktext=[day[:3] for day in DAYS],
        range=[-0.5, 167.5],
    )  # fmt: skip


def matrix(grid: pd.DataFrame, said: str, scheme: str, door: Door = "") -> go.Figure:
    """A field for each row and column of a grid; blank where there is nothing to tell."""
    look = LOOKS[scheme]
    rows, columns = ([label(name) for name in names] for names in (grid.index, grid.columns))
    values = grid.astype(float).to_numpy()
    named = [[[row, phrase(column)] for column in columns] for row in rows]
    figure = go.Figure(
        go.Heatmap(
            z=values, x=list(range(len(columns))), y=list(range(len(rows))), xgap=2, ygap=2,
            customdata=named, hoverongaps=False, showscale=False, zmin=0,
            meta=leads(door, grid.index, []),
            colorscale=list(look.scale), texttemplate="%{z:,}",
            hovertemplate=phrase(
                "{row}, {column}<br>{n} {said}<extra></extra>", row="%{customdata[0]}",
                column="%{customdata[1]}", n="%{z:.3g}", said=phrase(said),
            ),
        )
    )  # fmt: skip
    figure.update_xaxes(
        tickvals=list(range(len(columns))), ticktext=columns, showgrid=False, side="top"
    )
    figure.update_yaxes(tickvals=list(range(len(rows))), ticktext=rows, showgrid=False)
    return finish(figure, look, ROW_PX * max(len(rows), 2) + GAP_PX, top=GAP_PX)

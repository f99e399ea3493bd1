"""Tables → figures. Each takes a table of `loganalyzer.views` and draws it, no more.

Labels come out of logs, and plotly reads markup: they are shortened and escaped here. Doors
stand on numbered places, so that two labels that look alike stay two rows.
"""

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboards.theme import LOOKS, Look, template
from loganalyzer.language import Phrase, phrase

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
COUNTED = {"refusals": "refused presses", "visits": "visits", "lockouts": "lockouts"}
ROW_PX, PANEL_PX, GAP_PX = 24, 200, 48  # heights: a door, a panel of days, between two panels
LONGEST = 24  # characters of a label in a figure


# Of a chart whose marks lead somewhere: an address, `{chute}`, `{row}` and `{x}` to be filled in.
Door = str


def floors_by_rate(floors: pd.DataFrame, scheme: str, door: Door = "") -> go.Figure:
    """Floors ranked by lockout episodes per 100 visits, each with its 95 % interval.

    Args:
        floors: As `views.floors_ranked`, rows with a rate, the highest first.
        scheme: A key of `theme.LOOKS`.
        door: Where a floor leads.
    """
    look, shown = LOOKS[scheme], floors.iloc[::-1]
    rate = shown["episodes_per_100_visits"].astype(float)
    several = shown["chute"].nunique() > 1
    names = [
        of_floor(floor, chute if several else None)
        for floor, chute in zip(shown["floor"], shown["chute"], strict=True)
    ]
    beyond, short = shown["high"].astype(float) - rate, rate - shown["low"].astype(float)
    numbers = shown[["episodes_in_service", "visits_in_service", "low", "high"]].astype(float)
    figure = go.Figure(
        go.Scatter(
            x=rate,
            y=list(range(len(shown))),
            mode="markers",
            marker={"size": 10, "color": look.accent, "symbol": "diamond"},
            error_x={
                "type": "data", "symmetric": False, "array": beyond, "arrayminus": short,
                "color": look.muted, "thickness": 2, "width": 4,
            },
            customdata=[[*row, name] for row, name in zip(numbers.to_numpy(), names, strict=True)],
            meta=leads(door, shown["floor"], shown["chute"]),
            hovertemplate=phrase(
                "{door}<br>{rate} episodes per 100 visits ({low} to {high})<br>{n} in {visits} "
                "visits<extra></extra>",
                door="%{customdata[4]}", rate="%{x:.2f}", low="%{customdata[2]:.2f}",
                high="%{customdata[3]:.2f}", n="%{customdata[0]:,}", visits="%{customdata[1]:,}",
            ),
        )
    )  # fmt: skip
    end = float(shown["high"].max())
    figure.update_xaxes(title_text="episodes per 100 visits", range=[-0.02 * end, 1.03 * end])
    figure.update_yaxes(
        tickvals=list(range(len(names))), ticktext=names, range=[-0.7, len(names) - 0.3]
    )
    return finish(figure, look, ROW_PX * max(len(shown), 2) + GAP_PX)


def week_of_counts(hours: pd.DataFrame, what: str, scheme: str, door: Door = "") -> go.Figure:
    """Something counted per hour of log, by floor and hour of the local week; a panel a chute.

    Args:
        hours: As `views.hour_of_week`, doors from the lowest up. Hours without log stay blank.
        what: A key of `COUNTED`.
        scheme: A key of `theme.LOOKS`.
        door: Where an hour of a floor leads.
    """
    look = LOOKS[scheme]
    grids = [
        (str(chute), part.pivot(index="floor", columns="hour_of_week", values=f"{what}_per_hour")
                         .reindex(part["floor"].unique()))
        for chute, part in hours.groupby("chute", observed=True, sort=False)
    ]  # fmt: skip
    heights = [ROW_PX * max(len(grid), 2) for _, grid in grids]
    figure = panels([of_chute(chute) for chute, _ in grids], heights)
    for row, (chute, grid) in enumerate(grids, start=1):
        drawn = week_grid(grid, COUNTED[what])
        drawn.meta = leads(door, grid.index, [chute] * len(grid))
        figure.add_trace(drawn, row=row, col=1)
        figure.update_yaxes(
            tickvals=list(range(len(grid))), ticktext=[label(floor) for floor in grid.index],
            showgrid=False, row=row, col=1,
        )  # fmt: skip
    figure.update_xaxes(
        tickvals=[24 * day + 11.5 for day in range(7)], ticktext=[day[:3] for day in DAYS],
        showgrid=False, range=[-0.5, 167.5],
    )  # fmt: skip
    figure.update_layout(coloraxis=scale(look, sum(heights)), shapes=midnights(look, grids))
    return finish(figure, look, total(heights) + GAP_PX, top=GAP_PX + 32)


def days(daily: pd.DataFrame, scheme: str, doors: Mapping[str, Door] | None = None) -> go.Figure:
    """Visits and refused presses of each local day; a panel a chute.

    Days without log stay open; the marks of days that the log covers in part are hollow.

    Args:
        daily: As `views.daily_trend`.
        scheme: A key of `theme.LOOKS`.
        doors: Where a day of a line leads, by the column it draws.
    """
    look = LOOKS[scheme]
    parts = [(str(c), part) for c, part in daily.groupby("chute", observed=True, sort=False)]
    heights = [PANEL_PX] * len(parts)
    figure = panels([of_chute(chute) for chute, _ in parts], heights)
    lines = [("visits", "visits", look.accent, "solid", "circle"),
             ("refusals", "refused presses", look.warm, "dash", "triangle-up")]  # fmt: skip
    if daily["visits"].isna().all():
        lines[0] = ("cycles", "cycles", look.accent, "solid", "circle")
    named: set[str] = set()
    for row, (chute, part) in enumerate(parts, start=1):
        for line in lines:
            if part[line[0]].notna().any():
                drawn = _days_of(part, *line, first=line[1] not in named)
                drawn.meta = leads((doors or {}).get(line[0], ""), [], [chute])
                figure.add_trace(drawn, row=row, col=1)
                named.add(line[1])
    figure.update_yaxes(title_text="a day", rangemode="tozero", nticks=5)
    figure.update_layout(
        legend={
            "orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top",
            "itemclick": False, "itemdoubleclick": False,
        }
    )  # fmt: skip
    return finish(figure, look, total(heights) + GAP_PX, top=GAP_PX + 8)


def leads(door: Door, rows: Iterable[object], chutes: Iterable[object]) -> dict[str, Any]:
    """What the browser needs to follow a mark: the address, and what its rows stand for."""
    return {"door": door, "rows": [str(row) for row in rows], "chutes": [str(c) for c in chutes]}


def of_chute(chute: object) -> Phrase:
    """A chute's name in a figure."""
    return phrase("Chute {chute}", chute=label(chute))


def of_floor(floor: object, chute: object | None = None) -> Phrase:
    """A door's name in a figure; its chute where there are several."""
    if chute is None:
        return phrase("Floor {floor}", floor=label(floor))
    return phrase("Floor {floor}, {chute}", floor=label(floor), chute=label(chute))


def column(texts: Iterable[str], rows: pd.DataFrame) -> pd.Series:
    """Phrases as a column beside those of a table; pandas would keep their English alone."""
    return pd.Series(list(texts), index=rows.index, dtype=object)


def label(text: object) -> str:
    """A label out of a log, short and without markup; a phrase has seen to that already."""
    if isinstance(text, Phrase):
        return text
    said = str(text)
    short = said if len(said) <= LONGEST else said[: LONGEST - 1] + "…"
    return html.escape(short, quote=False)  # plotly knows no other entities


def _days_of(
    part: pd.DataFrame, column: str, name: str, colour: str, dash: str, symbol: str, *, first: bool
) -> go.Scatter:
    covered = part["covered_share"].astype(float)
    return go.Scatter(
        x=part["day"], y=part[column].astype("Float64").astype(float), name=name,
        legendgroup=name, showlegend=first, mode="lines+markers",
        line={"color": colour, "dash": dash, "width": 2},
        marker={"symbol": [symbol if c > 0.995 else f"{symbol}-open" for c in covered], "size": 7},
        customdata=(100 * covered).round(),
        hovertemplate=phrase(
            "{day}: {n} {what}<br>{share} % of the day in the log<extra></extra>",
            day="%{x|%a %d %b %Y}", n="%{y:,}", what=phrase(name), share="%{customdata:.0f}",
        ),
    )  # fmt: skip


def week_grid(grid: pd.DataFrame, counted: str) -> go.Heatmap:
    """A floor a row, an hour of the week a column."""
    names = [hour_of(hour) for hour in map(int, grid.columns)]
    floors = [label(floor) for floor in grid.index]
    return go.Heatmap(
        z=grid.astype(float).to_numpy(),
        x=[int(hour) for hour in grid.columns],
        y=list(range(len(grid))),
        customdata=np.array([[[floor, name] for name in names] for floor in floors], dtype=object),
        coloraxis="coloraxis",
        ygap=2,
        hoverongaps=False,
        hovertemplate=phrase(
            "Floor {floor}, {hour}<br>{n} {counted} per hour<extra></extra>",
            floor="%{customdata[0]}", hour="%{customdata[1]}", n="%{z:.2f}",
            counted=phrase(counted),
        ),
    )  # fmt: skip


def hour_of(hour: int) -> Phrase:
    """An hour of the week in words."""
    return phrase("{day} {hour:02d}:00", day=phrase(DAYS[hour // 24]), hour=hour % 24)


def midnights(look: Look, panels: Sequence[Any]) -> list[dict[str, Any]]:
    """Lines between the days of every panel; handed over whole, which is quick."""
    rows = ["" if row == 0 else str(row + 1) for row in range(len(panels))]
    return [
        {
            "type": "line", "xref": f"x{row}", "yref": f"y{row} domain", "x0": 24 * day - 0.5,
            "x1": 24 * day - 0.5, "y0": 0, "y1": 1, "line": {"color": look.muted, "width": 1},
        }
        for row in rows
        for day in range(1, 7)
    ]  # fmt: skip


def scale(look: Look, inner: int) -> dict[str, Any]:
    """The colours of all heat maps of a figure, and their bar above it."""
    bar = {
        "orientation": "h", "x": 0, "xanchor": "left", "y": 1 + 28 / inner, "yanchor": "bottom",
        "len": 0.5, "thickness": 8, "outlinewidth": 0, "tickfont": {"size": 14},
        "title": {"text": ""},
    }  # fmt: skip
    return {"colorscale": list(look.scale), "cmin": 0, "colorbar": bar}


def panels(names: Sequence[str], heights: Sequence[int]) -> go.Figure:
    """Figures under one another, one a name; titled where there are several."""
    titles = [label(name) for name in names] if len(names) > 1 else None
    figure = make_subplots(
        rows=len(heights), cols=1, shared_xaxes=True, row_heights=list(heights),
        vertical_spacing=GAP_PX / total(heights) if len(heights) > 1 else 0,
        subplot_titles=titles,
    )  # fmt: skip
    return figure.update_annotations(x=0, xanchor="left", font_size=14)


def total(heights: Iterable[int]) -> int:
    """The height of panels and of what lies between them."""
    known = list(heights)
    return sum(known) + GAP_PX * (len(known) - 1)


def finish(figure: go.Figure, look: Look, height: int, top: int = 8) -> go.Figure:
    """Height is that of the panels and the margin below them; `top` comes on it."""
    return figure.update_layout(
        template=template(look), height=height + top, hovermode="closest",
        margin={"t": top, "b": GAP_PX - 8},
    )  # fmt: skip

"""Tables → figures. Each takes a table of `loganalyzer.views` and draws it, no more."""

import html

import pandas as pd
import plotly.graph_objects as go

from dashboards.theme import ACCENT, INK, MUTED, SCALE, TEMPLATE, WARM

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
ROW_PX, HEAD_PX = 26, 96


def floors_by_rate(floors: pd.DataFrame) -> go.Figure:
    """Floors ranked by lockout episodes per 100 visits, each with its 95 % interval.

    Args:
        floors: As `views.floors_ranked`; rows without a rate are left out.
    """
    shown = floors[floors["episodes_per_100_visits"].notna()].iloc[::-1]
    rate = shown["episodes_per_100_visits"].astype(float)
    names = _doors(shown)
    figure = go.Figure(
        go.Scatter(
            x=rate,
            y=names,
            mode="markers",
            marker={"size": 10, "color": ACCENT, "symbol": "diamond"},
            error_x={
                "type": "data", "symmetric": False, "array": shown["high"].astype(float) - rate,
                "arrayminus": rate - shown["low"].astype(float), "color": MUTED, "thickness": 2,
            },
            customdata=shown[["lockout_episodes", "visits", "low", "high"]].astype(float),
            hovertemplate=(
                "%{y}<br>%{x:.2f} episodes per 100 visits (%{customdata[2]:.2f} to "
                "%{customdata[3]:.2f})<br>%{customdata[0]:,} episodes in %{customdata[1]:,} visits"
                "<extra></extra>"
            ),
        )
    )  # fmt: skip
    figure.update_xaxes(
        title="lockout episodes per 100 visits, with 95 % interval", rangemode="tozero"
    )
    figure.update_yaxes(type="category")
    return _finish(figure, HEAD_PX + ROW_PX * max(len(shown), 2))


def week_of_refusals(hours: pd.DataFrame) -> go.Figure:
    """Refused presses per hour of log, by floor and hour of the local week.

    Args:
        hours: As `views.hour_of_week`. Hours without log stay blank.
    """
    doors = _doors(hours)
    grid = (
        hours.assign(door=doors)
        .pivot(index="door", columns="hour_of_week", values="refusals_per_hour")
        .reindex(list(dict.fromkeys(doors))[::-1])
    )
    names = [f"{DAYS[h // 24]} {h % 24:02d}:00" for h in grid.columns]
    figure = go.Figure(
        go.Heatmap(
            z=grid.astype(float).to_numpy(),
            x=list(grid.columns),
            y=list(grid.index),
            customdata=[names] * len(grid),
            colorscale=SCALE,
            zmin=0,
            xgap=0,
            ygap=2,
            hoverongaps=False,
            colorbar={"title": {"text": "per hour"}, "thickness": 12, "outlinewidth": 0},
            hovertemplate="%{y}, %{customdata}<br>%{z:.2f} refused presses per hour<extra></extra>",
        )
    )
    figure.update_xaxes(
        tickvals=[24 * d + 12 for d in range(7)], ticktext=[day[:3] for day in DAYS], showgrid=False,
        title="hour of the week, the site's local time",
    )  # fmt: skip
    for day in range(1, 7):
        figure.add_vline(24 * day - 0.5, line={"color": MUTED, "width": 1})
    figure.update_yaxes(type="category", showgrid=False)
    return _finish(figure, HEAD_PX + ROW_PX * max(len(grid), 2))


def days(daily: pd.DataFrame) -> go.Figure:
    """Visits and refused presses of each local day; days without log stay open.

    Args:
        daily: As `views.daily_trend`, of one site; chutes are added up.
    """
    sums = daily.groupby("day")[["cycles", "visits", "refusals"]].sum(min_count=1).astype("Float64")
    figure = go.Figure()
    for column, name, colour, dash, symbol in (
        ("cycles", "cycles", MUTED, "dot", "square"),
        ("visits", "visits", ACCENT, "solid", "circle"),
        ("refusals", "refused presses", WARM, "dash", "triangle-up"),
    ):
        if sums[column].notna().any():
            figure.add_scatter(
                x=sums.index, y=sums[column].astype(float), name=name, mode="lines+markers",
                line={"color": colour, "dash": dash, "width": 2}, marker={"symbol": symbol, "size": 6},
                hovertemplate="%{x|%a %d %b %Y}: %{y:,}<extra>" + name + "</extra>",
            )  # fmt: skip
    figure.update_yaxes(title="a day", rangemode="tozero")
    figure.update_xaxes(title="local day")
    return _finish(figure, 320)


def _doors(table: pd.DataFrame) -> pd.Series:
    """Names of doors, safe for a chart: plotly would read markup in a label."""
    names = "Floor " + table["floor"].astype(str)
    if table["chute"].nunique() > 1:
        names = names + ", chute " + table["chute"].astype(str)
    return names.map(html.escape)


def _finish(figure: go.Figure, height: int) -> go.Figure:
    return figure.update_layout(
        template=TEMPLATE, height=height, font_color=INK, hovermode="closest"
    )

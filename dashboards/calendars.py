"""Days in a calendar: a row a month of a chute, a column a day of the month."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboards.figures import GAP_PX, ROW_PX, finish, label
from dashboards.theme import LOOKS
from loganalyzer.language import phrase

WHOLE = 0.995  # of a day: what is missing is less than people care for


def months(daily: pd.DataFrame, scheme: str) -> go.Figure:
    """The share of each day that the log covers.

    A shade for the share, and beside it a number where it is not the whole day, a dash where it
    is nothing: who sees no shades reads the same.

    Args:
        daily: One row a `chute` and local `day` with `covered_share`, 0 to 1.
        scheme: A key of `theme.LOOKS`.
    """
    look = LOOKS[scheme]
    days = pd.to_datetime(daily["day"])
    several = daily["chute"].nunique() > 1
    names = days.dt.strftime("%Y-%m") + (", " + daily["chute"].astype(str) if several else "")
    table = pd.DataFrame({"row": names, "day": days.dt.day, "share": daily["covered_share"]})
    grid = table.pivot_table(index="row", columns="day", values="share", sort=False)
    grid = grid.reindex(index=names.unique(), columns=range(1, 32)).astype(float)
    share = grid.to_numpy()
    figure = go.Figure(
        go.Heatmap(
            z=100 * share, x=list(range(1, 32)), y=list(range(len(grid))), xgap=2, ygap=2,
            zmin=0, zmax=100, colorscale=list(look.scale), showscale=False, hoverongaps=False,
            text=_words(share), texttemplate="%{text}", customdata=_names(grid),
            hovertemplate=phrase(
                "{month}, day {day}: {share} % of the day with log<extra></extra>",
                month="%{customdata}", day="%{x}", share="%{z:.1f}",
            ),
        )
    )  # fmt: skip
    figure.update_xaxes(
        tickvals=[1, 5, 10, 15, 20, 25, 30], title_text="day of the month", showgrid=False
    )
    figure.update_yaxes(
        tickvals=list(range(len(grid))), ticktext=[label(name) for name in grid.index],
        showgrid=False, autorange="reversed",
    )  # fmt: skip
    return finish(figure, look, ROW_PX * max(len(grid), 2) + GAP_PX)


def _words(share: np.ndarray) -> list[list[str]]:
    def word(one: float) -> str:
        if np.isnan(one) or one >= WHOLE:
            return ""
        return "-" if one <= 0 else f"{100 * one:.0f}"

    return [[word(one) for one in row] for row in share.tolist()]


def _names(grid: pd.DataFrame) -> list[list[str]]:
    return [[label(name)] * grid.shape[1] for name in grid.index]

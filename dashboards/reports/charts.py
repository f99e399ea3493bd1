"""Tables → drawings for paper (SVG). Each draws a table of `loganalyzer.views`, no more.

Nothing hangs on colour alone, and the same table gives the same bytes.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from dashboards.theme import LIGHT
from loganalyzer.language import phrase, say

WIDE, ROW, PANEL = 6.6, 0.17, 1.1  # inches: a drawing, a row of one, a panel of days
LONGEST = 24  # characters of a label
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
HATCHES = ("", "//", "--", "\\\\", "||", "xx", "++")
STYLE = {
    "svg.fonttype": "path", "svg.hashsalt": "paper", "font.family": "DejaVu Sans",
    "font.size": 8.5, "axes.edgecolor": LIGHT.line, "axes.labelcolor": LIGHT.muted,
    "text.color": LIGHT.ink, "xtick.color": LIGHT.muted, "ytick.color": LIGHT.ink,
    "axes.grid": True, "grid.color": LIGHT.line, "grid.linewidth": 0.5, "axes.axisbelow": True,
    "axes.spines.top": False, "axes.spines.right": False, "hatch.linewidth": 0.5,
    "text.parse_math": False,  # a label out of a log is no formula
    "figure.facecolor": "none", "axes.facecolor": "none", "legend.frameon": False,
}  # fmt: skip


def dots(rows: pd.DataFrame, axis: str, language: str) -> bytes:
    """A row a thing: `name`, `value`, and the interval `low` to `high`; the first on top."""
    with drawing(ROW * max(len(rows), 2) + 0.6) as (figure, made):
        (area,) = _areas(figure, [1.0])
        place = np.arange(len(rows))[::-1]
        value, low, high = (rows[name].astype(float) for name in ("value", "low", "high"))
        area.hlines(place, low, high, color=LIGHT.muted, linewidth=1.2)
        area.plot(value, place, "D", color=LIGHT.accent, markersize=5)
        area.set_yticks(place, [_told(name, language) for name in rows["name"]])
        area.set_ylim(-0.7, len(rows) - 0.3)
        area.set_xlim(left=0)
        area.set_xlabel(say(axis, language))
        area.grid(visible=False, axis="y")
        _numbers(area, language, "x")
    return made.getvalue()


def days(daily: pd.DataFrame, columns: dict[str, str], language: str) -> bytes:
    """Counts by local day, a panel a chute; days without log stay open."""
    chutes = [(str(c), part) for c, part in daily.groupby("chute", observed=True, sort=False)]
    looks = ((LIGHT.accent, "-", "o"), (LIGHT.warm, "--", "^"))
    with drawing(PANEL * len(chutes) + 0.5) as (figure, made):
        areas = _areas(figure, [1.0] * len(chutes))
        for area, (chute, part) in zip(areas, chutes, strict=True):
            for (column, name), (colour, dash, mark) in zip(columns.items(), looks, strict=False):
                area.plot(
                    part["day"].to_numpy(), part[column].astype("Float64").astype("float64"),
                    dash, color=colour, marker=mark, markersize=3, linewidth=1,
                    label=say(name, language),
                )  # fmt: skip
            area.set_ylim(bottom=0)
            area.set_title(say("Chute {chute}", language, chute=_short(chute)), loc="left",
                           fontsize=8.5)  # fmt: skip
            _dates(area, part["day"], language)
            _numbers(area, language, "y")
        areas[0].legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, borderaxespad=0)
    return made.getvalue()


def week(hours: pd.DataFrame, column: str, unit: str, language: str) -> bytes:
    """Something counted per hour of log, by floor and hour of the week; a panel a chute."""
    grids = [
        (str(chute), part.pivot(index="floor", columns="hour_of_week", values=column)
                         .reindex(part["floor"].unique()))
        for chute, part in hours.groupby("chute", observed=True, sort=False)
    ]  # fmt: skip
    top = float(np.nanmax([np.nanmax(grid.astype(float).to_numpy()) for _, grid in grids]))
    tall = sum(len(grid) for _, grid in grids)
    shades = LinearSegmentedColormap.from_list("paper", list(LIGHT.scale))
    with drawing(0.14 * tall + 0.5 * len(grids) + 0.2) as (figure, made):
        areas = _areas(figure, [float(len(grid)) for _, grid in grids])
        for area, (chute, grid) in zip(areas, grids, strict=True):
            drawn = area.imshow(
                grid.astype(float).to_numpy(), cmap=shades, vmin=0, vmax=top or 1, aspect="auto",
                interpolation="none", origin="lower", extent=(0, grid.shape[1], 0, len(grid)),
            )  # fmt: skip
            area.set_yticks(np.arange(len(grid)) + 0.5, [_short(name) for name in grid.index])
            names = [say(day, language) for day in DAYS]
            area.set_xticks(np.arange(7) * 24 + 12, names)
            area.vlines(np.arange(1, 7) * 24, 0, len(grid), color=LIGHT.paper, linewidth=1)
            area.grid(visible=False)
            area.set_title(say("Chute {chute}", language, chute=_short(chute)), loc="left",
                           fontsize=8.5)  # fmt: skip
        bar = figure.colorbar(drawn, ax=areas, pad=0.01, aspect=30, fraction=0.03)
        bar.set_label(say(unit, language))
        bar.outline.set_visible(False)
        _numbers(bar.ax, language, "y")
    return made.getvalue()


def split(rows: pd.DataFrame, axis: str, language: str) -> bytes:
    """Bars that follow one another: a row of bars for each `of`; `part`, `value` in order."""
    names = list(dict.fromkeys(rows["of"]))
    with drawing(0.34 * len(names) + 1.0) as (figure, made):
        (area,) = _areas(figure, [1.0])
        begin = np.zeros(len(names))
        for place, (part, mine) in enumerate(rows.groupby("part", sort=False)):
            value = mine.set_index("of")["value"].reindex(names).fillna(0).to_numpy(float)
            area.barh(
                range(len(names)), value, left=begin, height=0.6, label=say(str(part), language),
                color=LIGHT.scale[1 + place % 4], edgecolor=LIGHT.ink, linewidth=0.6,
                hatch=HATCHES[place % len(HATCHES)],
            )  # fmt: skip
            begin = begin + value
        area.set_yticks(range(len(names)), [_told(name, language) for name in names])
        area.set_ylim(len(names) - 0.4, -0.6)
        area.set_xlabel(say(axis, language))
        area.grid(visible=False, axis="y")
        figure.legend(loc="outside upper left", ncols=3)
        _numbers(area, language, "x")
    return made.getvalue()


def timing(rows: pd.DataFrame, language: str) -> bytes:
    """One timing by local day, s: `median_s` and `p90_s`, the days after its shift hollow."""
    limit = rows["limit_s"].dropna()
    with drawing(PANEL + 0.5) as (figure, made):
        (area,) = _areas(figure, [1.0])
        for column, name, colour, dash in (
            ("median_s", "median of a day", LIGHT.accent, "-"),
            ("p90_s", "9 in 10 within", LIGHT.warm, "--"),
        ):
            area.plot(rows["day"].to_numpy(), rows[column].to_numpy(float), dash, color=colour,
                      linewidth=1.1, label=say(name, language))  # fmt: skip
        shifted = rows[rows["shift_from"].astype(bool)]
        area.plot(shifted["day"].to_numpy(), shifted["median_s"].to_numpy(float), "o",
                  markersize=4, markerfacecolor=LIGHT.paper, color=LIGHT.accent,
                  label=say("shifted", language))  # fmt: skip
        if len(limit):
            area.axhline(float(limit.iloc[0]), color=LIGHT.ink, linestyle=":", linewidth=1,
                         label=say("the site's limit", language))  # fmt: skip
        area.set_ylim(bottom=0)
        area.set_ylabel("s")
        _dates(area, rows["day"], language)
        _numbers(area, language, "y")
        area.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, borderaxespad=0)
    return made.getvalue()


def lanes(rows: pd.DataFrame, marks: pd.DataFrame, ends: tuple[pd.Timestamp, pd.Timestamp],
          language: str) -> bytes:  # fmt: skip
    """A lane a `name`: bars from `start` to `end` (local), and marks at `time`."""
    names = list(dict.fromkeys([*rows["name"], *marks["name"]]))
    with drawing(0.3 * len(names) + 0.75) as (figure, made):
        (area,) = _areas(figure, [1.0])
        for place, name in enumerate(names):
            mine = rows[rows["name"].eq(name)]
            begin = [_day_number(t) for t in mine["start"]]
            wide = [_day_number(t) - b for t, b in zip(mine["end"], begin, strict=True)]
            area.broken_barh(
                list(zip(begin, wide, strict=True)), (place - 0.3, 0.6), facecolor=LIGHT.warm,
                edgecolor=LIGHT.ink, linewidth=0.6, hatch="///",
                label=say("full", language) if place == 0 else None,
            )  # fmt: skip
            at = [_day_number(t) for t in marks.loc[marks["name"].eq(name), "time"]]
            area.plot(at, [place] * len(at), "|", color=LIGHT.accent, markersize=12,
                      markeredgewidth=1.6,
                      label=say("emptied", language) if place == 0 else None)  # fmt: skip
        area.set_yticks(range(len(names)), [_told(name, language) for name in names])
        area.set_ylim(len(names) - 0.4, -0.6)
        area.set_xlim(_day_number(ends[0]), _day_number(ends[1]))
        _dates(area, pd.Series(pd.date_range(*ends, freq="D")), language)
        area.grid(visible=False, axis="y")
        area.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0)
    return made.getvalue()


@contextmanager
def drawing(height: float) -> Iterator[tuple[Figure, BytesIO]]:
    """A figure of that height in inches; written as SVG when the block ends."""
    made = BytesIO()
    with mpl.rc_context(STYLE):  # type: ignore[arg-type]  # its keys are a long list of literals
        figure = Figure(figsize=(WIDE, height), layout="constrained")
        FigureCanvasSVG(figure)
        yield figure, made
        figure.savefig(made, format="svg", metadata=dict.fromkeys(
            ("Date", "Creator", "Format", "Type")))  # fmt: skip


def _areas(figure: Figure, heights: Sequence[float]) -> list[Axes]:
    grid = figure.subplots(len(heights), 1, squeeze=False, height_ratios=list(heights))
    return [row[0] for row in grid]


def _short(text: object) -> str:
    said = str(text)
    return said if len(said) <= LONGEST else said[: LONGEST - 1] + "…"


def _told(text: str, language: str) -> str:
    return _short(say(text, language))


def _numbers(area: Axes, language: str, which: str) -> None:
    """The numbers of an axis as the language writes them."""
    axis = area.xaxis if which == "x" else area.yaxis
    axis.set_major_formatter(lambda value, _: say(phrase("{v:g}", v=float(value)), language))


def _dates(area: Axes, day: pd.Series, language: str) -> None:
    """Six days along the axis as the language writes them."""
    shown = day.drop_duplicates().sort_values()
    shown = shown.iloc[:: max(1, -(-len(shown) // 6))]
    names = [say(phrase("{d:%m-%d}", d=one), language) for one in shown]
    area.set_xticks([_day_number(one) for one in shown], names)


def _day_number(moment: pd.Timestamp) -> float:
    """As matplotlib counts days, without its converters and their warnings."""
    return float(moment.to_datetime64().astype("datetime64[us]").astype(np.int64)) / 86_400e6

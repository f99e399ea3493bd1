"""When it happens: visits, refused presses or lockouts, floor by hour of the week."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd
from dash import dcc, html

from dashboards import figures, parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.view import Row, View, reasons, whole
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.sentences import capital, count, things

TITLE = "At which hours does it happen?"


def section(view: View) -> html.Section:
    """What to count, and the heat map of it."""
    beside: list[parts.Cell] = [
        html.Nav(_choices(view.choice), id="counted", **parts.aria(label="What to count")),
        "The darker, or in the dark the brighter, the more. Blank is an hour without log. The "
        "lowest floor stands at the bottom, as in the building.",
        *views.hidden_sentences(view.analysis),
    ]
    return parts.section("week", TITLE, beside, html.Div(drawn(view), id="week-drawn"))


def counted(choice: Choice) -> str:
    """What the address asks to count; refused presses where it asks for nothing known."""
    return choice.count if choice.count in figures.COUNTED else "refusals"


def redraw(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes with what is counted."""
    return {
        "week-drawn": {"children": drawn(view)},
        "counted": {"children": _choices(view.choice)},
    }


def _choices(choice: Choice) -> parts.Children:
    """A link for each thing that may be counted; the present one is said to be it."""
    return [
        html.P(
            dcc.Link(
                capital(name),
                href=replace(choice, count=key).search(),
                className="chosen" if key == counted(choice) else "",
            )
        )
        for key, name in figures.COUNTED.items()
    ]


def drawn(view: View) -> parts.Children:
    """A sentence, the heat map, its numbers; or why there is none."""
    what = counted(view.choice)
    name = figures.COUNTED[what]
    hours = views.shown_to_manager(views.hour_of_week(view.analysis), view.analysis.sites)
    known = hours[hours[f"{what}_per_hour"].notna()]
    if known.empty:
        return [parts.nothing(phrase("Not shown: {reasons}.", reasons=reasons(hours)))]
    kept = hours[hours["chute"].isin(known["chute"].unique())]
    picture = parts.chart(
        figures.week_of_counts(
            kept,
            what,
            view.scheme,
            view.behind(what, chute=None) + "&chute={chute}&floor={row}&hour={x}",
        ),
        "week-map",
        phrase(
            "{what:C} per hour, by floor and hour of the week; the tables below have the numbers.",
            what=phrase(name),
        ),
        view.caption(
            phrase("{what:C} per hour of log, by hour of the local week", what=phrase(name)),
            phrase("{n} {what}", n=count(known[what].sum()), what=phrase(name)),
        ),
    )
    silent = hours[~hours["chute"].isin(known["chute"].unique())]
    why = [
        parts.nothing(
            phrase(
                "Chute {chute}: {reasons}.",
                chute=chute,
                reasons=reasons(silent[silent["chute"].eq(chute)]),
            )
        )
        for chute in silent["chute"].unique()
    ]
    table = parts.folded(
        phrase("{what:C} by floor and day of the week", what=phrase(name)), _table(kept, what)
    )
    return [_lead(known, what), *why, picture, table, _hours(what)]


def _hours(what: str) -> html.Details:
    """All hours of the week, which come when somebody asks: there are thousands of cells."""
    name = phrase("{what:C} by floor and hour of the week", what=phrase(figures.COUNTED[what]))
    come = html.Div(parts.nothing("Counting every hour …"), id="week-hours-table")
    return html.Details([html.Summary(name), come], id="week-hours")


def by_hour(view: View) -> html.Div:
    """An hour of the week a row, a floor a column; blank where there is no log."""
    what = counted(view.choice)
    hours = views.shown_to_manager(views.hour_of_week(view.analysis), view.analysis.sites)
    several = hours["chute"].nunique() > 1
    wide = hours.pivot_table(
        index="hour_of_week", columns=["chute", "floor"], values=what, sort=False, observed=True,
        aggfunc="sum", dropna=False,
    ).dropna(axis=1, how="all").sort_index()  # fmt: skip
    floors = wide.columns.to_frame().itertuples(index=False, name=None)
    doors = {f"{chute}:{floor}": (str(chute), str(floor)) for chute, floor in floors}
    columns: dict[str, str] = {"hour": "Hour of the local week"} | {
        key: figures.of_floor(floor, chute if several else None)
        for key, (chute, floor) in doors.items()
    }
    rows: list[dict[str, parts.Cell]] = [
        {"hour": figures.hour_of(int(hour)), **{
            key: None if pd.isna(n) else whole(n) for key, n in zip(doors, values, strict=True)
        }}
        for hour, values in zip(wide.index, wide.to_numpy(), strict=True)
    ]  # fmt: skip
    name = phrase("{what:C} by floor and hour of the week", what=phrase(figures.COUNTED[what]))
    return parts.table(columns, rows, list(doors), name)


def _lead(known: pd.DataFrame, what: str) -> html.P:
    per_hour = known.groupby("hour_of_week")[what].sum()
    total = int(per_hour.sum())
    place = int(per_hour.astype(int).to_numpy().argmax())
    worst, most = int(per_hour.index[place]), int(per_hour.iloc[place])
    if not total:
        return html.P(phrase("There were no {what}.", what=phrase(figures.COUNTED[what])))
    return html.P(
        phrase(
            "Most fall on {day} from {worst:02d}:00 to {worst2:02d}:00: {most} of {total}.",
            day=phrase(figures.DAYS[worst // 24]),
            worst=worst % 24,
            worst2=worst % 24 + 1,
            most=count(most),
            total=count(total),
        )
    )


def _table(hours: pd.DataFrame, what: str) -> html.Div:
    days = hours.assign(day=hours["hour_of_week"] // 24)
    sums = days.groupby(["chute", "floor", "day"], observed=True, sort=False)[what]
    wide = sums.sum(min_count=1).unstack("day").reset_index()
    columns = {"floor": "Floor", "chute": "Chute"} | {
        str(day): name[:3] for day, name in enumerate(figures.DAYS)
    }
    rows = [_row(row) for row in wide.to_dict("records")]
    name = phrase(
        "{what:C} of {floors}",
        what=phrase(figures.COUNTED[what]),
        floors=things(len(rows), "floor", "floors"),
    )
    return parts.table(columns, rows, [str(day) for day in range(7)], name)


def _row(row: Row) -> dict[str, parts.Cell]:
    days: dict[str, parts.Cell] = {str(day): whole(row[day]) for day in range(7)}
    return {"floor": str(row["floor"]), "chute": str(row["chute"]), **days}

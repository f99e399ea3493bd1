"""When presses are refused: floor by hour of the week."""

import pandas as pd
from dash import html

from dashboards import figures, parts
from dashboards.pages.site.view import Row, View, reasons, whole
from loganalyzer import views
from loganalyzer.sentences import count, things

TITLE = "When are presses refused?"


def section(view: View) -> html.Section:
    """The heat map, or why there is none."""
    hours = views.shown_to_manager(views.hour_of_week(view.analysis), view.analysis.sites)
    known = hours[hours["refusals_per_hour"].notna()]
    if known.empty:
        return parts.section("week", TITLE, [], parts.nothing(f"Not shown: {reasons(hours)}."))
    kept = hours[hours["chute"].isin(known["chute"].unique())]
    drawn = parts.chart(
        figures.week_of_refusals(kept, view.scheme),
        "week-map",
        "Refused presses per hour, by floor and hour of the week; the table below has their days.",
        view.caption(
            "Refused presses per hour of log, by hour of the local week",
            f"{count(known['refusals'].sum())} refused presses",
        ),
    )
    table = parts.folded("Refused presses by floor and day of the week", _table(kept))
    return parts.section("week", TITLE, _said(view, hours, known), drawn, table)


def _said(view: View, hours: pd.DataFrame, known: pd.DataFrame) -> list[parts.Cell]:
    per_hour = known.groupby("hour_of_week")["refusals"].sum()
    total = int(per_hour.sum())
    place = int(per_hour.astype(int).to_numpy().argmax())
    worst, most = int(per_hour.index[place]), int(per_hour.iloc[place])
    lead = (
        f"Most fall on {figures.DAYS[worst // 24]} from {worst % 24:02d}:00 to "
        f"{worst % 24 + 1:02d}:00: {count(most)} of {count(total)}."
        if total
        else "No press was refused."
    )
    silent = hours[~hours["chute"].isin(known["chute"].unique())]
    chutes = silent["chute"].unique()
    return [
        html.P(lead, className="said"),
        "The darker, or in the dark the brighter, the more. Blank is an hour without log. The "
        "lowest floor stands at the bottom, as in the building.",
        *(f"Chute {c}: {reasons(silent[silent['chute'].eq(c)])}." for c in chutes),
    ]


def _table(hours: pd.DataFrame) -> html.Div:
    days = hours.assign(day=hours["hour_of_week"] // 24)
    sums = days.groupby(["chute", "floor", "day"], observed=True, sort=False)["refusals"]
    wide = sums.sum(min_count=1).unstack("day").reset_index()
    columns = {"floor": "Floor", "chute": "Chute"} | {
        str(day): name[:3] for day, name in enumerate(figures.DAYS)
    }
    rows = [_row(row) for row in wide.to_dict("records")]
    name = f"Refused presses of {things(len(rows), 'floor', 'floors')}"
    return parts.table(columns, rows, [str(day) for day in range(7)], name)


def _row(row: Row) -> dict[str, parts.Cell]:
    days: dict[str, parts.Cell] = {str(day): whole(row[day]) for day in range(7)}
    return {"floor": str(row["floor"]), "chute": str(row["chute"]), **days}

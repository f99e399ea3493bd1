"""Day by day: visits and refused presses."""

import pandas as pd
from dash import html

from dashboards import figures, parts
from dashboards.pages.view import Row, View, whole
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.sentences import count, listed, things

TITLE = "How do the days compare?"
COUNTS = {"visits": "visits", "cycles": "cycles", "refusals": "refused presses"}
COLUMNS = {
    "day": "Day", "chute": "Chute", "cycles": "Cycles", "visits": "Visits",
    "refusals": "Refused presses", "lockouts": "Lockouts", "covered": "In the log, %",
}  # fmt: skip


def section(view: View) -> html.Section:
    """A line for visits and one for refused presses, a panel a chute."""
    daily = views.daily_trend(view.analysis)
    if daily[list(COUNTS)].isna().all(axis=None):
        why = "Not shown: neither presses nor door contacts with a time that can be trusted."
        return parts.section("daily", TITLE, [], parts.nothing(why))
    known = daily[daily["covered_share"] > 0]
    numbers = [
        phrase("{n} {what}", n=count(daily[name].sum()), what=phrase(said))
        for name, said in COUNTS.items()
        if daily[name].notna().any()
    ]
    missing = [phrase(said) for name, said in COUNTS.items() if daily[name].isna().all()]
    drawn = parts.chart(
        figures.days(
            daily,
            view.scheme,
            {name: view.behind(name, chute=None) + "&chute={chute}&day={x}" for name in COUNTS},
        ),
        "daily-lines",
        "Visits and refused presses of each local day; the table below has the numbers.",
        view.caption(
            "Number a local day",
            phrase(
                "{numbers} on {days}",
                numbers=listed(numbers),
                days=things(known["day"].nunique(), "day", "days"),
            ),
        ),
    )
    beside: list[parts.Cell] = [
        _busiest(known),
        "Each local day. A day without log is left open, never zero; a hollow mark is a day that "
        "the log covers in part.",
        phrase("Not in the log: {missing}.", missing=listed(missing)) if missing else None,
    ]
    rows = [_row(row, view) for row in daily.to_dict("records")]
    table = parts.folded(
        phrase("The numbers of {days}", days=things(daily["day"].nunique(), "day", "days")),
        parts.table(COLUMNS, rows, list(COLUMNS)[2:], TITLE),
    )
    return parts.section("daily", TITLE, beside, drawn, table)


def _busiest(known: pd.DataFrame) -> html.P:
    """The day with most of what is drawn, all chutes together."""
    name = "cycles" if known["visits"].isna().all() else "visits"
    sums = known.groupby("day")[name].sum()
    place = int(sums.astype(int).to_numpy().argmax())
    return html.P(
        phrase(
            "Most {name} are on {index:%Y-%m-%d}: {place}; half of the days have at least "
            "{median}.",
            name=phrase(COUNTS[name]), index=sums.index[place], place=count(sums.iloc[place]),
            median=count(sums.median()),
        ), className="said",
    )  # fmt: skip


def _row(row: Row, view: View) -> dict[str, parts.Cell]:
    day, chute = f"{row['day']:%Y-%m-%d}", str(row["chute"])
    numbers: dict[str, parts.Cell] = {
        name: parts.door(whole(row[name]), view.behind(name, chute=chute, day=day))
        for name in ("cycles", "visits", "refusals", "lockouts")
    }
    return {
        "day": phrase("{day:%Y-%m-%d}", day=row["day"]), "chute": chute,
        **numbers, "covered": phrase("{share:.0f}", share=100 * row["covered_share"]),
    }  # fmt: skip

"""Whether lockouts become more or fewer over the months, floor by floor, in sentences."""

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.pages.view import Row, View, text, whole, with_limits
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.sentences import door, figure, things

TITLE = "Is it getting better?"
COLUMNS = {
    "floor": "Floor", "chute": "Chute", "month": "Month", "visits": "Visits",
    "episodes": "Episodes", "rate": "Episodes per 100 visits", "reason": "Why not",
}  # fmt: skip


CHANGES = {
    "rising": "lockouts become more", "falling": "lockouts become fewer",
    "none shown": "no trend is shown",
}  # fmt: skip


def section(view: View) -> html.Section:
    """A sentence a floor that changes; the months behind a line to open."""
    trends = views.shown_to_manager(view.analysis.floor_trends, view.analysis.sites)
    months = views.shown_to_manager(view.analysis.lockout_months, view.analysis.sites)
    changing = trends[trends["change"].isin(["rising", "falling"])]
    rest = trends[~trends.index.isin(changing.index)]
    said = [html.Li(_sentence(row)) for row in changing.to_dict("records")]
    found = html.Ul(said, className="plain") if said else parts.nothing("No floor is seen to.")
    rows = [
        {
            "floor": str(row["floor"]), "chute": str(row["chute"]),
            "month": phrase("{month:%Y-%m}", month=row["month"]),
            "visits": parts.door(whole(row["visits"]), _behind(view, row, "visits")),
            "episodes": parts.door(whole(row["episodes"]), _behind(view, row, "episodes")),
            "rate": with_limits(row, "episodes_per_100_visits", "low", "high"),
            "reason": text(row["reason"]),
        }
        for row in months.to_dict("records")
    ]  # fmt: skip
    others = html.Ul(
        [html.Li(_sentence(row)) for row in rest.to_dict("records")], className="plain"
    )
    beside: list[parts.Cell] = [
        "Lockout episodes in a floor's visits, month by month; a change is told only where chance "
        "would rarely make it.",
        view.about,
    ]
    return parts.section(
        "trends", TITLE, beside, found,
        parts.folded(
            phrase("The other {floors}", floors=things(len(rest), "floor", "floors")), others),
        parts.folded("Month by month", parts.table(
            COLUMNS, rows, ["visits", "episodes", "rate"], "Lockout episodes by month")),
    )  # fmt: skip


def _sentence(row: Row) -> str:
    """The trend of one door."""
    place = door(str(row["chute"]), str(row["floor"]))
    if isinstance(row["reason"], str):
        why = text(row["reason"])
        return phrase("{door}: no trend can be told ({reason}).", door=place, reason=why)
    times = with_limits(row, "times_earlier", "low", "high")
    return phrase(
        "{door}: {change}: {episodes}, {later} per 100 visits in the later half of its visits, "
        "{earlier} in the earlier{times}.",
        door=place, change=phrase(CHANGES[str(row["change"])]),
        episodes=things(row["episodes"], "lockout episode", "lockout episodes"),
        later=figure(row["later"]), earlier=figure(row["earlier"]),
        times=phrase(", {n} times", n=times) if times else "",
    )  # fmt: skip


def _behind(view: View, row: Row, what: str) -> str:
    """The address of what a month of a floor counts."""
    last = row["month"] + pd.offsets.MonthEnd(0)
    return view.behind(what, chute=str(row["chute"]), floor=str(row["floor"]),
                       start=f"{row['month']:%Y-%m-%d}", end=f"{last:%Y-%m-%d}")  # fmt: skip

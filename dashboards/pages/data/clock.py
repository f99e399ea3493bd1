"""How far the times can be trusted, event by event."""

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import View, moment, percent, whole
from loganalyzer.language import phrase
from loganalyzer.sentences import figure
from loganalyzer.tables import CLOCK_MARKS

LINES = 5  # lines shown of a mark
COLUMNS = {"mark": "Time", "chute": "Chute", "events": "Events", "share": "Share", "first": "First",
           "last": "Last", "means": "What that means"}  # fmt: skip
WIDE = ("events", "share", "first", "last")
MEANS = {
    "exact": "as the controller wrote it",
    "sampled": "known to the interval between two scans",
    "gap": "in the hour that spring leaves out; moved forward",
    "fold": "in the repeated hour of autumn; told apart by the order of the lines",
    "drift": "moved by seconds, because the clock was set right later",
    "step": "moved by a step of the clock, or written out of order",
    "unanchored": "of a restarted clock that nothing set; kept out of rates and durations",
}


def section(view: View, data: Data, site: str) -> html.Section:
    """The events of the period by how far their time can be trusted."""
    events = view.analysis.timeline
    marks = events.groupby(["chute", "clock"], observed=True, sort=False)["time"]
    table = marks.agg(events="size", first="min", last="max").reset_index()
    table["of"] = table.groupby("chute", observed=True)["events"].transform("sum")
    order = {mark: place for place, mark in enumerate(reversed(CLOCK_MARKS))}
    table = table.assign(place=table["clock"].astype("str").map(order))
    table = table.sort_values(["chute", "place"], kind="stable")
    rows = [
        {"mark": str(row["clock"]), "chute": str(row["chute"]), "events": whole(row["events"]),
         "share": percent(row["events"] / row["of"]), "means": MEANS[str(row["clock"])],
         "first": moment(row["first"].tz_convert(view.zone)),
         "last": moment(row["last"].tz_convert(view.zone))}
        for row in table.to_dict("records")
    ]  # fmt: skip
    exact = float(table.loc[table["clock"].eq("exact"), "events"].sum() / table["events"].sum())
    beside: list[parts.Cell] = [
        html.P(phrase("{share} % of the times stand as they were written.",
                      share=figure(100 * exact)), className="said"),
        "The others were put right as far as the log tells how.",
        view.about,
    ]  # fmt: skip
    raw = [
        parts.folded(f"Lines: {mark}", *parts.lines(data.lines(site, _evidence(events, mark))))
        for mark in CLOCK_MARKS
        if mark not in ("exact", "sampled") and events["clock"].eq(mark).any()
    ]
    numbers = parts.table(COLUMNS, rows, WIDE, "How far the times can be trusted")
    return parts.section("clock", "Can the times be trusted?", beside, numbers, *raw)


def _evidence(events: pd.DataFrame, mark: str) -> list[str]:
    head = events[events["clock"].eq(mark)].head(LINES)
    return [f"{source}:{line}" for source, line in zip(head["source"], head["line"], strict=True)]

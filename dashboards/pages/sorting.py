"""Who sorts, how containers fill, when they will be full, and the figures of each month."""

from urllib.parse import quote

import pandas as pd
from dash import html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.pages.frame import Page
from dashboards.pages.view import (
    Row,
    View,
    duration,
    moment,
    percent,
    reasons,
    tenths,
    whole,
    with_limits,
    word,
)
from loganalyzer.sentences import count, things
from loganalyzer.views import shown_to_manager
from loganalyzer.views import streams as tables
from loganalyzer.views.pickup_report import ASSUMES
from loganalyzer.views.streams_report import NOTE

LATEST = 40  # fills in the table


def sections(view: View, data: Data, site: str) -> parts.Children:
    """Sorting first, then containers, then what to do about pickups, then the figures."""
    return [
        participation(view), trend(view), containers(view), forecast(view), pickups(view),
        monthly(view),
    ]  # fmt: skip


def participation(view: View) -> html.Section:
    """How each floor uses each stream."""
    title = "How does each floor sort?"
    table = shown_to_manager(tables.participation_by_floor(view.analysis), view.analysis.sites)
    known = table[table["shrunken"].notna() & table["stream"].ne("refuse")]
    columns = {"floor": "Floor", "chute": "Chute", "stream": "Stream", "uses": "Uses",
               "share": "Share, %", "shrunken": "Shrunk, %", "rate": "Uses a unit and week",
               "weeks": "Weeks active", "reason": "Why not"}  # fmt: skip
    told = [
        {"floor": str(row["floor"]), "chute": str(row["chute"]), "stream": str(row["stream"]),
         "uses": whole(row["uses"]), "share": with_limits(row, "share", "low", "high", 100),
         "shrunken": with_limits(row, "shrunken", "shrunken_low", "shrunken_high", 100),
         "rate": with_limits(row, "uses_per_unit_week", "rate_low", "rate_high"),
         "weeks": f"{whole(row['weeks_active'])} of {whole(row['weeks_covered'])}",
         "reason": word(row["reason"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    numbers = parts.folded("The numbers", parts.table(
        columns, told, ["uses", "share", "shrunken", "rate", "weeks"], title))  # fmt: skip
    if known.empty:
        why = parts.nothing(f"Not drawn: {reasons(table)}.")
        return parts.section("participation", title, [], why, numbers)
    drawn = [_floors(view, str(stream), part) for stream, part in known.groupby(
        "stream", observed=True, sort=False)]  # fmt: skip
    beside = [NOTE.replace("\n", " "), "Drawn is the shrunken share: a floor of few units is drawn "
              "towards the building's, so that luck neither crowns nor shames it."]  # fmt: skip
    return parts.section("participation", title, beside, *drawn, numbers)


def _floors(view: View, stream: str, part: pd.DataFrame) -> html.Figure:
    several = part["chute"].nunique() > 1
    ranked = part.sort_values("shrunken", ascending=False)
    names = [f"Floor {row.floor}{f', {row.chute}' if several else ''}"
             for row in ranked.itertuples()]  # fmt: skip
    hundred = {name: 100 * ranked[column].astype(float).to_numpy() for name, column in
               (("value", "shrunken"), ("low", "shrunken_low"),
                ("high", "shrunken_high"))}  # fmt: skip
    return parts.chart(
        shapes.dots(pd.DataFrame({"name": names, **hundred}), f"{stream}, % of uses", view.scheme),
        f"share-{stream}", f"Shrunken share of {stream} by floor; the table has the numbers.",
        view.caption(f"{stream.capitalize()}, % of a floor's uses, shrunken; bars: 95 % interval",
                     f"{count(part['uses'].sum())} uses"),
    )  # fmt: skip


def trend(view: View) -> html.Section:
    """The share of each stream week by week, with campaigns marked."""
    title, weeks = "Does sorting change?", tables.weekly_shares(view.analysis)
    known = weeks[weeks["share"].notna()]
    if known.empty:
        return parts.section("trend", title, [], parts.nothing(f"Not shown: {reasons(weeks)}."))
    rows = pd.DataFrame({
        "panel": "Chute " + known["chute"].astype(str), "line": known["stream"].astype(str),
        "x": known["start"], **{n: 100 * known[c].astype(float) for n, c in
                                (("value", "share"), ("low", "low"), ("high", "high"))},
    })  # fmt: skip
    campaigns = tables.campaign_marks(view.analysis)
    marks = [(pd.Timestamp(str(row.date)), str(row.note)) for row in campaigns.itertuples()]
    drawn = parts.chart(
        shapes.lines(rows, "% of uses", view.scheme, marks), "trend-lines",
        "Share of each stream week by week, a panel a chute.",
        view.caption("% of the uses of a week; bars: 95 % interval (Wilson)",
                     f"{count(known['uses'].sum())} uses"),
    )  # fmt: skip
    said = "Upright lines are campaigns." if marks else "The site file names no campaign."
    return parts.section("trend", title, [said], drawn)


def containers(view: View) -> html.Section:
    """What each container's fills come to, and the latest fills."""
    title = "How do the containers fill?"
    totals, fills = tables.container_totals(view.analysis), tables.fill_history(view.analysis)
    columns = {"container": "Container", "chute": "Chute", "fills": "Fills", "full": "Got full",
               "hours": "Hours full", "refused": "Visits refused",
               "half": "Emptied under half",
               "uses": "Uses to full, median",
               "false": "False full", "reason": "Why not"}  # fmt: skip
    told = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "fills": whole(row["fills"]), "full": whole(row["full"]),
         "hours": tenths(row["hours_full"]), "refused": whole(row["visits_refused"]),
         "half": whole(row["under_half"]), "false": whole(row["false_full"]),
         "uses": with_limits(row, "median", "median_low", "median_high"),
         "reason": word(row["reason"])}
        for row in totals.to_dict("records")
    ]  # fmt: skip
    history = {"container": "Container", "chute": "Chute", "state": "State", "from": "Emptied",
               "full": "Full from", "to": "Until", "by": "Emptied by", "uses": "Uses",
               "lasted": "Full for", "reason": "Why not"}  # fmt: skip
    latest = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "state": word(row["state"]), "from": moment(row["emptied_local"]),
         "full": moment(row["full_from_local"]), "to": moment(row["ends_local"]),
         "by": word(row["emptied_by"]), "uses": whole(row["drops"]),
         "lasted": duration(row["seconds"]), "reason": word(row["reason"])}
        for row in fills.head(LATEST).to_dict("records")
    ]  # fmt: skip
    return parts.section(
        "containers", title, ["In brackets: 95 % interval.", f"{view.scope}."],
        parts.table(columns, told, list(columns)[2:-1], title),
        parts.folded(f"The latest of {things(len(fills), 'fill', 'fills')}", parts.table(
            history, latest, ["uses", "lasted"], "Fills, the latest first")),
    )  # fmt: skip


def forecast(view: View) -> html.Section:
    """How likely each container is full by the end of each coming day."""
    title, table = "When will they be full?", view.analysis.sorting.forecast
    known = table[table["chance_full"].notna()]
    if known.empty:
        return parts.section("forecast", title, [], parts.nothing(f"Not shown: {reasons(table)}."))
    rows = pd.DataFrame({
        "panel": "Chute " + known["chute"].astype(str), "line": known["container"].astype(str),
        "x": known["day"], **{n: 100 * known[c].astype(float) for n, c in
                              (("value", "chance_full"), ("low", "low"), ("high", "high"))},
    })  # fmt: skip
    drawn = parts.chart(
        shapes.lines(rows, "chance full, %", view.scheme), "forecast-lines",
        "Chance that each container is full by the end of each coming day, a panel a chute.",
        view.caption("% chance of full by the end of a local day; bars: 95 % interval",
                     f"{things(len(known), 'forecast', 'forecasts')}"),
    )  # fmt: skip
    unknown = table[table["chance_full"].isna()]
    beside: list[parts.Cell] = [
        "Made at the end of the log, as if nothing were emptied before.",
        *(f"{row.container} of chute {row.chute}: {row.reason}." for row in unknown.itertuples()),
    ]
    return parts.section("forecast", title, beside, drawn)


def pickups(view: View) -> html.Section:
    """The present rule, and the best at each number of pickups."""
    title, shown = "Would other pickups serve better?", tables.pickup_table(view.analysis)
    columns = {"container": "Container", "chute": "Chute", "rule": "Rule", "what": "Which",
               "chance": "Full before the next, %", "hours": "Hours full a week",
               "refused": "Refused a week", "half": "Emptied under half",
               "reason": "Why not"}  # fmt: skip
    told = [
        {"container": str(row["container"]), "chute": str(row["chute"]), "rule": word(row["rule"]),
         "what": _which(row),
         "chance": with_limits(row, "chance_full", "chance_low", "chance_high", 100),
         "hours": with_limits(row, "hours_full_a_week", "hours_low", "hours_high"),
         "refused": with_limits(row, "refused_a_week", "refused_low", "refused_high"),
         "half": percent(row["under_half"]), "reason": word(row["reason"])}
        for row in shown.to_dict("records")
    ]  # fmt: skip
    return parts.section("pickups", title, [ASSUMES, f"{view.scope}."], parts.table(
        columns, told, ["chance", "hours", "refused", "half"], title))  # fmt: skip


def _which(row: Row) -> str:
    best = f"best at {row['pickups_a_week']:g} a week"
    return "present" if row["present"] is True else best


def monthly(view: View) -> html.Section:
    """The figures a municipality or owner asks for, to read and to take along."""
    title, table = "Figures of each month", view.analysis.sorting.monthly
    columns = {"month": "Month", "stream": "Stream", "uses": "Uses", "litres": "Litres",
               "kg": "kg", "share": "Share", "diversion": "Diversion",
               "method": "Method"}  # fmt: skip
    told = [
        {"month": str(row["month"]), "stream": str(row["stream"]), "uses": whole(row["uses"]),
         "litres": whole(row["litres"]), "kg": whole(row["kg"]), "share": percent(row["share"]),
         "diversion": percent(row["diversion"]), "method": word(row["method"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    csv = table.to_csv(index=False)
    take = html.A("Take them along as CSV", download="monthly-figures.csv",
                  href=f"data:text/csv;charset=utf-8,{quote(csv)}")  # fmt: skip
    beside = ["The file holds the uncertainty of each figure too.", f"{view.scope}."]
    return parts.section("monthly", title, beside, parts.table(
        columns, told, list(columns)[2:-1], title), html.P(take))  # fmt: skip


PAGE = Page("Sorting and containers", sections)

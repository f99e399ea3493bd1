"""What do people wait for, how busy is a chute, and what would another clearing time do?"""

from collections.abc import Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.figures import DAYS, column, hour_of, of_chute
from dashboards.pages.frame import Page
from dashboards.pages.view import (
    Row,
    View,
    coded,
    duration,
    percent,
    reasons,
    tenths,
    text,
    whole,
    with_limits,
    word,
)
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase
from loganalyzer.sentences import count, things
from loganalyzer.views import index_report
from loganalyzer.views.about_waits import CAUSE_NAMES, PART_NAMES
from loganalyzer.views.finding import rows
from loganalyzer.views.wait_report import ASSUMES, CLEARING_CAUTION, clearing_what_if, meaning

INCIDENTS = {  # the kind behind each cause
    "power": "power_loss", "service": "service", "container": "container_full",
    "sorter": "sorter_fault", "door": "stuck_door",
}  # fmt: skip
ENOUGH = 20  # visits of an hour of the week, before its wait is held against others
SETTINGS = {"logged": "As logged", "present": "Replayed as it is", "other": "Replayed with it"}


def sections(view: View, data: Data, site: str) -> parts.Children:
    """One section a question."""
    return [split(view), within(view), hours(view), server(view), what_if(view), indices(view)]


def split(view: View) -> html.Section:
    """The wait from the first press to an open door, in its parts."""
    title, table = "What do people wait for?", view.analysis.wait_split
    split_of = table[table["mean_s"].notna() & table["mean_s"].gt(0)]
    if split_of.empty:
        return parts.section(
            "split",
            title,
            [],
            parts.nothing(
                phrase(
                    "Not shown: {reasons}.",
                    reasons=reasons(table),
                )
            ),
        )
    bars = pd.DataFrame({
        "chute": split_of["chute"].astype(str), "value": split_of["mean_s"],
        "part": split_of["part"].astype(str).map(PART_NAMES).fillna(split_of["part"].astype(str)),
    })  # fmt: skip
    visits = int(split_of.groupby("chute", observed=True)["n"].max().sum())
    drawn = parts.chart(
        shapes.split(bars, "seconds a visit, mean", view.scheme,
                     view.behind("visits", chute=None, result="served") + "&chute={chute}"),
        "split-bars",
        "The mean wait of a visit in its parts, a bar a chute; the table has the numbers.",
        view.caption("Mean seconds a visit; the table has the spread", phrase(
            "{visits} visits",
            visits=count(visits),
        )),
    )  # fmt: skip
    columns = {"part": "Waiting for", "chute": "Chute", "mean": "Mean s", "median": "Median s",
               "p90": "9 in 10 within, s", "share": "Of the wait", "reason": "Why not"}  # fmt: skip
    told = [
        {"part": phrase(PART_NAMES.get(str(row["part"]), str(row["part"]))),
         "chute": str(row["chute"]),
         "mean": parts.door(tenths(row["mean_s"]), view.behind(
             "visits", chute=str(row["chute"]), result="served")),
         "median": tenths(row["median_s"]),
         "p90": tenths(row["p90_s"]), "share": percent(row["share"]), "reason": text(row["reason"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    numbers = parts.table(columns, told, ["mean", "median", "p90", "share"], title)
    most = split_of.sort_values("mean_s", ascending=False).iloc[0]
    beside: list[parts.Cell] = [
        html.P(phrase(
            "Most of the wait at chute {chute} is for {get}: {tenths} s a visit, {percent} of "
            "it.",
            chute=most["chute"], get=phrase(PART_NAMES.get(str(most["part"]), str(most["part"]))),
            tenths=tenths(most["mean_s"]), percent=percent(most["share"]),
        ),
               className="said"),
        "From the first press to the open door, visits that were served.",
    ]  # fmt: skip
    return parts.section("split", title, beside, drawn, numbers)


def within(view: View) -> html.Section:
    """Who is served within 15, 30 and 60 s, who gives up, what is refused."""
    title = "How many are served soon enough?"
    served, refused = view.analysis.served_within, view.analysis.refusals
    columns = {"within": "Served within", "chute": "Chute", "share": "Of 100 visits",
               "visits": "Visits", "reason": "Why not"}  # fmt: skip
    told = [
        {"within": phrase("{s} s", s=row["within_s"]), "chute": str(row["chute"]),
         "share": with_limits(row, "share", "low", "high", 100),
         "visits": parts.door(
             whole(row["visits"]), view.behind("visits", chute=str(row["chute"]))),
         "reason": text(row["reason"])}
        for row in served.to_dict("records")
    ]  # fmt: skip
    ends = {"chute": "Chute", "served": "Served", "gave_up": "Gave up", "locked_out": "Locked out"}
    ended = [
        {
            "chute": str(row["chute"]),
            **{
                key: parts.door(
                    whole(row[key]), view.behind("visits", chute=str(row["chute"]), result=key)
                )
                for key in list(ends)[1:]
            },
        }
        for row in view.headline.to_dict("records")
    ]
    codes = {"code": "Refused because", "chute": "Chute", "refusals": "Presses",
             "share": "Of 100 presses", "reason": "Why not"}  # fmt: skip
    reasons_told = [
        {"code": coded(row["code"]) or phrase("not told"), "chute": str(row["chute"]),
         "refusals": parts.door(whole(row["refusals"]), view.behind(
             "refusals", chute=str(row["chute"]), result=word(row["code"]))),
         "share": with_limits(row, "share", "low", "high", 100), "reason": text(row["reason"])}
        for row in refused.to_dict("records")
    ]  # fmt: skip
    beside = ["Of all visits, those who gave up too. In brackets: 95 % interval (Wilson).",
              view.about]  # fmt: skip
    return parts.section(
        "within", title, beside,
        parts.table(columns, told, ["share", "visits"], "Served within so many seconds"),
        html.H3("How visits ended"),
        parts.table(ends, ended, list(ends)[1:], "How visits ended"),
        html.H3("Refused presses by reason"),
        parts.table(codes, reasons_told, ["refusals", "share"], "Refused presses by reason"),
    )  # fmt: skip


def hours(view: View) -> html.Section:
    """The wait by hour of the local week."""
    title, table = "At which hours is the wait long?", view.analysis.week_waits
    known = table[table["median_s"].notna()]
    if known.empty:
        return parts.section(
            "hours",
            title,
            [],
            parts.nothing(
                phrase(
                    "Not shown: {reasons}.",
                    reasons=reasons(table),
                )
            ),
        )
    each = [
        pd.DataFrame({"panel": column(map(of_chute, table["chute"]), table),
                      "line": column([phrase(name)] * len(table), table),
                      "x": table["hour_of_week"], "value": table[value]})
        for value, name in (("median_s", "half within"), ("p90_s", "9 in 10 within"))
    ]  # fmt: skip
    rows = pd.concat(each)
    doors: dict[tuple[str, str], str] = {
        (of_chute(chute), name): view.behind("visits", chute=str(chute), result="served")
        + "&hour={x}"
        for chute in table["chute"].unique() for name in ("half within", "9 in 10 within")
    }  # fmt: skip
    figure = shapes.of_week(shapes.lines(rows, "seconds", view.scheme, doors=doors))
    drawn = parts.chart(
        figure, "hours-lines", "Median and 90 % wait by hour of the week, a panel a chute.",
        view.caption("Seconds from first press to open door, by hour of the local week",
                     phrase("{served} visits served", served=count(known["served"].sum()))),
    )  # fmt: skip
    return parts.section(
        "hours", title,
        [_longest(known), "An hour with few visits swings: look for hours that stay high.",
         "Open where nobody was served."], drawn,
        parts.numbers(rows.assign(x=column(map(hour_of, rows["x"]), rows)),
                      "Hour of the local week", "Seconds", title),
    )  # fmt: skip


def _longest(known: pd.DataFrame) -> html.P | None:
    """The hour of the week with the longest wait, of those with enough visits to say so."""
    enough = known[known["served"].ge(ENOUGH)]
    if enough.empty:
        return None
    row = enough.sort_values("p90_s", ascending=False).iloc[0]
    day, hour = divmod(int(row["hour_of_week"]), 24)
    return html.P(
        phrase(
            "Longest on {day} from {hour:02d}:00, chute {chute}: 9 in 10 of {visits} within "
            "{tenths} s. Only hours with at least {value} visits are compared.",
            day=phrase(DAYS[day]), hour=hour, chute=row["chute"],
            visits=things(int(row["served"]), "visit", "visits"), tenths=tenths(row["p90_s"]),
            value=ENOUGH,
        ), className="said",
    )  # fmt: skip


def server(view: View) -> html.Section:
    """The chute as one server without a waiting room."""
    title, table = "How busy is it?", view.analysis.queue
    columns = {"chute": "Chute", "taken": "Taken", "use": "A use lasts", "busy": "Found busy, %",
               "formula": "By the formula", "visits": "Visits", "said": "What it says"}  # fmt: skip
    told = [
        {"chute": str(row.chute), "taken": percent(row.utilisation),
         "use": duration(row.service_s), "formula": percent(row.expected),
         "busy": parts.door(
             with_limits(row._asdict(), "busy_share", "low", "high", 100),
             view.behind("refusals", chute=str(row.chute), result="busy")),
         "visits": parts.door(whole(row.visits), view.behind("visits", chute=str(row.chute))),
         "said": meaning(row) if pd.notna(row.difference) else text(row.reason)}
        for row in rows(table)
    ]  # fmt: skip
    assumes = phrase("{assumes}.", assumes=phrase(ASSUMES))
    return parts.section("server", title, [assumes, view.about], parts.table(
        columns, told, ["taken", "use", "busy", "formula", "visits"], title))  # fmt: skip


def what_if(view: View) -> html.Section:
    """Another clearing time, asked for and replayed."""
    field = dcc.Input(id="clearing", type="text", value=view.choice.clearing or "", size="6",
                      placeholder="seconds", debounce=True)  # fmt: skip
    beside: list[parts.Cell] = [
        html.Label(["Clearing, s", field]),
        html.P(CLEARING_CAUTION, className="caution", role="note"),
    ]
    answer = html.Div(replayed(view), id="replayed", **parts.aria(live="polite"))
    return parts.section("what-if", "What would another clearing time do?", beside, answer)


def replayed(view: View) -> parts.Children:
    """The logged visits played again, or what is needed for that."""
    asked = view.choice.clearing
    if not asked:
        return [parts.nothing("Give a clearing time, and the logged visits are played again.")]
    try:
        seconds = float(asked)
        kept = view.worked.replays
        if seconds not in kept:
            kept[seconds] = clearing_what_if(view.analysis, seconds)
        table = kept[seconds]
    except (ValueError, AnalyzerError) as error:
        ours = isinstance(error, AnalyzerError)
        return [
            parts.nothing(
                str(error)
                if ours
                else phrase(
                    "'{asked}' is no number of seconds.",
                    asked=asked,
                )
            )
        ]
    columns = {"what": "Clearing", "chute": "Chute", "clearing": "s", "mean": "Mean wait s",
               "p90": "9 in 10 within, s", "refused": "Refused", "gave_up": "Gave up",
               "n": "Attempts", "reason": "Why not"}  # fmt: skip
    told = [
        {"what": phrase(SETTINGS[str(row["setting"])]), "chute": str(row["chute"]),
         "clearing": tenths(row["clearing_s"]), "mean": tenths(row["mean_s"]),
         "p90": tenths(row["p90_s"]), "refused": percent(row["refused_share"]),
         "gave_up": whole(row["gave_up"]), "n": whole(row["attempts"]),
         "reason": text(row["reason"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    return [
        parts.table(columns, told, list(columns)[2:-1], "The logged visits, played again"),
        html.P(phrase(
            "What the replay misses as it is, it may miss with another setting: smaller "
            "differences say nothing. {scope}.",
            scope=view.scope,
        ), className="muted"),
    ]  # fmt: skip


def redraw(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes with the clearing time asked for."""
    return {"replayed": {"children": replayed(view)}}


def indices(view: View) -> html.Section:
    """Interruptions of units, by cause and month."""
    table = view.analysis.indices
    columns = {"cause": "Cause", "chute": "Chute", "often": "Times a unit",
               "minutes": "Minutes a unit",
               "each": "Minutes each", "available": "Available", "reason": "Why not"}  # fmt: skip
    whole_log = table[table["month"].eq("all")]
    months = table[table["month"].ne("all") & table["cause"].eq("all")]
    numbers = list(columns)[2:-1]
    by_cause = [{"cause": phrase(CAUSE_NAMES.get(str(row["cause"]), "all causes")),
                 **_index(row, view)}
                for row in whole_log.to_dict("records")]  # fmt: skip
    by_month = [
        {"cause": phrase("{month:%Y-%m}", month=pd.Timestamp(str(row["month"]))),
         **_index(row, view)}
        for row in months.to_dict("records")
    ]  # fmt: skip
    title = "How often are people without their door?"
    return parts.section(
        "indices", title, [index_report.SAYS, view.about],
        parts.table(columns, by_cause, numbers, "Interruptions by cause"),
        parts.folded(things(months["month"].nunique(), "month", "months"), parts.table(
            columns | {"cause": "Month"}, by_month, numbers, "Interruptions by month")),
    )  # fmt: skip


def _index(row: Row, view: View) -> dict[str, parts.Cell]:
    available, chute = row["availability"], str(row["chute"])
    counted = view.door("incidents", chute=chute, kind=INCIDENTS.get(str(row["cause"])))
    return {
        "chute": chute, "often": parts.door(_two(row["interruptions_per_unit"]), counted),
        "minutes": tenths(row["minutes_per_unit"]), "each": tenths(row["minutes_per_interruption"]),
        "available": None if pd.isna(available) else phrase("{v:.2f} %", v=100 * available),
        "reason": text(row["reason"]),
    }  # fmt: skip


def _two(value: Any) -> str | None:
    return None if pd.isna(value) else phrase("{v:.2f}", v=float(value))


PAGE = Page("Waiting", sections, {"clearing": redraw})

"""Which part, at which door, since when: suspects with what speaks for and against each."""

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd
from dash import html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.figures import column
from dashboards.pages import suspected
from dashboards.pages.frame import Page
from dashboards.pages.view import (
    COMPONENT_NAMES,
    Row,
    View,
    component,
    duration,
    moment,
    reasons,
    text,
    whole,
    with_limits,
    word,
)
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import alternatives, capital, count, figure, things
from loganalyzer.views.about_condition import sign_dated
from loganalyzer.views.technician import advised, hot_spots

SIGN_LINES = 5  # lines shown of a sign
TIMES = {
    "open_s": "open time", "unlock_s": "unlock delay", "positioning_s": "diverter travel",
    "clear_s": "clearing",
}  # fmt: skip


def sections(view: View, data: Data, site: str) -> parts.Children:
    """Where it is, who is suspected and why, then the faults themselves."""
    return [matrix(view), suspects(view, data, site), faults(view, data, site)]


def matrix(view: View) -> html.Section:
    """Troubles of every kind by component and door."""
    title, site = "Where are the hot spots?", next(iter(view.analysis.sites))
    spots = pd.concat(hot_spots(view.analysis, site, chute) for chute in view.chutes)
    spots = spots.assign(troubles=spots["faults"] + spots["glitches"] + spots["others"])
    found = spots[spots["troubles"].gt(0)]
    if found.empty:
        return parts.section("hot-spots", title, [], parts.nothing("The log holds no trouble."))
    several = len(view.chutes) > 1
    door = found["floor"].astype(str) + (", " + found["chute"].astype(str) if several else "")
    named = found["component"].astype(str).map(COMPONENT_NAMES).fillna(found["component"])
    grid = found.assign(door=door, component=named).pivot_table(
        index="door", columns="component", values="troubles", aggfunc="sum", observed=True,
        sort=False,
    )  # fmt: skip
    of = things(int(found["troubles"].sum()), "trouble", "troubles")
    drawn = parts.chart(
        shapes.matrix(grid, "troubles", view.scheme, "#suspects"), "hot-spots-map",
        "Number of troubles by door and component; suspects and faults stand below with theirs.",
        view.caption("Number of fault codes, glitches, overlong openings, slow moves, false fulls "
                     "and restarts", of),
    )  # fmt: skip
    top = found.sort_values("troubles", ascending=False).iloc[0]
    place = (
        phrase("floor {floor}", floor=top["floor"]) if top["floor"] != "chute"
        else phrase("no single door")
    )  # fmt: skip
    beside: list[parts.Cell] = [
        html.P(phrase("Most are at {place} of chute {chute}, {part}: {n} of {of}.", place=place,
                      chute=top["chute"], part=component(top["component"]),
                      n=count(top["troubles"]), of=of), className="said"),
        "Blank: none. 'chute' is what belongs to no door. A number is no verdict: which are "
              "more than a sound part shows stands below."]  # fmt: skip
    return parts.section("hot-spots", title, beside, drawn)


def suspects(view: View, data: Data, site: str) -> html.Section:
    """Each suspect: the signs, their lines, what speaks against it, the drift behind it."""
    title, table = "What should be looked at first?", view.analysis.condition.suspects
    if table.empty:
        none = parts.nothing("Nothing stands out.")
        return parts.section("suspects", title, [parts.caution()], none)
    since = wall_clock(table, view.analysis.sites, "since")
    told: parts.Children = []
    for place, row in enumerate(table.assign(local=since).to_dict("records")):
        told += _suspect(view, data, site, place, row)
    beside: list[parts.Cell] = [
        html.P(phrase("{suspects}, the strongest first.",
                      suspects=things(len(table), "suspect", "suspects")), className="said"),
        "A sign is something in the log that a sound part seldom makes.", view.about,
        parts.caution(),
    ]  # fmt: skip
    return parts.section("suspects", title, beside, *told)


def _suspect(view: View, data: Data, site: str, place: int, row: Row) -> parts.Children:
    floor = phrase(", floor {value}", value=row["floor"]) if word(row["floor"]) else ""
    signs = json.loads(row["evidence"])
    head = phrase("{part:C}, chute {chute}{floor}", part=component(row["component"]),
                  chute=row["chute"], floor=floor)  # fmt: skip
    since: str = (
        phrase("a day not known") if pd.isna(row["local"])
        else phrase("{day:%Y-%m-%d}", day=row["local"])
    )  # fmt: skip
    score = phrase("Since about {since}. Score {score}.", since=since,
                   score=figure(float(row["score"])))  # fmt: skip
    against = [phrase(str(one["says"])) for one in signs["against"]]
    isolate, *steps, rated = advised(row)
    lines = data.lines_of(site, [one["lines"][:SIGN_LINES] for one in signs["for"]])
    listed = [
        html.Li([_said(one), parts.folded("Lines", *parts.lines(raw))])
        for one, raw in zip(signs["for"], lines, strict=True)
    ]
    drift = _drift(view, place, row)
    return [
        html.H3(head),
        html.P([score, " May be misuse rather than a fault." if row["misuse"] is True else ""]),
        html.Ul(listed, className="plain"),
        html.P(
            phrase(
                "Against it: {what}.",
                what=alternatives(against) if against else phrase("nothing in the log"),
            )
        ),
        html.P(isolate, className="caution", role="note"),
        html.Ol([html.Li(step) for step in steps], className="steps"),
        *([html.P(rated)] if rated else []),
        *suspected.happened(view, data, site, row),
        *suspected.charted(view, place, row),
        *([drift] if drift else []),
    ]


def _said(one: Mapping[str, Any]) -> str:
    return capital(sign_dated(dict(one)))


def _drift(view: View, place: int, row: Row) -> html.Div | None:
    """The daily medians of the suspect's door, or of the chute's own parts."""
    table = view.analysis.condition.drift_days
    mine = table[table["site"].eq(row["site"]) & table["chute"].eq(row["chute"])]
    floor = word(row["floor"])
    mine = mine[mine["floor"].eq(floor)] if floor else mine[mine["floor"].isna()]
    mine = mine[mine["pair"].isna() & mine["median_s"].notna()]
    if mine.empty:
        return None
    each = [
        pd.DataFrame({"panel": column([phrase(TIMES.get(str(w), str(w))) for w in mine["what"]],
                                      mine),
                      "line": column([phrase(line)] * len(mine), mine), "x": mine["day"],
                      "value": mine[value]})
        for value, line in (("median_s", "median of a day"), ("p90_s", "9 in 10 within"),
                             ("level_s", "level"))
    ]  # fmt: skip
    rows = pd.concat(each).dropna(subset=["value"])
    drawn = parts.chart(
        shapes.lines(rows, "seconds", view.scheme, doors=suspected.day_doors(view, rows, row)),
        f"drift-{place}",
        "Daily medians and upper deciles of the door's times, a panel a time.",
        view.caption("Seconds, by local day; the spread is median to 9 in 10",
                     phrase("{n} uses", n=count(mine["n"].sum()))),
    )  # fmt: skip
    named = phrase("Daily times, {part}, floor {floor}", part=component(row["component"]),
                   floor=floor or phrase("none"))  # fmt: skip
    return html.Div([drawn, parts.numbers(rows, "Day", "Seconds", named)])


def faults(view: View, data: Data, site: str) -> html.Section:
    """Every kind of fault with its rate, and the lines of its occurrences."""
    title, table = "Which faults occurred?", view.analysis.condition.faults
    if table.empty:
        return parts.section("faults", title, [], parts.nothing("None in this log."))
    columns = {"component": "Component", "chute": "Chute", "floor": "Floor", "code": "Code",
               "count": "Number", "rate": "Per 1,000 uses", "last": "Last", "median": "Median",
               "longest": "Longest", "reason": "Why not"}  # fmt: skip
    last = wall_clock(table, view.analysis.sites, "last")
    shown = table.assign(last_local=last).sort_values("count", ascending=False)
    told = [
        {"component": component(row["component"]), "chute": str(row["chute"]),
         "floor": word(row["floor"]) or phrase("chute"), "code": word(row["code"]),
         "count": parts.door(whole(row["count"]), view.door(
             "strip", chute=str(row["chute"]), floor=word(row["floor"]) or None)),
         "rate": with_limits(row, "per_1000_cycles", "low", "high"),
         "last": moment(row["last_local"]), "median": duration(row["median_s"]),
         "longest": duration(row["longest_s"]), "reason": text(row["reason"])}
        for row in shown.to_dict("records")
    ]  # fmt: skip
    most = shown.head(SIGN_LINES * 2)
    lines = data.lines_of(site, map(json.loads, most["evidence"]))
    raw = [
        parts.folded(
            phrase(
                "Lines: {part}, {code}, floor {floor}",
                part=component(row["component"]),
                code=word(row["code"]),
                floor=word(row["floor"]) or phrase("none"),
            ),
            *parts.lines(found),
        )
        for row, found in zip(most.to_dict("records"), lines, strict=True)
    ]
    unknown = reasons(table) if table["reason"].notna().any() else None
    beside = ["In brackets: exact 95 % interval (Poisson).", unknown, view.about]
    return parts.section("faults", title, beside, parts.table(
        columns, told, ["count", "rate", "median", "longest"], title), *raw)  # fmt: skip


PAGE = Page("Faults and suspects", sections)

"""Which part, at which door, since when: suspects with what speaks for and against each."""

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd
from dash import html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.pages import suspected
from dashboards.pages.frame import Page
from dashboards.pages.view import Row, View, duration, moment, reasons, whole, with_limits, word
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, figure, things
from loganalyzer.views.about_condition import sign_dated
from loganalyzer.views.technician import hot_spots

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
    grid = found.assign(door=door).pivot_table(
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
    place = f"floor {top['floor']}" if top["floor"] != "chute" else "no single door"
    beside: list[parts.Cell] = [
        html.P(f"Most are at {place} of chute {top['chute']}, {top['component']}: "
               f"{count(top['troubles'])} of {of}.", className="said"),
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
        html.P(f"{things(len(table), 'suspect', 'suspects')}, the strongest first.",
               className="said"),
        "A sign is something in the log that a sound part seldom makes.", f"{view.scope}.",
        parts.caution(),
    ]  # fmt: skip
    return parts.section("suspects", title, beside, *told)


def _suspect(view: View, data: Data, site: str, place: int, row: Row) -> parts.Children:
    floor = f", floor {row['floor']}" if word(row["floor"]) else ""
    signs = json.loads(row["evidence"])
    head = f"{str(row['component']).capitalize()}, chute {row['chute']}{floor}"
    since: str = "a day not known" if pd.isna(row["local"]) else f"{row['local']:%Y-%m-%d}"
    known = f"Since about {since}. Score {figure(float(row['score']))}."
    against = [str(one["says"]) for one in signs["against"]]
    lines = data.lines_of(site, [one["lines"][:SIGN_LINES] for one in signs["for"]])
    listed = [
        html.Li([_said(one), parts.folded("Lines", *parts.lines(raw))])
        for one, raw in zip(signs["for"], lines, strict=True)
    ]
    drift = _drift(view, place, row)
    return [
        html.H3(head),
        html.P(known + (" May be misuse rather than a fault." if row["misuse"] is True else "")),
        html.Ul(listed, className="plain"),
        html.P("Against it: " + ("; ".join(against) or "nothing in the log") + "."),
        html.P(word(row["advice"])),
        *suspected.happened(view, data, site, row),
        *suspected.charted(view, place, row),
        *([drift] if drift else []),
    ]


def _said(one: Mapping[str, Any]) -> str:
    text = sign_dated(dict(one))
    return text[0].upper() + text[1:]


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
        pd.DataFrame({"panel": mine["what"].astype(str).map(TIMES).fillna(mine["what"].astype(str)),
                      "line": line, "x": mine["day"], "value": mine[column]})
        for column, line in (("median_s", "median of a day"), ("p90_s", "9 in 10 within"),
                             ("level_s", "level"))
    ]  # fmt: skip
    rows = pd.concat(each).dropna(subset=["value"])
    drawn = parts.chart(
        shapes.lines(rows, "seconds", view.scheme), f"drift-{place}",
        "Daily medians and upper deciles of the door's times, a panel a time.",
        view.caption("Seconds, by local day; the spread is median to 9 in 10",
                     f"{count(mine['n'].sum())} uses"),
    )  # fmt: skip
    named = f"Daily times, {row['component']}, floor {floor or 'none'}"
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
        {"component": str(row["component"]), "chute": str(row["chute"]),
         "floor": word(row["floor"]) or "chute", "code": word(row["code"]),
         "count": parts.door(whole(row["count"]), view.door(
             "strip", chute=str(row["chute"]), floor=word(row["floor"]) or None)),
         "rate": with_limits(row, "per_1000_cycles", "low", "high"),
         "last": moment(row["last_local"]), "median": duration(row["median_s"]),
         "longest": duration(row["longest_s"]), "reason": word(row["reason"])}
        for row in shown.to_dict("records")
    ]  # fmt: skip
    most = shown.head(SIGN_LINES * 2)
    lines = data.lines_of(site, map(json.loads, most["evidence"]))
    raw = [
        parts.folded(
            f"Lines: {row['component']}, {word(row['code'])}, floor {word(row['floor']) or 'none'}",
            *parts.lines(found),
        )
        for row, found in zip(most.to_dict("records"), lines, strict=True)
    ]
    unknown = reasons(table) if table["reason"].notna().any() else None
    beside = ["In brackets: exact 95 % interval (Poisson).", unknown, f"{view.scope}."]
    return parts.section("faults", title, beside, parts.table(
        columns, told, ["count", "rate", "median", "longest"], title), *raw)  # fmt: skip


PAGE = Page("Faults and suspects", sections)

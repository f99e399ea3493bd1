"""Doors left open: by floor, by hour, and the longest with their lines."""

import json

from dash import html

from dashboards import figures, parts, shapes
from dashboards.data import Data
from dashboards.pages.view import Row, View, duration, moment, reasons, text, whole, with_limits
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, listed, things

TITLE = "Which doors are left open?"
LONGEST = 10  # openings told one by one
COLUMNS = {
    "floor": "Floor", "chute": "Chute", "judged": "Openings judged", "over": "Too long",
    "share": "Of 100", "cut": "End not seen", "reason": "Why not",
}  # fmt: skip


def section(view: View, data: Data, site: str) -> html.Section:
    """The share of openings over the limit, a floor a row, and the longest."""
    sites = view.analysis.sites
    doors = views.shown_to_manager(view.analysis.open_doors, sites)
    known = doors[doors["share"].notna()]
    if known.empty:
        return parts.section(
            "openings",
            TITLE,
            [],
            parts.nothing(
                phrase(
                    "Not shown: {reasons}.",
                    reasons=reasons(doors),
                )
            ),
        )
    several = doors["chute"].nunique() > 1
    ranked = known.sort_values("share", ascending=False)
    names = [
        figures.of_floor(row.floor, row.chute if several else None) for row in ranked.itertuples()
    ]
    hundred = {name: 100 * ranked[column].astype(float).to_numpy() for name, column in
               (("value", "share"), ("low", "low"), ("high", "high"))}  # fmt: skip
    over, judged = int(known["over_limit"].sum()), int(known["judged"].sum())
    drawn = parts.chart(
        shapes.dots(
            ranked[["chute", "floor"]].assign(name=figures.column(names, ranked), **hundred),
            "of 100 openings", view.scheme,
            view.behind("cycles", chute=None) + "&chute={chute}&floor={row}",
        ),
        "openings-share",
        "Share of openings over the limit, floor by floor; the table below has the numbers.",
        view.caption("Openings over the site's limit, of 100; bars: 95 % interval (Wilson)",
                     phrase("{judged} openings", judged=count(judged))),
    )  # fmt: skip
    table = parts.folded(
        phrase("The numbers of {floors}", floors=things(len(doors), "floor", "floors")),
        parts.table(COLUMNS, [_row(row, view) for row in doors.to_dict("records")],
                    ["judged", "over", "share", "cut"], TITLE),
    )  # fmt: skip
    limits = listed(
        [phrase("{limit:g} s", limit=limit)
         for limit in sorted(doors["open_limit_s"].dropna().unique())]
    )  # fmt: skip
    beside: list[parts.Cell] = [
        html.P(phrase(
            "{over} of {openings} lasted longer than {limits}.",
            over=count(over), openings=things(judged, "opening", "openings"), limits=limits,
        ), className="said"),
        "Propped: others were turned away while the door stood open.",
        *views.hidden_sentences(view.analysis),
        parts.caution(),
    ]  # fmt: skip
    return parts.section(
        "openings", TITLE, beside, drawn, table, _hours(view), _longest(view, data, site)
    )


def _hours(view: View) -> html.Details:
    """Openings over the limit by floor and hour of the day."""
    hours = views.shown_to_manager(view.analysis.open_hours, view.analysis.sites)
    wide = hours.pivot_table(
        index=["chute", "floor"], columns="hour", values="over_limit", sort=False, observed=True,
        aggfunc="sum",
    )  # fmt: skip
    columns = {"floor": "Floor", "chute": "Chute"} | {str(h): f"{h:02d}" for h in wide.columns}
    rows: list[dict[str, parts.Cell]] = []
    for (chute, floor), values in zip(wide.index, wide.to_dict("records"), strict=True):
        cells: dict[str, parts.Cell] = {str(hour): whole(n) for hour, n in values.items()}
        rows.append({"floor": str(floor), "chute": str(chute), **cells})
    name = "Openings over the limit by floor and hour of the day"
    return parts.folded(name, parts.table(columns, rows, list(columns)[2:], name))


def _longest(view: View, data: Data, site: str) -> html.Details:
    found = views.shown_to_manager(view.analysis.longest_openings, view.analysis.sites)
    found = found.sort_values("seconds", ascending=False).head(LONGEST)
    found = found.assign(local=wall_clock(found, view.analysis.sites, "opened"))
    lines = data.lines_of(site, map(json.loads, found["evidence"]))
    told = [html.Div([html.P(_said(row)), *parts.lines(raw)])
            for row, raw in zip(found.to_dict("records"), lines, strict=True)]  # fmt: skip
    return parts.folded("The longest, with their lines", *told)


def _said(row: Row) -> str:
    ended = "" if row["closed"] else phrase(", its closing was not seen")
    propped = phrase(
        ", {whole} presses refused at other doors (propped)",
        whole=whole(row["refused_elsewhere"]),
    )
    return phrase(
        "Floor {label}, {moment}: {duration}{ended}{propped}.",
        label=str(row["floor"]),
        moment=moment(row["local"]),
        duration=duration(row["seconds"]),
        ended=ended,
        propped=propped if row["propped"] is True else "",
    )


def _row(row: Row, view: View) -> dict[str, parts.Cell]:
    chute, floor = str(row["chute"]), str(row["floor"])
    stuck = view.door("incidents", chute=chute, floor=floor, kind="stuck_door")
    return {
        "floor": floor, "chute": chute,
        "judged": parts.door(
            whole(row["judged"]), view.behind("cycles", chute=chute, floor=floor)),
        "over": parts.door(whole(row["over_limit"]), stuck),
        "share": with_limits(row, "share", "low", "high", 100),
        "cut": whole(row["cut_off"]), "reason": text(row["reason"]),
    }  # fmt: skip

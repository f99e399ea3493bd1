"""In numbers: a row a measure, a column a chute."""

from collections.abc import Callable

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.pages.view import Row, View, duration, whole
from loganalyzer.language import phrase
from loganalyzer.sentences import between, figure, lasting

Said = tuple[str | None, str]  # the value, None where it is not recorded; and what to know of it


def section(view: View) -> html.Section:
    """The numbers that the page opens with."""
    rows = view.headline.to_dict("records")
    head = [
        html.Td(),
        *(html.Th(phrase("Chute {chute}", chute=row["chute"]), scope="col") for row in rows),
    ]
    body = [
        html.Tr(
            [
                html.Th(phrase(name), scope="row"),
                *(html.Td(_cell(*said(row), _door(view, name, str(row["chute"])))) for row in rows),
            ]
        )
        for name, said in MEASURES.items()
    ]
    table = html.Table([html.Thead(html.Tr(head)), html.Tbody(body)], className="headline")
    return parts.section(
        "numbers", "In numbers", [view.about, "Figures in brackets are 95 % intervals."],
        parts.scrolled(table, "The numbers of each chute"),
    )  # fmt: skip


def _visits(row: Row) -> Said:
    if pd.isna(row["served_share"]):
        return whole(row["visits"]), phrase(row["reason"] or "how they ended is not in the log")
    share, low, high = (100 * row[name] for name in ("served_share", "low", "high"))
    return whole(row["visits"]), phrase(
        "{v} % found an open door {limits}", v=figure(share), limits=between(low, high)
    )


def _wait(row: Row) -> Said:
    if pd.isna(row["wait_p90_s"]):
        return None, "presses or openings are not in the log"
    return duration(row["wait_median_s"]), phrase(
        "median; 9 in 10 within {wait}", wait=lasting(row["wait_p90_s"])
    )


def _refused(row: Row) -> Said:
    if pd.isna(row["refusals"]):
        return None, "refusals are not in the log"
    return whole(row["refusals"]), "presses not acted on"


def _episodes(row: Row) -> Said:
    if pd.isna(row["lockout_episodes"]):
        return None, "neither lockouts nor presses are in the log"
    return whole(row["lockout_episodes"]), "for pressing too often"


def _incidents(row: Row) -> Said:
    return whole(row["incidents"]), phrase(
        "{n} going on when the log ends", n=whole(row["ongoing"])
    )


def _log(row: Row) -> Said:
    if pd.isna(row["covered_share"]):
        return None, "no time in it can be trusted"
    return duration(row["covered_s"]), phrase(
        "{share:.1f} % covered, {n} events",
        share=100 * row["covered_share"],
        n=whole(row["events"]),
    )


MEASURES: dict[str, Callable[[Row], Said]] = {
    "Visits": _visits,
    "First press to open door": _wait,
    "Refused presses": _refused,
    "Lockout episodes": _episodes,
    "Incidents": _incidents,
    "Log": _log,
}


LISTS = {"Visits": "visits", "Refused presses": "refusals", "Lockout episodes": "episodes"}
PAGES = {"First press to open door": "waiting", "Incidents": "incidents", "Log": "data"}


def _door(view: View, name: str, chute: str) -> str:
    """What stands behind a number."""
    if name in LISTS:
        return view.behind(LISTS[name], chute=chute)
    return view.door(PAGES[name], chute=chute)


def _cell(value: str | None, note: str, href: str) -> html.Div:
    absent = html.Span("not recorded", className="value absent")
    shown = absent if value is None else html.Span(parts.door(value, href), className="value")
    return html.Div([shown, html.Span(note, className="note")], className="cell")

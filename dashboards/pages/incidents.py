"""What happened: incidents by kind and floor, and around a chosen one the strip and its lines."""

import json
from collections.abc import Mapping
from dataclasses import replace
from functools import reduce
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboards import parts
from dashboards.data import Data
from dashboards.pages import strip
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page
from dashboards.pages.overview.findings import FOR
from dashboards.pages.view import WHO_NAMES, Row, View, duration, kind, moment, whole, word
from loganalyzer import views
from loganalyzer.incidents.kinds import CAUTION as KIND_CAUTION
from loganalyzer.incidents.kinds import KIND
from loganalyzer.language import phrase
from loganalyzer.sentences import capital, count, things

TITLE = "What happened?"
LINES_SHOWN = 200
ROWS = 12  # rows of the grid at a time
COLUMNS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("start", "Began", {"width": 176, "minWidth": 176, "comparator": {"function": "byBegin"}}),
    ("kind", "What", {"minWidth": 144, "flex": 1}),
    ("chute", "Chute", {"width": 88, "minWidth": 88}),
    ("floor", "Floor", {"width": 88, "minWidth": 88}),
    ("detail", "Stream, code", {"minWidth": 136, "flex": 2}),
    ("lasted", "Lasted", {"minWidth": 96, "flex": 1, "comparator": {"function": "byLength"}}),
    ("refused", "Refused", {"minWidth": 96, "flex": 1}),
    ("who", "For", {"minWidth": 112, "flex": 1}),
)
OPTIONS = {
    "rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True},
    "pagination": True, "paginationPageSize": ROWS, "paginationPageSizeSelector": False,
    "domLayout": "autoHeight", "rowHeight": 36, "headerHeight": 40, "animateRows": False,
    "suppressCellFocus": False, "suppressMovableColumns": True,
    # What the grid says by itself, by the keys that it has for it.
    "localeText": {
        "page": phrase("Page"), "of": phrase("of"), "to": phrase("to"),
        "firstPage": phrase("First page"), "previousPage": phrase("Previous page"),
        "nextPage": phrase("Next page"), "lastPage": phrase("Last page"),
        "pageLastRowUnknown": "?",
    },
}  # fmt: skip


def sections(view: View, data: Data, site: str) -> parts.Children:
    """The list, and under it the incident that the address names."""
    return [listing(view), chosen(view, data, site)]


def listing(view: View) -> html.Section:
    """Incidents to choose from, with what to choose them by."""
    every, hidden = _shown(view), views.hidden_sentences(view.analysis)
    found = _wanted(every, view.choice)
    filters = html.Nav(_kinds(every, view.choice), id="kinds", **parts.aria(label="Kind"))
    if found.empty:
        said = (
            "No such incident in this period. Take the floor or the kind away, or go wider."
            if len(every)
            else "No incident in this period. Choose another period or chute above."
        )
        return parts.section("incident-list", TITLE, [filters, *hidden], parts.nothing(said))
    chosen = view.choice.incident
    grid = dag.AgGrid(
        id="incidents",
        className="grid",
        rowData=[_row(row) for row in found.to_dict("records")],
        columnDefs=[{"field": key, "headerName": name, **more} for key, name, more in COLUMNS],
        defaultColDef={"sortable": True, "resizable": True, "suppressHeaderMenuButton": True},
        getRowId="params.data.incident",
        selectedRows={"ids": [chosen] if chosen else []},
        scrollTo={"rowId": chosen} if chosen else None,
        eventListeners={"cellKeyDown": ["chooseOnEnter(params)"]},
        dashGridOptions=OPTIONS,
        style={"height": None, "width": "100%"},
    )
    going = int(found["ongoing"].astype(bool).sum())
    many = things(len(found), "incident", "incidents")
    beside: list[parts.Cell] = [
        html.P(phrase("{many}, the latest first.", many=many), className="said"),
        phrase("{n} going on when the log ends", n=count(going)) if going else None,
        filters,
        "Choose one, by click, Enter or space bar: what was around it and the lines of the "
        "export that it rests on stand below.",
        *hidden,
        view.about,
    ]
    return parts.section("incident-list", TITLE, beside, grid, parts.take("incidents", "incidents"))


def chosen(view: View, data: Data, site: str) -> html.Section:
    """The incident that the address names, in words, in the strip, in the log's own lines."""
    return html.Section(
        [
            html.H2("The chosen incident", id="incident-title"),
            html.Div(behind(view, data, site), id="incident-lines", **parts.aria(live="polite")),
            html.Div(
                strip.figure(view, strip.drawn(view)), id="incident-strip",
                hidden=_chosen(view) is None,
            ),
        ],
        id="incident", className="whole", **parts.aria(labelledby="incident-title"),
    )  # fmt: skip


def redraw(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes with the chosen incident."""
    named = view.choice.incident
    return {
        "incident-lines": {"children": behind(view, data, site)},
        "incident-strip": {"hidden": _chosen(view) is None},
        "strip-data": {"data": strip.drawn(view)},
        "incidents": {"selectedRows": {"ids": [named] if named else []}},
    }


def moved(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes when the strip is moved or zoomed."""
    return {"strip-data": {"data": strip.drawn(view)}}


def _kinds(every: pd.DataFrame, choice: Choice) -> parts.Children:
    """A link for all kinds and one for each, with how many there are."""
    numbers = every["kind"].astype("str").value_counts()
    named = [("All kinds", None, len(every)), *(
        (capital(kind(name)), str(name), int(n)) for name, n in numbers.items()
    )]  # fmt: skip
    return [
        html.P(dcc.Link(
            phrase("{kind} ({n})", kind=phrase(name), n=count(n)),
            href=replace(choice, kind=key, incident=None, at=None, wide=None).search() or "?",
            className="chosen" if key == choice.kind else "",
        ))
        for name, key, n in named
    ]  # fmt: skip


def _wanted(every: pd.DataFrame, choice: Choice) -> pd.DataFrame:
    """Those of the kind and the floors asked for."""
    if choice.kind:
        every = every[every["kind"].eq(choice.kind)]
    if choice.floors():
        every = every[every["floor"].isin(list(choice.floors()))]
    return every.reset_index(drop=True)


def place(row: Row) -> str:
    """Chute, floor, stream and code of an incident, as far as it has them."""
    found = [phrase("chute {chute}", chute=row["chute"])]
    if word(row["floor"]):
        found.append(phrase("floor {floor}", floor=row["floor"]))
    found += [phrase("{label}", label=word(row[name])) for name in ("stream", "code")
              if word(row[name])]  # fmt: skip
    return reduce(lambda one, two: phrase("{one}, {two}", one=one, two=two), found)


def _chosen(view: View) -> Row | None:
    """The incident that the address names, if there is one."""
    found = _shown(view)
    found = found[found["incident"].eq(view.choice.incident or "")]
    return found.to_dict("records")[0] if len(found) else None


def behind(view: View, data: Data, site: str) -> parts.Children:
    """The chosen incident in words, and its lines as the controller wrote them."""
    if view.choice.incident is None:
        return [parts.nothing("No incident chosen. Choose one in the list.")]
    row = _chosen(view)
    if row is None:
        return [parts.nothing(phrase("There is no incident {incident} in this period.",
                                     incident=view.choice.incident))]  # fmt: skip
    shown, evidence, of_kind = _row(row), json.loads(row["evidence"]), KIND[str(row["kind"])]
    more = len(evidence) - LINES_SHOWN
    title = phrase("{kind:C}: {where}, {start}, {lasted}", kind=shown["kind"],
                   where=place(row), start=shown["start"], lasted=shown["lasted"])  # fmt: skip
    rests = phrase("It rests on {lines} (incident {incident}):",
                   lines=things(len(evidence), "line", "lines"),
                   incident=row["incident"])  # fmt: skip
    own = str(row["advice"]).removeprefix(of_kind.advice).strip()
    strip_of = view.door("strip", incident=str(row["incident"]))
    return [
        html.H3(title),
        html.P(
            [
                phrase(FOR[str(row["for"])]),
                ": ",
                phrase(of_kind.check),
                ".",
                *([" ", phrase(own)] if own else []),
            ]
        ),
        *(
            [
                html.P(
                    capital(phrase("{caution}.", caution=phrase(KIND_CAUTION))),
                    className="caution",
                    role="note",
                )
            ]
            if of_kind.hands_on
            else []
        ),
        html.P([dcc.Link("With every line around it", href=strip_of, id="to-strip")]),
        html.P(rests if evidence else "It rests on no single line.", className="muted"),
        *parts.lines(data.lines(site, evidence[:LINES_SHOWN])),
        *([parts.nothing(phrase("and {n} more.", n=count(more)))] if more > 0 else []),
    ]


def _shown(view: View) -> pd.DataFrame:
    """The incidents, but for those of a manager at floors of few units."""
    return views.shown_to_manager(views.incident_list(view.analysis), view.analysis.sites)


def _row(row: Row) -> dict[str, str]:
    lasted = duration(row["seconds"]) or phrase("not known")
    named = kind(row["kind"])
    return {
        "incident": str(row["incident"]),
        "start": moment(row["start_local"]) or "",
        "order": f"{row['start_local']:%Y-%m-%dT%H:%M:%S.%f}",
        "seconds": "" if pd.isna(row["seconds"]) else f"{row['seconds']:020.3f}",
        "kind": phrase("{kind} (inferred)", kind=named) if row["inferred"] else named,
        "chute": str(row["chute"]),
        "floor": word(row["floor"]),
        "detail": ", ".join(part for part in (word(row["stream"]), word(row["code"])) if part),
        "lasted": phrase("{lasted}, going on", lasted=lasted) if row["ongoing"] else lasted,
        "refused": whole(row["refused"]) or phrase("not recorded"),
        "who": phrase(WHO_NAMES[str(row["for"])]),
    }


def register(app: Dash) -> None:
    """The callback that writes the chosen row into the address."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("incidents", "selectedRows"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _name_incident(rows: list[dict[str, str]] | None, search: str | None) -> Any:
        choice = Choice.of(search)
        if not isinstance(rows, list) or not rows or rows[0]["incident"] == choice.incident:
            return no_update
        return replace(choice, incident=rows[0]["incident"], at=None, wide=None).search()


PAGE = Page(
    "Incidents", sections, {"incident": redraw, "at": moved, "wide": moved}, by_floor=True
)  # fmt: skip

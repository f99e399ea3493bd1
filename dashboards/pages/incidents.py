"""What happened: incidents by kind and floor, and around a chosen one the strip and its lines."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboards import parts
from dashboards.data import Data
from dashboards.pages import strip
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page
from dashboards.pages.view import Row, View, duration, whole, word
from loganalyzer import views
from loganalyzer.sentences import count, things

TITLE = "What happened?"
LINES_SHOWN = 200
ROWS = 12  # rows of the grid at a time
COLUMNS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("start", "Began", {"width": 176, "minWidth": 176}),
    ("kind", "What", {"minWidth": 144, "flex": 1}),
    ("chute", "Chute", {"width": 88, "minWidth": 88}),
    ("floor", "Floor", {"width": 88, "minWidth": 88}),
    ("detail", "Stream, code", {"minWidth": 136, "flex": 2}),
    ("lasted", "Lasted", {"minWidth": 96, "flex": 1}),
    ("refused", "Refused", {"minWidth": 96, "flex": 1}),
    ("who", "For", {"minWidth": 112, "flex": 1}),
)
OPTIONS = {
    "rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True},
    "pagination": True, "paginationPageSize": ROWS, "paginationPageSizeSelector": False,
    "domLayout": "autoHeight", "rowHeight": 36, "headerHeight": 40, "animateRows": False,
    "suppressCellFocus": False, "suppressMovableColumns": True,
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
            else "No incident in this period."
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
        html.P(f"{many}, the latest first.", className="said"),
        f"{count(going)} still going on when the log ends." if going else None,
        filters,
        "Choose one, by click, Enter or space bar: what was around it and the lines of the "
        "export that it rests on stand below.",
        *hidden,
        f"{view.scope}.",
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
        (str(kind).replace("_", " ").capitalize(), str(kind), int(n))
        for kind, n in numbers.items()
    )]  # fmt: skip
    return [
        html.P(dcc.Link(
            f"{name} ({count(n)})",
            href=replace(choice, kind=kind, incident=None, at=None, wide=None).search() or "?",
            className="chosen" if kind == choice.kind else "",
        ))
        for name, kind, n in named
    ]  # fmt: skip


def _wanted(every: pd.DataFrame, choice: Choice) -> pd.DataFrame:
    """Those of the kind and the floors asked for."""
    if choice.kind:
        every = every[every["kind"].eq(choice.kind)]
    if choice.floors():
        every = every[every["floor"].isin(list(choice.floors()))]
    return every.reset_index(drop=True)


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
        return [parts.nothing(f"There is no incident {view.choice.incident} in this period.")]
    shown, evidence = _row(row), json.loads(row["evidence"])
    more = len(evidence) - LINES_SHOWN
    floor = f"floor {shown['floor']}" if shown["floor"] else ""
    where = ", ".join(filter(None, (f"chute {shown['chute']}", floor, shown["detail"])))
    title = f"{shown['kind'].capitalize()}: {where}, {shown['start']}, {shown['lasted']}"
    rests = f"It rests on {things(len(evidence), 'line', 'lines')} (incident {row['incident']}):"
    strip_of = view.door("strip", incident=str(row["incident"]))
    return [
        html.H3(title),
        html.P(f"For the {shown['who']}. {row['advice']}"),
        html.P([dcc.Link("With every line around it", href=strip_of, id="to-strip")]),
        html.P(rests if evidence else "It rests on no single line.", className="muted"),
        *parts.lines(data.lines(site, evidence[:LINES_SHOWN])),
        *([parts.nothing(f"and {count(more)} more lines.")] if more > 0 else []),
    ]


def _shown(view: View) -> pd.DataFrame:
    """The incidents, but for those of a manager at floors of few units."""
    return views.shown_to_manager(views.incident_list(view.analysis), view.analysis.sites)


def _row(row: Row) -> dict[str, str]:
    lasted = duration(row["seconds"]) or "not known"
    return {
        "incident": str(row["incident"]),
        "start": f"{row['start_local']:%Y-%m-%d %H:%M:%S}",
        "kind": str(row["kind"]).replace("_", " ") + (" (inferred)" if row["inferred"] else ""),
        "chute": str(row["chute"]),
        "floor": word(row["floor"]),
        "detail": ", ".join(part for part in (word(row["stream"]), word(row["code"])) if part),
        "lasted": lasted + (", going on" if row["ongoing"] else ""),
        "refused": "not recorded" if pd.isna(row["refused"]) else str(whole(row["refused"])),
        "who": str(row["for"]),
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

"""The incidents, and the raw lines behind a chosen one."""

import json
from collections.abc import Mapping
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import Row, View, duration, whole, word
from loganalyzer import views
from loganalyzer.sentences import count, things

TITLE = "What happened?"
LINES_SHOWN = 200
PAGE = 12  # rows of the grid at a time
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
    "pagination": True, "paginationPageSize": PAGE, "paginationPageSizeSelector": False,
    "domLayout": "autoHeight", "rowHeight": 36, "headerHeight": 40, "animateRows": False,
    "suppressCellFocus": False, "suppressMovableColumns": True,
}  # fmt: skip


def section(view: View, data: Data, site: str) -> html.Section:
    """The list, and under it what is behind the incident that the address names."""
    found, hidden = _shown(view), views.hidden_sentences(view.analysis)
    if found.empty:
        said = parts.nothing("No incident in this period.")
        return parts.section("incident-list", TITLE, [*hidden], said)
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
        "Choose one, by click, Enter or space bar, and the lines of the export that it rests on "
        "stand below.",
        *hidden,
        f"{view.scope}.",
    ]
    lines = html.Div(behind(view, data, site), id="incident-lines", **parts.aria(live="polite"))
    return parts.section("incident-list", TITLE, beside, grid, lines)


def redraw(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes with the chosen incident."""
    chosen = view.choice.incident
    return {
        "incident-lines": {"children": behind(view, data, site)},
        "incidents": {"selectedRows": {"ids": [chosen] if chosen else []}},
    }


def behind(view: View, data: Data, site: str) -> parts.Children:
    """The chosen incident in words, and its lines as the controller wrote them."""
    chosen = view.choice.incident
    if chosen is None:
        return [parts.nothing("No incident chosen.")]
    found = _shown(view)
    found = found[found["incident"].eq(chosen)]
    if found.empty:
        return [parts.nothing(f"There is no incident {chosen} in this period.")]
    (row,) = found.to_dict("records")
    shown, evidence = _row(row), json.loads(row["evidence"])
    more = len(evidence) - LINES_SHOWN
    floor = f"floor {shown['floor']}" if shown["floor"] else ""
    where = ", ".join(filter(None, (f"chute {shown['chute']}", floor, shown["detail"])))
    title = f"{shown['kind'].capitalize()}: {where}, {shown['start']}, {shown['lasted']}"
    rests = f"It rests on {things(len(evidence), 'line', 'lines')} (incident {chosen}):"
    return [
        html.H3(title),
        html.P(f"For the {shown['who']}. {row['advice']}"),
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

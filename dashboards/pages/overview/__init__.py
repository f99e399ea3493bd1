"""One site at a glance: how its chutes do, which floors misuse them, when, what happened."""

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, no_update

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page
from dashboards.pages.overview import (
    days,
    exports,
    findings,
    floors,
    headline,
    incidents,
    openings,
    trends,
    week,
)
from dashboards.pages.view import View


def sections(view: View, data: Data, site: str) -> parts.Children:
    """The numbers, then what stands out, then one section a question."""
    return [
        headline.section(view),
        findings.section(view),
        floors.section(view),
        trends.section(view),
        week.section(view),
        openings.section(view, data, site),
        days.section(view),
        incidents.section(view, data, site),
        exports.section(data, site),
    ]


def register(app: Dash) -> None:
    """The callbacks that write this page's choices into the address."""

    @app.callback(
        Output("address", "search"),
        Input("incidents", "selectedRows"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _name_incident(rows: list[dict[str, str]] | None, search: str | None) -> Any:
        choice = Choice.of(search)
        if not isinstance(rows, list) or not rows or rows[0]["incident"] == choice.incident:
            return no_update
        return replace(choice, incident=rows[0]["incident"]).search()


PAGE = Page("Overview", sections, {"incident": incidents.redraw, "count": week.redraw})

"""One site at a glance: how its chutes do, which floors misuse them, when, what happened."""

import logging
from typing import Any

from dash import Dash, Input, Output, State

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import SORRY, Page, view_of
from dashboards.pages.overview import (
    days,
    findings,
    floors,
    headline,
    openings,
    trends,
    week,
)
from dashboards.pages.view import View
from dashboards.spoken import spoken


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
    ]


def register(app: Dash, data: Data) -> None:
    """What stands out is weighed after the rest of the page is there."""

    @app.callback(
        Output("findings-lists", "children"),
        Input("findings-asked", "data"),
        State("site", "data"),
        on_error=_failed,
    )
    def _weigh(asked: str, site: str) -> Any:
        view = view_of(data, site, Choice.of(asked), "light")
        return spoken(findings.lists(view), view.language)

    @app.callback(
        Output("week-hours-table", "children"),
        Input("week-hours", "n_clicks"),
        State("address", "search"),
        State("site", "data"),
        prevent_initial_call=True,
        on_error=_failed,
    )
    def _hours(_: int | None, search: str | None, site: str) -> Any:
        view = view_of(data, site, Choice.of(search), "light")
        return spoken(week.by_hour(view), view.language)


def _failed(error: Exception) -> parts.Children:
    """A mistake of ours: told where the server runs, and the page does not wait for ever."""
    logging.getLogger(__name__).error("what stands out failed", exc_info=error)
    return [parts.nothing(SORRY)]


PAGE = Page("Overview", sections, {"count": week.redraw})

"""One site: how are its chutes doing, which floors misuse them, when, and what happened?

The address is the one place where a choice is kept: controls and the grid write it, and the
page follows it, so a link shows the same and back and forward work. The controls stand outside
of what is drawn anew, so that the keyboard's focus stays where it was.
"""

import logging
from dataclasses import asdict
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.site import controls, days, exports, findings, floors, headline, incidents
from dashboards.pages.site import week as week_of
from dashboards.pages.site.choice import Choice
from dashboards.pages.site.view import View
from loganalyzer.errors import AnalyzerError

WORKING = "Working: rebuilding every use of the chutes from the log …"
WATCHED: Any = {"answers": "children"}  # dash names the type and does not export it
Shown = dict[str, Any]  # what the page shows: site, scheme, generation of the store, choice


def layout(data: Data, site: str, search: str | None) -> tuple[parts.Children, str]:
    """The frame of the page, and its title; what is measured comes with the address."""
    known = data.store.site(site)
    working = html.P(WORKING, role="status", className="working")
    children: parts.Children = [
        controls.masthead(data, known.name, known.time_zone),
        controls.choices(data.store.chutes(site), Choice.of(search)),
        controls.news(),
        dcc.Store(id="site", data=site),
        dcc.Store(id="shown"),
        dcc.Loading(
            html.Div(id="answers"),
            custom_spinner=working,
            delay_show=300,
            overlay_style={"visibility": "visible", "opacity": 0.35},
            target_components=WATCHED,
        ),
    ]
    return children, f"{known.name} - waste chutes"


def answers(data: Data, site: str, choice: Choice, scheme: str) -> parts.Children:
    """Everything that is measured, or one sentence that says why nothing is."""
    try:
        trouble = choice.trouble(data.store.chutes(site))
        if trouble is None:
            return _sections(data, site, _view(data, site, choice, scheme))
    except AnalyzerError:
        trouble = "The log holds no event of that chute and period."
    return [parts.nothing(trouble), html.P(dcc.Link("The whole log", href=f"/site/{site}"))]


def register(app: Dash, data: Data) -> None:
    """The callbacks of the page."""
    controls.register(app, data)

    @app.callback(
        Output("answers", "children"),
        Output("shown", "data"),
        Input("address", "search"),
        Input("scheme", "data"),
        Input("refresh", "n_clicks"),
        State("site", "data"),
        State("shown", "data"),
        on_error=_failed,
    )
    def _answer(
        search: str | None, scheme: str | None, _: int | None, site: str, shown: Shown | None
    ) -> tuple[Any, Shown]:
        if scheme is None:  # the browser has not said yet
            raise PreventUpdate
        choice = Choice.of(search)
        now = _shown(site, scheme, choice, data.store.generation)
        if shown == now and ctx.triggered_id != "refresh":
            raise PreventUpdate
        if shown and {**shown, "incident": None} == {**now, "incident": None}:
            _choose(data, site, choice, scheme)
            return no_update, now
        controls.follow(data.store.chutes(site), choice)
        return answers(data, site, choice, scheme), now

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
        return Choice(choice.chute, choice.start, choice.end, rows[0]["incident"]).search()


def _failed(error: Exception) -> tuple[Any, Any]:
    """A mistake of ours: told where the server runs, and the page does not wait for ever."""
    logging.getLogger(__name__).error("the page of a site failed", exc_info=error)
    said = "This could not be worked out. What went wrong stands where the dashboard was started."
    return [parts.nothing(said)], no_update


def _view(data: Data, site: str, choice: Choice, scheme: str) -> View:
    worked = data.worked(site, choice.chute, (choice.start, choice.end))
    return View(worked.analysis, worked.told, choice, data.store.site(site).time_zone, scheme)


def _sections(data: Data, site: str, view: View) -> parts.Children:
    return [
        headline.section(view),
        findings.section(view),
        floors.section(view),
        week_of.section(view),
        days.section(view),
        incidents.section(view, data, site),
        exports.section(data, site),
    ]


def _shown(site: str, scheme: str, choice: Choice, generation: int) -> Shown:
    return {"site": site, "scheme": scheme, "generation": generation, **asdict(choice)}


def _choose(data: Data, site: str, choice: Choice, scheme: str) -> None:
    """Only the incident is another one: the rest of the page stays as it is."""
    view = _view(data, site, choice, scheme)
    set_props("incident-lines", {"children": incidents.behind(view, data, site)})
    ids = [choice.incident] if choice.incident else []
    set_props("incidents", {"selectedRows": {"ids": ids}})

"""What all pages of a site share: the head, chute and period, and answers that follow the address.

The address is the one place where a choice is kept: controls and grids write it, and the page
follows it, so a link shows the same and back and forward work. The controls stand outside of
what is drawn anew, so that the keyboard's focus stays where it was.
"""

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate
from orjson import Fragment
from plotly.io.json import to_json_plotly

from dashboards import parts
from dashboards.access.rights import acting
from dashboards.data import Data, Worked
from dashboards.pages import controls
from dashboards.pages.choice import Choice
from dashboards.pages.view import View
from dashboards.spoken import language_of, spoken, spoken_properties
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import say

WORKING = "Working: rebuilding every use of the chutes from the log …"
SORRY = "This could not be worked out. What went wrong stands where the dashboard was started."
WATCHED: Any = {"answers": "children"}  # dash names the type and does not export it
Shown = dict[str, Any]  # what the page shows: site, page, scheme, generation of the store, choice
Sections = Callable[[View, Data, str], parts.Children]
Redraw = Callable[[View, Data, str], Mapping[str, Mapping[str, Any]]]


@dataclass(frozen=True)
class Page:
    """One page of a site.

    Attributes:
        name: What its link says.
        sections: What it shows.
        redraw: For fields of `Choice` that belong to this page: what changes when only they do,
            as the properties of each component; the rest of the page stays as it is.
        by_floor: Whether floors can be chosen on it.
    """

    name: str
    sections: Sections
    redraw: Mapping[str, Redraw] = field(default_factory=dict)
    by_floor: bool = False


Pages = Mapping[str, Page]  # by the last part of the address; the first one has none


def layout(
    data: Data, pages: Pages, site: str, page: str, search: str | None
) -> tuple[parts.Children, str]:
    """The frame of a page, and its title; what is measured comes with the address."""
    known, choice = data.store.site(site), Choice.of(search)
    language = language_of(choice.lang, known.language)
    working = html.P(WORKING, role="status", className="working")
    children: parts.Children = [
        controls.masthead(data, known.name, known.time_zone, choice, language),
        html.Nav(
            controls.page_links(_links(pages), site, page, choice),
            id="pages",
            **parts.aria(label="Pages"),
        ),
        controls.choices(data.store.chutes(site), choice, pages[page].by_floor),
        controls.news(),
        dcc.Store(id="site", data=site),
        dcc.Store(id="page", data=page),
        dcc.Store(id="shown"),
        dcc.Store(id="fields"),
        dcc.Loading(
            html.Div(id="answers"),
            custom_spinner=working,
            delay_show=300,
            overlay_style={"visibility": "visible", "opacity": 0.35},
            target_components=WATCHED,
        ),
    ]
    title = f"{known.name} - {say('waste chutes', language)}"
    children = spoken(children, language)
    return children, f"{say(pages[page].name, language)}, {title}" if page else title


def _links(pages: Pages) -> dict[str, tuple[str, bool]]:
    return {key: (page.name, page.by_floor) for key, page in pages.items()}


def answers(data: Data, page: Page, site: str, choice: Choice, scheme: str) -> parts.Children:
    """Everything that is measured, or one sentence that says why nothing is."""
    try:
        trouble = choice.trouble(data.store.chutes(site))
        if trouble is None:
            return page.sections(view_of(data, site, choice, scheme), data, site)
    except AnalyzerError:
        trouble = "The log holds no event of that chute and period."
    whole = f"/site/{site}{Choice(lang=choice.lang).search()}"
    return [parts.nothing(trouble), html.P(dcc.Link("The whole log", href=whole))]


def finished(data: Data, page: Page, site: str, choice: Choice, scheme: str) -> Any:
    """What `answers` says, as it is sent to the browser; made once for an analysis."""
    rights = data.rights()

    def draw(worked: Worked) -> bytes:
        with acting(rights):
            known = data.store.site(site)
            view = View(worked, choice, known.time_zone, scheme)
            told = spoken(page.sections(view, data, site), language_of(choice.lang, known.language))
            return str(to_json_plotly(told)).encode()

    with suppress(AnalyzerError):
        if choice.trouble(data.store.chutes(site)) is None:
            worked = data.worked(site, choice.chute, (choice.start, choice.end))
            return Fragment(worked.page((page.name, choice, scheme, rights), draw))
    language = language_of(choice.lang, data.store.site(site).language)
    return spoken(answers(data, page, site, choice, scheme), language)  # it says what is wrong


def _generation(data: Data, site: str, choice: Choice, *, fresh: bool) -> int:
    """Of the store, when what is shown was worked out."""
    try:
        period = choice.start, choice.end
        return data.worked(site, choice.chute, period, fresh=fresh).generation
    except AnalyzerError:
        return data.store.generation


def view_of(data: Data, site: str, choice: Choice, scheme: str) -> View:
    """What the sections of a page are made from."""
    worked = data.worked(site, choice.chute, (choice.start, choice.end))
    return View(worked, choice, data.store.site(site).time_zone, scheme)


def register(app: Dash, data: Data, pages: Pages) -> None:
    """The callbacks that all pages of a site share."""
    controls.register(app, data)

    @app.callback(
        Output("answers", "children"),
        Output("shown", "data"),
        Input("address", "search"),
        Input("scheme", "data"),
        Input("refresh", "n_clicks"),
        State("site", "data"),
        State("page", "data"),
        State("shown", "data"),
        on_error=_failed,
    )
    def _answer(
        search: str | None, scheme: str | None, _: int | None, site: str, page: str,
        shown: Shown | None,
    ) -> tuple[Any, Shown]:  # fmt: skip
        if scheme is None:  # the browser has not said yet
            raise PreventUpdate
        choice = Choice.of(search)
        generation = _generation(data, site, choice, fresh=ctx.triggered_id == "refresh")
        now = {"site": site, "page": page, "scheme": scheme, "generation": generation,
               **asdict(choice)}  # fmt: skip
        if shown == now and ctx.triggered_id != "refresh":
            raise PreventUpdate
        language = language_of(choice.lang, data.store.site(site).language)
        changed = _changed(shown, now)
        if changed and changed <= set(pages[page].redraw):
            view = view_of(data, site, choice, scheme)
            for name in changed:
                for id, properties in pages[page].redraw[name](view, data, site).items():
                    set_props(id, spoken_properties(properties, language))
            return no_update, now
        controls.follow(data.store.chutes(site), choice, language)
        links = controls.page_links(_links(pages), site, page, choice)
        set_props("pages", {"children": spoken(links, language)})
        return finished(data, pages[page], site, choice, scheme), now


def _changed(shown: Shown | None, now: Shown) -> set[str]:
    """The fields of the choice that differ; none where anything else does."""
    if not shown:
        return set()
    of_choice = {one.name for one in fields(Choice)}
    differ = {name for name, value in now.items() if shown.get(name) != value}
    return differ if differ <= of_choice else set()


def _failed(error: Exception) -> tuple[Any, Any]:
    """A mistake of ours: told where the server runs, and the page does not wait for ever."""
    logging.getLogger(__name__).error("the page of a site failed", exc_info=error)
    return [parts.nothing(SORRY)], no_update

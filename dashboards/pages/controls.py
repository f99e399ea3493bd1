"""The head of the page: its name, chute and period to choose, and whether new data landed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, dcc, html, no_update, set_props

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.spoken import NAMES, spoken
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase

DAY = r"\d{4}-\d{2}-\d{2}.*"  # a date field of the browser is more than dash's input can hold


FIELDS = ("from", "to", "floors-wanted", "clearing")  # each is a part of the address


def masthead(data: Data, name: str, zone: str, choice: Choice, language: str) -> html.Header:
    """Which site, in which time everything stands, and in which language."""
    several = len(data.store.sites()) > 1
    every = Choice(lang=choice.lang).search()
    away = [html.P(dcc.Link("All sites", href=f"/{every}"))] if several else []
    return html.Header(
        [
            html.H1(name),
            html.P(phrase("All times are local: {zone}", zone=zone)),
            *away,
            *parts.own_account(data.rights().signs_out),
            languages(choice, language),
        ]
    )


def languages(choice: Choice, shown: str) -> html.Nav:
    """The same view in each language; the address holds which, and the page is loaded anew."""
    return html.Nav(
        [
            html.A(
                name, href=replace(choice, lang=key).search(), lang=key, hrefLang=key,
                className="chosen" if key == shown else "",
                **(parts.aria(current="true") if key == shown else {}),
            )
            for key, name in NAMES.items()
        ],
        id="languages", **parts.aria(label="Language"),
    )  # fmt: skip


def choices(chutes: Sequence[str], choice: Choice, by_floor: bool) -> html.Div:
    """Chute and period, and on pages of single doors the floors."""
    floors = dcc.Input(
        id="floors-wanted", type="text", value=choice.floor or "", placeholder="all", size="10",
        debounce=True,
    )  # fmt: skip
    return html.Div(
        [
            html.Nav(chute_links(chutes, choice), id="chutes", **parts.aria(label="Chute")),
            _day("From", "from", choice.start),
            _day("To, that day too", "to", choice.end),
            *([html.Label(["Floors, with commas", floors])] if by_floor else []),
        ],
        className="choices",
    )


def _day(name: str, id: str, value: str | None) -> html.Label:
    field = dcc.Input(
        id=id, type="text", value=value or "", placeholder="year-month-day", pattern=DAY, size="10",
        debounce=True,
    )  # fmt: skip
    return html.Label([name, field])


def chute_links(chutes: Sequence[str], choice: Choice) -> parts.Children:
    """A link for all chutes and one for each, the period kept."""
    named = [("All chutes", None), *((phrase("Chute {chute}", chute=chute), chute)
                                       for chute in chutes)]  # fmt: skip
    if len(chutes) == 1:
        return []
    return [
        dcc.Link(
            [name, parts.unseen(" (shown)")] if chute == choice.chute else name,
            href=choice.of_chute(chute).search() or "?",
            className="chosen" if chute == choice.chute else "",
        )
        for name, chute in named
    ]


def page_links(
    names: Mapping[str, tuple[str, bool]], site: str, shown: str, choice: Choice
) -> parts.Children:
    """A link a page, chute and period kept, and the floors where they can be chosen."""
    return [
        dcc.Link(
            [name, parts.unseen(" (shown)")] if key == shown else name,
            href=f"/site/{site}{f'/{key}' if key else ''}{choice.of_page(by_floor).search()}",
            className="chosen" if key == shown else "",
        )
        for key, (name, by_floor) in names.items()
    ]


def news() -> html.P:
    """Where the page says that the store has changed since; empty until then."""
    button = html.Button("Show them", id="refresh", hidden=True)
    return html.P([html.Span(id="news"), button], className="news", role="status")


def follow(chutes: Sequence[str], choice: Choice, language: str) -> None:
    """Make the links say what the address says; the browser sees to the fields by itself."""
    set_props("chutes", {"children": spoken(chute_links(chutes, choice), language)})


def register(app: Dash, data: Data) -> None:
    """The callbacks of the head."""
    # Between fields and address there is no server: a slow answer never overwrites what is typed.
    in_browser: Callable[..., None] = app.clientside_callback  # dash leaves it without types
    for field in FIELDS:
        in_browser(
            ClientsideFunction("page", f"choose_{field.replace('-', '_')}"),
            Output("address", "search", allow_duplicate=True),
            Input(field, "value"),
            prevent_initial_call=True,
        )
    in_browser(
        ClientsideFunction("page", "fields"), Output("fields", "data"), Input("address", "search"),
        Input("shown", "data"),
    )  # fmt: skip

    @app.callback(
        Output("news", "children"),
        Output("refresh", "hidden"),
        Input("pulse", "n_intervals"),
        Input("shown", "data"),
        prevent_initial_call=True,
    )
    def _news(_: int | None, shown: dict[str, Any] | None) -> tuple[Any, Any]:
        try:
            new = shown is not None and shown["generation"] != data.store.generation
        except AnalyzerError:  # the store is out of reach for now; the next pulse asks again
            return no_update, no_update
        return ("New exports have landed. " if new else "", not new)

"""The head of the page: its name, chute and period to choose, and whether new data landed."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update, set_props

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.spoken import spoken
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase

DAY = r"\d{4}-\d{2}-\d{2}.*"  # a date field of the browser is more than dash's input can hold


def masthead(data: Data, name: str, zone: str) -> html.Header:
    """Which site, and in which time everything stands."""
    several = len(data.store.sites()) > 1
    away = [html.P(dcc.Link("All sites", href="/"))] if several else []
    return html.Header(
        [
            html.H1(name),
            html.P(phrase("All times are local: {zone}", zone=zone)),
            *away,
            *parts.own_account(data.rights().signs_out),
        ]
    )


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


def follow(chutes: Sequence[str], choice: Choice, by_floor: bool, language: str) -> None:
    """Make the controls say what the address says, after back and forward too."""
    set_props("chutes", {"children": spoken(chute_links(chutes, choice), language)})
    set_props("from", {"value": choice.start or ""})
    set_props("to", {"value": choice.end or ""})
    if by_floor:
        set_props("floors-wanted", {"value": choice.floor or ""})


def register(app: Dash, data: Data) -> None:
    """The callbacks of the head."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("from", "value"),
        Input("to", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _choose_period(start: str | None, end: str | None, search: str | None) -> Any:
        choice = Choice.of(search)
        now = choice.of_period(start, end)
        if (now.start, now.end) == (choice.start, choice.end):
            return no_update
        return now.search()

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("floors-wanted", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _choose_floors(floors: str | None, search: str | None) -> Any:
        choice = Choice.of(search)
        asked = ",".join(filter(None, map(str.strip, (floors or "").split(",")))) or None
        return no_update if asked == choice.floor else replace(choice, floor=asked).search()

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

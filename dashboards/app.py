"""The dashboard: `create_app(store)`; nothing runs on import, nothing leaves the machine."""

import re
from collections.abc import Callable
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from flask_compress import Compress

from dashboards import parts
from dashboards.access import headers, rights, signin
from dashboards.access.gate import Gate
from dashboards.access.settings import Access
from dashboards.data import Data
from dashboards.pages import (
    audit,
    done,
    faults,
    frame,
    incidents,
    overview,
    sorting,
    start,
    strip,
    uses,
    waiting,
)
from dashboards.pages import data as data_page
from dashboards.pages.choice import Choice
from dashboards.spoken import in_browser, language_of
from dashboards.uploads import Uploads
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import LANGUAGES
from loganalyzer.store import Store

POLL_MS = 20_000  # how often an open page asks whether the store changed
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
{%favicon%}
{%css%}
</head>
<body>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""
# By the last part of the address; a page that is added here has its link on all of them.
PAGES = {
    "": overview.PAGE,
    "waiting": waiting.PAGE,
    "audit": audit.PAGE,
    "sorting": sorting.PAGE,
    "faults": faults.PAGE,
    "incidents": incidents.PAGE,
    "strip": strip.PAGE,
    "uses": uses.PAGE,
    "done": done.PAGE,
    "data": data_page.PAGE,
}
EVERYBODY_HERE = Access()  # no sign-in: for this machine alone


def create_app(store: Store, poll_ms: int = POLL_MS, access: Access = EVERYBODY_HERE) -> Dash:
    """Build the dashboard of a store.

    Args:
        store: An open store; pages follow it when it changes.
        poll_ms: How often an open page asks whether it did, in milliseconds.
        access: Who is let in; without accounts there is no sign-in, and only this machine may ask.

    Returns:
        The app; `app.server` is its WSGI application.
    """
    data = Data(store, rights.asking if access.accounts else rights.owner)
    app = Dash(
        __name__,
        title="Waste chutes",
        update_title="",  # the page itself says that it is working
        index_string=INDEX,
        suppress_callback_exceptions=True,  # pages come and go with the address
        enable_mcp=False,
        serve_locally=True,
    )
    app.layout = html.Main(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="scheme"),
            dcc.Store(id="title"),
            dcc.Store(id="language"),
            dcc.Interval(id="pulse", interval=poll_ms),
            html.Div(id="content"),
        ],
        className="page",
    )
    _register(app, data)
    frame.register(app, data, PAGES)
    start.register(app, data)
    overview.register(app, data)
    incidents.register(app)
    strip.register(app)
    done.register(app, data)
    data_page.register(app, data, Uploads())
    _guard(app, Gate(access))
    return app


def language_at(data: Data, path: str, search: str | None) -> str:
    """The language of what stands at an address: the one it asks for, else the site's."""
    asked = Choice.of(search).lang
    try:
        sites = data.store.sites()
        found = re.match(r"/site/([A-Za-z0-9_-]+)", path)
        site = found[1] if found else sites[0] if len(sites) == 1 else None
        return language_of(asked, data.store.site(site).language if site else LANGUAGES[0])
    except AnalyzerError:
        return language_of(asked)


def page(data: Data, path: str, search: str | None) -> tuple[parts.Children, str]:
    """What stands at an address, and its title."""
    found = re.fullmatch(r"/site/([A-Za-z0-9_-]+)(?:/([a-z]*))?", path)
    name = (found[2] or "") if found else ""
    try:
        sites = data.store.sites()
        if (found and name in PAGES) or (path == "/" and len(sites) == 1):
            return frame.layout(data, PAGES, found[1] if found else sites[0], name, search)
        if path == "/":
            return start.layout(data, Choice(lang=Choice.of(search).lang))
        said = "There is no such page."
    except AnalyzerError as error:
        said = str(error)
    away = html.P(dcc.Link("All sites", href="/"))
    return [html.H1("Waste chutes"), parts.nothing(said), away], "Waste chutes"


def warm_up(app: Dash) -> None:
    """Answer one request before the server listens: several at once on a cold app can fail."""
    client = app.server.test_client()
    for path in ("/", "/_dash-layout", "/_dash-dependencies"):
        client.get(path)


def _register(app: Dash, data: Data) -> None:
    """The callbacks that every page shares."""
    browser: Callable[..., None] = app.clientside_callback  # dash leaves it without types
    browser(ClientsideFunction("page", "scheme"), Output("scheme", "data"), Input("scheme", "id"))
    browser(ClientsideFunction("page", "title"), Input("title", "data"))
    browser(ClientsideFunction("page", "language"), Input("language", "data"))

    @app.callback(
        Output("content", "children"),
        Output("title", "data"),
        Output("language", "data"),
        Input("address", "pathname"),
        State("address", "search"),
    )
    def _page(path: str | None, search: str | None) -> tuple[parts.Children, str, dict[str, Any]]:
        language = in_browser(language_at(data, path or "/", search))
        return *page(data, path or "/", search), language


def _guard(app: Dash, gate: Gate) -> None:
    """Put the gate before everything, and the headers on every answer."""
    gate.stand_before(app.server)
    signin.add(app.server, gate)
    headers.add(app.server, gate.access, app.csp_hashes())
    Compress(app.server)

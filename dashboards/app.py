"""The dashboard: `create_app(store)`; nothing runs on import, nothing leaves the machine."""

import re

from dash import Dash, Input, Output, dcc, html
from flask import Response
from flask_compress import Compress

from dashboards import parts
from dashboards.data import Data
from dashboards.pages import site, start
from loganalyzer.errors import AnalyzerError
from loganalyzer.store import Store

UPLOAD_LIMIT = 1_000_000  # bytes of a request; the pages send no files


def create_app(store: Store) -> Dash:
    """Build the dashboard of a store.

    Args:
        store: An open store; pages follow it when it changes.

    Returns:
        The app; `app.server` is its WSGI application.
    """
    data = Data(store)
    app = Dash(
        __name__,
        title="Waste chutes",
        update_title="Working …",
        suppress_callback_exceptions=True,  # pages come and go with the address
        enable_mcp=False,
        serve_locally=True,
    )
    app.server.config["MAX_CONTENT_LENGTH"] = UPLOAD_LIMIT
    app.server.after_request(_guarded)
    Compress(app.server)
    app.layout = html.Main(
        [dcc.Location(id="address"), dcc.Loading(html.Div(id="content"), delay_show=400)],
        className="page",
    )
    site.register(app, data)

    @app.callback(
        Output("content", "children"), Input("address", "pathname"), Input("address", "search")
    )
    def _page(path: str | None, search: str | None) -> object:
        return page(data, path or "/", search)

    return app


def page(data: Data, path: str, search: str | None) -> list[html.Div | html.Section | html.P]:
    """What stands at an address."""
    found = re.fullmatch(r"/site/([A-Za-z0-9_-]+)/?", path)
    try:
        if found:
            return site.layout(data, site.Choice.of(found[1], search))
        sites = data.store.sites()
        if path == "/" and len(sites) == 1:
            return site.layout(data, site.Choice.of(sites[0], search))
        if path == "/":
            return start.layout(data)
    except AnalyzerError as error:
        return [parts.nothing(str(error)), html.P(dcc.Link("All sites", href="/"))]
    return [parts.nothing("There is no such page."), html.P(dcc.Link("All sites", href="/"))]


def warm_up(app: Dash) -> None:
    """Answer one request before the server listens: several at once on a cold app can fail."""
    client = app.server.test_client()
    client.get("/")
    client.get("/_dash-layout")
    client.get("/_dash-dependencies")


def _guarded(response: Response) -> Response:
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["X-Frame-Options"] = "DENY"
    response.headers["Referrer-Policy"] = "no-referrer"
    return response

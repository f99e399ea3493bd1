"""All sites: where to go."""

from dash import dcc, html

from dashboards import parts
from dashboards.data import Data
from loganalyzer.sentences import listed


def layout(data: Data) -> tuple[parts.Children, str]:
    """A link a site, or what to do where there is none; and the page's title."""
    sites = [data.store.site(site) for site in data.store.sites()]
    head = html.Header([html.H1("Waste chutes"), html.P("What the controllers logged")])
    if not sites:
        said = parts.nothing("This store is empty. Take exports in with: loganalyzer import")
        return [head, said], "Waste chutes"
    links = [
        html.Li(
            [
                dcc.Link(site.name, href=f"/site/{site.id}"),
                html.Span(f" chute {listed([c.id for c in site.chutes])}, {site.time_zone}"),
            ]
        )
        for site in sites
    ]
    body = parts.section("sites", "Sites", ["Choose one."], html.Ul(links, className="plain"))
    return [head, body], "Waste chutes"

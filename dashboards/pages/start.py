"""All sites: where to go."""

from dash import dcc, html

from dashboards import parts
from dashboards.data import Data


def layout(data: Data) -> list[html.Div | html.Section | html.P]:
    """A link a site, or what to do where there is none."""
    sites = [data.store.site(site) for site in data.store.sites()]
    head = html.Div(
        [html.H1("Waste chutes"), html.P("What the controllers logged")], className="masthead"
    )
    if not sites:
        return [
            head,
            parts.nothing("This store is empty. Take exports in with: loganalyzer import"),
        ]
    links = [html.Li(dcc.Link(site.name, href=f"/site/{site.id}")) for site in sites]
    return [head, parts.section("Sites", "Choose one.", html.Ul(links))]

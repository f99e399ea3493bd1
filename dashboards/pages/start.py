"""All sites at a glance: how far each log reaches, what was lost, the worst for each person."""

import logging
from typing import Any

import pandas as pd
from dash import MATCH, Dash, Input, Output, State, dcc, html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages import controls, sites
from dashboards.pages.choice import Choice
from dashboards.pages.view import Row, duration, whole
from dashboards.spoken import language_of, spoken
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase, say
from loganalyzer.sentences import listed, things
from loganalyzer.views.summary import QUIET

WEIGHED = 12  # so many sites are weighed here; of more, what is kept of them is listed
COLUMNS = {
    "site": "Site", "chutes": "Chutes", "log": "Log, local days", "ends": "Ends", "lines": "Lines",
    "rejected": "Rejected", "zone": "Time zone",
}  # fmt: skip
Glance = dict[str, str]  # the id of a component that belongs to one site


def layout(data: Data, choice: Choice) -> tuple[parts.Children, str]:
    """Every site, or what to do where there is none; and the page's title."""
    language = language_of(choice.lang)
    told: parts.Children = spoken(_sections(data, choice, language), language)
    return told, say("Waste chutes", language)


def _sections(data: Data, choice: Choice, language: str) -> parts.Children:
    names = data.store.sites()
    mine = parts.own_account(data.rights().signs_out)
    head = html.Header([html.H1("Waste chutes"), html.P("What the controllers logged"), *mine,
                        controls.languages(choice, language)])  # fmt: skip
    if not names:
        said = parts.nothing("This store is empty. Take exports in with: loganalyzer import")
        return [head, said]
    if len(names) > WEIGHED:
        return [head, sites.section(sites.Asked(lang=choice.lang))]
    ledger = data.store.imports()
    newest = ledger["last"].max()
    rows = [_row(data, site, ledger[ledger["site"].eq(site)], newest, choice) for site in names]
    beside: list[parts.Cell] = [
        html.P(phrase("{sites}.", sites=things(len(names), "site", "sites")), className="said"),
        "Lines and rejects of all exports; a log that ends early misses an export.",
    ]
    table = parts.table(COLUMNS, rows, ["lines", "rejected"], "Sites")
    worst = [one for site in names for one in _worst(data, site, choice)]
    return [
        head,
        parts.section("sites", "All sites", beside, table),
        parts.section(
            "worst", "What is worst at each?",
            ["For each person the finding that weighs most. Brackets: 95 % interval.",
             parts.caution()],
            *worst,
        ),
    ]  # fmt: skip


def _row(
    data: Data, site: str, ledger: pd.DataFrame, newest: pd.Timestamp, choice: Choice
) -> Row:  # fmt: skip
    known = data.store.site(site)
    first, last = ledger["first"].min(), ledger["last"].max()
    days = phrase("no time that can be trusted")
    if not pd.isna(first):
        days = phrase("{from_day:%Y-%m-%d} to {to_day:%Y-%m-%d}",
                      from_day=first.tz_convert(known.time_zone),
                      to_day=last.tz_convert(known.time_zone))  # fmt: skip
    behind = None if pd.isna(last) else (newest - last).total_seconds()
    return {
        "site": dcc.Link(known.name, href=f"/site/{site}{choice.search()}"),
        "chutes": listed([chute.id for chute in known.chutes]), "log": days,
        "ends": _behind(behind),
        "lines": parts.door(whole(ledger["lines"].sum()), f"/site/{site}/data{choice.search()}"),
        "rejected": parts.door(
            whole(ledger["rejected"].sum()), f"/site/{site}/data{choice.search()}"),
        "zone": known.time_zone,
    }  # fmt: skip


def _behind(seconds: float | None) -> str | None:
    if seconds is None:
        return None
    if seconds > 86_400:
        return phrase("{duration} before the latest", duration=duration(seconds))
    return phrase("with the latest")


def _worst(data: Data, site: str, choice: Choice) -> parts.Children:
    """A site's name, and the place where its worst will stand."""
    waiting = parts.nothing("Weighing what the log says …")
    return [
        html.H3(dcc.Link(data.store.site(site).name, href=f"/site/{site}{choice.search()}")),
        dcc.Store(id=_id("of", site), data=site),
        html.Div(waiting, id=_id("worst", site), className="people", **parts.aria(live="polite")),
    ]


def _id(part: str, site: str) -> Glance:
    return {"glance": part, "site": site}


def worst(data: Data, site: str) -> parts.Children:
    """The first finding for each person."""
    found = [one for one in data.worked(site, None, (None, None)).told.findings
             if one.kind not in QUIET]  # fmt: skip
    told: parts.Children = []
    for who, said_to in sites.PEOPLE.items():
        first = next((one.sentence for one in found if one.who == who), None)
        said = html.P(first) if first else parts.nothing("Nothing that asks for action.")
        told.append(html.Div([html.H4(said_to), said]))
    return told


def register(app: Dash, data: Data) -> None:
    """Each site's worst comes when it has been worked out; of very many, what is kept."""
    sites.register(app, data)

    @app.callback(
        Output({"glance": "worst", "site": MATCH}, "children"),
        Input({"glance": "of", "site": MATCH}, "data"),
        State("address", "search"),
        on_error=_failed,
    )
    def _weigh(site: str, search: str | None) -> Any:
        try:
            return spoken(worst(data, site), language_of(Choice.of(search).lang))
        except AnalyzerError as error:
            return [parts.nothing(str(error))]


def _failed(error: Exception) -> parts.Children:
    """A mistake of ours: told where the server runs."""
    logging.getLogger(__name__).error("the worst of a site failed", exc_info=error)
    return [parts.nothing("This could not be worked out. Ask whoever started the dashboard.")]

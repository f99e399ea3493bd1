"""All sites at a glance: how far each log reaches, what was lost, the worst for each person."""

import logging

import pandas as pd
from dash import MATCH, Dash, Input, Output, dcc, html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import Row, duration, whole
from loganalyzer.errors import AnalyzerError
from loganalyzer.sentences import listed, things
from loganalyzer.views.summary import QUIET

WEIGHED = 12  # sites whose worst is told at once; each takes a moment the first time
PEOPLE = ("manager", "technician", "coordinator")
COLUMNS = {
    "site": "Site", "chutes": "Chutes", "log": "Log, local days", "ends": "Ends", "lines": "Lines",
    "rejected": "Rejected", "zone": "Time zone",
}  # fmt: skip
Glance = dict[str, str]  # the id of a component that belongs to one site


def layout(data: Data) -> tuple[parts.Children, str]:
    """Every site, or what to do where there is none; and the page's title."""
    names = data.store.sites()
    mine = parts.own_account(data.rights().signs_out)
    head = html.Header([html.H1("Waste chutes"), html.P("What the controllers logged"), *mine])
    if not names:
        said = parts.nothing("This store is empty. Take exports in with: loganalyzer import")
        return [head, said], "Waste chutes"
    ledger = data.store.imports()
    newest = ledger["last"].max()
    rows = [_row(data, site, ledger[ledger["site"].eq(site)], newest) for site in names]
    beside: list[parts.Cell] = [
        html.P(f"{things(len(names), 'site', 'sites')}.", className="said"),
        "Lines and rejects of all exports; a log that ends early misses an export.",
    ]
    table = parts.table(COLUMNS, rows, ["lines", "rejected"], "Sites")
    first = names[:WEIGHED]
    worst = [one for site in first for one in _worst(data, site)]
    more = f"The first {len(first)} of {len(names)} sites; the others tell on their own pages." \
        if len(names) > len(first) else None  # fmt: skip
    return [
        head,
        parts.section("sites", "All sites", beside, table),
        parts.section(
            "worst", "What is worst at each?",
            ["For each person the finding that weighs most. Brackets: 95 % interval.", more,
             parts.caution()],
            *worst,
        ),
    ], "Waste chutes"  # fmt: skip


def _row(data: Data, site: str, ledger: pd.DataFrame, newest: pd.Timestamp) -> Row:
    known = data.store.site(site)
    first, last = ledger["first"].min(), ledger["last"].max()
    days = "no time that can be trusted"
    if not pd.isna(first):
        local = [f"{at.tz_convert(known.time_zone):%Y-%m-%d}" for at in (first, last)]
        days = " to ".join(local)
    behind = None if pd.isna(last) else (newest - last).total_seconds()
    return {
        "site": dcc.Link(known.name, href=f"/site/{site}"),
        "chutes": listed([chute.id for chute in known.chutes]), "log": days,
        "ends": _behind(behind),
        "lines": parts.door(whole(ledger["lines"].sum()), f"/site/{site}/data"),
        "rejected": parts.door(whole(ledger["rejected"].sum()), f"/site/{site}/data"),
        "zone": known.time_zone,
    }  # fmt: skip


def _behind(seconds: float | None) -> str | None:
    if seconds is None:
        return None
    return f"{duration(seconds)} before the latest" if seconds > 86_400 else "with the latest"


def _worst(data: Data, site: str) -> parts.Children:
    """A site's name, and the place where its worst will stand."""
    waiting = parts.nothing("Weighing what the log says …")
    return [
        html.H3(dcc.Link(data.store.site(site).name, href=f"/site/{site}")),
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
    for who in PEOPLE:
        first = next((one.sentence for one in found if one.who == who), None)
        said = html.P(first) if first else parts.nothing("Nothing that asks for action.")
        told.append(html.Div([html.H4(f"For the {who}"), said]))
    return told


def register(app: Dash, data: Data) -> None:
    """Each site's worst comes when it has been worked out."""

    @app.callback(
        Output({"glance": "worst", "site": MATCH}, "children"),
        Input({"glance": "of", "site": MATCH}, "data"),
        on_error=_failed,
    )
    def _weigh(site: str) -> parts.Children:
        try:
            return worst(data, site)
        except AnalyzerError as error:
            return [parts.nothing(str(error))]


def _failed(error: Exception) -> parts.Children:
    """A mistake of ours: told where the server runs."""
    logging.getLogger(__name__).error("the worst of a site failed", exc_info=error)
    return [parts.nothing("This could not be worked out. Ask whoever started the dashboard.")]

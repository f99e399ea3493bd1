"""What was done, and what worked: repairs and campaigns judged, and a form to tell of one."""

import json
import logging
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd
from dash import ALL, Dash, Input, Output, State, ctx, html
from dash.exceptions import PreventUpdate

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page
from dashboards.pages.view import View, component, percent, reasons, text, whole
from dashboards.spoken import language_of, spoken
from loganalyzer import worklog
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase
from loganalyzer.sentences import between, figure, listed
from loganalyzer.site import Campaign, Work
from loganalyzer.tables import COMPONENTS
from loganalyzer.views.effects import NOTHING, SAYS, effects_shown
from loganalyzer.views.finding import rows

LOG = logging.getLogger(__name__)
FORBIDDEN = "Your account may not tell what was done here."
FIELDS = {
    "date": ("Day", "2026-10-01"), "floors": ("Floors, none for all", "7, 8"),
    "chute": ("Chute of the work, none for all", "A"),
    "component": ("Component of the work, none for any", ""),
    "note": ("Note", "what was done"),
}  # fmt: skip
COLUMNS = {
    "verdict": "Verdict", "what": "What was done", "outcome": "What was counted",
    "before": "Before", "after": "After", "ratio": "Against the others, times",
    "limits": "95 %", "luck": "Luck alone", "again": "Look again", "reason": "Why not",
}  # fmt: skip


def sections(view: View, data: Data, site: str) -> parts.Children:
    """What worked, the sorting of campaigns, the form, what was told before."""
    return [worked(view, data, site), sorting(view), form(data, site)]


def worked(view: View, data: Data, site: str) -> html.Section:
    """Each entry, judged."""
    title = "What worked?"
    table = effects_shown(view.analysis)
    if table.empty:
        return parts.section("worked", title, [], parts.nothing(NOTHING))
    told = [_judged(row) for row in rows(table)]
    good = int(table["verdict"].eq("worked").sum())
    early = int(table["verdict"].eq("too early").sum())
    beside: list[parts.Cell] = [
        html.P(phrase("{good} of {n} worked; for {early} it is too early to say.",
                      good=good, n=len(table), early=early), className="said"),
        SAYS, view.about,
    ]  # fmt: skip
    folded = [
        parts.folded(
            phrase("Lines: {what}, {outcome}", what=_what(row), outcome=text(row.outcome)),
            *parts.lines(data.lines(site, _cited(row.evidence))),
        )
        for row in rows(table)
        if _cited(row.evidence)
    ]
    return parts.section(
        "worked", title, beside,
        parts.table(COLUMNS, told, ["before", "after", "ratio", "luck"], title), *folded,
    )  # fmt: skip


def sorting(view: View) -> html.Section:
    """What campaigns did to the share of each stream."""
    title = "How did campaigns change sorting?"
    table = view.analysis.sorting.campaigns
    shares = table[table["measure"].eq("share")]
    if shares.empty:
        return parts.section(
            "sorting",
            title,
            [],
            parts.nothing("No campaign was told. Tell of one below, or in the site file."),
        )
    columns = {"what": "Campaign", "stream": "Stream", "before": "Before", "after": "After",
               "ratio": "Odds against the other floors, times", "limits": "95 %",
               "reason": "Why not"}  # fmt: skip
    told = [
        {"what": phrase("{date:%Y-%m-%d}, chute {chute}, {floors}", date=row.date,
                        chute=row.chute, floors=row.floors or phrase("all floors")),
         "stream": row.stream, "before": percent(row.before), "after": percent(row.after),
         "ratio": None if pd.isna(row.ratio) else figure(row.ratio),
         "limits": None if pd.isna(row.low) else between(row.low, row.high),
         "reason": text(row.reason)}
        for row in rows(shares)
    ]  # fmt: skip
    beside: list[parts.Cell] = [view.about]
    if shares["ratio"].isna().all():
        beside.append(phrase("Not judged: {reasons}.", reasons=reasons(shares)))
    return parts.section("sorting", title, beside, parts.table(
        columns, told, ["before", "after", "ratio"], title))  # fmt: skip


def form(data: Data, site: str) -> html.Section:
    """Tell what was done, and see what was told before."""
    title = "Tell what was done"
    if not data.rights().may_upload(site):
        return parts.section("tell", title, [], parts.nothing(FORBIDDEN))
    proposed = {"chute": data.store.chutes(site), "component": COMPONENTS}
    fields = [
        parts.field(f"done-{key}", name, hint, proposed.get(key, ()))
        for key, (name, hint) in FIELDS.items()
    ]
    return parts.section(
        "tell", title,
        ["It is kept in the store, beside the site file, and judged by itself from then on."],
        html.Div(fields, className="fields"),
        html.Div([
            html.Button("Keep it as a campaign or training", id="done-campaign", type="button"),
            html.Button("Keep it as work on the equipment", id="done-work", type="button"),
        ], className="counted"),
        html.Div(told_before(data, site), id="done-told", **parts.aria(live="polite")),
    )  # fmt: skip


def told_before(data: Data, site: str) -> parts.Children:
    """What was told here, each with a button that takes it back."""
    entries = worklog.entries_of(worklog.told(data.store, site))
    if not entries:
        return [parts.nothing("Nothing was told here yet. What the site file says is judged too.")]
    return [
        html.Ul([
            html.Li([_entry(entry), " ", html.Button(
                "Take it back", id={"done-remove": place}, type="button")])
            for place, entry in enumerate(entries)
        ])
    ]  # fmt: skip


def keep(data: Data, site: str, kind: str, given: Mapping[str, str]) -> parts.Children:
    """Keep what was filled in, or say what is wrong with it."""
    if not data.rights().may_upload(site):
        return [parts.nothing(FORBIDDEN)]
    floors = [label.strip() for label in given["floors"].split(",") if label.strip()]
    try:
        entry = worklog.entry_of(data.store.site(site), kind, {**given, "floors": floors})
        worklog.add(data.whole, site, entry)
    except AnalyzerError as error:
        return [parts.nothing(str(error)), *told_before(data, site)]
    LOG.info("told at %s by %s: %r", site, data.rights().name or "this machine", _entry(entry))
    return [html.P("Kept."), html.P(html.A("Show the page with it", href="")),
            *told_before(data, site)]  # fmt: skip


def take_back(data: Data, site: str, place: int) -> parts.Children:
    """Remove an entry by its place in the list."""
    if not data.rights().may_upload(site):
        return [parts.nothing(FORBIDDEN)]
    entries = worklog.entries_of(worklog.told(data.store, site))
    if place < len(entries):
        worklog.remove(data.whole, site, entries[place])
    return told_before(data, site)


def register(app: Dash, data: Data) -> None:
    """The callbacks of the form."""

    def told_in(site: str, search: str | None, found: parts.Children) -> Any:
        return spoken(found, language_of(Choice.of(search).lang, data.store.site(site).language))

    @app.callback(
        Output("done-told", "children"),
        Input("done-campaign", "n_clicks"),
        Input("done-work", "n_clicks"),
        Input({"done-remove": ALL}, "n_clicks"),
        *(State(f"done-{key}", "value") for key in FIELDS),
        State("site", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _told(
        campaign: int | None, work: int | None, removed: Sequence[int | None], *said: str,
    ) -> Any:  # fmt: skip
        *written, site, search = said
        given = {key: (text or "").strip() for key, text in zip(FIELDS, written, strict=True)}
        if ctx.triggered_id == "done-campaign" and campaign:
            return told_in(site, search, keep(data, site, "campaign", given))
        if ctx.triggered_id == "done-work" and work:
            return told_in(site, search, keep(data, site, "work", given))
        if isinstance(ctx.triggered_id, dict) and any(removed):
            place = int(ctx.triggered_id["done-remove"])
            return told_in(site, search, take_back(data, site, place))
        raise PreventUpdate


def _judged(row: Any) -> dict[str, parts.Cell]:
    known = not pd.isna(row.ratio)
    return {
        "verdict": text(row.verdict) or phrase("not judged"), "what": _what(row),
        "outcome": text(row.outcome),
        "before": phrase("{n} in {of}", n=whole(row.before), of=whole(row.uses_before)),
        "after": phrase("{n} in {of}", n=whole(row.after), of=whole(row.uses_after)),
        "ratio": figure(row.ratio) if known else None,
        "limits": between(row.low, row.high) if known else None,
        "luck": None if pd.isna(row.by_luck) else figure(row.by_luck),
        "again": None if pd.isna(row.look_again) else phrase("{day:%Y-%m-%d}", day=row.look_again),
        "reason": text(row.reason),
    }  # fmt: skip


def _what(row: Any) -> str:
    return phrase(
        "{by:C} of {date:%Y-%m-%d}, chute {chute}, {floors}{part}{note}", by=phrase(str(row.by)),
        date=row.date, chute=row.chute,
        floors=phrase("floor {floor}", floor=row.floors) if row.floors else phrase("all floors"),
        part="" if pd.isna(row.component) else phrase(", {part}", part=component(row.component)),
        note=phrase(" ({note})", note=row.note) if row.note else "",
    )  # fmt: skip


def _entry(entry: Work | Campaign) -> str:
    day: date = entry.date
    if isinstance(entry, Campaign):
        return phrase(
            "Campaign of {day:%Y-%m-%d}, {place}. {note}", day=day, note=entry.note or "",
            place=phrase("floors {floors}", floors=", ".join(entry.floors)) if entry.floors
            else phrase("all floors"),
        )  # fmt: skip
    named = [
        phrase("chute {chute}", chute=entry.chute) if entry.chute else None,
        phrase("floor {floor}", floor=entry.floor) if entry.floor else None,
        component(entry.component) if entry.component else None,
    ]
    return phrase(
        "Work of {day:%Y-%m-%d}, {place}. {note}", day=day, note=entry.note or "",
        place=listed([one for one in named if one]) or phrase("everywhere"),
    )  # fmt: skip


def _cited(evidence: Any) -> list[str]:
    return list(json.loads(evidence)) if isinstance(evidence, str) else []


PAGE = Page("What was done", sections)

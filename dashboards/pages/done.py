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
from dashboards.pages.frame import Page
from dashboards.pages.view import View, percent, reasons, whole, word
from loganalyzer import worklog
from loganalyzer.errors import AnalyzerError
from loganalyzer.language import phrase
from loganalyzer.sentences import between, figure
from loganalyzer.site import Campaign, Work
from loganalyzer.tables import COMPONENTS
from loganalyzer.views.effects import NOTHING, SAYS, effects_shown
from loganalyzer.views.finding import rows

LOG = logging.getLogger(__name__)
FORBIDDEN = "Your account may not tell what was done here."
FIELDS = {
    "date": ("Day", "2026-10-01"), "floors": ("Floors, none for all", "7, 8"),
    "chute": ("Chute of the work, none for all", "A"),
    "component": ("Component of the work, none for any", "door"),
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
        SAYS, f"{view.scope}.",
    ]  # fmt: skip
    folded = [
        parts.folded(
            f"Lines: {_what(row)}, {row.outcome}",
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
        return parts.section("sorting", title, [], parts.nothing("No campaign was told."))
    columns = {"what": "Campaign", "stream": "Stream", "before": "Before", "after": "After",
               "ratio": "Odds against the other floors, times", "limits": "95 %",
               "reason": "Why not"}  # fmt: skip
    told = [
        {"what": f"{row.date:%Y-%m-%d}, chute {row.chute}, {row.floors or 'all floors'}",
         "stream": row.stream, "before": percent(row.before), "after": percent(row.after),
         "ratio": None if pd.isna(row.ratio) else figure(row.ratio),
         "limits": None if pd.isna(row.low) else between(row.low, row.high),
         "reason": word(row.reason)}
        for row in rows(shares)
    ]  # fmt: skip
    beside: list[parts.Cell] = [f"{view.scope}."]
    if shares["ratio"].isna().all():
        beside.append(f"Not judged: {reasons(shares)}.")
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
            html.Li([f"{_entry(entry)} ", html.Button(
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

    @app.callback(
        Output("done-told", "children"),
        Input("done-campaign", "n_clicks"),
        Input("done-work", "n_clicks"),
        Input({"done-remove": ALL}, "n_clicks"),
        *(State(f"done-{key}", "value") for key in FIELDS),
        State("site", "data"),
        prevent_initial_call=True,
    )
    def _told(
        campaign: int | None, work: int | None, removed: Sequence[int | None], *said: str,
    ) -> parts.Children:  # fmt: skip
        *written, site = said
        given = {key: (text or "").strip() for key, text in zip(FIELDS, written, strict=True)}
        if ctx.triggered_id == "done-campaign" and campaign:
            return keep(data, site, "campaign", given)
        if ctx.triggered_id == "done-work" and work:
            return keep(data, site, "work", given)
        if isinstance(ctx.triggered_id, dict) and any(removed):
            return take_back(data, site, int(ctx.triggered_id["done-remove"]))
        raise PreventUpdate


def _judged(row: Any) -> dict[str, parts.Cell]:
    known = not pd.isna(row.ratio)
    return {
        "verdict": word(row.verdict) or "not judged", "what": _what(row), "outcome": row.outcome,
        "before": f"{whole(row.before)} in {whole(row.uses_before)}",
        "after": f"{whole(row.after)} in {whole(row.uses_after)}",
        "ratio": figure(row.ratio) if known else None,
        "limits": between(row.low, row.high) if known else None,
        "luck": None if pd.isna(row.by_luck) else figure(row.by_luck),
        "again": None if pd.isna(row.look_again) else f"{row.look_again:%Y-%m-%d}",
        "reason": word(row.reason),
    }  # fmt: skip


def _what(row: Any) -> str:
    floors = f"floor {row.floors}" if row.floors else "all floors"
    part = "" if pd.isna(row.component) else f", {row.component}"
    note = f" ({row.note})" if row.note else ""
    return f"{row.by} {row.date:%Y-%m-%d}, chute {row.chute}, {floors}{part}{note}"


def _entry(entry: Work | Campaign) -> str:
    day: date = entry.date
    if isinstance(entry, Campaign):
        place = f"floors {', '.join(entry.floors)}" if entry.floors else "all floors"
        return f"Campaign of {day}, {place}. {entry.note}".strip()
    named = (entry.chute and f"chute {entry.chute}", entry.floor and f"floor {entry.floor}",
             entry.component)  # fmt: skip
    return f"Work of {day}, {', '.join(filter(None, named)) or 'everywhere'}. {entry.note}".strip()


def _cited(evidence: Any) -> list[str]:
    return list(json.loads(evidence)) if isinstance(evidence, str) else []


PAGE = Page("What was done", sections)

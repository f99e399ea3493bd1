"""What a page shows → the same in another language: one walk over it, just before it is sent.

Phrases are told in the language; other texts where they are, word for word, a message of the
catalogue. In the body of a table a single word is left alone, since it may be a label out of a
log, and lines of exports are never touched.
"""

import copy
from collections.abc import Mapping
from typing import Any

import numpy as np
import plotly.graph_objects as go
from babel.dates import get_day_names, get_month_names
from dash import dcc, html
from dash.development.base_component import Component

from loganalyzer.language import LANGUAGES, Phrase, say

# Properties of components that are read by people, and keys of figures and grids that are.
READ = ("children", "title", "placeholder", "aria-label", "label", "overlayNoRowsTemplate")
DRAWN = ("text", "name", "ticktext", "headerName", "headerTooltip")
WHOLE = ("figure", "columnDefs", "rowData", "dashGridOptions")
SKIPPED = (html.Pre, html.Code, dcc.Store, dcc.Location)
NAMES = {"en": "English", "pt": "Português", "de": "Deutsch"}
# What the browser says by itself: assets/page.js and assets/strip.js look these up.
IN_BROWSER = (
    "The dashboard cannot be reached. The page goes on by itself when it is back.",
    "You are signed out. ",
    "Sign in again",
    "A file",
    "Point at a mark to read what it is.",
    "Strip of events: arrows move, plus and minus zoom, N and P step through incidents",
    "Second stretch of time",
    "{incident}, from {time}",
    "{incident}, from {time} (and {n} more here)",
    "{what} {from} to {to}",
    "{what} {from}",
    "{what}: {n} from {from} to {to}",
    "{span}, an end not seen",
)


def in_browser(language: str) -> dict[str, Any]:
    """What the browser needs to speak a language: its name, and its words for what it says."""
    return {"lang": language, "words": {text: messages_of(text, language) for text in IN_BROWSER}}


def messages_of(text: str, language: str) -> str:
    """A message with its braces, as the browser fills it in."""
    return say(Phrase(text), language)


def language_of(asked: str | None, site: str = LANGUAGES[0]) -> str:
    """The language that the address asks for, else the site's."""
    return asked if asked in LANGUAGES else site


def spoken(node: Any, language: str, *, cell: bool = False) -> Any:
    """A component, or a list or text of components, in a language.

    Args:
        node: What a page made; it is left as it is.
        language: One of `LANGUAGES`.
        cell: Whether it stands in the body of a table.
    """
    if language == LANGUAGES[0]:
        return node
    if isinstance(node, str):
        return node if cell and not _tellable(node) else say(node, language)
    if isinstance(node, list | tuple):
        return [spoken(one, language, cell=cell) for one in node]
    if not isinstance(node, Component) or isinstance(node, SKIPPED):
        return node
    told = copy.copy(node)
    inside = cell or isinstance(node, html.Tbody)
    for name in READ:
        if getattr(node, name, None) is not None:
            setattr(told, name, spoken(getattr(node, name), language, cell=inside))
    for name in WHOLE:
        if getattr(node, name, None) is not None:
            setattr(told, name, _drawn(getattr(node, name), language))
    if isinstance(node, dcc.Graph):
        chart: Any = told
        chart.config = dict(chart.config or {}) | _calendar(language)
    return told


def spoken_properties(properties: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Properties of a component that are set anew, in a language."""
    return {
        name: _drawn(value, language)
        if name in WHOLE
        else spoken(value, language)
        if name in READ
        else value
        for name, value in properties.items()
    }


def _tellable(text: str) -> bool:
    return isinstance(text, Phrase) or " " in text


def _drawn(value: Any, language: str, *, read: bool = False) -> Any:
    """A figure, or the columns and rows of a grid: phrases, and what stands under `DRAWN`."""
    if isinstance(value, go.Figure):
        return _separated(_drawn(value.to_dict(), language), language)
    if isinstance(value, str):
        return say(value, language) if read or isinstance(value, Phrase) else value
    if isinstance(value, Mapping):
        return {key: _drawn(one, language, read=key in DRAWN) for key, one in value.items()}
    if isinstance(value, np.ndarray) and value.dtype == object:
        return _drawn(value.tolist(), language, read=read)
    if isinstance(value, list | tuple):
        return [_drawn(one, language, read=read) for one in value]
    return value


def _calendar(language: str) -> dict[str, Any]:
    """Names of days and months, and their order, where plotly itself writes times."""
    days = [get_day_names(width, locale=language) for width in ("wide", "abbreviated")]
    months = [get_month_names(width, locale=language) for width in ("wide", "abbreviated")]
    week = (6, 0, 1, 2, 3, 4, 5)  # plotly begins on Sundays
    named = {
        "days": [days[0][day] for day in week], "shortDays": [days[1][day] for day in week],
        "months": [months[0][month] for month in range(1, 13)],
        "shortMonths": [months[1][month] for month in range(1, 13)],
        "date": "%d.%m.%Y" if language == "de" else "%d/%m/%Y",
        "year": "%Y", "month": "%b %Y", "dayMonth": "%-d %b", "dayMonthYear": "%-d %b %Y",
    }  # fmt: skip
    return {"locale": language, "locales": {language: {"dictionary": {}, "format": named}}}


def _separated(figure: dict[str, Any], language: str) -> dict[str, Any]:
    """Numbers that plotly itself writes: decimals and thousands as the language has them."""
    signs = say(Phrase("{n:,.1f}", {"n": 1234.5}), language)
    return figure | {"layout": figure["layout"] | {"separators": signs[5] + signs[1]}}

"""What a page shows → the same in another language: one walk over it, just before it is sent.

Phrases are told in the language; other texts where they are, word for word, a message of the
catalogue. In the body of a table a single word is left alone, since it may be a label out of a
log, and lines of exports are never touched.
"""

import copy
from collections.abc import Mapping
from typing import Any

import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from loganalyzer.language import LANGUAGES, Phrase, say

# Properties of components that are read by people, and keys of figures and grids that are.
READ = ("children", "title", "placeholder", "aria-label", "label", "overlayNoRowsTemplate")
DRAWN = ("text", "name", "ticktext", "headerName", "headerTooltip")
SKIPPED = (html.Pre, html.Code, dcc.Store, dcc.Location)


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
    for name in ("figure", "columnDefs", "rowData"):
        if getattr(node, name, None) is not None:
            setattr(told, name, _drawn(getattr(node, name), language))
    return told


def spoken_properties(properties: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Properties of a component that are set anew, in a language."""
    return {
        name: _drawn(value, language)
        if name in ("figure", "columnDefs", "rowData")
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
    if isinstance(value, list | tuple):
        return [_drawn(one, language, read=read) for one in value]
    return value


def _separated(figure: dict[str, Any], language: str) -> dict[str, Any]:
    """Numbers that plotly itself writes: decimals and thousands as the language has them."""
    signs = say(Phrase("{n:,.1f}", {"n": 1234.5}), language)
    return figure | {"layout": figure["layout"] | {"separators": signs[5] + signs[1]}}

"""Values → cards, tables, controls: the small pieces that pages are put together from."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import plotly.graph_objects as go
from dash import dcc, html

from dashboards.theme import GRAPH_CONFIG

CAUTION = (
    "Before anyone acts on the equipment: lock out and tag out first. A log is no inspection; "
    "licensed people and local codes decide."
)


def card(name: str, value: str | None, note: str = "") -> html.Div:
    """One number with its name; a value of None says that it is not recorded, and `note` why."""
    shown = (
        html.P(value, className="value")
        if value is not None
        else html.P("not recorded", className="value absent")
    )
    return html.Div(
        [html.P(name, className="name"), shown, html.P(note, className="note")],
        className="figure-card",
    )


def section(title: str, lead: str, *children: Any, id: str = "") -> html.Section:
    """A part of a page: what is asked, what the picture says in words, the picture."""
    return html.Section(
        [html.H2(title), html.P(lead, className="lead"), *children], **({"id": id} if id else {})
    )


def graph(figure: go.Figure, id: str, description: str) -> html.Div:
    """A figure; `description` is what a screen reader says in its place."""
    return html.Div(
        dcc.Graph(
            id=id, figure=figure, config=GRAPH_CONFIG, style={"height": f"{figure.layout.height}px"}
        ),
        role="img",
        **{"aria-label": description},
    )


def table(
    columns: Mapping[str, str],
    rows: Iterable[Mapping[str, str | None]],
    numbers: Sequence[str] = (),
) -> html.Div:
    """Rows of text under the titles of `columns` (key → title); `numbers` are set to the right."""
    head = html.Tr([html.Th(title, scope="col") for title in columns.values()])
    body = [
        html.Tr(
            [
                html.Td(row.get(key) or "-", className="number" if key in numbers else None)
                for key in columns
            ]
        )
        for row in rows
    ]
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(body)]), className="scroll", tabIndex=0
    )


def lines(numbered: Iterable[tuple[str, int, str]]) -> list[Any]:
    """Raw lines of exports as text: (file, line number, text), grouped by file."""
    blocks: list[Any] = []
    of_file: dict[str, list[str]] = {}
    for name, number, text in numbered:
        of_file.setdefault(name, []).append(f"{number:>7}  {text}")
    for name, texts in of_file.items():
        blocks += [
            html.P(name, className="lead"),
            html.Pre("\n".join(texts), className="lines", tabIndex=0),
        ]
    return blocks


def caution() -> html.P:
    """What stands wherever the page advises a person to act on equipment."""
    return html.P(CAUTION, className="caution", role="note")


def nothing(sentence: str) -> html.P:
    """What stands where there is nothing to show, and what to do about it."""
    return html.P(sentence, className="empty")

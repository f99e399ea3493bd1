"""Values → sections, tables, lines: the small pieces that pages are put together from."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd
import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.theme import GRAPH_CONFIG
from loganalyzer.language import phrase

CAUTION = (
    "Before anyone acts on the equipment: lock out and tag out first. A log is no inspection; "
    "licensed people and local codes decide."
)
LONG = 40  # characters; a column with such texts keeps room for them on a phone
Cell = str | Component | None
Children = list[Component]


def aria(**said: str) -> dict[str, Any]:
    """ARIA attributes as keyword arguments of a component: `aria(label="Chute")`."""
    return {f"aria-{name}": value for name, value in said.items()}


def section(id: str, title: str, beside: Sequence[Cell], *content: Component) -> html.Section:
    """A part of a page: what is asked and said in words, and beside it what shows it."""
    said = [html.P(one) if isinstance(one, str) else one for one in beside if one]
    return html.Section(
        [
            html.Div([html.H2(title, id=f"{id}-title"), *said], className="beside"),
            html.Div(list(content), className="content"),
        ],
        id=id,
        **aria(labelledby=f"{id}-title"),
    )


def chart(figure: go.Figure, id: str, description: str, caption: str) -> html.Figure:
    """A figure: `description` is what a screen reader says in its place."""
    drawn = dcc.Graph(
        id=id, figure=figure, config=GRAPH_CONFIG, style={"height": f"{figure.layout.height}px"}
    )
    return html.Figure(
        [html.Div(drawn, role="img", **aria(label=description)), html.Figcaption(caption)]
    )


def table(
    columns: Mapping[str, str],
    rows: Iterable[Mapping[str, Cell]],
    numbers: Iterable[str] = (),
    name: str = "Table",
) -> html.Div:
    """Rows under the titles of `columns` (key → title), the first of each row its head.

    Args:
        columns: What to show, in this order; `reason` only where a row has one.
        rows: None is a value that is not recorded.
        numbers: Keys of the columns that are set to the right.
        name: What the region is called that can be scrolled by keyboard.
    """
    rows = list(rows)
    if not any(row.get("reason") for row in rows):
        columns = {key: title for key, title in columns.items() if key != "reason"}
    first, *others = columns
    right = {key: "number" if key in set(numbers) else "" for key in columns}
    for key in columns:
        if any(isinstance(row.get(key), str) and len(str(row[key])) > LONG for row in rows):
            right[key] += " long"
    head = [html.Th(title, scope="col", className=right[key]) for key, title in columns.items()]
    body = [
        html.Tr(
            [
                html.Th(shown(row.get(first)), scope="row", className=right[first]),
                *(html.Td(shown(row.get(key)), className=right[key]) for key in others),
            ]
        )
        for row in rows
    ]
    drawn = scrolled(html.Table([html.Thead(html.Tr(head)), html.Tbody(body)]), name)
    return html.Div([drawn, take(name)], className="taken")


def take(name: str, grid: str = "") -> html.Button:
    """A button that hands a table over as a CSV file; `grid` is the id of one that is a grid."""
    named: dict[str, Any] = {"data-name": name, "data-grid": grid}
    return html.Button(
        ["Take along as CSV", unseen(": "), unseen(name)], className="take", type="button", **named
    )


def numbers(rows: pd.DataFrame, place: str, unit: str, name: str) -> html.Details:
    """The table behind a chart of lines: `panel`, `line`, `x`, `value`, and `low`, `high`."""
    limits = "low" in rows and rows["low"].notna().any()
    columns = {"panel": "Of", "line": "What", "x": place, "value": unit}
    columns |= {"low": "Low", "high": "High"} if limits else {}
    told = [
        {"panel": row["panel"], "line": row["line"], "x": _place(row["x"]),
         **{key: None if pd.isna(row[key]) else phrase("{v:.2f}", v=float(row[key]))
            for key in ("value", "low", "high") if key in columns}}
        for row in rows.to_dict("records")
    ]  # fmt: skip
    return folded("The numbers", table(columns, told, ["value", "low", "high"], name))


def _place(x: Any) -> str:
    if isinstance(x, pd.Timestamp):
        return phrase("{x:%Y-%m-%d}", x=x)
    return x if isinstance(x, str) else str(x)


def door(value: Cell, href: str) -> Cell:
    """A number that leads to what it counts; what is not recorded leads nowhere."""
    return dcc.Link(value, href=href, className="door") if value is not None else None


def scrolled(content: Component, name: str) -> html.Div:
    """Something that may be wider than the page: it scrolls by itself, by keyboard too."""
    return html.Div(content, className="scroll", tabIndex=0, role="region", **aria(label=name))


def shown(cell: Cell) -> Cell:
    """A cell's content; a missing one is a dash that is read out as what it means."""
    if cell is not None:
        return cell
    return html.Span([html.Span("-", **aria(hidden="true")), unseen("not recorded")])


def unseen(text: str) -> html.Span:
    """Text for screen readers alone."""
    return html.Span(text, className="unseen")


def folded(summary: str, *content: Component) -> html.Details:
    """What most readers do not need, behind a line to open."""
    return html.Details([html.Summary(summary), *content])


def file_name(name: str) -> html.Span:
    """An export's name: its last two parts, the whole behind it."""
    last = [part for part in name.replace("\\", "/").split("/") if part][-2:]
    return html.Span("/".join(last), title=name, className="file")


def lines(numbered: Iterable[tuple[str, int, str]]) -> Children:
    """Raw lines of exports as text: (file, line number, text), grouped by file."""
    of_file: dict[str, list[str]] = {}
    for name, number, text in numbered:
        of_file.setdefault(name, []).append(f"{number:>7}  {text}")
    blocks: Children = []
    for name, texts in of_file.items():
        raw = html.Pre("\n".join(texts), className="lines", tabIndex=0, role="region",
                       **aria(label=phrase("Lines of {name}", name=name)))  # fmt: skip
        blocks += [html.P(file_name(name), className="of-file"), raw]
    return blocks


def field(id: str, name: str, hint: str, words: Iterable[str] = ()) -> html.Label:
    """A line to write in; the browser proposes these words, and the server checks what comes."""
    proposed = f"{id}-words"
    listed = html.Datalist([html.Option(value=word) for word in words], id=proposed)
    line = dcc.Input(id=id, type="text", placeholder=hint, value="", list=proposed, debounce=True)
    return html.Label([name, line, listed])


def own_account(signs_out: bool) -> Children:
    """Where one signs out, if one has signed in; a page outside of the dashboard."""
    return [html.P(html.A("Your account", href="/account"))] if signs_out else []


def caution() -> html.P:
    """What stands wherever the page advises a person to act on equipment."""
    return html.P(CAUTION, className="caution", role="note")


def nothing(sentence: str) -> html.P:
    """What stands where there is nothing to show, and what to do about it."""
    return html.P(sentence, className="empty")

"""A sheet of paper: sections of words, tables, pictures and raw lines, and the HTML of it.

The page asks for nothing outside of itself. Every text passes the template, which escapes it and
tells it in the sheet's language: phrases and headings are told, labels out of a log stay.
"""

import base64
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from loganalyzer.language import say

Cell = str | None


@dataclass(frozen=True)
class Words:
    """A paragraph; `style` is empty, "said", "caution" or "muted"."""

    text: str
    style: str = ""
    block = "words"


@dataclass(frozen=True)
class Points:
    """Sentences one below the other, each with the numbers of its lines at the sheet's end."""

    points: Sequence[tuple[str, Sequence[int]]]
    block = "points"


@dataclass(frozen=True)
class Grid:
    """A table: titles by column, rows of cells, the columns set to the right, what stands below.

    A cell that is None is said to be not recorded.
    """

    columns: Mapping[str, str]
    rows: Sequence[Mapping[str, Cell]]
    numbers: Sequence[str] = ()
    note: str = ""
    block = "grid"


@dataclass(frozen=True)
class Picture:
    """A drawing (SVG), what it shows in words, and what stands below it."""

    svg: bytes
    shows: str
    caption: str
    block = "picture"

    @property
    def address(self) -> str:
        """The drawing itself as an address, so that nothing has to be fetched."""
        return f"data:image/svg+xml;base64,{base64.b64encode(self.svg).decode()}"


@dataclass(frozen=True)
class Raw:
    """Lines of exports as written: (number on the sheet, file, line, text)."""

    lines: Sequence[tuple[str, str, int, str]]
    block = "raw"


Block = Words | Points | Grid | Picture | Raw


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it."""

    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Sheet:
    """A whole document.

    Attributes:
        title: Of what; a name out of a site file.
        kind: What it is, in words.
        period: Which time it is about.
        language: One of `language.LANGUAGES`.
        cover: What the log covers and what it cannot show.
        sections: The rest, in its order.
    """

    title: str
    kind: str
    period: str
    language: str
    cover: Sequence[str]
    sections: Sequence[Section]


def render(sheet: Sheet) -> str:
    """The HTML of a sheet, whole in one file; the same sheet gives the same text."""
    made = _environment(sheet.language).get_template("sheet.html")
    return made.render(sheet=sheet, style=Markup(_style())) + "\n"


def kept(blocks: Iterable[Block | None]) -> list[Block]:
    """The blocks that there are."""
    return [block for block in blocks if block is not None]


def _environment(language: str) -> Environment:
    made = Environment(
        loader=PackageLoader("dashboards.reports", "paper"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["say"] = lambda text: say(text, language)
    made.filters["cell"] = lambda text: _cell(text, language)
    return made


def _cell(text: Any, language: str) -> str:
    """A cell's text; told only where it is a phrase, since a word may be a label of the log."""
    from loganalyzer.language import Phrase

    return say(text, language) if isinstance(text, Phrase) else str(text)


def _style() -> str:
    from importlib import resources

    return resources.files("dashboards.reports").joinpath("paper", "sheet.css").read_text("utf-8")

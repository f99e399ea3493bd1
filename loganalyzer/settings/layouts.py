"""How lines and fields look: the tables of a profile that only the readers of a layout use."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from loganalyzer.settings import (
    Count,
    PositiveCount,
    Settings,
    Texts,
    Word,
    YesNo,
    filled,
    once,
    one_of,
    regex,
)
from loganalyzer.settings.mistakes import Mistake, refuse, toml
from loganalyzer.tables import EDGES, SIGNAL_EDGES, SIGNALS

LAYOUTS = ("delimited", "lines", "syslog", "json", "fixed", "samples", "sheet")
SAMPLE_GROUPS = ("floor", "stream", "code", "chute")

Signal = Annotated[str, one_of(SIGNALS, "a signal")]
Edge = Annotated[str, one_of(EDGES, "an edge")]
Pattern = Annotated[str, regex()]


def with_only_edge(table: Any) -> Any:
    """A raw table of an entry whose signal has one edge only, with that edge; others as given."""
    if not isinstance(table, dict) or not isinstance(table.get("signal"), str):
        return table
    edges = SIGNAL_EDGES.get(table["signal"], ())
    return {"edge": edges[0], **table} if len(edges) == 1 else table


class Delimited(Settings):
    """Rows of fields; `columns` names them where no header line does (`header` is false then)."""

    delimiter: str = Field(
        min_length=1, max_length=1, description="the character between two fields", examples=[";"]
    )
    header: YesNo = True
    columns: Annotated[tuple[Word, ...], filled("the columns' names")] | None = None
    decimal: Annotated[str, one_of((".", ","), "a decimal sign")] = "."

    @model_validator(mode="before")
    @classmethod
    def _columns_for_header(cls, table: Any) -> Any:
        named = isinstance(table, dict) and table.get("columns") is not None
        return {"header": False, **table} if named else table

    @model_validator(mode="after")
    def _one_source_of_names(self) -> Self:
        names = once(self.columns or (), "columns", None)
        if self.header == (self.columns is not None):
            found = "both columns and header = true" if self.header else "no columns"
            expected = "header = true, or columns = [...]"
            fix = "Remove one" if self.header else 'Add columns = ["date", "time", "door", "text"]'
            names.append(Mistake((), found, expected, fix, whole=True))
        refuse(names)
        return self


class Lines(Settings):
    """Lines of text; the pattern's named groups are columns, `ignore` matches page furniture."""

    pattern: Pattern = Field(
        description="a regular expression with named groups",
        examples=["^(?P<stamp>\\S+ \\S+) (?P<text>.*)$"],
    )
    ignore: tuple[Pattern, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """The named groups, in their order."""
        return tuple(re.compile(self.pattern).groupindex)


class FixedColumn(Settings):
    """A column at characters `start` (from 0) to before `start + width`."""

    name: Word = Field(description="the column's name", examples=["stamp"])
    start: Count = Field(description="its first character, from 0", examples=[0])
    width: PositiveCount = Field(description="its width in characters", examples=[19])


class Fixed(Settings):
    """Lines cut at fixed places."""

    columns: Annotated[tuple[FixedColumn, ...], filled("a table for each column")] = Field(
        description="a table { name, start, width } for each column"
    )

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        refuse(once([column.name for column in self.columns], "columns", "name"))
        return self


class Json(Settings):
    """One object a line: column = dotted path."""

    columns: Mapping[str, Word] = Field(
        description="a table of column = dotted path", examples=[{"stamp": "ts"}]
    )


class Sheet(Settings):
    """A workbook's sheet (None: the first); `header_row` counts from 1."""

    sheet: Word | None = None
    header_row: PositiveCount = 1


class SampleEntry(Settings):
    """Which sampled columns carry which signal, and which of their values mean on.

    `edge` is None for a condition with both edges, else `mark`: one at each rising edge, or, with
    `number`, whenever the value changes.
    """

    pattern: Annotated[str, regex(SAMPLE_GROUPS)] | None = None
    column: Word | None = None
    signal: Signal = Field(description="what the column tells", examples=["open"])
    edge: Edge | None = None
    on: Texts = ()
    number: YesNo = False
    floor: Word | None = None
    stream: Word | None = None
    code: Word | None = None
    chute: Word | None = None

    @model_validator(mode="before")
    @classmethod
    def _implied_edge(cls, table: Any) -> Any:
        marked = isinstance(table, dict) and table.get("number") is True
        return {"edge": "mark", **table} if marked else with_only_edge(table)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        refuse([*one_way(self, "column"), *self._edges(), *self._values()])
        return self

    def _edges(self) -> list[Mistake]:
        edges = SIGNAL_EDGES[self.signal]
        if self.edge in (None, "mark") and (self.edge or "on") in edges:
            return []
        words = "no edge (it follows from the values)" if "on" in edges else "mark"
        expected = f"{words}{' or mark' if 'on' in edges and 'mark' in edges else ''}"
        found = f"{toml(self.edge)} for the signal '{self.signal}'"
        return [Mistake(("edge",), found, expected, "Remove edge", whole=True)]

    def _values(self) -> list[Mistake]:
        if self.number and self.on:
            return [Mistake((), "both on and number", "one of them", "Remove one", whole=True)]
        if not self.number and not self.on:
            expected = "the values that mean on, or number = true"
            return [Mistake((), "no on", expected, 'Add on = ["1"]', whole=True)]
        return []


def one_way(entry: Any, other: str) -> list[Mistake]:
    """A mistake unless exactly one of `pattern` and `other` is given."""
    given = (entry.pattern is not None) + (getattr(entry, other) is not None)
    if given == 1:
        return []
    found = f"both {other} and pattern" if given else f"neither {other} nor pattern"
    fix = "Remove one" if given else f'Add {other} = "..."'
    return [Mistake((), found, "one of them", fix, whole=True)]

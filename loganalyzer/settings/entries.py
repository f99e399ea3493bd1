"""What texts, labels and stamps of an export mean: the tables of a profile that events need."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, model_validator

from loganalyzer.settings import Number, Settings, Texts, Word, YesNo, one_of, regex, zone_name
from loganalyzer.settings.layouts import Edge, Signal, one_way, with_only_edge
from loganalyzer.settings.mistakes import Mistake, nearest, refuse, toml
from loganalyzer.tables import COMPONENTS, SIGNAL_EDGES

FORMATS = ("iso", "epoch_s", "epoch_ms", "uptime_s")
# Source: Python's documentation of strftime() and strptime() format codes.
DIRECTIVES = "aAwdbBmyYHIMpSfzZjUWcxXGuV%"
EVENT_GROUPS = ("floor", "stream", "code", "value", "chute", "old", "new", "now")


def _format(text: str) -> str:
    wrong = [code for code in re.findall("%(.?)", text) if code not in DIRECTIVES or not code]
    found = f"{toml(text)} (%{wrong[0]} is no directive)" if wrong else toml(text)
    if wrong or (text not in FORMATS and "%" not in text):
        guess = nearest(text, FORMATS)
        expected = f"a strptime format such as '%d.%m.%Y %H:%M:%S', or {', '.join(FORMATS)}"
        refuse([Mistake((), found, expected, guess and f'"{guess}"')])
    return text


class Columns(Settings):
    """Which column carries what; several for time or event are joined by one space."""

    time: Texts = Field(description="the column, or columns, of the stamp", examples=["time"])
    event: Texts = ()
    floor: Word | None = None
    stream: Word | None = None
    code: Word | None = None
    value: Word | None = None
    chute: Word | None = None
    order: Word | None = None


class TimeRule(Settings):
    """How stamps are written: a strptime format or iso, epoch_s, epoch_ms, uptime_s; the zone."""

    format: Annotated[str, AfterValidator(_format)] = Field(
        description=f"a strptime format, or {', '.join(FORMATS)}", examples=["%d.%m.%Y %H:%M:%S"]
    )
    zone: Annotated[str, zone_name("site", "utc", "offset")] = "site"

    @model_validator(mode="after")
    def _offset_is_written(self) -> Self:
        if self.zone == "offset" and self.format != "iso" and "%z" not in self.format:
            expected = "a format with %z, or iso, where the offset stands in the stamp"
            fix = f'Write format = "{self.format}%z" or zone = "site"'
            refuse([Mistake(("zone",), f"'offset' with format {toml(self.format)}", expected, fix,
                            whole=True)])  # fmt: skip
        return self


class Labels(Settings):
    """Floor labels as written: those listed in `table`, then `pattern` for the others."""

    pattern: Annotated[str, regex(("floor",), needs=("floor",))] | None = None
    table: Mapping[str, Word] = Field(default={}, validation_alias="@table")

    @model_validator(mode="before")
    @classmethod
    def _packed(cls, table: Any) -> Any:
        """In the file the labels stand beside `pattern`; in a call they are `table`."""
        if not isinstance(table, dict) or isinstance(table.get("table"), Mapping):
            return table
        labels = {label: floor for label, floor in table.items() if label != "pattern"}
        return {"pattern": table.get("pattern"), "@table": labels}


class CodeMeaning(Settings):
    """What a fault code is about."""

    component: Annotated[str, one_of(COMPONENTS, "a component")] = Field(
        description=", ".join(COMPONENTS), examples=["sorter"]
    )
    text: str = ""


class EventEntry(Settings):
    """What an event text means: by its whole `text` (one of several) or by `pattern`.

    Unless `ignore`, there are a signal and an edge.
    """

    text: Texts | None = None
    pattern: Annotated[str, regex(EVENT_GROUPS)] | None = None
    signal: Signal | None = None
    edge: Edge | None = None
    ignore: YesNo = False
    floor: Word | None = None
    stream: Word | None = None
    code: Word | None = None
    value: Number | None = None
    chute: Word | None = None

    @property
    def groups(self) -> tuple[str, ...]:
        """The names of the pattern's groups."""
        return tuple(re.compile(self.pattern or "").groupindex)

    @model_validator(mode="before")
    @classmethod
    def _implied_edge(cls, table: Any) -> Any:
        return with_only_edge(table)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        meaning = self._nothing_more() if self.ignore else [*self._edges(), *self._clock_set()]
        refuse([*one_way(self, "text"), *meaning])
        return self

    def _nothing_more(self) -> list[Mistake]:
        names = ("signal", "edge", "floor", "stream", "code", "value", "chute")
        given = [name for name in names if getattr(self, name) is not None]
        found = f"both ignore and {', '.join(given)}"
        expected = "ignore alone, or a signal and its edge"
        return [Mistake((), found, expected, "Remove one", whole=True)] if given else []

    def _edges(self) -> list[Mistake]:
        if self.signal is None:
            expected = "a signal and its edge, or ignore = true"
            return [Mistake((), "no signal", expected, 'Add signal = "note"', whole=True)]
        edges = SIGNAL_EDGES[self.signal]
        expected = f"{' or '.join(edges)} for the signal '{self.signal}'"
        if self.edge is None:
            return [Mistake((), "no edge", expected, f'Add edge = "{edges[0]}"', whole=True)]
        only = f'"{edges[0]}"' if len(edges) == 1 else None
        return [] if self.edge in edges else [Mistake(("edge",), toml(self.edge), expected, only)]

    def _clock_set(self) -> list[Mistake]:
        old_new = [name for name in ("old", "new") if name in self.groups]
        if not old_new or (self.signal == "clock" and len(old_new) == 2):
            return []
        found = f"{' and '.join(f'a group {name}' for name in old_new)}, signal '{self.signal}'"
        expected = "the groups old and new together, with the signal 'clock'"
        return [Mistake(("pattern",), found, expected, None)]

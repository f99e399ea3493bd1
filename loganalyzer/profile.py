"""A profile file: how a controller family writes its export."""

import re
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from loganalyzer.errors import ProfileError
from loganalyzer.layouts import (
    LAYOUTS,
    Delimited,
    Edge,
    Fixed,
    FixedColumn,
    Json,
    Lines,
    SampleEntry,
    Sheet,
    Signal,
    one_way,
    with_only_edge,
)
from loganalyzer.mistakes import Mistake, nearest, refuse, toml
from loganalyzer.settings import (
    Count,
    Number,
    Settings,
    Texts,
    Word,
    YesNo,
    check,
    one_of,
    read_text,
    regex,
    zone_name,
)
from loganalyzer.tables import COMPONENTS, NEEDS_FLOOR, SIGNAL_EDGES

__all__ = [
    "CodeMeaning", "Columns", "Delimited", "EventEntry", "Fixed", "FixedColumn", "Json", "Labels",
    "Lines", "Profile", "SampleEntry", "Sheet", "TimeRule", "load_profile", "parse_profile",
    "shipped_profiles",
]  # fmt: skip

FORMATS = ("iso", "epoch_s", "epoch_ms", "uptime_s")
# Source: Python's documentation of strftime() and strptime() format codes.
DIRECTIVES = "aAwdbBmyYHIMpSfzZjUWcxXGuV%"
REFUSALS = ("busy", "full", "service", "lockout", "fault")
EVENT_GROUPS = ("floor", "stream", "code", "value", "chute", "old", "new", "now")
ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1252", "iso-8859-1", "cp850")
# Layouts that say nothing about their lines without a table of their own.
TABLES = {"delimited": "delimited", "samples": "delimited", "lines": "lines", "json": "json",
          "fixed": "fixed"}  # fmt: skip


def _encoding(name: str) -> str:
    try:
        "".encode(name)
    except LookupError:
        guess = nearest(name, ENCODINGS)
        expected = f"an encoding that Python knows, such as {', '.join(ENCODINGS[:2])}"
        refuse([Mistake((), toml(name), expected, guess and f'"{guess}"')])
    return name


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


def _labels(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    table = {label: floor for label, floor in value.items() if label != "pattern"}
    return {"pattern": value.get("pattern"), "@table": table}


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


class Profile(Settings):
    """How a controller family writes its export; `text` and `file` are where that stands."""

    name: Word = Field(description="the profile's name", examples=["semicolon-text"])
    layout: Annotated[str, one_of(LAYOUTS, "a layout")] = Field(
        description=", ".join(LAYOUTS), examples=["delimited"]
    )
    encoding: Annotated[str, AfterValidator(_encoding)] | None = None
    skip_lines: Count = 0
    delimited: Delimited | None = None
    lines: Lines | None = None
    fixed: Fixed | None = None
    json_: Json | None = Field(default=None, validation_alias="json")
    sheet: Sheet | None = None
    samples: tuple[SampleEntry, ...] = ()
    columns: Columns = Field(description="a table [columns] with time and what else there is")
    time: TimeRule = Field(description="a table [time] with format and zone")
    floors: Annotated[Labels, BeforeValidator(_labels)] = Labels()
    streams: Mapping[str, Word] = {}
    chutes: Mapping[str, Word] = {}
    refusals: Mapping[str, Annotated[str, one_of(REFUSALS, "a reason of refusal")]] = {}
    codes: Mapping[str, CodeMeaning] = {}
    events: tuple[EventEntry, ...] = Field(default=(), validation_alias="event")
    text: str = Field(default="", validation_alias="@text")
    file: str = Field(default="", validation_alias="@file")

    @model_validator(mode="before")
    @classmethod
    def _first_sheet(cls, table: Any) -> Any:
        wanted = isinstance(table, dict) and table.get("layout") == "sheet"
        return {"sheet": {}, **table} if wanted else table

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        refuse([*_tables(self), *_columns(self), *_floors(self), *_anchors(self)])
        return self


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that come with the program, sorted."""
    found = files("loganalyzer").joinpath("profiles").iterdir()
    return tuple(sorted(p.name.removesuffix(".toml") for p in found if p.name.endswith(".toml")))


def load_profile(name_or_path: str, beside: Path | None) -> Profile:
    """A profile that ships, by its name, or a profile file.

    Args:
        name_or_path: One of `shipped_profiles()`, or the path of a file.
        beside: The folder, or a file in it, that a relative path starts from; None: the
            working folder.

    Raises:
        ProfileError: There is none, it cannot be read or is wrong; one line for each mistake.
    """
    shipped = shipped_profiles()
    if name_or_path in shipped:
        content = files("loganalyzer").joinpath("profiles", f"{name_or_path}.toml")
        return parse_profile(content.read_text(encoding="utf-8"), f"{name_or_path}.toml")
    folder = Path() if beside is None else beside if beside.is_dir() else beside.parent
    path = folder / name_or_path
    if not path.exists():
        expected = f"one that ships ({', '.join(shipped)}) or a file in {folder.resolve()}"
        near = sorted(file.name for file in folder.glob("*.toml"))
        guess = nearest(name_or_path, [*shipped, *near])
        fix = f'Write profile = "{guess}"' if guess else "Name one of these"
        where = str(beside) if beside is not None else "profile"
        raise ProfileError(where, f"no profile {toml(name_or_path)}", expected, fix)
    return parse_profile(read_text(path, ProfileError), str(path))


def parse_profile(text: str, file: str) -> Profile:
    """A profile file's text as a profile; `file` is its name in messages.

    Raises:
        ProfileError: The text is wrong; one line for each mistake.
    """
    return check(Profile, text, file, ProfileError, {"@text": text, "@file": file})


def _tables(profile: Profile) -> Iterator[Mistake]:
    """The tables that the layout cannot do without."""
    table = TABLES.get(profile.layout)
    if table and getattr(profile, "json_" if table == "json" else table) is None:
        expected = f"a table [{table}] for the layout '{profile.layout}'"
        yield Mistake((), f"no {table}", expected, f"Add [{table}]", whole=True)
    if profile.layout == "samples" and not profile.samples:
        expected = "a table [[samples]] for each signal"
        yield Mistake((), "no samples", expected, "Add [[samples]]", whole=True)


def _columns(profile: Profile) -> Iterator[Mistake]:
    """Columns that the layout does not offer."""
    offered = _offered(profile)
    if offered is None:
        return
    what = "a named group of lines.pattern" if profile.layout == "lines" else "a column"
    wanted: dict[tuple[str | int, ...], tuple[str, ...]] = {
        ("columns", role): _named(profile.columns, role) for role in Columns.model_fields
    }
    if profile.layout == "samples":
        wanted |= {("samples", n, "column"): _named(entry, "column")
                   for n, entry in enumerate(profile.samples)}  # fmt: skip
    for path, names in wanted.items():
        for name in names:
            if name not in offered:
                guess = nearest(name, offered)
                fix = f'Write "{guess}"' if guess else f"Change {path[-1]}"
                yield Mistake(path, toml(name), f"{what}: {', '.join(offered)}", fix, whole=True)


def _offered(profile: Profile) -> tuple[str, ...] | None:
    """The layout's columns; None where only the export can tell."""
    if profile.layout in ("delimited", "samples") and profile.delimited:
        return profile.delimited.columns
    if profile.layout == "lines" and profile.lines:
        return profile.lines.columns
    if profile.layout == "fixed" and profile.fixed:
        return tuple(column.name for column in profile.fixed.columns)
    if profile.layout == "json" and profile.json_:
        return tuple(profile.json_.columns)
    return None


def _named(table: Settings, key: str) -> tuple[str, ...]:
    value = getattr(table, key)
    return () if value is None else (value,) if isinstance(value, str) else value


def _floors(profile: Profile) -> Iterator[Mistake]:
    """Entries whose signal belongs to a door, where nothing tells which."""
    if profile.columns.floor is not None:
        return
    sampled = profile.layout == "samples"
    name = "samples" if sampled else "event"
    entries: tuple[SampleEntry | EventEntry, ...] = profile.samples if sampled else profile.events
    for n, entry in enumerate(entries):
        groups = re.compile(entry.pattern or "").groupindex
        if entry.signal in NEEDS_FLOOR and entry.floor is None and "floor" not in groups:
            expected = f"the door that '{entry.signal}' belongs to: columns.floor, a group or a key"
            yield Mistake((name, n), "no floor", expected, 'Add floor = "..."', whole=True)


def _anchors(profile: Profile) -> Iterator[Mistake]:
    """A group `now` where stamps need no anchor."""
    for n, entry in enumerate(profile.events):
        if "now" in entry.groups and profile.time.format != "uptime_s":
            found, expected = "a group now", "that only with time.format = 'uptime_s'"
            fix = "Remove the group's name"
            yield Mistake(("event", n, "pattern"), found, expected, fix, whole=True)

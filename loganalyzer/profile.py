"""A profile file: how a controller family writes its export."""

import re
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, model_validator

from loganalyzer.errors import ProfileError
from loganalyzer.settings import Count, Settings, Word, check, one_of, read_text
from loganalyzer.settings.entries import CodeMeaning, Columns, EventEntry, Labels, TimeRule
from loganalyzer.settings.layouts import (
    LAYOUTS,
    Delimited,
    Fixed,
    FixedColumn,
    Json,
    Lines,
    SampleEntry,
    Sheet,
)
from loganalyzer.settings.mistakes import Mistake, nearest, refuse, toml
from loganalyzer.tables import NEEDS_FLOOR

__all__ = [
    "CodeMeaning", "Columns", "Delimited", "EventEntry", "Fixed", "FixedColumn", "Json", "Labels",
    "Lines", "Profile", "SampleEntry", "Sheet", "TimeRule", "load_profile", "parse_profile",
    "shipped_profiles",
]  # fmt: skip

REFUSALS = ("busy", "full", "service", "lockout", "fault")
ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1252", "iso-8859-1", "cp850")
# Layouts that say nothing about their lines without a table of their own.
TABLES = {"delimited": "delimited", "samples": "delimited", "lines": "lines", "json": "json",
          "fixed": "fixed"}  # fmt: skip


def _encoding(name: str) -> str:
    try:
        "".encode(name)
    except (LookupError, ValueError):
        guess = nearest(name, ENCODINGS)
        expected = f"an encoding that Python knows, such as {', '.join(ENCODINGS[:2])}"
        refuse([Mistake((), toml(name), expected, guess and f'"{guess}"')])
    return name


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
    floors: Labels = Labels()
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
    allowed = f"{what}: {', '.join(offered)}" if offered else f"{what}, of which there are none"
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
                yield Mistake(path, toml(name), allowed, fix, whole=True)


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

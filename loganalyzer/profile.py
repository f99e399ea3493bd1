"""A profile file: how a controller family writes its export."""

from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from loganalyzer.errors import ProfileError
from loganalyzer.settings import Count, PositiveCount, Settings, Texts, Word, YesNo, check, read_text

LAYOUTS = ("delimited", "lines", "syslog", "json", "fixed", "samples", "sheet")
REFUSALS = ("busy", "full", "service", "lockout", "fault")

Signal = Literal[
    "press", "refusal", "positioning", "unlocked", "open", "clearing", "lockout", "full",
    "service", "fault", "power", "compacting", "clock", "level", "note",
]  # fmt: skip
Edge = Literal["on", "off", "mark"]
Component = Literal[
    "door", "contact", "latch", "sorter", "container", "compactor", "wiring", "control",
    "power", "fire", "other",
]  # fmt: skip




class Delimited(Settings):
    """Rows of fields; `columns` names them where no header line does (`header` is false then)."""

    delimiter: str = Field(min_length=1, max_length=1)
    header: YesNo = True
    columns: tuple[str, ...] | None = None
    decimal: Literal[".", ","] = "."


class Lines(Settings):
    """Lines of text; the pattern's named groups are columns, `ignore` matches page furniture."""

    pattern: str
    ignore: tuple[str, ...] = ()


class FixedColumn(Settings):
    """A column at characters `start` (from 0) to `start + width`."""

    name: Word
    start: Count
    width: PositiveCount


class Fixed(Settings):
    """Lines cut at fixed places."""

    columns: tuple[FixedColumn, ...] = Field(min_length=1)


class Json(Settings):
    """One object a line: column = dotted path."""

    columns: Mapping[str, str]


class Sheet(Settings):
    """A workbook's sheet (None: the first); `header_row` counts from 1."""

    sheet: str | None = None
    header_row: PositiveCount = 1


class SampleEntry(Settings):
    """Which sampled columns carry which signal, and which of their values mean on."""

    pattern: str | None = None
    column: str | None = None
    signal: Signal
    edge: Edge | None = None
    on: Texts = ()
    number: YesNo = False
    floor: str | None = None
    stream: str | None = None
    code: str | None = None
    chute: str | None = None


class Columns(Settings):
    """Which column carries what; several for time or event are joined by one space."""

    time: Texts
    event: Texts = ()
    floor: str | None = None
    stream: str | None = None
    code: str | None = None
    value: str | None = None
    chute: str | None = None
    order: str | None = None


class TimeRule(Settings):
    """How stamps are written: a strptime format or iso, epoch_s, epoch_ms, uptime_s; the zone."""

    format: str
    zone: str = "site"


class Labels(Settings):
    """Floor labels as written: those listed in `table`, then `pattern` for the others."""

    pattern: str | None = None
    table: Mapping[str, str] = {}


def _labels(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    table = {label: floor for label, floor in value.items() if label != "pattern"}
    return {"pattern": value.get("pattern"), "table": table}


class CodeMeaning(Settings):
    """What a fault code is about."""

    component: Component
    text: str = ""


class EventEntry(Settings):
    """What an event text means: by its whole `text` (one of several) or by `pattern`."""

    text: Texts | None = None
    pattern: str | None = None
    signal: Signal | None = None
    edge: Edge | None = None
    ignore: YesNo = False
    floor: str | None = None
    stream: str | None = None
    code: str | None = None
    value: float | None = None
    chute: str | None = None


class Profile(Settings):
    """How a controller family writes its export; `text` and `file` are where that stands."""

    name: Word
    layout: Literal["delimited", "lines", "syslog", "json", "fixed", "samples", "sheet"]
    encoding: str | None = None
    skip_lines: Count = 0
    delimited: Delimited | None = None
    lines: Lines | None = None
    fixed: Fixed | None = None
    json_: Json | None = Field(default=None, validation_alias="json")
    sheet: Sheet | None = None
    samples: tuple[SampleEntry, ...] = ()
    columns: Columns
    time: TimeRule
    floors: Annotated[Labels, BeforeValidator(_labels)] = Labels()
    streams: Mapping[str, str] = {}
    chutes: Mapping[str, str] = {}
    refusals: Mapping[str, str] = {}
    codes: Mapping[str, CodeMeaning] = {}
    events: tuple[EventEntry, ...] = Field(default=(), validation_alias="event")
    text: str = Field(default="", validation_alias="@text")
    file: str = Field(default="", validation_alias="@file")


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
    if name_or_path in shipped_profiles():
        shipped = files("loganalyzer").joinpath("profiles", f"{name_or_path}.toml")
        return parse_profile(shipped.read_text(encoding="utf-8"), f"{name_or_path}.toml")
    folder = Path() if beside is None else beside.parent if beside.is_file() else beside
    path = folder / name_or_path
    return parse_profile(read_text(path, ProfileError), str(path))


def parse_profile(text: str, file: str) -> Profile:
    """A profile file's text as a profile; `file` is its name in messages.

    Raises:
        ProfileError: The text is wrong; one line for each mistake.
    """
    return check(Profile, text, file, ProfileError, {"@text": text, "@file": file})

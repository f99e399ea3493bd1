"""A site file: one building or campus, its chutes, their limits, streams and floors."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator

from loganalyzer.errors import SiteError
from loganalyzer.settings import Id, Number, Positive, PositiveCount, Settings, Word, check, read_text


class Limits(Settings):
    """What is set on a chute's controller; seconds, and the number of presses.

    Source of the defaults: common practice, no source.
    """

    press_limit: PositiveCount = 4
    press_window_s: Positive = 90
    quiet_s: Positive = 90
    open_limit_s: Positive = 45
    positioning_limit_s: Positive = 15
    clearing_s: Positive = 12


class Stream(Settings):
    """A material a user can select: `container_l` in litres, `pickup` an RFC 5545 rule."""

    id: Word
    kind: Literal["refuse", "recycling", "organics", "linen", "other"]
    container_l: Positive | None = None
    density_kg_m3: Positive | None = None
    pickup: str | None = None


class Floor(Settings):
    """An intake door: `elevation_m` of its sill above the sorter inlet, `units` served."""

    label: Word
    elevation_m: Number | None = None
    units: PositiveCount | None = None


class Chute(Settings):
    """One gravity chute with its own controller; `profile` tells how that writes its export."""

    id: Id
    profile: Word
    limits: Limits = Limits()
    streams: tuple[Stream, ...] = Field(default=(), validation_alias="stream")
    floors: tuple[Floor, ...] = Field(default=(), validation_alias="floor")


class _Head(Settings):
    id: Id
    name: Word
    time_zone: str


class _SiteFile(Settings):
    site: _Head
    chutes: tuple[Chute, ...] = Field(validation_alias="chute", min_length=1)


@dataclass(frozen=True)
class Site:
    """One building or campus with one time zone (`time_zone`, an IANA name).

    `text` is the file it came from, word for word, and `file` that file's path.
    """

    id: str
    name: str
    time_zone: str
    chutes: tuple[Chute, ...]
    text: str = ""
    file: str = ""

    def chute(self, id: str) -> Chute:
        """The chute of that id.

        Raises:
            SiteError: There is none.
        """
        for chute in self.chutes:
            if chute.id == id:
                return chute
        known = ", ".join(chute.id for chute in self.chutes)
        raise SiteError(self.file or self.id, f"no chute '{id}'", f"one of {known}", "Name one of them")


def load_site(path: Path) -> Site:
    """Read a site file.

    Raises:
        SiteError: It cannot be read or is wrong; one line for each mistake.
    """
    return parse_site(read_text(path, SiteError), str(path))


def parse_site(text: str, file: str) -> Site:
    """A site file's text as a site; `file` is its name in messages.

    Raises:
        SiteError: The text is wrong; one line for each mistake.
    """
    checked = check(_SiteFile, text, file, SiteError)
    head = checked.site
    return Site(head.id, head.name, head.time_zone, checked.chutes, text, file)

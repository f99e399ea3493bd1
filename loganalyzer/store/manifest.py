"""What a store knows of one site: its exports, and the stretches its timelines are made of."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

Ranges = tuple[tuple[int, int], ...]  # of line numbers, from and to, both included, rising


@dataclass(frozen=True)
class Reading:
    """The events of one chute that one export holds, as read.

    Attributes:
        chute: Its id.
        file: Parquet, columns as `READING_FILE` in store.py.
        solo: Parquet: its timeline, as long as no other export touches it; the same file where
            the clock needed no correction.
        zone: Its stamps' time zone, "utc" or "offset".
        rows: Events.
        lines: Lines they stand in.
        first: µs UTC of the first and `last` of the last, the clock put right by this export
            alone; null where nothing anchors them.
        place: As in `beginnings.Beginning`; so are the six from
            `sound` to `lost`.
        begins: µs, the earliest of the times that can be trusted, and `ends` the latest; of all
            times where none can.
        open_head: The clock at its beginning hangs on an earlier export.
        open_tail: The clock at its end hangs on a later export.
        facts: It holds a clock event or a power-on.
    """

    chute: str
    file: str
    solo: str
    zone: str
    rows: int
    lines: int
    first: int | None
    last: int | None
    place: int
    begins: int
    ends: int
    sound: bool
    starts: int
    stops: int
    powered: bool
    adrift: bool
    lost: bool
    open_head: bool
    open_tail: bool
    facts: bool


@dataclass(frozen=True)
class Export:
    """One export that was taken in, and how it was read.

    Attributes:
        source: SHA-256 of its bytes, unpacked.
        name: As it was given, `week1.zip!a.csv` for a member.
        original: File of the kept bytes, compressed.
        profile: The profile's name, `profile_file` where it came from, `profile_text` the file
            of its text.
        site_text: The file of the text of the site file it was read with.
        chute: The chute that was given or chosen, null where each line names its own.
        asked_chute, asked_profile: What the person asked for on the command line.
        lines, ignored, rejected: Counts of lines.
        rejects: File of the rejects, null where there are none.
        imported_at: µs UTC.
        status: As in the table `imports`.
        size: Bytes kept, unpacked.
        kept: SHA-256 of the bytes kept, unpacked: the source, unless lines were removed.
        removed: The lines that retention removed; they count as ignored.
    """

    source: str
    name: str
    original: str
    profile: str
    profile_file: str
    profile_text: str
    site_text: str
    chute: str | None
    asked_chute: str | None
    asked_profile: str | None
    lines: int
    ignored: int
    rejected: int
    rejects: str | None
    imported_at: int
    status: str
    size: int
    kept: str
    removed: Ranges
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Stretch:
    """A part of a chute's timeline made from exports that touch one another.

    Attributes:
        chute: Its id.
        made_of: Files of the readings, sorted: the same files need no merging again.
        file: Parquet, columns as `TIMELINE_FILE` in store.py.
        rows: Events.
        begins: µs UTC, sorts the stretches.
        owned: Source → lines of it that stand in the timeline; its other lines are duplicates.
    """

    chute: str
    made_of: tuple[str, ...]
    file: str
    rows: int
    begins: int
    owned: dict[str, int]


@dataclass(frozen=True)
class Manifest:
    """One site.

    Attributes:
        site: Its id.
        site_text: The file of the site file's text as it stood last, and `site_file` where that
            was.
        exports: What was taken in.
        stretches: What the timelines of its chutes are made of.
        checksums: File → SHA-256 of its bytes, for every file but the originals, whose names
            hold that of what they unpack to.
        kept_from: µs UTC; what is older was removed by retention. Null: nothing was.
        retired: Exports that retention removed whole: source → µs UTC when.
        sums: File of the monthly sums of what was removed, null where there are none.
        done: File of the work and campaigns told in the dashboard, null where none were.
    """

    site: str
    site_text: str
    site_file: str
    exports: tuple[Export, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    checksums: Mapping[str, str] = field(default_factory=dict)
    kept_from: int | None = None
    retired: Mapping[str, int] = field(default_factory=dict)
    sums: str | None = None
    done: str | None = None

    def with_exports(self, *added: Export) -> "Manifest":
        """The manifest with these exports too, in place of those of the same source."""
        sources = {export.source for export in added}
        kept = [export for export in self.exports if export.source not in sources]
        exports = sorted([*kept, *added], key=lambda export: (export.imported_at, export.source))
        return replace(self, exports=tuple(exports))

    def without(self, source: str) -> "Manifest":
        """The manifest without one export."""
        kept = tuple(export for export in self.exports if export.source != source)
        return replace(self, exports=kept)

    def files(self) -> set[str]:
        """Every file this manifest needs."""
        named = {self.site_text, self.sums or self.site_text, self.done or self.site_text}
        for export in self.exports:
            named |= {export.original, export.profile_text, export.site_text}
            named |= {export.rejects or self.site_text}
            named |= {file for reading in export.readings for file in (reading.file, reading.solo)}
        return named | {stretch.file for stretch in self.stretches}

    def to_json(self) -> dict[str, Any]:
        """As plain values for a JSON document."""
        return asdict(self)


def from_json(value: dict[str, Any]) -> Manifest:
    """A manifest from the plain values of `to_json`."""
    exports = [_export(one) for one in value["exports"]]
    stretches = [Stretch(**{**one, "made_of": tuple(one["made_of"])}) for one in value["stretches"]]
    return Manifest(**{**value, "exports": tuple(exports), "stretches": tuple(stretches)})


def _export(value: dict[str, Any]) -> Export:
    readings = tuple(Reading(**reading) for reading in value["readings"])
    removed = tuple((first, last) for first, last in value["removed"])
    return Export(**{**value, "readings": readings, "removed": removed})

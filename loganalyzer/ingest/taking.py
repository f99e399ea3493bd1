"""One export: hashed, its profile and chute chosen, read, its original kept; not yet landed."""

import hashlib
import io
import uuid
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import BinaryIO, Protocol, cast

import pyarrow as pa

from loganalyzer.errors import InputError
from loganalyzer.ingest import reports
from loganalyzer.ingest.account import Account
from loganalyzer.ingest.choice import Choice, Profiles, choose, head
from loganalyzer.ingest.cutting import blanked, can_be_blanked, joined, old_lines
from loganalyzer.ingest.reading import How, Read, first_year, read
from loganalyzer.profile import parse_profile
from loganalyzer.site import Site, parse_site
from loganalyzer.store.change import Change
from loganalyzer.store.evidence import original
from loganalyzer.store.manifest import Export as Entry
from loganalyzer.store.manifest import Ranges

CHUNK = 1 << 20
Opener = Callable[[], BinaryIO]


class Progress(Protocol):
    """Told how far an import is."""

    def start(self, name: str, total_bytes: int | None) -> None:
        """An export of this many bytes, unpacked, begins."""

    def advance(self, read_bytes: int, rows: int) -> None:
        """So many more bytes were read, and events found."""

    def finish(self) -> None:
        """The export is read."""


@dataclass(frozen=True)
class Asked:
    """What the person named; null: to be chosen."""

    chute: str | None
    profile: str | None


@dataclass(frozen=True)
class Given:
    """An export to take.

    `open` gives its unpacked bytes from the start; `received` (with a zone) is when it was
    given; `held` is its entry, where the store holds the original already; what is older than
    `kept_from` (µs UTC) is not taken; `problems` fills while it is read.
    """

    name: str
    open: Opener
    source: str
    size: int
    asked: Asked
    received: datetime
    held: Entry | None = None
    kept_from: int | None = None
    problems: Sequence[InputError] = ()


@dataclass(frozen=True)
class Taken:
    """An export that was read: its entry, with files still in the incoming folder."""

    entry: Entry
    profile_text: str
    messages: tuple[str, ...]
    damaged: bool


def digest(name: str, open_: Opener) -> tuple[str, int]:
    """SHA-256 and size of an export's bytes.

    Raises:
        InputError: They cannot be read or unpacked.
    """
    total, size = hashlib.sha256(), 0
    with Counted(open_, name) as stream:
        while chunk := stream.read(CHUNK):
            total.update(chunk)
            size += len(chunk)
    return total.hexdigest(), size


def take(
    given: Given, site: Site, profiles: Profiles, folder: Path, progress: Progress | None
) -> Taken:
    """Read an export into a folder of its own.

    Raises:
        AnalyzerError: It cannot be read, or nobody can tell how.
        OSError: The folder cannot be written.
    """
    if not given.size:
        raise InputError(given.name, "an empty file", "lines of a log", "Export it again")
    with Counted(given.open, given.name) as stream:
        sample = head(cast("BinaryIO", stream))
    asked = (given.asked.chute, given.asked.profile)
    choice = choose(sample, given.name, site, profiles, asked, given.received)
    removed = given.held.removed if given.held else ()
    how = How(choice.profile, site, choice.chute, given.received, removed)
    with ThreadPoolExecutor(1) as pool:
        keeping = None if given.held else pool.submit(keep, given.open, given.name, folder)
        found = _read(given.name, given.open, given.source, given.size, how, folder, progress)
        if keeping is not None:
            keeping.result()
    _right_site(given.name, site, found.account)
    damage = tuple(str(problem) for problem in given.problems)
    messages = (*damage, *choice.messages, *reports.messages(given.name, found.account))
    entry = _entry(given, choice, found, folder)
    if given.kept_from is not None:
        entry, told = _within_keeping(entry, given, how, folder)
        messages += told
    return Taken(entry, choice.profile.text, messages, bool(damage))


def reread(entry: Entry, store: Path, folder: Path) -> Entry:
    """Read a kept original again as it was read when it was taken in, into a folder.

    Args:
        entry: The export.
        store: Where its original and its settings are.
        folder: Where its tables are written.

    Returns:
        The entry with what was found, its tables in the folder.

    Raises:
        AnalyzerError: It cannot be read.
        FileNotFoundError: The original or a settings file is gone.
    """
    how = _as_before(entry, store)
    opener = partial(original, store / entry.original)
    found = _read(entry.name, opener, entry.source, entry.size, how, folder, None)
    return _with(entry, found)


def cut(entry: Entry, opener: Opener, how: How, removed: Ranges, folder: Path) -> Entry:
    """An export without some of its lines, read anew; its files in the folder.

    Its original gets these lines blank, where that can be done.

    Args:
        entry: The export.
        opener: Gives the bytes of its original.
        how: As it is read.
        removed: The lines to go, besides those that went before.
        folder: Where to write.
    """
    removed = joined([*entry.removed, *removed])
    with Counted(opener, entry.name) as stream:
        blankable = can_be_blanked(how.profile, stream.read(CHUNK))
    if blankable:
        place = folder / "cut.zst"
        with (
            Counted(opener, entry.name) as stream,
            pa.output_stream(str(place), compression="zstd") as out,
        ):
            for piece in blanked(cast("BinaryIO", stream), removed):
                out.write(piece)
        opener = partial(original, place)
        kept, size = digest(entry.name, opener)
        entry = replace(entry, original=str(place), kept=kept, size=size)
    how = replace(how, removed=removed)
    found = _read(entry.name, opener, entry.source, entry.size, how, folder, None)
    return replace(_with(entry, found), removed=removed)


def cut_kept(entry: Entry, store: Path, removed: Ranges, folder: Path) -> Entry:
    """An export of the store without some of its lines: see `cut`."""
    opener = partial(original, store / entry.original)
    return cut(entry, opener, _as_before(entry, store), removed, folder)


def _as_before(entry: Entry, store: Path) -> How:
    """How an export was read when it was taken in."""
    site = parse_site((store / entry.site_text).read_text(encoding="utf-8"), entry.site_text)
    text = (store / entry.profile_text).read_text(encoding="utf-8")
    profile = parse_profile(text, entry.profile_file)
    received = datetime.fromtimestamp(entry.imported_at / 1e6, UTC)
    return How(profile, site, entry.chute, received, entry.removed)


def _with(entry: Entry, found: Read) -> Entry:
    """The entry with what was found in it now."""
    account = found.account
    return replace(
        entry, lines=account.lines, ignored=account.ignored, rejected=account.rejected,
        rejects=None if found.rejects is None else str(found.rejects),
        status=reports.status(account), readings=found.chutes,
    )  # fmt: skip


def _within_keeping(
    entry: Entry, given: Given, how: How, folder: Path
) -> tuple[Entry, tuple[str, ...]]:
    """The entry without what is older than is kept, and what to tell of that.

    Raises:
        TooOld: Nothing would be left of it.
    """
    assert given.kept_from is not None
    removed, whole = old_lines(entry.readings, entry.rejects, folder, entry.lines, given.kept_from)
    if whole:
        raise TooOld(given.name, reports.day(given.kept_from))
    if not removed:
        return entry, ()
    aside = folder / "cut"
    aside.mkdir()
    held = sum(reading.lines for reading in entry.readings)
    entry = cut(entry, given.open, how, removed, aside)
    left_out = held - sum(reading.lines for reading in entry.readings)
    told = (
        f"{given.name}: {reports.count(left_out, 'line')} older than "
        f"{reports.day(given.kept_from)} left out: before that only monthly sums are kept."
    )
    return entry, (told,)


class TooOld(InputError):
    """All of an export is older than what is kept."""

    exit_status = 0

    def __init__(self, name: str, day: str) -> None:
        super().__init__(
            name, f"nothing later than {day}", "events of the time that is kept in detail",
            "Retention keeps only monthly sums of what is older, so it was not taken in; if its "
            "detail is needed, import it into another store",
        )  # fmt: skip


def landed(taken: Taken, change: Change, site: str, site_text: str) -> Entry:
    """Move the files of an export into the store; its entry with their places.

    Args:
        taken: The export.
        change: Where to.
        site: Its site's id.
        site_text: The file of the text of its site file.
    """
    entry, token = taken.entry, uuid.uuid4().hex[:8]
    source, short = entry.source, f"{entry.source[:16]}-{token}"
    readings = []
    for reading in entry.readings:
        place = f"events/{site}/{reading.chute}/{short}"
        file = solo = change.land(Path(reading.file), f"{place}.parquet")
        if reading.solo != reading.file:
            solo = change.land(Path(reading.solo), f"{place}-solo.parquet")
        readings.append(replace(reading, file=file, solo=solo))
    rejects = entry.rejects and change.land(Path(entry.rejects), f"rejects/{short}.parquet")
    kept = f"originals/{source[:2]}/{entry.kept}.zst"
    if Path(entry.original).is_absolute():  # else it is where it was
        change.land(Path(entry.original), kept)
    text = change.keep_text(taken.profile_text, "profile")
    return replace(
        entry, readings=tuple(readings), original=kept, rejects=rejects, profile_text=text,
        site_text=site_text,
    )  # fmt: skip


def keep(opener: Opener, name: str, folder: Path) -> Path:
    """Compress an export's bytes into the folder; the file's place."""
    place = folder / "original.zst"
    with (
        Counted(opener, name) as stream,
        pa.output_stream(str(place), compression="zstd") as out,
    ):
        while chunk := stream.read(CHUNK):
            out.write(chunk)
    return place


def _read(
    name: str, opener: Opener, source: str, size: int, how: How, folder: Path,
    progress: Progress | None,
) -> Read:  # fmt: skip
    if progress is not None:
        progress.start(name, size)
    try:
        with Counted(opener, name) as stream:
            year = first_year(cast("BinaryIO", stream), name, how)
        with Counted(opener, name) as stream:
            told = None if progress is None else _teller(progress, stream)
            return read(cast("BinaryIO", stream), name, source, how, year, folder, told)
    finally:
        if progress is not None:
            progress.finish()


def _teller(progress: Progress, stream: "Counted") -> Callable[[int], None]:
    return lambda rows: progress.advance(stream.counted(), rows)


def _right_site(name: str, site: Site, account: Account) -> None:
    """Refuse an export whose doors are all unknown to a site file that lists doors."""
    unknown = sum(account.unknown_floors.values())
    if account.floored and unknown >= account.floored:
        floors = ", ".join(sorted(account.unknown_floors)[:5])
        listed = ", ".join(floor.label for chute in site.chutes for floor in chute.floors[:5])
        raise InputError(
            name, f"floors {floors}, none of them in the site file", f"floors like {listed}",
            f"Is {site.file or site.id} the right site file? Else list the floors there, or map "
            "them in the profile's [floors]",
        )  # fmt: skip


def _entry(given: Given, choice: Choice, found: Read, folder: Path) -> Entry:
    account, held = found.account, given.held
    return Entry(
        source=given.source, name=given.name,
        original=held.original if held else str((folder / "original.zst").absolute()),
        profile=choice.profile.name, profile_text="", profile_file=choice.profile.file,
        site_text="", chute=choice.chute,
        asked_chute=given.asked.chute, asked_profile=given.asked.profile,
        lines=account.lines, ignored=account.ignored, rejected=account.rejected,
        rejects=None if found.rejects is None else str(found.rejects),
        imported_at=int(given.received.timestamp() * 1e6), status=reports.status(account),
        size=given.size, kept=held.kept if held else given.source,
        removed=held.removed if held else (), readings=found.chutes,
    )  # fmt: skip


class Counted(io.RawIOBase):
    """An input that counts what is read of it; what the system refuses is an InputError."""

    def __init__(self, open_: Opener, name: str) -> None:
        super().__init__()
        self._name, self._count = name, 0
        with self._told():
            self._stream = open_()

    def read(self, size: int = -1) -> bytes:
        """The next bytes."""
        with self._told():
            data = self._stream.read(size)
        self._count += len(data)
        return data

    def counted(self) -> int:
        """Bytes read since the last call."""
        count, self._count = self._count, 0
        return count

    def readable(self) -> bool:
        """It is there to be read."""
        return True

    def close(self) -> None:
        """Close the stream below too."""
        if hasattr(self, "_stream"):
            self._stream.close()
        super().close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise InputError(
                self._name, error.strerror or str(error), "a file that can be read",
                "Check the file and import it again",
            ) from error  # fmt: skip

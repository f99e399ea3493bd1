"""One export: hashed, its profile and chute chosen, read, its original kept; not yet landed."""

import hashlib
import io
import uuid
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Protocol, cast

import pyarrow as pa

from loganalyzer.errors import InputError
from loganalyzer.ingest import reports
from loganalyzer.ingest.account import Account
from loganalyzer.ingest.choice import Choice, Profiles, choose, head
from loganalyzer.ingest.reading import How, Read, first_year, read
from loganalyzer.site import Site
from loganalyzer.store.change import Change
from loganalyzer.store.manifest import Export as Entry

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
    given; `kept`: the store holds the original already; `problems` fills while it is read.
    """

    name: str
    open: Opener
    source: str
    size: int
    asked: Asked
    received: datetime
    kept: bool = False
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
    how = How(choice.profile, site, choice.chute, given.received)
    with ThreadPoolExecutor(1) as pool:
        keeping = None if given.kept else pool.submit(_keep, given, folder)
        found = _read(given, how, folder, progress)
        if keeping is not None:
            keeping.result()
    _right_site(given.name, site, found.account)
    damage = tuple(str(problem) for problem in given.problems)
    messages = (*damage, *choice.messages, *reports.messages(given.name, found.account))
    entry = _entry(given, choice, found, folder)
    return Taken(entry, choice.profile.text, messages, bool(damage))


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
    kept = f"originals/{source[:2]}/{source}.zst"
    if Path(entry.original).exists():
        change.land(Path(entry.original), kept)
    text = change.keep_text(taken.profile_text, "profile")
    return replace(
        entry, readings=tuple(readings), original=kept, rejects=rejects, profile_text=text,
        site_text=site_text,
    )  # fmt: skip


def _keep(given: Given, folder: Path) -> None:
    """Compress an export's bytes into the folder."""
    with (
        Counted(given.open, given.name) as stream,
        pa.output_stream(str(folder / "original.zst"), compression="zstd") as out,
    ):
        while chunk := stream.read(CHUNK):
            out.write(chunk)


def _read(given: Given, how: How, folder: Path, progress: Progress | None) -> Read:
    if progress is not None:
        progress.start(given.name, given.size)
    try:
        with Counted(given.open, given.name) as stream:
            year = first_year(cast("BinaryIO", stream), given.name, how)
        with Counted(given.open, given.name) as stream:
            told = None if progress is None else _teller(progress, stream)
            return read(cast("BinaryIO", stream), given.name, given.source, how, year, folder, told)
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
    account = found.account
    return Entry(
        source=given.source, name=given.name, original=str(folder / "original.zst"),
        profile=choice.profile.name, profile_text="", profile_file=choice.profile.file,
        site_text="", chute=choice.chute,
        asked_chute=given.asked.chute, asked_profile=given.asked.profile,
        lines=account.lines, ignored=account.ignored, rejected=account.rejected,
        rejects=None if found.rejects is None else str(found.rejects),
        imported_at=int(given.received.timestamp() * 1e6), status=reports.status(account),
        size=given.size, kept=given.source, removed=(), readings=found.chutes,
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

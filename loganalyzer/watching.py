"""A folder in which exports arrive: each is imported once it stands still, until somebody stops it.

Nothing in the folder is moved, changed or deleted. What was taken is known by its content in the
store, so a restart loses nothing and doubles nothing. A file that is written with long pauses may
be taken in the middle; the rest follows, since overlapping exports are counted once.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from loganalyzer.errors import AnalyzerError
from loganalyzer.ingest.reports import FAILED, KNOWN, ExportReport, ImportReport

# Endings and beginnings of files that another program is still writing. Common practice, no source.
UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".swp")
HIDDEN = (".", "~$")


@dataclass(frozen=True)
class Seen:
    """How a file looked, and since when it has looked so.

    Attributes:
        size: Bytes.
        changed: When its content was last changed, as the file system says, in ns.
        since: Seconds on the watcher's own clock when it was first seen like this.
        taken: It was given to the import like this.
    """

    size: int
    changed: int
    since: float
    taken: bool = False


def look(folder: Path, before: Mapping[Path, Seen], at: float) -> dict[Path, Seen]:
    """Every file below a folder as it is now; one that has not changed keeps its `since`.

    Args:
        folder: Where exports arrive.
        before: What the last look gave; `{}` for the first.
        at: Seconds on the watcher's clock.

    Raises:
        OSError: The folder cannot be read.
    """
    found = {}
    for path in _files(folder):
        try:
            now = path.stat()
        except FileNotFoundError:  # gone since it was listed: not an arrival
            continue
        old = before.get(path)
        same = old is not None and (old.size, old.changed) == (now.st_size, now.st_mtime_ns)
        found[path] = old if old and same else Seen(now.st_size, now.st_mtime_ns, at)
    return found


def ready(seen: Mapping[Path, Seen], at: float, still_s: float) -> list[Path]:
    """The files that have stood still for so many seconds and were not taken yet, sorted."""
    return sorted(path for path, one in seen.items() if not one.taken and at - one.since >= still_s)


@dataclass(frozen=True)
class Watcher:
    """What a watch needs.

    Attributes:
        folder: Where exports arrive.
        take: Imports files; what it raises is told, and the files are tried again.
        after: Called after each look, with whether something new has landed (or may have, before
            the first).
        tell: Called with one line for everything worth knowing.
        clock: Seconds that only grow.
        wait: Waits so many seconds; true once somebody wants it to stop.
        every_s: Seconds between two looks.
        still_s: Seconds that a file must stand still.
    """

    folder: Path
    take: Callable[[list[Path]], ImportReport]
    after: Callable[[bool], None]
    tell: Callable[[str], None]
    clock: Callable[[], float]
    wait: Callable[[float], bool]
    every_s: float
    still_s: float

    def run(self) -> None:
        """Look, take, wait, until `wait` says to stop."""
        seen: dict[Path, Seen] = {}
        trouble, landed = "", True  # what landed just before an earlier end may not be told yet
        while True:
            now, more = self._round(seen)
            landed |= more
            try:
                self.after(landed)
                landed = False
            except (AnalyzerError, OSError) as error:
                now = now or str(error)
            if now and now != trouble:
                self.tell(now)
            elif trouble and not now:
                self.tell(f"{self.folder}: going on.")
            trouble = now
            if self.wait(self.every_s):
                return

    def _round(self, seen: dict[Path, Seen]) -> tuple[str, bool]:
        """One look: the line that says what is in the way, or ""; whether something landed."""
        at = self.clock()
        try:
            found = look(self.folder, seen, at)
        except OSError as error:
            return (
                f"{self.folder}: cannot be read ({error.strerror or error}). "
                "Waiting for it to come back."
            ), False
        seen.clear()
        seen.update(found)
        files = ready(seen, at, self.still_s)
        if not files:
            return "", False
        try:
            report = self.take(files)
        except (AnalyzerError, OSError) as error:
            return f"{error} Trying again every {self.every_s:g} s.", False
        for path in files:
            seen[path] = Seen(seen[path].size, seen[path].changed, seen[path].since, taken=True)
        return "", self._told(report)

    def _told(self, report: ImportReport) -> bool:
        """Tell what became of each file; whether any of them is new."""
        for message in report.messages:
            self.tell(message)
        news = [export for export in report.exports if export.status != KNOWN]
        for export in news:
            for line in outcome(export):
                self.tell(line)
        return any(export.status != FAILED for export in news)


def outcome(export: ExportReport) -> Iterator[str]:
    """The lines that tell what became of one export."""
    if export.status != FAILED:
        yield (
            f"{export.name}: {export.status}, {export.events:,} events, "
            f"{export.duplicates:,} known before, {export.rejected:,} rejected"
        )
    yield from export.messages


def _files(folder: Path) -> Iterator[Path]:
    """Files below a folder that could be exports.

    `iterdir` raises where the folder is not there, which `rglob` would pass over in silence.
    """
    for path in sorted(folder.iterdir()):
        if path.name.startswith(HIDDEN) or path.name.lower().endswith((*UNFINISHED, ".toml")):
            continue
        if path.is_dir():
            yield from _files(path)
        elif path.is_file():
            yield path

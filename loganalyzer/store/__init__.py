"""The store: a folder of Parquet files that never change, and one small file that names them.

    loganalyzer-store.json    format, generation, and for each site its manifest
    manifests/                one JSON document a site and generation: exports and stretches
    originals/ab/abc….zst     the exports' bytes, compressed, by their SHA-256
    events/SITE/CHUTE/        Parquet: readings of exports, stretches of timelines
    rejects/, texts/          Parquet of rejected lines; site and profile files as used
    incoming/                 where importers write before their files are moved into place

A change writes new files, then replaces the one small file: a stop before that leaves the store
as it was, a stop after it leaves it as it is to be. Writers take turns by a lock; readers need
none: they read what the small file names, and if that is swept away meanwhile, read it anew.
"""

import hashlib
import json
import shutil
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self, TypeVar

import pandas as pd
from filelock import FileLock, Timeout

from loganalyzer.errors import StoreError, UsageError
from loganalyzer.site import Site, parse_site
from loganalyzer.store import contents, evidence
from loganalyzer.store.disk import flush, land, land_json, told_as_store_error
from loganalyzer.store.manifest import FORMAT, Export, Manifest, from_json

ROOT = "loganalyzer-store.json"
SWEPT = ("manifests", "originals", "events", "rejects", "texts")
Result = TypeVar("Result")


@dataclass(frozen=True)
class State:
    """What the root file names: the store at one moment."""

    generation: int
    manifests: Mapping[str, Manifest]
    files: Mapping[str, str]
    before: tuple[str, ...] = ()

    def export(self, source: str) -> tuple[str, Export] | None:
        """The site and the export of a source, if it is known."""
        for site, manifest in self.manifests.items():
            for export in manifest.exports:
                if export.source == source:
                    return site, export
        return None

    def of(self, site: str | None) -> list[Manifest]:
        """The manifest of one site, or of all.

        Raises:
            UsageError: There is no such site.
        """
        if site is None:
            return list(self.manifests.values())
        if site in self.manifests:
            return [self.manifests[site]]
        known = ", ".join(sorted(self.manifests)) or "none: nothing was imported yet"
        raise UsageError("site", repr(site), known, "Give the id of a site in this store")

    def named(self, source: str) -> tuple[str, Export]:
        """The site and the export that a person means.

        Args:
            source: SHA-256, the unique beginning of one, or an export's name.

        Raises:
            UsageError: There is none, or several.
        """
        known = [(site, one) for site, m in self.manifests.items() for one in m.exports]
        found = [(site, one) for site, one in known if source in (one.source, one.name)]
        found = found or [pair for pair in known if source and pair[1].source.startswith(source)]
        found = found or [pair for pair in known if Path(pair[1].name).name == source]
        if len(found) == 1:
            return found[0]
        names = ", ".join(f"{one.source[:12]} {one.name}" for _, one in (found or known)[:5])
        raise UsageError(
            f"source {source!r}", f"{len(found) or 'no'} exports of that name",
            f"one of {names}" if names else "an export that was imported",
            "Give the SHA-256 of the export as the table imports shows it",
        )  # fmt: skip


class Store:
    """A store that exists; opening it takes no lock and changes nothing."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @classmethod
    def open(cls, path: Path | str, *, create: bool = False) -> Self:
        """Open a store, or make an empty one.

        Args:
            path: The folder.
            create: Make it where there is nothing, or an empty folder.

        Raises:
            StoreError: It is something else, from a newer version, or cannot be made.
        """
        path = Path(path)
        if not (path / ROOT).is_file():
            _make(path, create)
        store = cls(path)
        store.root()
        return store

    @property
    def generation(self) -> int:
        """Grows with every change of the store."""
        return int(self.root()["generation"])

    def root(self) -> dict[str, Any]:
        """The root file's values.

        Raises:
            StoreError: It is damaged or from a newer version.
        """
        where = self.path / ROOT
        try:
            root: dict[str, Any] = json.loads(where.read_text(encoding="utf-8"))
            newer = int(root["format"]) > FORMAT
        except OSError as error:
            raise StoreError(
                str(self.path), error.strerror or "nothing", "a store that can be read",
                "Give the folder that import made",
            ) from error  # fmt: skip
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(
                str(where), "something else than a store's root file", "JSON with its format",
                "Restore the file from a copy, or import the originals/ into a new store",
            ) from error  # fmt: skip
        if newer:
            raise StoreError(
                str(self.path), f"a store of format {root['format']}", f"format {FORMAT} or older",
                "It was written by a newer version: update this program",
            )  # fmt: skip
        return root

    def state(self) -> State:
        """The store at this moment."""
        return self.reading(lambda state: state)

    def reading(self, read: Callable[[State], Result]) -> Result:
        """Read files of the store while others may write it.

        Args:
            read: Called with the state; again with a newer one if a file it names is gone.
        """
        for attempt in range(20):
            root = self.root()
            try:
                return read(self._state(root))
            except FileNotFoundError as error:
                if attempt == 19 or self.root() == root:
                    raise StoreError(
                        str(self.path), f"no file {error.filename or error}", "every file it names",
                        "Restore the folder from a copy, or import the originals/ into a new store",
                    ) from error  # fmt: skip
        raise AssertionError("unreachable")

    def sites(self) -> tuple[str, ...]:
        """The ids of the sites, sorted."""
        return tuple(sorted(self.root()["sites"]))

    def site(self, site: str) -> Site:
        """A site, as its file stood at the last import.

        Raises:
            UsageError: There is none of that id.
        """

        def read(state: State) -> Site:
            (manifest,) = state.of(site)
            text = (self.path / manifest.site_text).read_text(encoding="utf-8")
            return parse_site(text, manifest.site_file)

        return self.reading(read)

    def chutes(self, site: str) -> tuple[str, ...]:
        """The ids of a site's chutes, in the order of its file."""
        return tuple(chute.id for chute in self.site(site).chutes)

    def timeline(
        self,
        site: str | None = None,
        chute: str | None = None,
        start: pd.Timestamp | None = None,
        end: pd.Timestamp | None = None,
    ) -> pd.DataFrame:
        """The table `timeline`, text as categories, sorted by site, chute, seq.

        Args:
            site: Only this site; null for all.
            chute: Only the chutes of this id; null for all.
            start: From this time on; UTC where it names no zone.
            end: Before this time.

        Raises:
            UsageError: There is no such site.
        """
        return self.reading(
            lambda state: contents.timeline(self.path, state.of(site), chute, start, end)
        )

    def imports(self, site: str | None = None) -> pd.DataFrame:
        """The table `imports`."""
        return self.reading(lambda state: contents.imports(state.of(site)))

    def rejects(self, site: str | None = None) -> pd.DataFrame:
        """The table `rejects`."""
        return self.reading(lambda state: contents.rejects(self.path, state.of(site)))

    def lines(self, source: str, numbers: Iterable[int]) -> dict[int, str]:
        """The lines of an export as written, for evidence.

        Args:
            source: As `State.named` takes it.
            numbers: Physical lines from 1; rows of a sheet. Those past the end are left out.
        """
        return self.reading(
            lambda state: evidence.lines(self.path, state.named(source)[1], numbers)
        )

    @contextmanager
    def incoming(self) -> Iterator[Path]:
        """A folder to write files in that are to land later; taken away at the end."""
        with told_as_store_error(self.path):
            folder, lock = _own_folder(self.path / "incoming")
        try:
            yield folder
        finally:
            lock.release()
            shutil.rmtree(folder, ignore_errors=True)

    @contextmanager
    def writing(self, tell: Callable[[str], None] = lambda line: None) -> Iterator["Change"]:
        """Change the store: what is put into the change lands whole when the block ends.

        Args:
            tell: Called with one line if another importer has to be waited for.

        Raises:
            StoreError: The folder cannot be written; the store is as it was.
        """
        with told_as_store_error(self.path), _turn(self.path / "lock", tell):
            change = Change(self.path, self.state())
            yield change
            if change.manifests != dict(change.state.manifests):
                self._commit(change)

    def _commit(self, change: "Change") -> None:
        generation = change.state.generation + 1
        files = dict(change.state.files)
        for site, manifest in change.manifests.items():
            if manifest != change.state.manifests.get(site):
                files[site] = f"manifests/{site}-{generation}-{uuid.uuid4().hex[:8]}.json"
                land_json(manifest.to_json(), self.path / files[site])
        for folder in sorted(change.folders):
            flush(folder)
        before = tuple(sorted(set(change.state.files.values()) - set(files.values())))
        root = {"format": FORMAT, "generation": generation, "sites": files, "before": before}
        land_json(root, self.path / ROOT)
        with suppress(OSError, ValueError):  # what is left over is swept at the next change
            self._sweep(change, before, files)

    def _sweep(self, change: "Change", before: tuple[str, ...], files: dict[str, str]) -> None:
        """Take away what neither this generation nor the one before it needs."""
        needed = {*before, *files.values()}
        for manifest in [*change.manifests.values(), *change.state.manifests.values()]:
            needed |= manifest.files()
        for folder in SWEPT:
            for path in (self.path / folder).rglob("*"):
                if path.is_file() and path.relative_to(self.path).as_posix() not in needed:
                    path.unlink()
        for left in (self.path / "incoming").glob("*"):
            with suppress(Timeout):
                lock = FileLock(left / "lock", timeout=0)
                lock.acquire()
                lock.release()
                shutil.rmtree(left, ignore_errors=True)

    def _state(self, root: dict[str, Any]) -> State:
        manifests = {
            site: from_json(json.loads((self.path / file).read_text(encoding="utf-8")))
            for site, file in root["sites"].items()
        }
        return State(root["generation"], manifests, root["sites"], tuple(root["before"]))


@dataclass
class Change:
    """A change of the store that is being put together, by the one who holds the lock."""

    path: Path
    state: State
    manifests: dict[str, Manifest] = field(default_factory=dict)
    folders: set[Path] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.manifests = dict(self.state.manifests)

    def land(self, written: Path, place: str) -> str:
        """Move a finished file into the store; nothing names it until the change ends."""
        target = self.path / place
        if not target.exists():
            land(written, target)
        self.folders |= {one for one in target.parents if one.is_relative_to(self.path)}
        return place

    def keep_text(self, text: str, name: str) -> str:
        """Keep a settings file's text under its own hash."""
        digest = hashlib.sha256(text.encode()).hexdigest()[:24]
        aside = self.path / f"{digest}.new"
        aside.write_text(text, encoding="utf-8", newline="")
        return self.land(aside, f"texts/{name}-{digest}.toml")


@contextmanager
def _turn(lock_file: Path, tell: Callable[[str], None]) -> Iterator[None]:
    lock = FileLock(lock_file)
    try:
        lock.acquire(timeout=0.2)
    except Timeout:
        tell(f"{lock_file.parent}: another import is writing; waiting for it.")
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def _own_folder(parent: Path) -> tuple[Path, FileLock]:
    """A new folder and the lock that says it is in use, held."""
    while True:
        folder = parent / uuid.uuid4().hex
        folder.mkdir(parents=True)
        lock = FileLock(folder / "lock")
        with suppress(FileNotFoundError):
            lock.acquire()
            if (folder / "lock").exists():  # else a sweep took it before it was locked
                return folder, lock
            lock.release()


def _make(path: Path, create: bool) -> None:
    """Make an empty store, where nothing stands in the way."""
    ours = {f"{ROOT}.new", "lock"}  # a stop while it was made leaves no more than these
    if path.exists() and (not path.is_dir() or {one.name for one in path.iterdir()} - ours):
        raise StoreError(
            str(path), "a folder with other files" if path.is_dir() else "a file",
            "a store or an empty folder", "Give another folder",
        )  # fmt: skip
    if not create:
        raise StoreError(str(path), "no store", "a folder that import made", "Import exports first")
    with told_as_store_error(path):
        path.mkdir(parents=True, exist_ok=True)
        with _turn(path / "lock", lambda line: None):
            if not (path / ROOT).exists():  # another importer may have been first
                root = {"format": FORMAT, "generation": 0, "sites": {}, "before": []}
                land_json(root, path / ROOT)

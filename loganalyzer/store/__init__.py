"""The store: a folder of Parquet files that never change, and one small file that names them.

    loganalyzer-store.json    format, generation, and for each site its manifest
    manifests/                one JSON document a site and generation: exports and stretches
    originals/ab/abc….zst     the exports' bytes, compressed, by their SHA-256
    events/SITE/CHUTE/        Parquet: readings of exports, stretches of timelines
    rejects/, texts/          Parquet of rejected lines; site and profile files as used
    sums/                     Parquet of monthly sums, where retention removed what they count
    derived/SITE/             what was worked out from a site's log; may be taken away at any time
    derived/.shared/          the same of several sites; no site is called so
    unfinished                there while a change is made: who finds it without sweeps up
    incoming/                 where importers write before their files are moved into place

A change writes new files, then replaces the one small file: a stop before that leaves the store
as it was, a stop after it leaves it as it is to be. Writers take turns by a lock; readers need
none: they read what the small file names, and if that is swept away meanwhile, read it anew.
"""

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Self, TypeVar

import pandas as pd

from loganalyzer.errors import StoreError, UsageError
from loganalyzer.site import Site, parse_done, parse_site
from loganalyzer.store import contents, evidence
from loganalyzer.store.change import UNFINISHED, Change, begin, own_folder, take_away, turn
from loganalyzer.store.disk import (
    digest,
    document,
    flush,
    land,
    land_text,
    make_folders,
    told_as_store_error,
)
from loganalyzer.store.formats import FORMAT, upgraded
from loganalyzer.store.manifest import Manifest, from_json
from loganalyzer.store.sources import FILE as INDEX
from loganalyzer.store.state import Manifests, State

ROOT = "loganalyzer-store.json"
SHARED = ".shared"
SWEPT = ("manifests", "originals", "events", "rejects", "texts", "sums")
HELD = 64  # manifests held ready; one never changes under its name
Result = TypeVar("Result")


class Store:
    """A store that exists; opening it takes no lock and changes nothing."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._loaded = lru_cache(HELD)(self._load)

    def file(self, name: str) -> Path:
        """Where a file that the store names can be read: the one way to any of them."""
        return self.path / name

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
            if int(root["format"]) < 1:
                raise ValueError("no format")
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
                        "Run loganalyzer check --repair, or restore the folder from a copy",
                    ) from error  # fmt: skip
        raise AssertionError("unreachable")

    def sites(self) -> tuple[str, ...]:
        """The ids of the sites, sorted."""
        return tuple(sorted(self.root()["sites"]))

    def site(self, site: str) -> Site:
        """A site, as its file stood at the last import, with what was told in the dashboard.

        Raises:
            UsageError: There is none of that id.
        """

        def read(state: State) -> Site:
            (manifest,) = state.of(site)
            text = self.file(manifest.site_text).read_text(encoding="utf-8")
            done = parse_done(self._done(manifest), manifest.site_file)
            return parse_site(text, manifest.site_file).with_done(done)

        return self.reading(read)

    def done(self, site: str) -> str:
        """The TOML of work and campaigns told in the dashboard; empty where none were."""
        return self.reading(lambda state: self._done(state.of(site)[0]))

    def _done(self, manifest: Manifest) -> str:
        return self.file(manifest.done).read_text(encoding="utf-8") if manifest.done else ""

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
            lambda state: contents.timeline(self.file, state.of(site), chute, start, end)
        )

    def imports(self, site: str | None = None) -> pd.DataFrame:
        """The table `imports`."""
        return self.reading(lambda state: contents.imports(state.of(site)))

    def rejects(self, site: str | None = None) -> pd.DataFrame:
        """The table `rejects`."""
        return self.reading(lambda state: contents.rejects(self.file, state.of(site)))

    def sums(self, site: str | None = None) -> pd.DataFrame:
        """The monthly sums of what retention removed: `month_sums` without `removed`."""
        return self.reading(lambda state: contents.sums(self.file, state.of(site)))

    def kept_from(self, site: str | None = None) -> dict[str, pd.Timestamp]:
        """For each site of which retention removed the detail, from when on it is kept (UTC)."""
        manifests = self.state().of(site)
        return {
            one.site: pd.Timestamp(one.kept_from, unit="us", tz="UTC")
            for one in manifests
            if one.kept_from is not None
        }

    def lines(self, source: str, numbers: Iterable[int]) -> dict[int, str]:
        """The lines of an export as written, for evidence.

        Args:
            source: As `State.named` takes it.
            numbers: Physical lines from 1; rows of a sheet. Those past the end are left out.
        """
        return self.reading(
            lambda state: evidence.lines(self.file, state.named(source)[1], numbers)
        )

    @contextmanager
    def incoming(self) -> Iterator[Path]:
        """A folder to write files in that are to land later; taken away at the end."""
        with told_as_store_error(self.path):
            folder, lock = own_folder(self.path / "incoming")
        try:
            yield folder
        finally:
            lock.release()
            shutil.rmtree(folder, ignore_errors=True)

    @contextmanager
    def writing(self, tell: Callable[[str], None] = lambda line: None) -> Iterator[Change]:
        """Change the store: what is put into the change lands whole when the block ends.

        A store of an earlier format is first upgraded, as a change of its own.

        Args:
            tell: Called with one line if another importer has to be waited for, or the store
                was upgraded.

        Raises:
            StoreError: The folder cannot be written; the store is as it was.
        """
        with told_as_store_error(self.path), turn(self.path / "lock", tell):
            if (self.path / UNFINISHED).exists():
                with suppress(OSError, ValueError, StoreError):  # the next one tries again
                    self._sweep()
            if self.root()["format"] < FORMAT:
                self._upgrade(tell)
            change = Change(self.path, self.state())
            yield change
            if change.changed():
                self._commit(change)
            elif change.folders:
                for folder in sorted(change.folders):
                    flush(folder)
                (self.path / UNFINISHED).unlink()

    def _upgrade(self, tell: Callable[[str], None]) -> None:
        """Write the manifests of an earlier format anew, then switch; what was stays beside it."""
        root = self.root()
        land_text(document(root), self.path / way_back(root["format"]))
        change = Change(self.path, self.state())
        for manifest in change.state.manifests.values():
            files = [
                file
                for file in manifest.files() - manifest.checksums.keys()
                if not file.startswith("originals/")
            ]
            there = [file for file in files if (self.path / file).is_file()]
            change.checksums |= {file: digest(self.path / file) for file in there}
        self._commit(change, every=True)
        tell(
            f"{self.path}: upgraded from format {root['format']} to {FORMAT}. "
            "The way back: loganalyzer upgrade --back."
        )

    def go_back(self, *, anyway: bool = False) -> tuple[int, list[str]]:
        """Switch back to the store as it was before its last upgrade.

        Args:
            anyway: Though exports were taken in since, which are lost then.

        Returns:
            The format, and the names of the exports that are lost.

        Raises:
            UsageError: There is no way back, or exports were taken in since.
        """
        with told_as_store_error(self.path), turn(self.path / "lock", lambda line: None):
            kept = self.ways_back()
            if not kept:
                raise UsageError(
                    str(self.path), "no earlier format kept", "a store that was upgraded",
                    "There is nothing to go back to",
                )  # fmt: skip
            place = max(kept, key=lambda one: kept[one]["format"])
            was, now = self._state(kept[place]), self.state()
            sources = {one.source for m in was.manifests.values() for one in m.exports}
            exports = [one for m in now.manifests.values() for one in m.exports]
            lost = [one.name for one in exports if one.source not in sources]
            if lost and not anyway:
                raise UsageError(
                    str(self.path), f"{len(lost)} exports taken in since, {lost[0]} among them",
                    "none, or your leave to lose them", "Add --yes if you still have those files",
                )  # fmt: skip
            root = {**kept[place], "generation": now.generation + 1}
            begin(self.path)
            land_text(document(root), self.path / ROOT)
            flush(self.path)
            place.unlink()
        return int(root["format"]), lost

    def derived(self, site: str, name: str) -> Path | None:
        """A derived file of a site, if it is there; null where it has to be made (again).

        A file whose bytes are not as they were written counts as not there: whoever reads it
        checks that.
        """
        place = self.path / "derived" / site / _plain(name)
        return place if place.is_file() else None

    def land_derived(
        self, site: str, name: str, of: str, write: Callable[[Path], None]
    ) -> Path | None:
        """Put a derived file of a site into the store, whole, without a new generation or lock.

        Args:
            site: Its id.
            name: Begins with the key of what it is made from; the same name, the same content.
            of: The site's manifest that it is made from: `State.files[site]`.
            write: Writes it to the path it is called with.

        Returns:
            Where it is; null where the site changed meanwhile: then it is not kept, since it may
            tell what retention has just removed.

        Raises:
            StoreError: The folder cannot be written.
        """
        return self._land_derived(self.path / "derived" / site / _plain(name), {site: of}, write)

    def shared(self, name: str) -> Path | None:
        """A derived file of several sites, if it is there; as `derived`."""
        place = self.path / "derived" / SHARED / _plain(name)
        return place if place.is_file() else None

    def land_shared(
        self, name: str, of: Mapping[str, str], write: Callable[[Path], None]
    ) -> Path | None:
        """Put a derived file of several sites into the store; as `land_derived`.

        Args:
            name: As there.
            of: Site → its manifest, of all of whom it tells.
            write: As there.
        """
        return self._land_derived(self.path / "derived" / SHARED / _plain(name), of, write)

    def derived_before(self, site: str | None, ending: str) -> list[Path]:
        """Derived files whose names end so, the newest first, whatever they were made from.

        Args:
            site: Of this site; null: of several.
            ending: How the names end.
        """
        timed = []
        for path in (self.path / "derived" / (site or SHARED)).glob(f"*{ending}"):
            with suppress(FileNotFoundError):  # taken away meanwhile
                timed.append((path.stat().st_mtime_ns, path))
        return [path for _, path in sorted(timed, reverse=True)]

    def drop_shared(self, names: Iterable[str]) -> None:
        """Take away derived files of several sites that newer ones stand in for."""
        with told_as_store_error(self.path):
            for name in names:
                (self.path / "derived" / SHARED / _plain(name)).unlink(missing_ok=True)

    def _land_derived(
        self, place: Path, of: Mapping[str, str], write: Callable[[Path], None]
    ) -> Path | None:
        with told_as_store_error(self.path), self.incoming() as aside:
            written = aside / "derived"
            write(written)
            make_folders(self.path, place)
            land(written, place)
            sites = self.root()["sites"]  # asked after it landed: see `settle`
            if all(sites.get(site) == manifest for site, manifest in of.items()):
                return place
            place.unlink(missing_ok=True)
        return None

    def keep_derived(self, site: str, keys: Iterable[str]) -> None:
        """Take away the derived files of a site whose names begin with none of these keys."""
        keys = tuple(keys)
        with told_as_store_error(self.path):
            for path in (self.path / "derived" / site).glob("*"):
                if not path.name.startswith(keys):
                    path.unlink(missing_ok=True)

    def ways_back(self) -> dict[Path, dict[str, Any]]:
        """The root files of earlier formats that an upgrade left beside the present one."""
        found = sorted(self.path.glob(way_back("*")))
        return {one: json.loads(one.read_text(encoding="utf-8")) for one in found}

    def settle(self, sites: Iterable[str] = ()) -> None:
        """Take away now what only the generation before needs, and every way back.

        Readers in the midst of it read anew. For what must not stay on the disk.

        Args:
            sites: Those whose derived files go too, and with them all of several sites. Who
                lands one after this sees the change, and takes it away again.
        """
        for site in (named := list(sites)):
            self.keep_derived(site, ())
        if named:
            self.drop_shared(path.name for path in self.derived_before(None, ""))
        with told_as_store_error(self.path), turn(self.path / "lock", lambda line: None):
            for kept in self.ways_back():
                kept.unlink()
            begin(self.path)
            self._sweep(before=False)

    def _commit(self, change: Change, *, every: bool = False) -> None:
        generation = change.state.generation + 1
        files = dict(change.state.files)
        begin(self.path)
        for site, manifest in (change.manifests if every else change.changed()).items():
            text = document(replace(manifest, checksums=change.checked(manifest)).to_json())
            files[site] = f"manifests/{site}-{generation}-{named_by(text)}.json"
            make_folders(self.path, self.path / files[site])
            land_text(text, self.path / files[site])
            change.folders.add(self.path / "manifests")
        for folder in sorted({*change.folders, self.path}):
            flush(folder)
        before = tuple(sorted(set(change.state.files.values()) - set(files.values())))
        root = {"format": FORMAT, "generation": generation, "sites": files, "before": before}
        land_text(document(root), self.path / ROOT)
        self._confirm()
        with suppress(OSError, ValueError, StoreError):  # left over: swept by the next change
            self._tidy(change.state)
            self._end()

    def _confirm(self) -> None:
        """Wait until the new root file's name is on the disk."""
        try:
            flush(self.path)
        except OSError as error:
            raise StoreError(
                str(self.path), error.strerror or str(error), "a disk that confirms what it wrote",
                "The change is made, but may not outlast a power cut: see to the disk, then run "
                "loganalyzer check",
            ) from error  # fmt: skip

    def _tidy(self, earlier: State) -> None:
        """Take away what only the generation before the earlier one needed.

        Args:
            earlier: The generation before this one.
        """
        now = self.state()
        gone: set[str] = set(earlier.before)
        sites = set()
        for file in earlier.before:
            with suppress(FileNotFoundError, StoreError):  # settled, or of an earlier format
                manifest = self._loaded(file, format_=FORMAT)
                gone |= manifest.files()
                sites.add(manifest.site)
        for state in (earlier, now, *self._earlier_formats()):
            gone -= set(state.files.values())
            for site in sites & state.files.keys():
                gone -= state.manifests[site].files()
        shared = {file for file in gone if file.startswith("originals/")}
        for site in now.files.keys() - sites if shared else ():
            gone -= now.manifests[site].files()
        for file in gone:
            if not file.startswith("texts/profile-"):  # other sites may have it; it is small
                (self.path / file).unlink(missing_ok=True)

    def _sweep(self, *, before: bool = True) -> None:
        """Take away whatever nothing needs, also what a stopped writer left: walks through all.

        Args:
            before: Leave what the generation before this one needs.
        """
        now = self.state()
        needed = set(now.files.values())
        if before:
            for file in now.before:
                needed.add(file)
                with suppress(FileNotFoundError, StoreError):
                    needed |= self._loaded(file, format_=FORMAT).files()
        for state in (now, *self._earlier_formats()):
            needed |= set(state.files.values())
            for manifest in state.manifests.values():
                needed |= manifest.files()
        for folder in SWEPT:
            for path in (self.path / folder).rglob("*"):
                if path.is_file() and path.relative_to(self.path).as_posix() not in needed:
                    path.unlink()
        self._end()

    def _end(self) -> None:
        """Nothing is left that is not needed; what other writers left goes too."""
        for pattern in (f"{ROOT}.new", way_back("*") + ".new", "*.toml.new", f"{INDEX}.*.new"):
            for path in self.path.glob(pattern):  # of a writer that was stopped
                path.unlink(missing_ok=True)
        for left in (self.path / "incoming").glob("*"):
            take_away(left)
        (self.path / UNFINISHED).unlink(missing_ok=True)

    def _earlier_formats(self) -> list[State]:
        """What an upgrade left beside the present store, as the way back."""
        return [self._state(root) for root in self.ways_back().values()]

    def _state(self, root: dict[str, Any]) -> State:
        manifests = Manifests(root["sites"], partial(self._loaded, format_=root["format"]))
        before = tuple(root["before"])
        return State(self.path, root["generation"], manifests, root["sites"], before)

    def _load(self, name: str, format_: int) -> Manifest:
        return self.manifest(self.file(name), format_)

    def manifest(self, file: Path, format_: int) -> Manifest:
        """A manifest from its file, in the format of this program.

        Raises:
            FileNotFoundError: It is gone.
            StoreError: It is damaged.
        """
        try:
            return from_json(upgraded(json.loads(file.read_text(encoding="utf-8")), format_))
        except FileNotFoundError:
            raise
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise StoreError(
                str(file),
                "a damaged file",
                "it as it was written",
                "Run loganalyzer check --repair",
            ) from error


def way_back(format_: int | str) -> str:
    """The name of the root file of an earlier format that an upgrade leaves behind."""
    return f"loganalyzer-store.format-{format_}.json"


def _plain(name: str) -> str:
    """A name that leads nowhere else."""
    if Path(name).name != name or name in ("", ".", ".."):
        raise ValueError(f"{name!r} is no name of a file")
    return name


def named_by(text: str) -> str:
    """The part of a manifest's name that says what stands in it."""
    return hashlib.sha256(text.encode()).hexdigest()[:24]


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
        with turn(path / "lock", lambda line: None):
            if not (path / ROOT).exists():  # another importer may have been first
                root = {"format": FORMAT, "generation": 0, "sites": {}, "before": []}
                land_text(document(root), path / ROOT)
                flush(path)

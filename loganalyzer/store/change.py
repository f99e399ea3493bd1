"""A change of a store while it is put together, and the turns that writers take."""

import hashlib
import os
import shutil
import uuid
from collections import ChainMap
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

from filelock import FileLock, Timeout

from loganalyzer.store.disk import digest, flush, land, make_folders
from loganalyzer.store.manifest import Manifest
from loganalyzer.store.state import State

UNFINISHED = "unfinished"


@dataclass
class Change:
    """A change of the store that is being put together, by the one who holds the lock.

    What is put into `manifests` changes; the others are read when they are asked for. From the
    first file that lands until the change is made, or undone by a sweep, a file `unfinished`
    says that files may be there which nothing names.
    """

    path: Path
    state: State
    put: dict[str, Manifest] = field(default_factory=dict)
    folders: set[Path] = field(default_factory=set)
    checksums: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        there = cast("MutableMapping[str, Manifest]", self.state.manifests)  # only read
        self.manifests = ChainMap(self.put, there)

    def changed(self) -> dict[str, Manifest]:
        """The manifests that are others than before."""
        there = self.state.manifests
        return {site: one for site, one in self.put.items() if one != there.get(site)}

    def land(self, written: Path, place: str) -> str:
        """Move a finished file into the store; nothing names it until the change ends."""
        if not place.startswith("originals/"):
            self.checksums[place] = digest(written)
        target = self.path / place
        if not self.folders:
            begin(self.path)
        make_folders(self.path, target)
        land(written, target)
        self.folders |= {one for one in target.parents if one.is_relative_to(self.path)}
        return place

    def keep_text(self, text: str, name: str) -> str:
        """Keep a settings file's text under its own hash."""
        place = self.text_place(text, name)
        aside = self.path / f"{Path(place).name}.new"
        aside.write_text(text, encoding="utf-8", newline="")
        return self.land(aside, place)

    @staticmethod
    def text_place(text: str, name: str) -> str:
        """Where a settings file of this text is kept."""
        return f"texts/{name}-{hashlib.sha256(text.encode()).hexdigest()[:24]}.toml"

    def checked(self, manifest: Manifest) -> Mapping[str, str]:
        """The checksums of the files of a manifest, of those that are known."""
        known = {**manifest.checksums, **self.checksums}
        return {file: known[file] for file in sorted(manifest.files() & known.keys())}


def begin(store: Path) -> None:
    """Say that files may come to be in the store which nothing names."""
    (store / UNFINISHED).touch()
    flush(store)


@contextmanager
def turn(lock_file: Path, tell: Callable[[str], None]) -> Iterator[None]:
    """Hold the lock of a store; `tell` is called with one line if it has to be waited for."""
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


def own_folder(parent: Path) -> tuple[Path, FileLock]:
    """A new folder and the lock that says it is in use, held."""
    parent.mkdir(exist_ok=True)
    while True:
        folder = parent / uuid.uuid4().hex
        folder.mkdir()
        lock = FileLock(folder / "lock")
        with suppress(FileNotFoundError):
            lock.acquire()
            if (folder / "lock").exists():  # else a sweep took it before it was locked
                return folder, lock
            lock.release()


def take_away(folder: Path) -> None:
    """Take away a folder that nobody uses any more; one that is in use stays.

    The lock is held meanwhile: who is about to lock the folder waits, and then has it made anew.
    """
    lock = FileLock(folder / "lock", timeout=0)
    with suppress(Timeout, FileNotFoundError), lock:
        shutil.rmtree(folder, ignore_errors=True)
    if os.name == "nt":  # where a file that is held open cannot be taken away
        with suppress(OSError):
            (folder / "lock").unlink()
            folder.rmdir()

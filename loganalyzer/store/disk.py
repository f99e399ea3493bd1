"""Files that are there whole or not at all: written aside, flushed, then renamed."""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from loganalyzer.errors import StoreError

Find = Callable[[str], Path]  # the name of a file of the store → where it can be read


def land(written: Path, place: Path) -> None:
    """Flush a finished file and move it to its place in the same file system.

    Its folder must be there, and is still to be flushed before anything may rely on the name.
    """
    flush(written)
    _replace(written, place)


def make_folders(store: Path, place: Path) -> None:
    """Make the folders between a store and a place in it.

    The store itself is never made: if it is gone, as a disk that was taken away, that is an
    error, and not an empty folder of the same name.
    """
    for folder in reversed(place.relative_to(store).parents[:-1]):
        (store / folder).mkdir(exist_ok=True)


def flush(path: Path) -> None:
    """Wait until a file's bytes, or a folder's entries, are on the disk."""
    if path.is_dir() and os.name == "nt":
        return  # Windows cannot open a folder; its renames are journalled
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def digest(path: Path) -> str:
    """The SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def document(value: Any) -> str:
    """A value as the text of a JSON document."""
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def land_text(text: str, place: Path) -> None:
    """Write a small file in one step, in place of an older one; its name is still to be flushed."""
    aside = place.with_name(f"{place.name}.new")
    aside.write_text(text, encoding="utf-8", newline="")
    land(aside, place)


@contextmanager
def told_as_store_error(folder: Path) -> Iterator[None]:
    """Turn what the file system refuses into one clear line.

    Raises:
        StoreError: The disk is full, the folder read-only or gone; the store is as it was.
    """
    try:
        yield
    except OSError as error:
        raise StoreError(
            str(folder), error.strerror or str(error), "a folder that can be written",
            "Free some space or give a folder of your own; nothing in the store was changed",
        ) from error  # fmt: skip


def _replace(written: Path, place: Path) -> None:
    """Rename over what is there; Windows refuses for a moment while somebody reads that."""
    for pause in (0.01, 0.05, 0.2, 0.5) if os.name == "nt" else ():
        with suppress(PermissionError):
            written.replace(place)
            return
        time.sleep(pause)
    written.replace(place)

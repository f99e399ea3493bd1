"""Every call that a store makes to the file system, counted: the n-th can fail or be the last.

The calls are caught where Python hands them to the system (`os`, `io.open`); files that pyarrow
writes are given to it as Python files, so that each of its writes is caught too. Calls outside
one folder are let through uncounted.
"""

# pathlib goes through the very calls that are caught here, so it is not used:
# ruff: noqa: PTH100, PTH112, PTH113, PTH115, PTH117, PTH118, PTH120, PTH202

import builtins
import errno
import io
import os
import pathlib
import random
import shutil
import signal
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

ERRORS = {"ENOSPC": errno.ENOSPC, "EIO": errno.EIO, "EACCES": errno.EACCES}
REAL = {
    name: getattr(os, name)
    for name in (
        "open",
        "fsync",
        "replace",
        "rename",
        "mkdir",
        "unlink",
        "remove",
        "rmdir",
        "write",
    )
}
REAL_OPEN, REAL_OUTPUT = io.open, pa.output_stream
REAL_WRITER, REAL_READER = pq.ParquetWriter, pq.ParquetFile


@dataclass
class Calls:
    """Counts the calls under a folder and acts at one of them.

    Attributes:
        folder: Only calls about paths in it count.
        at: Which call, from 1; 0: none.
        act: Called then, before the call is made; what it raises, the call raises. A write has
            written half of its bytes by then.
        seen: The kind of each call so far: open, read, write, fsync, rename, mkdir, unlink.
        unsynced: Files with bytes that no fsync has confirmed.
        unnamed: Names that no fsync of their folder has confirmed, and what stood there before.
    """

    folder: str
    at: int
    act: Callable[[], None]
    seen: list[str] = field(default_factory=list)
    unsynced: set[str] = field(default_factory=set)
    unnamed: list[tuple[str, bytes | None]] = field(default_factory=list)
    lock: Any = field(default_factory=threading.RLock)

    def count(self, kind: str, half: Callable[[], None] = lambda: None) -> None:
        """A call is about to be made."""
        with self.lock:
            self.seen.append(kind)
            if len(self.seen) == self.at:
                half()
                self.act()

    def inside(self, path: Any, dir_fd: int | None = None) -> str | None:
        """The full path, if it lies in the folder."""
        if isinstance(path, int):
            try:
                full = os.readlink(f"/proc/self/fd/{path}")
            except OSError:
                return None
        elif dir_fd is not None and not os.path.isabs(path):
            full = os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), os.fspath(path))
        else:
            full = os.path.abspath(os.fspath(path))
        return full if full == self.folder or full.startswith(self.folder + os.sep) else None

    def install(self) -> None:
        """Catch the calls of this process from now on."""
        os.open, os.fsync, os.mkdir = self._os_open, self._fsync, self._mkdir
        os.replace = self._renaming("replace")
        os.rename = self._renaming("rename")
        for name in ("unlink", "remove", "rmdir"):
            setattr(os, name, self._taking_away(name))
        io.open = builtins.open = self._open
        pathlib.io.open = self._open  # type: ignore[attr-defined]
        calls = self

        class Writer(REAL_WRITER):  # type: ignore[misc, valid-type]
            def __init__(self, where: Any, *arguments: Any, **options: Any) -> None:
                self.ours = None
                if not hasattr(where, "write") and calls.inside(where):
                    self.ours = where = calls._open(where, "wb")
                super().__init__(where, *arguments, **options)

            def close(self) -> None:
                super().close()
                if self.ours is not None:
                    self.ours.close()

        def output_stream(where: Any, compression: str, **options: Any) -> Any:
            if not calls.inside(where):
                return REAL_OUTPUT(where, compression=compression, **options)
            return pa.CompressedOutputStream(pa.PythonFile(calls._open(where, "wb")), compression)

        class Reader(REAL_READER):  # type: ignore[misc, valid-type]
            def __init__(self, source: Any, *arguments: Any, **options: Any) -> None:
                if calls.inside(source):
                    calls.count("read")
                super().__init__(source, *arguments, **options)

        pq.ParquetWriter, pq.ParquetFile, pa.output_stream = Writer, Reader, output_stream

    def lose_what_was_not_confirmed(self, seed: int) -> None:
        """What a power cut may do: bytes and names that no fsync confirmed may be gone."""
        chance = random.Random(seed)
        for path in sorted(self.unsynced):
            if os.path.isfile(path):
                os.truncate(path, int(os.path.getsize(path) * chance.random()))
        for path, before in reversed(self.unnamed):
            if chance.random() < 0.5 or not os.path.lexists(path):
                continue
            if os.path.isdir(path):
                shutil.rmtree(path, ignore_errors=True)
            elif before is None:
                REAL["unlink"](path)
            else:
                with REAL_OPEN(path, "wb") as file:
                    file.write(before)

    def _os_open(self, path: Any, flags: int, *rest: Any, dir_fd: int | None = None) -> int:
        full = self.inside(path, dir_fd)
        if full:
            writes = flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            self.count("open" if writes else "read")
        return int(REAL["open"](path, flags, *rest, dir_fd=dir_fd))

    def _fsync(self, handle: int) -> None:
        full = self.inside(handle)
        if full:
            self.count("fsync")
        REAL["fsync"](handle)
        if full and stat.S_ISDIR(os.fstat(handle).st_mode):
            self.unnamed = [one for one in self.unnamed if os.path.dirname(one[0]) != full]
        elif full:
            self.unsynced.discard(full)

    def _mkdir(self, path: Any, *rest: Any, **options: Any) -> None:
        full = self.inside(path)
        if full:
            self.count("mkdir")
        REAL["mkdir"](path, *rest, **options)
        if full:
            self.unnamed.append((full, None))

    def _renaming(self, name: str) -> Callable[..., None]:
        def rename(source: Any, target: Any, **options: Any) -> None:
            old, new = self.inside(source), self.inside(target)
            if not (old and new):
                REAL[name](source, target, **options)
                return
            self.count("rename")
            before = None
            if os.path.isfile(new):
                with REAL_OPEN(new, "rb") as file:
                    before = file.read()
            REAL[name](source, target, **options)
            if old in self.unsynced:
                self.unsynced.discard(old)
                self.unsynced.add(new)
            self.unnamed = [one for one in self.unnamed if one[0] != old]
            self.unnamed.append((new, before))

        return rename

    def _taking_away(self, name: str) -> Callable[..., None]:
        def take_away(path: Any, *rest: Any, **options: Any) -> None:
            full = self.inside(path, options.get("dir_fd"))
            if full:
                self.count("unlink")
            REAL[name](path, *rest, **options)
            if full:
                self.unsynced.discard(full)
                self.unnamed = [one for one in self.unnamed if one[0] != full]

        return take_away

    def _open(self, path: Any, mode: str = "r", *rest: Any, **options: Any) -> Any:
        full = None if isinstance(path, int) else self.inside(path)
        if not full:
            return REAL_OPEN(path, mode, *rest, **options)
        writes = set(mode) & set("wax+")
        self.count("open" if writes else "read")
        fresh = writes and not os.path.lexists(full)
        file = REAL_OPEN(path, mode, *rest, **options)
        if not writes:
            return file
        self.unsynced.add(full)
        if fresh:
            self.unnamed.append((full, None))
        return _Counted(file, self, full)


class _Counted:
    """A file that is written: each write is counted, and reaches the system at once."""

    def __init__(self, file: Any, calls: Calls, path: str) -> None:
        self._file, self._calls, self._path = file, calls, path

    def write(self, data: Any) -> int:
        view = data if isinstance(data, str) else memoryview(data)

        def half() -> None:
            self._file.write(view[: len(view) // 2])
            self._file.flush()

        self._calls.count("write", half)
        self._calls.unsynced.add(self._path)
        self._file.write(view)
        self._file.flush()
        return len(view)

    def __enter__(self) -> "_Counted":
        return self

    def __exit__(self, *about: object) -> None:
        self.close()

    def close(self) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def failing(code: int) -> Callable[[], None]:
    """An action: the call fails with this error of the system."""

    def fail() -> None:
        raise OSError(code, os.strerror(code))

    return fail


def kill() -> None:
    """An action: the process is killed on the spot."""
    os.kill(os.getpid(), signal.SIGKILL)
    threading.Event().wait()  # until it is

"""What a person points at → exports: folders are walked, .gz, .zst and .zip unpacked.

What a file is, its first bytes tell, not its ending. Nothing is written anywhere and nothing is
held: an export is a way to open a stream, again and again. Whatever cannot be an export is handed
out as an error between the others, which go on.

- A packed stream that is cut off or damaged ends where it can no longer be unpacked; what could
  be read is read, and `Export.problems` says so afterwards.
- A stream that unpacks to more than `Limits` allow raises InputError while it is read.
- In an archive, a name that leads out of it, an encrypted member and an archive in the archive
  are refused, each by itself. A workbook is an export, though it is an archive too.
"""

import os
import re
import stat
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePosixPath

from loganalyzer.errors import InputError
from loganalyzer.readers.guard import (
    DAMAGE,
    Layers,
    Open,
    bomb,
    check_list,
    damaged,
    guarded,
    gzip_stream,
    member_stream,
    zstd_stream,
)

# Source: RFC 1952 section 2.3.1, RFC 8878 section 3.1.1, APPNOTE.TXT (zip) sections 4.3.7, 4.3.16.
GZIP, ZSTD, ZIP = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", (b"PK\x03\x04", b"PK\x05\x06")
WORKBOOK = "[Content_Types].xml"
HEAD_BYTES = 64


@dataclass(frozen=True)
class Limits:
    """How far a packed file may expand: common practice, no source.

    Attributes:
        ratio: Unpacked bytes for each packed byte, looked at once `free_bytes` are unpacked.
        free_bytes: So much any file may hold.
        total_bytes: The most that one packed file may hold.
        layers: How many packings may lie within one another.
        members: How many files an archive may hold; each is found by its list anew.
    """

    ratio: int = 200
    free_bytes: int = 10 << 20
    total_bytes: int = 20 << 30
    layers: int = 2
    members: int = 1000

    def allowed(self, packed_bytes: int) -> int:
        """Unpacked bytes that so many packed bytes may bring."""
        return min(self.total_bytes, max(self.free_bytes, self.ratio * packed_bytes))


@dataclass(frozen=True)
class Export:
    """One export.

    Attributes:
        name: The path as given, with the member behind a `!`: `logs/week1.zip!a.csv`.
        open: The unpacked bytes from their start, each time it is called; the caller closes.
        problems: Filled while a stream is read: at most one, that it is cut off or damaged.
    """

    name: str
    open: Open
    problems: list[InputError] = field(default_factory=list, compare=False)


def exports(path: Path, limits: Limits | None = None) -> Iterator[Export | InputError]:
    """Every export in a file or folder, in the order of their names.

    In folders and archives, hidden files and *.toml (settings) are passed over, and so is a
    folder that is a store.

    Args:
        path: A file, packed or not, or a folder.
        limits: How far packed files may expand; null: the defaults.
    """
    for file in files(path):
        if isinstance(file, InputError):
            yield file
        else:
            yield from _in_file(file, limits or Limits())


def files(path: Path) -> Iterator[Path | InputError]:
    """Every file that may be an export, or hold some: of a folder, all in it and below it."""
    found = False
    for file in _files(path):
        found = True
        yield file
    if not found:
        yield InputError(
            str(path), "no file in the folder", "exports", "Give a folder that holds exports"
        )


def _files(path: Path) -> Iterator[Path | InputError]:
    if not path.is_dir():
        yield path
        return
    errors: list[OSError] = []
    for folder, folders, names in os.walk(path, onerror=errors.append):
        if "loganalyzer-store.json" in names:
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        yield from (Path(folder, name) for name in sorted(names) if _is_wanted(name))
    yield from (_unreadable(str(error.filename), error) for error in errors)


def _is_wanted(name: str) -> bool:
    """Whether a path within a folder or archive can be an export: not hidden, no settings."""
    parts = _parts(name)
    hidden = any(part.startswith(".") and part != ".." for part in parts) or "__MACOSX" in parts
    return not hidden and not name.lower().endswith(".toml")


def _parts(name: str) -> tuple[str, ...]:
    return PurePosixPath(name.replace("\\", "/")).parts


def _unreadable(name: str, error: OSError) -> InputError:
    return InputError(
        name, f"a file that cannot be read ({error.strerror or error})", "a readable file",
        "See that it is there and that you may read it",
    )  # fmt: skip


def _in_file(path: Path, limits: Limits) -> Iterator[Export | InputError]:
    name = path.as_posix()
    try:
        size, mode = path.stat().st_size, path.stat().st_mode
        if not stat.S_ISREG(mode):
            raise OSError("not a regular file")
        head = _head(_opener(path))
    except OSError as error:
        yield _unreadable(name, error)
        return
    if head.startswith(ZIP):
        yield from _in_archive(path, name, limits.allowed(size), limits)
    else:
        yield from _in_stream(Export(name, _opener(path)), size, limits)


def _opener(path: Path) -> Open:
    return lambda: path.open("rb")


def _head(opener: Open) -> bytes:
    with opener() as stream:
        return stream.read(HEAD_BYTES)


def _in_stream(
    export: Export, packed_bytes: int, limits: Limits, layer: int = 0
) -> Iterator[Export | InputError]:
    """The export in a stream that may itself be packed."""
    name = export.name
    try:
        head = _head(export.open)
    except InputError as error:
        yield error
        return
    if not head:
        yield (export.problems or [_empty(name)])[0]
    elif not head.startswith((GZIP, ZSTD, *ZIP)) or _is_workbook(head, name):
        yield export
    elif head.startswith(ZIP) or layer >= limits.layers:
        yield InputError(
            name, "an archive within an archive", "exports",
            "Unpack the outer one and give what is in it",
        )  # fmt: skip
    else:
        kind = gzip_stream if head.startswith(GZIP) else zstd_stream
        opener = partial(kind, export.open)
        inner = _packed(name, opener, limits.allowed(packed_bytes))
        yield from _in_stream(inner, packed_bytes, limits, layer + 1)


def _packed(
    name: str, opener: Callable[[], Layers], allowed: int, crc: int | None = None
) -> Export:
    problems: list[InputError] = []
    return Export(name, guarded(name, opener, allowed, problems, crc), problems)


def _empty(name: str) -> InputError:
    return InputError(name, "an empty file", "an export", "Export it again or leave it out")


def _is_workbook(head: bytes, name: str) -> bool:
    first = head.startswith(ZIP[0]) and head[30:].startswith(WORKBOOK.encode())
    return first or (head.startswith(ZIP) and name.lower().endswith(".xlsx"))


def _in_archive(
    path: Path, name: str, allowed: int, limits: Limits
) -> Iterator[Export | InputError]:
    """Each member of a zip archive; a workbook as it is."""
    try:
        with path.open("rb") as file:
            check_list(file, name, limits.members)
        with zipfile.ZipFile(path) as archive:
            members = sorted(archive.infolist(), key=lambda member: member.filename)
    except InputError as error:
        yield error
        return
    except DAMAGE as error:
        yield damaged(name, error)
        return
    if any(member.filename == WORKBOOK for member in members):
        yield Export(name, _opener(path))
        return
    members = [m for m in members if not m.filename.endswith("/") and _is_wanted(m.filename)]
    if not members:
        yield InputError(name, "an archive without exports", "exports", "Give one that holds some")
    unpacked = 0
    for member in members:
        inner = f"{name}!{member.filename}"
        refusal = _refused(member, inner)
        # The declared size binds: no more than that is unpacked. Members may share their packed
        # bytes, so they are held to the limits together, too.
        fits = member.file_size <= limits.allowed(member.compress_size)
        if refusal is None and not (fits and unpacked + member.file_size <= allowed):
            refusal = bomb(inner, member.file_size)
        if refusal is not None:
            yield refusal
            continue
        unpacked += member.file_size
        export = _packed(inner, partial(member_stream, path, member), member.file_size, member.CRC)
        yield from _in_stream(export, member.compress_size, limits, 1)


def _refused(member: zipfile.ZipInfo, name: str) -> InputError | None:
    """Why a member is not looked at, or null."""
    parts = _parts(member.filename)
    if not parts:
        return InputError(
            name, "a member without a name", "a plain name", "Pack the files anew",
        )  # fmt: skip
    if {"..", "/", "//"} & set(parts) or re.match(r"[A-Za-z]:", member.filename):
        return InputError(
            name, "a name that leads out of the archive", "a plain name",
            "Ask where this archive comes from; pack its files anew if you trust it",
        )  # fmt: skip
    if member.flag_bits & 1:
        return InputError(
            name,
            "an encrypted member",
            "one without a password",
            "Unpack it and give what is in it",
        )
    return None

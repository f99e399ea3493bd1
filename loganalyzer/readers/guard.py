"""Streams of packed files: as far as they can be unpacked, and not further than they may be."""

import copy
import gzip
import io
import lzma
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, BinaryIO, cast

import pyarrow as pa

from loganalyzer.errors import InputError

# A damaged zstd stream loses the step in which the damage shows, so steps are small.
ZSTD_STEP = 4096
# ValueError: a name in an archive that is not in the coding it says.
DAMAGE = (
    OSError, EOFError, ValueError, zlib.error, lzma.LZMAError, zipfile.BadZipFile,
    NotImplementedError, RuntimeError,
)  # fmt: skip
LONGEST_ENTRY = 1024  # bytes that a member takes in the list, on the average
Open = Callable[[], BinaryIO]
# A stream of unpacked bytes and what is to be closed after it.
Layers = tuple[IO[bytes], BinaryIO | zipfile.ZipFile]


def guarded(
    name: str,
    opener: Callable[[], Layers],
    allowed: int,
    problems: list[InputError],
    crc: int | None = None,
) -> Open:
    """A way to open a packed stream that keeps to the limit, and ends where it is damaged.

    Args:
        name: The export's name, for messages.
        opener: Opens the stream as it is.
        allowed: Unpacked bytes; a stream that has more raises InputError while it is read.
        problems: Cleared by opening; takes the damage, if reading meets any.
        crc: The CRC-32 of the unpacked bytes, where it is to be checked here.
    """

    def opened() -> BinaryIO:
        problems.clear()
        guard = _Guard(name, opener, allowed, crc, problems)
        return cast("BinaryIO", io.BufferedReader(guard, 1 << 16))

    return opened


def gzip_stream(opener: Open) -> Layers:
    """Unpack .gz (RFC 1952), all of its members."""
    packed = opener()
    return cast("IO[bytes]", gzip.GzipFile(fileobj=packed)), packed


def zstd_stream(opener: Open) -> Layers:
    """Unpack .zst (RFC 8878), all of its frames."""
    packed = opener()
    return cast("IO[bytes]", pa.CompressedInputStream(packed, "zstd")), packed


def member_stream(path: Path, member: zipfile.ZipInfo) -> Layers:
    """Unpack one member of a .zip."""
    # Without the check sum in its entry, a damaged member hands out all that unpacks; the guard
    # checks the sum afterwards.
    entry = copy.copy(member)
    del entry.CRC
    archive = zipfile.ZipFile(path)
    try:
        return archive.open(entry), archive
    except BaseException:
        archive.close()
        raise


def check_list(file: BinaryIO, name: str, members: int) -> None:
    """Refuse an archive of too many members, before its list is read into memory.

    Raises:
        InputError: It lists more, or so much that it must.
        OSError: Or another of `DAMAGE`: it cannot be read.
    """
    # A private function of the standard library, which knows of zip64; null: no archive.
    found = zipfile._EndRecData(file)  # type: ignore[attr-defined]
    if found is None:
        return
    size, number = found[zipfile._ECD_SIZE], found[zipfile._ECD_ENTRIES_TOTAL]  # type: ignore[attr-defined]
    if number > members or size > members * LONGEST_ENTRY:
        raise InputError(
            name, f"an archive of {number:,} files", f"one of at most {members:,}",
            "Unpack it and give the folder",
        )  # fmt: skip


def bomb(name: str, size: int) -> InputError:
    """The error of a packed file that holds more than is allowed."""
    return InputError(
        name, f"a packed file that unpacks to {size:,} bytes or more", "one that expands less",
        "If you trust it, unpack it and give what is in it",
    )  # fmt: skip


def damaged(name: str, error: Exception) -> InputError:
    """The error of a packed file that cannot be unpacked to its end."""
    return InputError(
        name, f"a packed file that is cut off or damaged ({error})", "a whole one",
        "What could be unpacked was read; export or copy it again to get the rest",
    )  # fmt: skip


class _Guard(io.RawIOBase):
    """A packed stream's bytes, as far as they can and may be had."""

    def __init__(
        self,
        name: str,
        opener: Callable[[], Layers],
        allowed: int,
        crc: int | None,
        problems: list[InputError],
    ) -> None:
        self.name, self.allowed, self.expected, self.problems = name, allowed, crc, problems
        self.count, self.crc = 0, 0
        self.ended = False  # its own: several streams of one export may be read at once
        self.layers: Layers | None = None
        try:
            self.layers = opener()
        except DAMAGE as error:
            self._end(error)

    def readable(self) -> bool:
        """True."""
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        """Fill the buffer as far as one step of unpacking goes; 0 is the end."""
        if self.ended or self.layers is None:
            return 0
        try:
            step = _step(self.layers[0], len(buffer))
        except DAMAGE as error:
            self._end(error)
            return 0
        self._check(step)
        buffer[: len(step)] = step
        return len(step)

    def _check(self, step: bytes) -> None:
        self.count += len(step)
        if self.count > self.allowed:
            raise bomb(self.name, self.count)
        if self.expected is not None:
            self.crc = zlib.crc32(step, self.crc)
            if not step and self.crc != self.expected:
                self._end(ValueError("wrong check sum"))

    def _end(self, error: Exception) -> None:
        self.ended = True
        if not self.problems:
            self.problems.append(damaged(self.name, error))

    def close(self) -> None:
        """Close the stream and what it reads from."""
        if not self.closed:
            for layer in self.layers or ():
                layer.close()
        super().close()


def _step(stream: IO[bytes], size: int) -> bytes:
    """What one step of unpacking brings, so that damage costs nothing of what came before."""
    if isinstance(stream, pa.CompressedInputStream):
        return bytes(stream.read(min(size, ZSTD_STEP)))
    return cast("io.BufferedReader", stream).read1(size)

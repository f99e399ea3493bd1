"""Bytes in any encoding → UTF-8 bytes, in pieces, so that memory stays flat.

A byte-order mark decides; else the profile's encoding; else UTF-8, where a line that is not
valid UTF-8 is read as Windows-1252 by itself (a whole file cannot be looked at beforehand).
"""

import codecs
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from loganalyzer.errors import InputError, ProfileError, one_line

SNIFF_BYTES = 65_536
# Source: Unicode Standard, section 23.8 (byte-order mark). UTF-32 is told before UTF-16: it
# begins with the same two bytes.
MARKS = (
    (codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"), (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)  # fmt: skip
Bytes = npt.NDArray[np.uint8]
Offsets = npt.NDArray[np.int64]


def utf8_pieces(stream: BinaryIO, encoding: str | None, name: str, size: int) -> Iterator[bytes]:
    """The stream's text as UTF-8 in pieces of about `size` bytes, without a byte-order mark.

    Args:
        stream: The export's bytes, unpacked.
        encoding: A Python codec's name, or null for: UTF-8, and see `mended`.
        name: The export's name, for messages.
        size: Bytes read at a time.

    Raises:
        InputError: The content is binary: over 1 % NUL bytes in its first 64 kB, or many
            control characters among bytes that are not ASCII (common practice, no source).
        ProfileError: No codec has that name.
    """
    head = _filled(stream, SNIFF_BYTES)
    mark, codec = next(((m, c) for m, c in MARKS if head.startswith(m)), (b"", encoding or "utf-8"))
    decoder = _decoder(codec, name)
    if _is_binary(head[len(mark) :] if decoder is None else _utf8(decoder, head, name)):
        raise InputError(
            name, "binary content", "lines of text",
            'Give a text export; if it is UTF-16 text, write encoding = "utf-16-le" in the profile',
        )  # fmt: skip
    if decoder is not None:
        decoder.reset()
    for piece in _pieces(head[len(mark) :], stream, size):
        yield piece if decoder is None else _utf8(decoder, piece, name)
    if decoder is not None:
        yield _utf8(decoder, b"", name, last=True)


def _utf8(
    decoder: codecs.IncrementalDecoder, piece: bytes, name: str, *, last: bool = False
) -> bytes:
    """Bytes in another encoding as UTF-8; some codecs raise where they were to replace."""
    try:
        return decoder.decode(piece, last).encode("utf-8", "replace")
    except UnicodeError as error:
        raise InputError(
            name, f"bytes that its encoding cannot be ({one_line(str(error))})",
            "text in the encoding that the profile names",
            'Name another encoding, such as "utf-8" or "utf-16-le"',
        ) from error  # fmt: skip


def _filled(stream: BinaryIO, size: int) -> bytes:
    """The first `size` bytes, even from a stream that hands out little at a time."""
    parts: list[bytes] = []
    while size > 0 and (part := stream.read(size)):
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def _pieces(head: bytes, stream: BinaryIO, size: int) -> Iterator[bytes]:
    for start in range(0, len(head), size):
        yield head[start : start + size]
    while piece := stream.read(size):
        yield piece


def _decoder(codec: str, name: str) -> codecs.IncrementalDecoder | None:
    """What turns the bytes into text; null for UTF-8, which is left as it is."""
    try:
        found = codecs.lookup(codec)
    except LookupError:
        raise ProfileError(
            name, f"encoding {codec!r}", "an encoding that Python knows", 'Write encoding = "utf-8"'
        ) from None
    if found.name in ("utf-8", "utf-8-sig", "ascii"):
        return None
    return codecs.getincrementaldecoder(codec)("replace")


def _is_binary(text: bytes) -> bool:
    data = np.frombuffer(text, np.uint8)
    if not len(data):
        return False
    nul = np.count_nonzero(data == 0) / len(data)
    control = np.count_nonzero((data < 9) | ((data > 13) & (data < 32))) / len(data)
    return bool(nul > 0.01 or (control > 0.05 and np.count_nonzero(data > 127) > 0.2 * len(data)))


def mended(text: bytes) -> bytes:
    """Whole lines, each in UTF-8: those that were not are read as Windows-1252.

    Args:
        text: Lines that all end in a line feed.

    Returns:
        The same lines; a byte that Windows-1252 leaves undefined becomes U+FFFD.
    """
    if text.isascii() or _is_utf8(text):
        return text
    data = np.frombuffer(text, np.uint8)
    feeds = np.flatnonzero(data == 10)
    high = np.flatnonzero(data > 127)
    line = np.searchsorted(feeds, high)
    wrong = np.zeros(len(feeds), np.bool_)
    wrong[np.searchsorted(feeds, _not_utf8(data, high))] = True
    return _from_windows_1252(data, high[wrong[line]])


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _not_utf8(data: Bytes, high: Offsets) -> Offsets:
    """Offsets of bytes over 127 that are no part of a well-formed sequence.

    Source: Unicode Standard, table 3-7, "Well-Formed UTF-8 Byte Sequences".
    """
    padded = np.concatenate([data, np.zeros(4, np.uint8)])
    tails = high[padded[high] & 0xC0 == 0x80]
    leads = high[padded[high] & 0xC0 != 0x80]
    first, second = padded[leads], padded[leads + 1]
    more = (first > 0xC1).astype(np.int8) + (first > 0xDF) + (first > 0xEF)
    bad = (first < 0xC2) | (first > 0xF4)
    bad |= ((first == 0xE0) & (second < 0xA0)) | ((first == 0xED) & (second > 0x9F))
    bad |= ((first == 0xF0) & (second < 0x90)) | ((first == 0xF4) & (second > 0x8F))
    expected = np.zeros(len(padded), np.bool_)
    for step in (1, 2, 3):
        bad |= (more >= step) & (padded[leads + step] & 0xC0 != 0x80)
    for step in (1, 2, 3):
        expected[leads[~bad & (more >= step)] + step] = True
    return np.concatenate([leads[bad], tails[~expected[tails]]])


def _from_windows_1252(data: Bytes, at: Offsets) -> bytes:
    """The bytes with those at the given offsets replaced by their UTF-8 sequences."""
    coded = [bytes([byte]).decode("cp1252", "replace").encode() for byte in range(256)]
    table = np.array([list(code.ljust(3, b"\0")) for code in coded], np.uint8)
    old = data[at]
    width = np.array([len(code) for code in coded])[old]
    counts = np.ones(len(data), np.int64)
    counts[at] = width
    out = np.repeat(data, counts)
    start = at + np.cumsum(width - 1) - (width - 1)
    for step in range(3):
        has = width > step
        out[start[has] + step] = table[old[has], step]
    return out.tobytes()

r"""An export's bytes → blocks of whole lines, some MB each; every physical line is counted once.

A block is UTF-8 with line feeds, whatever the export was: CR, LF and CRLF all end a line (so a
quoted line break, too, is read as a line feed). A last line without an end is a line.
Two kinds of line never reach a layout: longer than LINE_LIMIT bytes ("line too long", of which
only the head is ever held) and those holding NUL bytes ("not text").
Each layout reads with `kept_lines`, or with `blocks` and `without_preamble` where blank lines
may belong to a record.
"""

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.readers.encoding import Offsets, mended, utf8_pieces
from loganalyzer.readers.records import LINE_LIMIT, REJECTS, TEXT_LIMIT, rejects_table

BLOCK_BYTES = 4 << 20
HEAD_BYTES = 4 * TEXT_LIMIT  # a character takes four bytes at most


@dataclass(frozen=True)
class Block:
    r"""Some whole lines of an export.

    `lines == len(block) + rejects.num_rows + ignored`, always.

    Attributes:
        data: The lines' UTF-8 bytes, each line ended by ``\n``, nothing between them.
        numbers: Physical line number of each line in `data` (int64, from 1, rising; holes
            where lines were dropped).
        lines: Physical lines this block stands for.
        ignored: How many of them were dropped as preamble or blank.
        rejects: `REJECTS`: how many could not be a record of any layout.
    """

    data: bytes
    numbers: Offsets
    lines: int
    ignored: int = 0
    rejects: pa.Table = field(default_factory=REJECTS.empty_table)

    def __len__(self) -> int:
        return len(self.numbers)

    @cached_property
    def ends(self) -> Offsets:
        """Offset in `data` behind each line's last byte: that of its line feed."""
        return np.flatnonzero(np.frombuffer(self.data, np.uint8) == 10)

    @cached_property
    def starts(self) -> Offsets:
        """Offset in `data` of each line's first byte."""
        return np.concatenate([np.zeros(1, np.int64), self.ends + 1])[: len(self)]

    def strings(self) -> pa.Array:
        """The lines as a string array, without their ends (one copy)."""
        return _string_array(self.data.replace(b"\n", b""), self.starts - np.arange(len(self)))

    def raw(self, numbers: pa.Array) -> pa.Array:
        """The lines of these numbers (int64 array, each in `numbers`), cut to TEXT_LIMIT."""
        return self.texts(np.searchsorted(self.numbers, numbers.to_numpy(zero_copy_only=False)))

    def texts(self, rows: Offsets) -> pa.Array:
        """Some lines of the block, counted from 0, as strings cut to TEXT_LIMIT characters."""
        starts = self.starts[rows]
        lengths = np.minimum(self.ends[rows] - starts, HEAD_BYTES)
        behind = np.cumsum(lengths)
        at = np.repeat(starts - behind + lengths, lengths) + np.arange(lengths.sum())
        data = np.frombuffer(self.data, np.uint8)[at]
        texts = _string_array(data.tobytes(), behind - lengths)
        # A head that was cut within a character has TEXT_LIMIT characters before the cut.
        short = not len(lengths) or lengths.max() <= TEXT_LIMIT
        return texts if short else pc.utf8_slice_codeunits(texts, 0, TEXT_LIMIT)

    def text(self, row: int) -> str:
        """One line of the block, counted from 0, cut to TEXT_LIMIT characters."""
        line = self.data[self.starts[row] : self.ends[row]][:HEAD_BYTES]
        return line.decode("utf-8", "ignore")[:TEXT_LIMIT]

    def taken(self, keep: npt.NDArray[np.bool_]) -> "Block":
        """The block with only these lines in `data`; the caller accounts for the others."""
        if keep.all():
            return self
        mask = np.repeat(keep, self.ends - self.starts + 1)
        data = np.frombuffer(self.data, np.uint8)[mask].tobytes()
        return replace(self, data=data, numbers=self.numbers[keep])

    def ignoring(self, keep: npt.NDArray[np.bool_]) -> "Block":
        """The block without the lines that are not kept, which count as ignored."""
        dropped = int(len(keep) - np.count_nonzero(keep))
        return replace(self.taken(keep), ignored=self.ignored + dropped)

    def rejecting(self, reject: npt.NDArray[np.bool_], reasons: pa.Array) -> "Block":
        """The block without these lines, which become rejects (one reason each, in order)."""
        rows = np.flatnonzero(reject)
        columns = [pa.array(self.numbers[rows]), reasons.cast(pa.string()), self.texts(rows)]
        rejects = pa.concat_tables([self.rejects, pa.table(columns, schema=REJECTS)])
        return replace(self.taken(~reject), rejects=rejects)


def blocks(
    stream: BinaryIO,
    encoding: str | None,
    name: str,
    *,
    size: int = BLOCK_BYTES,
    line_limit: int = LINE_LIMIT,
) -> Iterator[Block]:
    """Every physical line of an export, in blocks of about `size` bytes.

    Args:
        stream: The export's bytes, unpacked, read from where it stands.
        encoding: As the profile says, or null: see `encoding.py`.
        name: The export's name, for messages.
        size: Bytes read at a time. No result depends on it.
        line_limit: Longer lines (bytes of UTF-8) are rejects.

    Raises:
        InputError: The content is binary.
        ProfileError: The encoding is unknown.
    """
    first = 1
    pieces = _unix_ends(utf8_pieces(stream, encoding, name, size))
    for text, too_long in _whole_lines(pieces, line_limit):
        block = _too_long(text, first) if too_long else _block(text, first)
        first += block.lines
        if block.lines:
            yield block


def kept_lines(source: Iterable[Block], skip_lines: int) -> Iterator[Block]:
    """Blocks without preamble and blank lines, which they count as ignored.

    Args:
        source: All blocks of an export, in order.
        skip_lines: Physical lines before the first record or header.
    """
    for block in without_preamble(source, skip_lines):
        yield without_blanks(block)


def without_preamble(source: Iterable[Block], skip_lines: int) -> Iterator[Block]:
    """Blocks without the first `skip_lines` physical lines, which they count as ignored."""
    for block in source:
        in_preamble = len(block) and block.numbers[0] <= skip_lines
        yield block.ignoring(block.numbers > skip_lines) if in_preamble else block


def without_blanks(block: Block) -> Block:
    """The block without lines of nothing but blanks and tabs, which it counts as ignored."""
    data = np.frombuffer(block.data, np.uint8)
    if not len(block) or not np.isin(data[block.starts], (9, 10, 32)).any():
        return block
    return block.ignoring(~blank_lines(block))


def blank_lines(block: Block) -> npt.NDArray[np.bool_]:
    """Which lines hold nothing but blanks and tabs (bool, one a line)."""
    data = np.frombuffer(block.data, np.uint8)
    inked = (data != 32) & (data != 9) & (data != 10)
    if not len(block):
        return np.zeros(0, np.bool_)
    return ~np.logical_or.reduceat(inked, block.starts)


def joined(before: Block, after: Block) -> Block:
    """Two blocks that follow one another, as one."""
    return Block(
        data=before.data + after.data,
        numbers=np.concatenate([before.numbers, after.numbers]),
        lines=before.lines + after.lines,
        ignored=before.ignored + after.ignored,
        rejects=pa.concat_tables([before.rejects, after.rejects]),
    )


def _string_array(data: bytes, starts: Offsets) -> pa.Array:
    offsets = np.append(starts, len(data)).astype(np.int32)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(data)]
    return pa.StringArray.from_buffers(len(starts), buffers[1], buffers[2])


def _unix_ends(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """CR and CRLF as LF; a CR at the end of a piece waits for what follows it."""
    held = b""
    for piece in pieces:
        text = held + piece
        held = b"\r" if text.endswith(b"\r") else b""
        if b"\r" in text:
            text = text.removesuffix(b"\r").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        yield text
    yield b"\n" if held else b""


def _whole_lines(pieces: Iterable[bytes], limit: int) -> Iterator[tuple[bytes, bool]]:
    """Runs of whole lines, and (True) the head of each line that is longer than the limit."""
    held, head = b"", b""
    for piece in pieces:
        text = piece
        if head:  # inside a line that is too long: nothing of it is kept any more
            end = piece.find(b"\n")
            if end < 0:
                continue
            yield head, True
            head, text = b"", piece[end + 1 :]
        text = held + text
        cut = text.rfind(b"\n") + 1
        held = text[cut:]
        yield from _without_long_lines(text[:cut], limit)
        if len(held) > max(limit, HEAD_BYTES):
            head, held = held[:HEAD_BYTES], b""
    if head:
        yield head, True
    if held:
        yield from _without_long_lines(held + b"\n", limit)


def _without_long_lines(text: bytes, limit: int) -> Iterator[tuple[bytes, bool]]:
    """The same, for long lines that lie within one run: rare, so looked for cheaply."""
    half = max(limit // 2, 1)
    windows = range(0, len(text), half)
    if all(text.find(b"\n", start, start + half) >= 0 for start in windows):
        yield text, False
        return
    ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
    starts = np.append(0, ends[:-1] + 1)
    done = 0
    for row in np.flatnonzero(ends - starts > limit):
        yield text[done : starts[row]], False
        yield text[starts[row] : ends[row]][:HEAD_BYTES], True
        done = int(ends[row]) + 1
    yield text[done:], False


def _block(text: bytes, first: int) -> Block:
    data = mended(text)
    count = int(np.count_nonzero(np.frombuffer(data, np.uint8) == 10))
    block = Block(data, np.arange(first, first + count, dtype=np.int64), count)
    if b"\0" not in data:
        return block
    nul = np.flatnonzero(np.frombuffer(data, np.uint8) == 0)
    reject = np.zeros(count, np.bool_)
    reject[np.searchsorted(block.ends, nul)] = True
    return block.rejecting(reject, pa.repeat("not text", int(np.count_nonzero(reject))))


def _too_long(head: bytes, first: int) -> Block:
    try:  # the head may end within a character, which an incremental decoder lets pass
        text = codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        text = head.decode("cp1252", "replace")
    rejects = rejects_table([first], ["line too long"], [text])
    return Block(b"", np.zeros(0, np.int64), 1, 0, rejects)

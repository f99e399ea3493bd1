"""Layout `fixed`: columns stand at fixed places in the line, counted in characters from 0."""

from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.profile import FixedColumn, Profile
from loganalyzer.readers.blocks import BLOCK_BYTES, Block, blocks, kept_lines
from loganalyzer.readers.columns import CODED, coded_texts, places, trimmed, used_columns
from loganalyzer.readers.records import Batch

Lengths = npt.NDArray[np.int64]


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of fixed columns.

    Only the columns that the profile names are offered; fields are trimmed. Exports often drop
    the blanks at the end of a line, so a field beyond the end is null; but a line that ends
    before a time column begins is a reject.

    Args:
        stream: The export's bytes, unpacked.
        profile: With `fixed`; `columns` says which are used.
        name: The export's name, for messages.
        size: Bytes a block. No result depends on it.

    Raises:
        InputError: Content binary; a column that the profile places twice.
    """
    assert profile.fixed is not None  # a profile of this layout was checked to have it
    layout = profile.fixed.columns
    types = used_columns(profile.columns)
    at = places(tuple(types), [column.name for column in layout], name)
    used = [(layout[at[column]], kind) for column, kind in types.items()]
    least = 1 + max(layout[at[column]].start for column in profile.columns.time)
    source = blocks(stream, profile.encoding, name, size=size)
    for block in kept_lines(source, profile.skip_lines):
        yield _batch(block, used, least)


def _batch(block: Block, used: list[tuple[FixedColumn, pa.DataType]], least: int) -> Batch:
    plain = block.data.isascii()
    lengths = block.ends - block.starts if plain else _characters(block)
    short = lengths < least
    reasons = coded_texts(
        lengths[short], lambda n: f"line too short: found {n} characters, expected at least {least}"
    )
    good = block.rejecting(short, reasons)
    cut = _cut_bytes if plain else _cut_characters
    found = {column.name: trimmed(_typed(cut(good, column), kind)) for column, kind in used}
    records = pa.table({"line": pa.array(good.numbers)} | found)
    return Batch(records, good.rejects, block.lines, block.ignored, block.raw)


def _characters(block: Block) -> Lengths:
    lengths: Lengths = pc.utf8_length(block.strings()).to_numpy().astype(np.int64)
    return lengths


def _typed(values: pa.Array, kind: pa.DataType) -> pa.Array:
    return values.dictionary_encode() if kind == CODED else values


def _cut_bytes(block: Block, column: FixedColumn) -> pa.Array:
    """The column of lines of one byte a character: a rectangle of bytes, blank where none are.

    The rectangle's rows, one behind the other, are the values of the array as they lie.
    """
    data = np.frombuffer(block.data, np.uint8)
    at = block.starts[:, None] + np.arange(column.start, column.start + column.width)
    within = at < block.ends[:, None]
    cells = np.where(within, data[np.minimum(at, len(data) - 1)], 32).astype(np.uint8)
    offsets = np.arange(len(block) + 1, dtype=np.int32) * np.int32(column.width)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(cells)]
    return pa.StringArray.from_buffers(len(block), buffers[1], buffers[2])


def _cut_characters(block: Block, column: FixedColumn) -> pa.Array:
    """The column where some characters are longer than a byte."""
    return pc.utf8_slice_codeunits(block.strings(), column.start, column.start + column.width)

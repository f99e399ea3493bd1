"""Blocks of lines → rows of fields, for the layouts whose rows are delimited.

A block is handed to Arrow's CSV reader as it is. If every line came out as one row with the right
number of fields, that is that. Only otherwise are the block's records looked at (`quotes.py`),
what is no record taken out, and the rest parsed again.
"""

import csv
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from loganalyzer.errors import InputError
from loganalyzer.profile import Delimited, Profile
from loganalyzer.readers.blocks import (
    BLOCK_BYTES,
    Block,
    blank_lines,
    blocks,
    joined,
    without_preamble,
)
from loganalyzer.readers.columns import coded_texts, places, trimmed
from loganalyzer.readers.encoding import Offsets
from loganalyzer.readers.quotes import closed, record, records
from loganalyzer.readers.records import Batch

# From the export's columns to those that are wanted, with their types.
Choose = Callable[[tuple[str, ...]], Mapping[str, pa.DataType]]
NO_LINES = Block(b"", np.zeros(0, np.int64), 0)


@dataclass(frozen=True)
class Shape:
    """How the rows look: the delimiter's byte, fields a row, name → (place, type)."""

    delimiter: int
    fields: int
    wanted: Mapping[str, tuple[int, pa.DataType]]


def read_rows(
    stream: BinaryIO, profile: Profile, name: str, choose: Choose, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Rows of an export with the columns that are wanted of them.

    Args:
        stream: The export's bytes, unpacked.
        profile: Its `delimited` says how rows look; also `encoding`, `skip_lines`.
        name: The export's name, for messages.
        choose: From the header to the wanted columns and their types: string, or dictionary of
            string where values come back often.
        size: Bytes a block. No result depends on it.

    Yields:
        Batches: records `line` and the wanted columns, trimmed, an empty field being null.

    Raises:
        InputError: Content binary; no header; a wanted column missing or there twice.
    """
    rule = profile.delimited
    assert rule is not None  # a profile of these layouts was checked to have it
    shape = None if rule.header else _shape(rule, rule.columns or (), choose, name)
    held = NO_LINES
    source = without_preamble(blocks(stream, profile.encoding, name, size=size), profile.skip_lines)
    for new, more in _then_end(source):
        block = joined(held, new)
        if shape is None:
            header, block = _header(block, rule, more)
            shape = _shape(rule, header, choose, name) if header else None
        if shape is None:
            held = block
            continue
        batch, held = _batch(block, rule, shape, more)
        if batch.lines:
            yield batch
    if shape is None:
        raise InputError(
            name, "no header line", "a line with the names of the columns",
            "Give an export that is not empty, and see that skip_lines in the profile is right",
        )  # fmt: skip


def _then_end(source: Iterator[Block]) -> Iterator[tuple[Block, bool]]:
    for block in source:
        yield block, True
    yield NO_LINES, False


def _shape(rule: Delimited, header: tuple[str, ...], choose: Choose, name: str) -> Shape:
    types = choose(header)
    at = places(tuple(types), header, name)
    return Shape(_cut(rule), len(header), {c: (at[c], kind) for c, kind in types.items()})


def _cut(rule: Delimited) -> int:
    """The byte to cut at: Arrow takes one, so a longer delimiter becomes the unit separator."""
    coded = rule.delimiter.encode()
    return coded[0] if len(coded) == 1 else 31


def _cuttable(block: Block, rule: Delimited) -> Block:
    coded = rule.delimiter.encode()
    return block if len(coded) == 1 else replace(block, data=block.data.replace(coded, b"\x1f"))


def _header(block: Block, rule: Delimited, more: bool) -> tuple[tuple[str, ...], Block]:
    """The header's names (none: it is not here yet), and the block without it.

    Blank lines before it are ignored; the header itself counts as ignored too.
    """
    block = block.ignoring(np.maximum.accumulate(~blank_lines(block)))
    found = record(_cuttable(block, rule), 0, _cut(rule), None, more) if len(block) else None
    if found is None:
        return (), block
    count = max(found[0], 1)
    text = block.data[: block.ends[count - 1]].decode("utf-8", "replace")
    names = next(csv.reader(text.splitlines(keepends=True), delimiter=rule.delimiter))
    rest = block.ignoring(np.arange(len(block)) >= count)
    return tuple(name.strip() for name in names), rest


def _split(block: Block, row: int) -> tuple[Block, Block]:
    """The block up to a line, and from that line on."""
    if row == len(block):
        return block, NO_LINES
    at, rest = int(block.starts[row]), len(block) - row
    done = replace(
        block, data=block.data[:at], numbers=block.numbers[:row], lines=block.lines - rest
    )
    return done, Block(block.data[at:], block.numbers[row:], rest)


def _batch(block: Block, rule: Delimited, shape: Shape, more: bool) -> tuple[Batch, Block]:
    """The block's records, and the lines at its end that only the next block can explain."""
    text = _cuttable(block, rule)
    # A blank line would be a row of one column, so those are always looked at.
    table = _parsed(text.data, shape) if shape.fields > 1 else None
    # Arrow closes a quote that is open at the very end by itself.
    whole = table is not None and table.num_rows == len(block) and closed(text, shape.delimiter)
    if table is None or not whole:
        return _careful(block, text, shape, more)
    found = _numbered(table, block.numbers, shape)
    return Batch(found, block.rejects, block.lines, block.ignored, block.raw), NO_LINES


def _careful(block: Block, text: Block, shape: Shape, more: bool) -> tuple[Batch, Block]:
    """The same for a block in which something is no plain row."""
    seen = records(text, shape.delimiter, shape.fields, more)
    (done, held), (text, _) = _split(block, seen.end), _split(text, seen.end)
    wrong = seen.open | ((seen.fields != shape.fields) & ~seen.inner & ~seen.blank)
    reasons = coded_texts(
        np.where(seen.open, -1, seen.fields)[wrong],
        lambda n: f"wrong number of columns: found {n}, expected {shape.fields}"
        if n >= 0 else "quote not closed",
    )  # fmt: skip
    keep = ~(wrong | seen.blank)
    table = _parsed(text.taken(keep).data, shape)
    if table is None:  # cannot be: every row was counted
        raise AssertionError("rows that were counted right do not parse")
    ignored = done.ignored + int(np.count_nonzero(seen.blank | seen.inner))
    rejects = done.rejecting(wrong, reasons).rejects
    found = _numbered(table, done.numbers[keep & ~seen.inner], shape)
    return Batch(found, rejects, done.lines, ignored, done.raw), held


def _parsed(data: bytes, shape: Shape) -> pa.Table | None:
    """The wanted columns by Arrow's reader; null where a row has another number of fields."""
    names = [str(place) for place in range(shape.fields)]
    types = {str(at): kind for at, kind in shape.wanted.values()}
    if not data:
        return pa.schema(list(types.items())).empty_table()
    try:
        return arrow_csv.read_csv(
            pa.py_buffer(data),
            arrow_csv.ReadOptions(column_names=names, block_size=len(data) + 1, use_threads=False),
            arrow_csv.ParseOptions(delimiter=chr(shape.delimiter), newlines_in_values=True),
            arrow_csv.ConvertOptions(
                check_utf8=False, include_columns=list(types), column_types=types,
                null_values=[""], strings_can_be_null=True,
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None


def _numbered(table: pa.Table, numbers: Offsets, shape: Shape) -> pa.Table:
    """The rows with their line numbers, under the columns' own names, trimmed."""
    found = {
        name: trimmed(table[str(at)].combine_chunks()) for name, (at, _) in shape.wanted.items()
    }
    return pa.table({"line": pa.array(numbers)} | found)

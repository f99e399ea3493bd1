"""Where the records of quoted rows end: which lines are records, and how many fields they have.

RFC 4180 in general, with the leniency of Python's csv module within one line: a quote that does
not begin a field is a letter like any other. Over several lines a record must follow the RFC to
the letter and have the right number of fields; else only its first line is rejected and the next
line is looked at afresh, so that one damaged quote never costs the good lines behind it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loganalyzer.readers.blocks import Block, blank_lines

QUOTE = 34
# A quote that does not close within so many lines or bytes is damage.
QUOTE_LINES = 1000
QUOTE_BYTES = 1_000_000
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Records:
    """What each of the first `end` lines of a block is (arrays with one value a line).

    Attributes:
        fields: Fields of the record that begins in this line.
        inner: The line is the second or a later one of a record.
        open: A quote in this line never closes, or closes where the RFC forbids it.
        blank: The line is blank and in no record.
        end: How many lines are told; the others need the lines that follow the block.
    """

    fields: npt.NDArray[np.int64]
    inner: Flags
    open: Flags
    blank: Flags
    end: int


def records(block: Block, delimiter: int, expected: int, more: bool) -> Records:
    """Tell where records begin and how many fields each has.

    Args:
        block: Whole lines.
        delimiter: The delimiter's byte.
        expected: How many fields a record of several lines must have.
        more: Lines may follow the block.
    """
    data = np.frombuffer(block.data, np.uint8)
    quotes = np.flatnonzero(data == QUOTE)
    inner, unclosed = np.zeros(len(block), np.bool_), np.zeros(len(block), np.bool_)
    scanned: dict[int, int] = {}  # fields of the lines that were looked at one by one
    row, end = 0, len(block)
    for odd in np.flatnonzero(_odd_lines(block, data, quotes, delimiter)).tolist():
        if odd < row:
            continue
        found = record(block, odd, delimiter, expected, more)
        if found is None:
            end = odd
            break
        lines, count = found
        unclosed[odd] = lines == 0
        inner[odd + 1 : odd + lines] = True
        scanned[odd], row = count, odd + max(lines, 1)
    fields = _fields(block, data, quotes, delimiter)
    fields[list(scanned)] = list(scanned.values())
    blank = blank_lines(block) & ~inner
    return Records(fields[:end], inner[:end], unclosed[:end], blank[:end], end)


def closed(block: Block, delimiter: int) -> bool:
    """Whether the block's last line, a record of its own, closes all its quotes."""
    start = block.data.rfind(b"\n", 0, len(block.data) - 1) + 1
    return not block.data or _scan(block.data, start, len(block.data), delimiter)[0] >= 0


def _odd_lines(
    block: Block, data: npt.NDArray[np.uint8], quotes: npt.NDArray[np.int64], delimiter: int
) -> Flags:
    """Lines whose quotes do not, by themselves, follow the RFC: to be looked at one by one."""
    odd = np.zeros(len(block), np.bool_)
    if not len(quotes):
        return odd
    line = np.searchsorted(block.ends, quotes)
    firsts = np.searchsorted(quotes, block.starts)
    opening = (np.arange(len(quotes)) - firsts[line]) % 2 == 0
    before = np.where(quotes == block.starts[line], 10, data[quotes - 1])
    after = data[quotes + 1]
    begins = (before == delimiter) | (before == 10) | (before == QUOTE)
    closes = (after == delimiter) | (after == 10) | (after == QUOTE)
    odd[line[~np.where(opening, begins, closes)]] = True
    # The first quote of a line has no quote before it; the last must be a closing one.
    odd |= np.bincount(line, minlength=len(block)) % 2 == 1
    return odd


def _fields(
    block: Block, data: npt.NDArray[np.uint8], quotes: npt.NDArray[np.int64], delimiter: int
) -> npt.NDArray[np.int64]:
    """Fields of each line, if it is a record by itself and its quotes follow the RFC."""
    cuts = np.flatnonzero(data == delimiter)
    line = np.searchsorted(block.ends, cuts)
    if len(quotes):
        since = np.searchsorted(quotes, cuts) - np.searchsorted(quotes, block.starts)[line]
        line = line[since % 2 == 0]
    return np.bincount(line, minlength=len(block)) + 1


def record(
    block: Block, row: int, delimiter: int, expected: int | None, more: bool
) -> tuple[int, int] | None:
    """Lines and fields of the record that begins in this line; arguments as for `records`.

    Returns:
        Lines (0: its quotes are damaged) and fields; null where the next block must tell.
    """
    start = int(block.starts[row])
    last = min(row + QUOTE_LINES, len(block)) - 1
    limit = min(int(block.ends[last]) + 1, start + QUOTE_BYTES)
    end, fields, strict = _scan(block.data, start, limit, delimiter)
    if end < 0:
        short = row + QUOTE_LINES > len(block) and len(block.data) - start < QUOTE_BYTES
        return None if more and short else (0, fields)
    lines = block.data.count(b"\n", start, end) + 1
    if lines > 1 and not (strict and expected in (fields, None)):
        return 0, fields
    return lines, fields


def _scan(data: bytes, start: int, limit: int, delimiter: int) -> tuple[int, int, bool]:
    """Follow one record quote by quote.

    Returns:
        Offset of the line feed that ends it (-1: no end before the limit), its fields, and
        whether every quote stands where the RFC wants it.
    """
    cut = bytes([delimiter])
    at, fields, strict = start, 1, True
    end = data.find(b"\n", at)
    while (quote := data.find(b'"', at, end)) >= 0:
        fields += data.count(cut, at, quote)
        if quote > start and data[quote - 1] != delimiter:  # a letter like any other
            at, strict = quote + 1, False
            continue
        close = data.find(b'"', quote + 1, limit)
        while close >= 0 and data[close + 1] == QUOTE:  # doubled: a quote within the field
            close = data.find(b'"', close + 2, limit)
        if close < 0:
            return -1, fields, strict
        strict &= data[close + 1] in (delimiter, 10)
        at = close + 1
        end = data.find(b"\n", at)
    return end, fields + data.count(cut, at, end), strict

"""The few kinds of line in a block: lines that differ in nothing but digits.

A layout looks at one line of each kind and says where its columns stand; those places are then
cut out of every line of that kind at once.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loganalyzer.readers.pieces import Bytes, Places, lines_array, pieces

HIT, MISS, PASSED_OVER = 0, 1, 2
FEW = 2000  # kinds of line in a block that are always worth looking at one by one
SHARE = 0.25  # of a block's lines may be kinds of their own, before it is not worth it
KEPT, LONGEST = 20_000, 2_000  # kinds remembered from block to block, and their characters

Spans = tuple[tuple[int, int] | None, ...]


@dataclass(frozen=True)
class Kind:
    """What one kind of line is.

    Attributes:
        status: HIT, MISS, PASSED_OVER or what else the layout tells apart.
        spans: Where each column stands in the line, in bytes; None where it is absent; no
            spans at all where the line is no HIT.
        texts: What stands there, digits made equal.
    """

    status: int
    spans: Spans = ()
    texts: tuple[str | None, ...] = ()


@dataclass(frozen=True)
class Sorted:
    """Lines of a block by kind: `kinds`, and which of them each line is (int32 a line)."""

    kinds: tuple[Kind, ...]
    which: np.ndarray

    @property
    def status(self) -> np.ndarray:
        """The status of each line (int8)."""
        each: np.ndarray = np.array([kind.status for kind in self.kinds], np.int8)[self.which]
        return each


class Sorter:
    """Sorts block after block; remembers the kinds it has met."""

    def __init__(self, table: np.ndarray, look: Callable[[str], Kind]) -> None:
        """Take what makes lines equal and what looks at one of each kind.

        Args:
            table: 256 bytes (uint8): the digit that stands for each digit.
            look: A line with its digits so changed → its kind.
        """
        self.table, self.look = table.tobytes(), look
        self.known: dict[str, Kind] = {}

    def sort(self, data: bytes, starts: Places) -> Sorted | None:
        r"""Sort the lines of a block, or None where nearly each would be its own kind.

        Args:
            data: UTF-8 lines, each ended by ``\n``.
            starts: Where each line begins.
        """
        lines = lines_array(data.translate(self.table), starts).dictionary_encode()
        if len(lines.dictionary) > max(FEW, SHARE * len(starts)):
            return None
        kinds = tuple(self._kind(line[:-1]) for line in lines.dictionary.to_pylist())
        return Sorted(kinds, lines.indices.to_numpy())

    def _kind(self, line: str) -> Kind:
        kind = self.known.get(line)
        if kind is None:
            kind = self.look(line)
            if len(self.known) < KEPT and len(line) <= LONGEST:
                self.known[line] = kind
        return kind


def byte_spans(line: str, spans: Sequence[tuple[int, int] | None]) -> Spans:
    """Spans of characters in a line as spans of its UTF-8 bytes."""
    if line.isascii():
        return tuple(spans)
    return tuple(
        span and (len(line[: span[0]].encode()), len(line[: span[1]].encode())) for span in spans
    )


def cut(data: Bytes, starts: Places, lines: Sorted, column: int) -> pa.Array:
    """One column of every line: looked up where it holds no digit, else cut from the line.

    Returns:
        String or dictionary of string, null where the column is absent.
    """
    texts = [kind.texts[column] if kind.texts else None for kind in lines.kinds]
    if not any(digit in text for text in texts if text for digit in "0123456789"):
        words = pa.array(texts, pa.string()).dictionary_encode()
        codes = words.indices.take(pa.array(lines.which))
        return pa.DictionaryArray.from_arrays(codes, words.dictionary)
    absent = (-1, -1)
    spans = [(kind.spans[column] or absent) if kind.spans else absent for kind in lines.kinds]
    begin, end = np.array(spans, np.int64).T[:, lines.which]
    null = begin < 0
    return pieces(data, np.where(null, 0, starts + begin), starts + end, null)

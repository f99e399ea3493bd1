"""The few kinds of line in a block: lines that differ only in digits, or in what else is alike.

A layout looks at one line of each kind and says where its columns stand; those places are then
cut out of every line of that kind at once.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from loganalyzer.readers.pieces import Places, lines_array

HIT, MISS, PASSED_OVER = 0, 1, 2
SLOW = 6  # not to be told in a bearable time; layouts have 3 to 5 for their own
FEW = 2000  # kinds of line in a block that are always worth looking at one by one
SHARE = 0.25  # of a block's lines may be kinds of their own, before it is not worth it
KEPT, LONGEST = 20_000, 2_000  # kinds remembered from block to block, and their characters
TRIES = 2

Spans = tuple[tuple[int, int] | None, ...]


@dataclass(frozen=True)
class Kind:
    """What one kind of line is.

    Attributes:
        status: HIT, MISS, PASSED_OVER or what else the layout tells apart.
        spans: Where each column stands in the line, in bytes; None where it is absent; no
            spans at all where the line is no HIT.
        texts: What stands there, with characters made equal.
        length: Bytes of a line of this kind.
    """

    status: int
    spans: Spans = ()
    texts: tuple[str | None, ...] = ()
    length: int = 0


@dataclass(frozen=True)
class Sorted:
    """Lines of a block by kind.

    Attributes:
        kinds: The kinds.
        which: Which of them each line is (int32).
        merged: Characters that may stand for others in the kinds' texts.
    """

    kinds: tuple[Kind, ...]
    which: np.ndarray
    merged: frozenset[str]

    @property
    def status(self) -> np.ndarray:
        """The status of each line (int8)."""
        each: np.ndarray = np.array([kind.status for kind in self.kinds], np.int8)[self.which]
        return each


class Sorter:
    """Sorts block after block; remembers the kinds it has met."""

    def __init__(self, tables: Sequence[np.ndarray], look: Callable[[str], Kind]) -> None:
        """Take what makes lines equal and what looks at one of each kind.

        Args:
            tables: Each 256 bytes (uint8), the character that stands for each character; tried
                in this order. One that twice in a row leaves too many kinds is tried no more.
            look: A line with its characters so changed → its kind.
        """
        self.tables, self.look = list(tables), look
        self.known: dict[str, Kind] = {}
        self.failed = 0

    def sort(self, data: bytes, starts: Places) -> Sorted | None:
        r"""Sort the lines of a block, or None where nearly each would be its own kind.

        Args:
            data: UTF-8 lines, each ended by ``\n``.
            starts: Where each line begins.
        """
        if not len(starts):
            return Sorted((), np.zeros(0, np.int32), frozenset())
        for table in self.tables:
            lines = lines_array(data.translate(table.tobytes()), starts).dictionary_encode()
            if len(lines.dictionary) <= max(FEW, SHARE * len(starts)):
                kinds = tuple(self._kind(line[:-1]) for line in lines.dictionary.to_pylist())
                self.failed = 0 if table is self.tables[0] else self.failed
                return Sorted(kinds, lines.indices.to_numpy(), _merged(table))
            self._count_failure(table)
        return None

    def _count_failure(self, table: np.ndarray) -> None:
        if table is self.tables[0]:
            self.failed += 1
            if self.failed == TRIES:
                self.tables, self.failed = self.tables[1:], 0

    def _kind(self, line: str) -> Kind:
        kind = self.known.get(line)
        if kind is None:
            kind = self.look(line)
            if len(self.known) < KEPT and len(line) <= LONGEST:
                self.known[line] = kind
        return kind


def _merged(table: np.ndarray) -> frozenset[str]:
    """Characters that stand for more than themselves."""
    return frozenset(map(chr, np.flatnonzero(np.bincount(table) > 1)))


def byte_spans(line: str, spans: Sequence[tuple[int, int] | None]) -> Spans:
    """Spans of characters in a line as spans of its UTF-8 bytes."""
    if line.isascii():
        return tuple(spans)
    return tuple(
        span and (len(line[: span[0]].encode()), len(line[: span[1]].encode())) for span in spans
    )

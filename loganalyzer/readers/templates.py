r"""One regular expression over many lines, at the price of the few kinds of line there are.

Besides its digits a line is one of few texts. Digits that the pattern cannot tell apart are made
equal (if that is not enough: all characters it cannot tell apart), so that most lines fall
together; each kind of line is matched once, and what its groups cover is cut out
of every line of that kind. Where a pattern matches is not changed by what it cannot see, so the
result is that of `re.search` a line. Where nearly every line is still a kind of its own (long free
text, or a pattern that compares texts), every distinct line is matched instead.

Arrow's `extract_regex` was turned down for those: it took 0.8 to 0.6 of the time of `re`, and has
its own view of `\d`, `\s` and groups that take no part.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loganalyzer.readers.classes import tables
from loganalyzer.readers.cuts import cut
from loganalyzer.readers.kinds import HIT, Kind, Sorter, byte_spans
from loganalyzer.readers.pieces import Places, pieces
from loganalyzer.readers.plain import Search, extract, tried


@dataclass(frozen=True)
class Matched:
    """What a pattern found.

    Attributes:
        status: HIT, MISS, PASSED_OVER or SLOW a line (int8).
        columns: One a named group that was asked for, as long as the lines: string or dictionary
            of string; null where the line is no HIT or the group took no part.
    """

    status: np.ndarray
    columns: dict[str, pa.Array]


class Matcher:
    """Matches block after block; remembers the kinds of line it has met."""

    def __init__(
        self,
        pattern: Search,
        ignore: Sequence[Search] = (),
        wanted: Sequence[str] | None = None,
    ) -> None:
        """Take the patterns.

        Args:
            pattern: Searched anywhere in a line.
            ignore: A line in which one of these is found is PASSED_OVER, match or not; so is
                a blank line.
            wanted: The named groups to make columns of; None: all.
        """
        self.pattern, self.ignore = pattern, tuple(ignore)
        self.wanted = tuple(pattern.groupindex if wanted is None else wanted)
        seen = tuple(re.compile(each.pattern, each.flags) for each in (pattern, *self.ignore))
        self.sorter = Sorter(tables(seen), self._look)

    def match(self, data: bytes, starts: Places, ends: Places) -> Matched:
        r"""Match every line of a block.

        Args:
            data: UTF-8 lines, each ended by ``\n``.
            starts: Where each line begins.
            ends: Where its line end stands.
        """
        lines = self.sorter.sort(data, starts)
        if lines is None:
            return self._plain(data, starts, ends)
        columns = {name: cut(data, starts, lines, at) for at, name in enumerate(self.wanted)}
        return Matched(lines.status, columns)

    def _look(self, line: str) -> Kind:
        status, found = tried(self.pattern, self.ignore, line)
        if status != HIT:
            return Kind(status)
        spans = [found.span(name) if found[name] is not None else None for name in self.wanted]
        texts = tuple(found[name] for name in self.wanted)
        return Kind(HIT, byte_spans(line, spans), texts, len(line.encode()))

    def _plain(self, data: bytes, starts: Places, ends: Places) -> Matched:
        lines = pieces(np.frombuffer(data, np.uint8), starts, ends).dictionary_encode()
        status, found = extract(self.pattern, self.ignore, lines.dictionary.to_pylist())
        columns = {name: found[name].take(lines.indices) for name in self.wanted}
        return Matched(status[lines.indices.to_numpy()], columns)


def match_texts(matcher: Matcher, texts: pa.Array) -> Matched:
    """Match every text of a string array (nulls as empty), as if each were a line."""
    words = texts.fill_null("")
    offsets = np.frombuffer(words.buffers()[1], np.int32)[words.offset :][: len(words) + 1]
    text = np.frombuffer(words.buffers()[2] or b"", np.uint8)[offsets[0] : offsets[-1]]
    ends = offsets[1:].astype(np.int64) - offsets[0]
    data = np.insert(text, ends, 10).tobytes()
    ends += np.arange(len(ends))
    starts = np.append(0, ends + 1)[: len(ends)]
    return matcher.match(data, starts, ends)

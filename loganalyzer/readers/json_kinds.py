"""Where the values stand in lines of JSON, found once for each kind of line."""

import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.readers.blocks import Block
from loganalyzer.readers.cuts import cut
from loganalyzer.readers.json_arrow import arrow_columns
from loganalyzer.readers.kinds import HIT, Kind, Sorted, Sorter, byte_spans
from loganalyzer.readers.pieces import pieces

NOT_JSON, NO_OBJECT, ALONE = 3, 4, 5  # further to the statuses of `kinds`; ALONE: not by kinds
PART = 5_000  # lines
MANY = 100  # numbers in a line: each is looked at in every line of the block

# A string, and whether a colon makes it a key; or a number or a word.
TOKEN = re.compile(r'("[^"]*")(\s*:)?|[^\s{}\[\],:"]+')
LONG_NUMBER = re.compile(r"-?(\d)\d")


class JsonKinds:
    """Reads block after block; remembers the kinds of line it has met."""

    def __init__(self, paths: Sequence[str]) -> None:
        """Take the dotted paths of the columns."""
        self.paths = tuple(paths)
        self.exact_keys = bool(re.search("[0-9]", "".join(paths)))
        table = np.arange(256, dtype=np.uint8)
        table[ord("0") : ord("9") + 1] = ord("1")  # not 0, which may not begin a number
        self.sorter = Sorter([table], self._look)

    def read(self, block: Block) -> tuple[np.ndarray, list[pa.Array]]:
        """Status a line (HIT, NOT_JSON, NO_OBJECT), and a string column a path."""
        lines = self.sorter.sort(block.data, block.starts)
        if lines is None:
            return self._in_parts(block)
        text = np.frombuffer(block.data, np.uint8)
        columns = [cut(block.data, block.starts, lines, at) for at in range(len(self.paths))]
        status = lines.status
        status[_leading_zero(text, block.starts, lines, len(self.paths))] = ALONE
        rows = np.flatnonzero(status == ALONE)
        if not len(rows):
            return status, columns
        status[rows], values = self._alone(pieces(text, block.starts[rows], block.ends[rows]))
        mask = pa.array(np.isin(np.arange(len(status)), rows))
        return status, [
            pc.replace_with_mask(column.cast(pa.string()), mask, own)
            for column, own in zip(columns, values, strict=True)
        ]

    def _look(self, line: str) -> Kind:
        """The kind of a line; behind its columns come the numbers of more than one digit."""
        if "\\" in line:
            return Kind(ALONE)
        found = _parsed(line)
        if not isinstance(found, dict):
            return Kind(NOT_JSON if found is BAD else ALONE)
        if self.exact_keys and re.search(r'\d[^"]*"\s*:', line):
            return Kind(ALONE)
        places: list[tuple[int, int]] = []
        numbered = _parsed(TOKEN.sub(lambda token: _number(token, places), line))
        at = [value_at(numbered, path) for path in self.paths]
        values = [None if number is None else places[int(number)] for number in at]
        numbers = [
            (match.start(1), match.start(1) + 1)
            for begin, end in places
            if line[begin - 1] != '"' and (match := LONG_NUMBER.match(line, begin, end))
        ]
        if len(numbers) > MANY:
            return Kind(ALONE)
        spans = [*values, *numbers]
        texts = tuple(span and line[span[0] : span[1]] for span in spans)
        return Kind(HIT, byte_spans(line, spans), texts, len(line.encode()))

    def _in_parts(self, block: Block) -> tuple[np.ndarray, list[pa.Array]]:
        """The same without kinds, some thousand lines at a time: one bad line slows its part."""
        found = [self._part(block, first) for first in range(0, len(block), PART)]
        columns = [
            pa.concat_arrays([part[1][at] for part in found]) for at in range(len(self.paths))
        ]
        return np.concatenate([status for status, _ in found]), columns

    def _part(self, block: Block, first: int) -> tuple[np.ndarray, list[pa.Array]]:
        starts, ends = block.starts[first : first + PART], block.ends[first : first + PART]
        data = block.data[starts[0] : ends[-1] + 1]
        columns = arrow_columns(data, starts - starts[0], ends - starts[0], self.paths)
        if columns is not None:
            return np.full(len(starts), HIT, np.int8), columns
        return self._alone(pieces(np.frombuffer(block.data, np.uint8), starts, ends))

    def _alone(self, lines: pa.Array) -> tuple[np.ndarray, list[pa.Array]]:
        """The same by reading each distinct line."""
        each = lines.dictionary_encode()
        found = [_parsed(line) for line in each.dictionary.to_pylist()]
        status = [
            HIT if isinstance(value, dict) else NOT_JSON if value is BAD else NO_OBJECT
            for value in found
        ]
        columns = [_strings([value_at(value, path) for value in found]) for path in self.paths]
        codes = each.indices
        return np.array(status, np.int8)[codes.to_numpy()], [c.take(codes) for c in columns]


BAD = object()


def value_at(found: Any, path: str) -> str | None:
    """The text at a dotted path of a parsed line; null where it has none.

    Args:
        found: As `json` gives it, with numbers as their text.
        path: Keys joined by dots; a key may hold dots itself and then goes first.
    """
    if not isinstance(found, dict):
        return None
    if path in found:
        return _text(found[path])
    dot = path.find(".")
    while dot >= 0:
        value = value_at(found.get(path[:dot]), path[dot + 1 :])
        if value is not None:
            return value
        dot = path.find(".", dot + 1)
    return None


def _text(value: Any) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else None


def _parsed(line: str) -> Any:
    """The line as `json` reads it, numbers as their text; BAD where it is none."""
    try:
        return json.loads(line, parse_int=str, parse_float=str, parse_constant=_refuse)
    except (ValueError, RecursionError):
        return BAD


def _refuse(word: str) -> Any:
    raise ValueError(word)  # NaN and Infinity: Python would take them, JSON has none


def _strings(texts: Sequence[str | None]) -> pa.Array:
    try:
        return pa.array(texts, pa.string())
    except UnicodeEncodeError:  # half a surrogate pair, which an escape can write
        whole = [text and text.encode("utf-8", "replace").decode() for text in texts]
        return pa.array(whole, pa.string())


def _number(token: re.Match[str], places: list[tuple[int, int]]) -> str:
    """Write the number of its place instead of a value; keys and null stay."""
    if token[2] or token[0] == "null":
        return token[0]
    quote = 1 if token[1] else 0
    places.append((token.start() + quote, token.end() - quote))
    return str(len(places) - 1)


def _leading_zero(text: np.ndarray, starts: np.ndarray, lines: Sorted, columns: int) -> np.ndarray:
    """Lines in which a number begins with a 0 too many, which its kind cannot show."""
    most = max((len(kind.spans) for kind in lines.kinds), default=0)
    bad = np.zeros(len(starts), np.bool_)
    for column in range(columns, most):
        spans = [kind.spans[column] if column < len(kind.spans) else None for kind in lines.kinds]
        place = np.array([span[0] if span else -1 for span in spans], np.int64)[lines.which]
        bad |= (place >= 0) & (text[starts + np.maximum(place, 0)] == ord("0"))
    return bad

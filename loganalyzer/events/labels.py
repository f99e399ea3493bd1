"""Labels as an export writes them → labels as people say them, as codes into a growing list.

Each label is looked at once; a column of millions is then one numpy gather.
"""

import re
from collections.abc import Callable, Mapping

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from loganalyzer.patterns import Pattern
from loganalyzer.settings.entries import Labels

Codes = NDArray[np.int32]
NOTHING = -1


class Naming:
    """A list of labels that grows, and what each label as written means in it.

    Attributes:
        words: The labels; a label's code is its place in this list, NOTHING stands for null.
    """

    def __init__(self, rename: Callable[[str], str | None], words: tuple[str, ...] = ()) -> None:
        """Take what turns a written label into ours (null: it says nothing), and first words."""
        self.words: list[str] = []
        self._rename = rename
        self._codes: dict[str, int] = {}
        self._written: dict[str, int] = {}
        for word in words:
            self.code(word)

    def code(self, word: str | None) -> int:
        """The code of one of our labels, taken into the list if it is new."""
        if word is None:
            return NOTHING
        if word not in self._codes:
            self._codes[word] = len(self.words)
            self.words.append(word)
        return self._codes[word]

    def read(self, written: str | None) -> int:
        """The code of a label as written."""
        if written is None:
            return NOTHING
        if written not in self._written:
            self._written[written] = self.code(self._rename(written))
        return self._written[written]

    def column(self, values: pa.ChunkedArray) -> Codes:
        """The codes of a column of labels as written (string, or dictionary of string)."""
        codes, labels = coded(values)
        table = np.array([*map(self.read, labels), NOTHING], np.int32)
        return table.take(codes)

    def array(self, codes: Codes) -> pa.DictionaryArray:
        """Codes as a column of labels."""
        nothing = codes == NOTHING
        indices = pa.array(codes, mask=nothing) if nothing.any() else pa.array(codes)
        return pa.DictionaryArray.from_arrays(indices, pa.array(self.words, pa.string()))

    def __len__(self) -> int:
        return max(len(self.words), len(self._written))


def coded(values: pa.ChunkedArray) -> tuple[NDArray[np.intp], list[str | None]]:
    """A column as codes into a list of its distinct values; NOTHING where it is null."""
    if not pa.types.is_dictionary(values.type):
        values = values.dictionary_encode()
    column = values.unify_dictionaries().combine_chunks()
    indices = column.indices.fill_null(NOTHING) if column.indices.null_count else column.indices
    return indices.to_numpy(zero_copy_only=False).astype(np.intp), column.dictionary.to_pylist()


def texts(parts: list[pa.ChunkedArray], rows: int) -> tuple[NDArray[np.intp], list[str]]:
    """Columns joined by one space, as codes into a list of distinct texts.

    Parts that are null or blank are left out; where all are, the text is empty.
    """
    codes, joined = np.zeros(rows, np.intp), [""]
    for part in parts:
        own, labels = coded(part)
        words = [*((label or "").strip() for label in labels), ""]
        if len(joined) == 1:
            codes, joined = np.where(own < 0, len(words) - 1, own), [joined[0] + w for w in words]
            continue
        pairs = pa.array(codes * len(words) + own % len(words)).dictionary_encode()
        codes = pairs.indices.to_numpy().astype(np.intp)
        joined = [
            " ".join(filter(None, (joined[pair // len(words)], words[pair % len(words)])))
            for pair in pairs.dictionary.to_pylist()
        ]
    return codes, joined


def floor_naming(rule: Labels) -> Naming:
    """Floor labels: those listed, then the pattern's group, then without leading zeros."""
    table = {written.strip(): floor for written, floor in rule.table.items()}
    pattern = Pattern(rule.pattern) if rule.pattern is not None else None

    def rename(written: str) -> str | None:
        label = written.strip()
        if label in table:
            return table[label]
        found = pattern.search(label) if pattern else None
        return without_zeros((found["floor"] if found else None) or label) or None

    return Naming(rename)


def listed_naming(table: Mapping[str, str], words: tuple[str, ...] = ()) -> Naming:
    """Labels that the table lists become what it says; others stay, less blanks around them."""
    ours = {written.strip(): word for written, word in table.items()}
    return Naming(lambda written: ours.get(written.strip(), written.strip()) or None, words)


def without_zeros(label: str) -> str:
    """A label less its leading zeros and blanks; nothing but zeros is '0'."""
    return label.lstrip("0 ") or label[-1:]


def numbers(values: pa.Array, decimal: str) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Plain numbers read from text.

    Args:
        values: Strings, null where nothing is written.
        decimal: The decimal sign, "." or ",".

    Returns:
        The numbers (NaN where there is none), and which values say something that is no number.
    """
    trimmed = pc.utf8_trim_whitespace(values)
    sign = re.escape(decimal)
    plain = rf"^[+-]?([0-9]+({sign}[0-9]*)?|{sign}[0-9]+)([eE][+-]?[0-9]{{1,2}})?$"
    readable = pc.fill_null(pc.match_substring_regex(trimmed, plain), False)
    text = pc.replace_substring(pc.if_else(readable, trimmed, None), decimal, ".")
    empty = pc.fill_null(pc.equal(trimmed, ""), True)
    number = pc.cast(text, pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
    wrong = ~(readable.to_numpy(zero_copy_only=False) | empty.to_numpy(zero_copy_only=False))
    return number, wrong


def plain(column: pa.ChunkedArray) -> pa.Array:
    """A column in one piece, dictionaries as plain strings."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    return column.combine_chunks()


def joined(parts: list[pa.Array]) -> pa.Array:
    """Columns joined row by row by one space; null parts are left out."""
    if len(parts) == 1:
        return parts[0]
    return pc.binary_join_element_wise(*parts, " ", null_handling="skip")


def whole_numbers(texts: pa.Array) -> pa.Array:
    """Counters; null where a text is no whole number."""
    trimmed = pc.utf8_trim_whitespace(texts)
    plain = pc.match_substring_regex(trimmed, r"^[+-]?[0-9]{1,18}$")
    return pc.cast(pc.if_else(plain, trimmed, None), pa.int64())

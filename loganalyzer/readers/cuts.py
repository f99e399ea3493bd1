"""A column of every line, cut out at the places it has in the kinds of line.

Where what stands in a kind is what stands in each of its lines, it is looked up instead.
"""

import numpy as np
import pyarrow as pa

from loganalyzer.readers.kinds import Sorted
from loganalyzer.readers.pieces import Bytes, Places, pieces, slices


def cut(data: bytes, starts: Places, lines: Sorted, column: int) -> pa.Array:
    r"""One column of a block.

    Args:
        data: UTF-8 lines, each ended by ``\n``.
        starts: Where each line begins.
        lines: Its lines by kind.
        column: Which column of the kinds.

    Returns:
        One a line, string or dictionary of string, null where the column is absent.
    """
    texts = [kind.texts[column] if kind.texts else None for kind in lines.kinds]
    differs = np.array([bool(text) and not lines.merged.isdisjoint(text or "") for text in texts])
    own = [None if other else text for text, other in zip(texts, differs, strict=True)]
    if not differs.any():
        return _looked_up(own, lines.which)
    there = np.array([text is not None for text in texts])
    null = None if there.all() else ~there[lines.which]
    same = _same_place(lines, column)
    if same and (null is None or data.isascii()):
        return slices(data, starts, *same, null)
    spans = [(kind.spans[column] or (0, 0)) if kind.spans else (0, 0) for kind in lines.kinds]
    text = np.frombuffer(data, np.uint8)
    if all(word is None for word in own):
        return _from_lines(text, starts, spans, lines.which, null)
    rows = np.flatnonzero(differs[lines.which])
    rest = _from_lines(text, starts[rows], spans, lines.which[rows], None).dictionary_encode()
    return _both(_looked_up(own, lines.which), rest, rows)


def _same_place(lines: Sorted, column: int) -> tuple[int, int] | None:
    """Where the column begins, and ends (from behind if negative), if that is so in every kind."""
    found = [(kind.spans[column], kind.length) for kind in lines.kinds if kind.spans]
    spans = [(span, length) for span, length in found if span]
    begins, ends = {span[0] for span, _ in spans}, {span[1] for span, _ in spans}
    behind = {length - span[1] for span, length in spans}
    if len(begins) > 1:
        return None
    if len(ends) == 1:
        return begins.pop(), ends.pop()
    return (begins.pop(), -1 - behind.pop()) if len(behind) == 1 else None


def _looked_up(texts: list[str | None], which: np.ndarray) -> pa.DictionaryArray:
    words = pa.array(texts, pa.string()).dictionary_encode()
    return pa.DictionaryArray.from_arrays(words.indices.take(pa.array(which)), words.dictionary)


def _from_lines(
    data: Bytes,
    starts: Places,
    spans: list[tuple[int, int]],
    which: np.ndarray,
    null: np.ndarray | None,
) -> pa.Array:
    begin, end = np.array(spans, np.int64).T
    first = starts + begin[which]
    return pieces(data, first, first + (end - begin)[which], null)


def _both(
    known: pa.DictionaryArray, rest: pa.DictionaryArray, rows: np.ndarray
) -> pa.DictionaryArray:
    """One dictionary column of two; `rest` has the values of `rows`, where `known` is null."""
    codes = known.indices.fill_null(-1).to_numpy().copy()
    codes[rows] = rest.indices.to_numpy() + len(known.dictionary)
    words = pa.concat_arrays([known.dictionary, rest.dictionary])
    return pa.DictionaryArray.from_arrays(pa.array(codes, mask=codes < 0), words)

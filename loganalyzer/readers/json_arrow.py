"""Lines of JSON by Arrow's parser, where it cannot find anything else than Python's.

It reads each column with one type, so it can give back texts, booleans and whole numbers as they
were written, and nothing else. Whatever it stumbles over, or might read otherwise, is left to the
caller.
"""

import io
import json
from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.readers.pieces import Places

# Escapes can write half a character; Arrow takes NaN and Infinity; -0 would lose its sign.
UNSURE = (b"\\", b"NaN", b"Inf", b":-0", b" -0", b"\t-0", b",-0", b"[-0")
LOOK = 50  # lines looked at for a column's type
TYPES = {str: pa.string(), bool: pa.bool_(), int: pa.int64(), type(None): pa.string()}


def arrow_columns(
    data: bytes, starts: Places, ends: Places, paths: Sequence[str]
) -> list[pa.Array] | None:
    r"""The string columns of some lines, each of them an object, or None.

    Args:
        data: UTF-8 lines, each ended by ``\n``.
        starts: Where each line begins.
        ends: Where its line end stands.
        paths: Dotted paths, one a column.
    """
    text = np.frombuffer(data, np.uint8)
    # An object a line: as none can go on from a } to a {, as many objects as lines are one each.
    braces = (text[starts] == ord("{")) & (text[np.maximum(ends - 1, 0)] == ord("}"))
    if not len(starts) or not braces.all() or any(word in data for word in UNSURE):
        return None
    if any(key in data for path in paths for key in _dotted_keys(path)):
        return None
    try:
        some = [json.loads(line) for line in data.split(b"\n", LOOK)[: min(LOOK, len(starts))]]
        table = _parsed(data, _schema(some, paths))
    except (ValueError, RecursionError, KeyError):
        return None
    return [_column(table, path) for path in paths] if len(table) == len(starts) else None


def _parsed(data: bytes, schema: pa.Schema) -> pa.Table:
    from pyarrow import json as arrow_json  # few exports come here

    return arrow_json.read_json(
        io.BytesIO(data),
        arrow_json.ReadOptions(use_threads=False, block_size=len(data) + 1),
        arrow_json.ParseOptions(schema, unexpected_field_behavior="ignore"),
    )


def _dotted_keys(path: str) -> list[bytes]:
    """The keys with dots in them that could stand for several steps of a path."""
    steps = path.split(".")
    parts = [".".join(steps[a:b]) for a, b in combinations(range(len(steps) + 1), 2) if b - a > 1]
    return [json.dumps(part, ensure_ascii=False).encode() for part in parts]


def _schema(lines: Sequence[Any], paths: Sequence[str]) -> pa.Schema:
    """What the columns hold, as the first lines show it; KeyError where no type gives it back."""
    tree: dict[str, Any] = {}
    for path in paths:
        *above, last = path.split(".")
        inner = tree
        for key in above:
            inner = inner.setdefault(key, {})
            if not isinstance(inner, dict):
                raise KeyError(path)  # a path that goes on from another one's value
        if isinstance(inner.get(last), dict):
            raise KeyError(path)
        inner[last] = _type(lines, path.split("."))
    return pa.schema(_fields(tree))


def _fields(tree: dict[str, Any]) -> list[pa.Field]:
    return [
        pa.field(key, pa.struct(_fields(inner)) if isinstance(inner, dict) else inner)
        for key, inner in tree.items()
    ]


def _type(lines: Sequence[Any], steps: Sequence[str]) -> pa.DataType:
    for value in lines:
        for step in steps:
            value = value.get(step) if isinstance(value, dict) else None
        if value is not None:
            return TYPES[type(value)]
    return pa.string()


def _column(table: pa.Table, path: str) -> pa.Array:
    first, *steps = path.split(".")
    column = table.column(first).combine_chunks()
    for step in steps:
        column = pc.struct_field(column, step)
    return column.cast(pa.string())

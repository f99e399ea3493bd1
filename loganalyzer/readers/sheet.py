"""Layout `sheet`: one sheet of an .xlsx workbook; a line is a row of the sheet.

A date or time cell is read as its ISO text, a whole number without decimals, a formula as the
value that was saved with it. A workbook does not tell midnight from a date alone: where one column
carries the whole stamp, a date in it is midnight.
"""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa

from loganalyzer.errors import InputError
from loganalyzer.profile import Profile, Sheet
from loganalyzer.readers.columns import places, trimmed, used_columns
from loganalyzer.readers.records import REJECTS, TEXT_LIMIT, Batch
from loganalyzer.readers.workbook import open_sheet

ROWS = 20_000  # in a batch

Row = tuple[int, list[Any]]


def read(stream: BinaryIO, profile: Profile, name: str, *, size: int = ROWS) -> Iterator[Batch]:
    """Read an export of this layout.

    Args:
        stream: The workbook's bytes, unpacked.
        profile: Its `sheet` names the sheet and the header's row; rows above are ignored.
        name: The export's name, for messages.
        size: Rows in a batch. No result depends on it.

    Raises:
        InputError: It is no workbook, is too large, lacks the sheet, the header, or a column
            that the profile uses.
    """
    rule = profile.sheet or Sheet()
    rows: Iterator[Row] = iter(enumerate(open_sheet(stream, rule.sheet, name).iter_rows(), 1))
    above = list(islice(rows, rule.header_row))
    if len(above) < rule.header_row:
        raise InputError(
            name, f"{len(above)} rows", f"a header in row {rule.header_row}",
            "Correct header_row or sheet in the profile",
        )  # fmt: skip
    types = used_columns(profile.columns)
    header = [(cell_text(cell) or "").strip() for cell in above[-1][1]]
    at = places(list(types), header, name)
    time = profile.columns.time
    moment = time[0] if len(time) == 1 else None
    yield _batch(above, at, types, moment, preamble=True)
    while batch := list(islice(rows, size)):
        yield _batch(batch, at, types, moment)


def _batch(
    rows: Sequence[Row],
    at: Mapping[str, int],
    types: Mapping[str, pa.DataType],
    moment: str | None,
    preamble: bool = False,
) -> Batch:
    filled = [] if preamble else [row for row in rows if any(map(_is_filled, row[1]))]
    columns = {
        column: trimmed(
            pa.array(
                [
                    (moment_text if column == moment else cell_text)(cells[place])
                    for _, cells in filled
                ],
                types[column],
            )
        )
        for column, place in at.items()
    }
    numbers = pa.array(np.array([number for number, _ in filled], np.int64))
    return Batch(
        pa.table({**columns, "line": numbers}),
        REJECTS.empty_table(),
        len(rows),
        len(rows) - len(filled),
        _raw(rows),
    )


def _raw(rows: Sequence[Row]) -> Callable[[pa.Array], pa.Array]:
    """What shows rows as a line of text: their cells that hold something, apart by tabs."""

    def raw(numbers: pa.Array) -> pa.Array:
        texts = [row_text(rows[number - rows[0][0]][1]) for number in numbers.to_pylist()]
        return pa.array(texts, pa.string())

    return raw


def row_text(cells: Sequence[Any]) -> str:
    """A row as a readable line, cut to TEXT_LIMIT."""
    texts = [cell_text(cell) for cell in cells]
    return "\t".join(text for text in texts if text)[:TEXT_LIMIT]


def _is_filled(cell: Any) -> bool:
    return bool(cell.strip()) if isinstance(cell, str) else cell is not None


def cell_text(cell: Any) -> str | None:
    """A cell as text; null where it is empty."""
    return TEXT_OF.get(type(cell), str)(cell)


def moment_text(cell: Any) -> str | None:
    """A cell that carries date and time as text: a date alone is its midnight."""
    return f"{cell.isoformat()} 00:00:00" if type(cell) is dt.date else cell_text(cell)


def _number_text(value: float) -> str:
    return str(int(value)) if value.is_integer() else repr(value)


def _hours_text(value: dt.timedelta) -> str:
    """A cell of elapsed hours, as a time that may go beyond 24."""
    seconds = value // dt.timedelta(seconds=1)
    text = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return f"{text}.{value.microseconds:06d}" if value.microseconds else text


TEXT_OF: Mapping[type, Callable[[Any], str | None]] = {
    str: lambda value: value or None,
    float: _number_text,
    bool: lambda value: "true" if value else "false",
    dt.datetime: lambda value: value.isoformat(sep=" "),
    dt.date: dt.date.isoformat,
    dt.time: dt.time.isoformat,
    dt.timedelta: _hours_text,
    type(None): lambda value: None,
}

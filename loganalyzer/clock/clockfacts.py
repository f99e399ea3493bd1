"""The columns of a block that tell how the clock went, as arrays."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Int64s = NDArray[np.int64]
Flags = NDArray[np.bool_]

# A clock that says anything else has lost its date or never had one (2001-01-01 to 2080-01-01).
# common practice, no source
PLAUSIBLE_FROM, PLAUSIBLE_TO = (
    (datetime(year, 1, 1) - datetime(1970, 1, 1)).days * 86_400_000_000  # noqa: DTZ001
    for year in (2001, 2080)
)
# 1900 to 2100; what is larger is no set of a clock.
_LARGEST_SET_S = 200 * 366 * 86_400


@dataclass(frozen=True)
class ClockColumns:
    """One place a row.

    Attributes:
        written: µs as written.
        utc: µs, zone applied; `written` where there is none (uptime).
        wall: False where there is no utc (uptime); None where every row has one.
        clock: Clock events; None where the block has none.
        power_on: Power-on events; None where the block has none.
        power_off: Power-off events; None where the block has none.
    """

    written: Int64s
    utc: Int64s
    wall: Flags | None
    clock: Flags | None
    power_on: Flags | None
    power_off: Flags | None


def clock_columns(block: pa.Table | pa.RecordBatch) -> ClockColumns:
    """Reads written, utc, signal and edge of READING rows."""
    written = integers(block.column("written"))
    column = block.column("utc")
    wall, utc = None, written
    if column.null_count < len(column):
        utc = integers(column if not column.null_count else pc.coalesce(column, block["written"]))
    if column.null_count:
        wall = np.asarray(column.to_pandas().notna(), np.bool_)
    power = rows_with(block.column("signal"), "power")
    on = off = None
    if power is not None:
        edge_on = rows_with(block.column("edge"), "on")
        began = power & edge_on if edge_on is not None else np.zeros(len(power), np.bool_)
        on, off = _some(began), _some(power & ~began)
    return ClockColumns(written, utc, wall, rows_with(block.column("signal"), "clock"), on, off)


def added_us(block: pa.Table | pa.RecordBatch, rows: Int64s) -> list[int | None]:
    """What clock events at these rows added, µs; None where no sensible number is recorded."""
    values = block.column("value").take(pa.array(rows)).to_pylist()
    sensible = [value is not None and abs(value) < _LARGEST_SET_S for value in values]
    return [round(v * 1e6) if fine else None for v, fine in zip(values, sensible, strict=True)]


def integers(column: pa.Array | pa.ChunkedArray) -> Int64s:
    """An int64 column as an array, null as 0."""
    if column.null_count:
        column = pc.fill_null(column, 0)
    return np.asarray(column.to_numpy(), np.int64)


def plausible(times: Int64s) -> Flags:
    """Which times a clock that runs right can have written."""
    fine: Flags = (times >= PLAUSIBLE_FROM) & (times < PLAUSIBLE_TO)
    return fine


def rows_with(column: pa.Array | pa.ChunkedArray, word: str) -> Flags | None:
    """Rows with this word, None where there are none; cheap where the dictionary lacks it."""
    if isinstance(column, pa.ChunkedArray):
        parts = [rows_with(chunk, word) for chunk in column.chunks]
        if all(part is None for part in parts):
            return None
        return np.concatenate(
            [
                np.zeros(len(chunk), np.bool_) if part is None else part
                for chunk, part in zip(column.chunks, parts, strict=True)
            ]
        )
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    place = column.dictionary.index(pa.scalar(word, column.dictionary.type)).as_py()
    if place < 0:
        return None
    indices = column.indices.fill_null(-1) if column.null_count else column.indices
    return _some(np.asarray(indices.to_numpy()) == place)


def _some(flags: Flags) -> Flags | None:
    return flags if flags.any() else None

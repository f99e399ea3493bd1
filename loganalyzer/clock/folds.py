"""An export that begins inside the repeated autumn hour: which of the two passes is it in?

Alone it cannot say, and is read as the first. Other exports of the chute may know better:
if they show the second pass, or run on past where this one begins without sharing its rows,
then it begins in the second.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

Ints = npt.NDArray[np.int64]
KEY = ("written", "floor", "signal", "edge", "stream", "code", "value")


@dataclass(frozen=True)
class Head:
    """The first `rows` rows of an export lie in a repeated hour that is `shift` µs long."""

    rows: int
    shift: int


def begins_in_fold(reading: pa.Table) -> Head | None:
    """The rows of the repeated hour that an export begins with, if it goes on past that hour.

    Args:
        reading: READING in file order.

    Returns:
        None too where the export itself shows both passes, or ends within the hour.
    """
    fold = pc.equal(reading["mark"], "fold").fill_null(False).to_numpy().astype(bool)
    if not len(fold) or not fold[0] or fold.all():
        return None
    rows = int(np.argmin(fold))
    before = _offsets(reading.slice(0, rows))
    after = _offsets(reading.slice(rows, 1))
    on = reading["written"][rows].as_py() > pc.max(reading["written"].slice(0, rows)).as_py()
    if not on or (before != before[0]).any() or after[0] >= before[0]:
        return None
    return Head(rows, int(before[0] - after[0]))


def settle(readings: Sequence[pa.Table]) -> list[pa.Table]:
    """Move the beginnings of exports to the second pass where the others tell that it is.

    Args:
        readings: READING of the exports of one chute.

    Returns:
        The same readings; `utc` differs where a beginning was moved.
    """
    heads = [begins_in_fold(reading) for reading in readings]
    return [
        _moved(reading, head)
        if head and _second(reading, head, [o for j, o in enumerate(readings) if j != i])
        else reading
        for i, (reading, head) in enumerate(zip(readings, heads, strict=True))
    ]


def _second(reading: pa.Table, head: Head, others: Sequence[pa.Table]) -> bool:
    """Whether other exports show that the head lies in the second pass."""
    begun = reading.slice(0, head.rows)
    first_utc = begun["utc"][0].as_py()
    found = False
    for other in others:
        near = _in_hour(other, begun, head)
        late = _offsets(near) < _offsets(begun)[0]
        early = near.filter(pa.array(~late))
        if _share(early, begun):
            return False
        passed = early.num_rows and pc.max(early["utc"]).as_py() > first_utc
        found = found or bool(late.any()) or bool(passed)
    return found


def _in_hour(other: pa.Table, begun: pa.Table, head: Head) -> pa.Table:
    """Rows of another export in the same repeated hour, whichever pass."""
    low, high = pc.min(begun["written"]).as_py(), pc.max(begun["written"]).as_py()
    near = pc.and_(
        pc.greater(other["written"], low - head.shift),
        pc.less(other["written"], high + head.shift),
    )
    return other.filter(pc.and_(near, pc.equal(other["mark"], "fold")))


def _share(one: pa.Table, other: pa.Table) -> bool:
    keys = [name for name in KEY if name in one.column_names]
    return bool(set(_tuples(one, keys)) & set(_tuples(other, keys)))


def _tuples(table: pa.Table, keys: Sequence[str]) -> list[tuple[object, ...]]:
    return [tuple(row.values()) for row in table.select(list(keys)).to_pylist()]


def _moved(reading: pa.Table, head: Head) -> pa.Table:
    utc = reading["utc"].to_numpy().copy()
    utc[: head.rows] += head.shift
    at = reading.column_names.index("utc")
    return reading.set_column(at, "utc", pa.array(utc, pa.int64()))


def _offsets(reading: pa.Table) -> Ints:
    """Wall clock less UTC, µs; falls by the shift when the second pass begins."""
    offsets: Ints = pc.subtract(reading["written"], reading["utc"]).to_numpy()
    return offsets

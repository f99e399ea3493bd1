"""How the controller's clock went: restarts, drift, steps, uptime → time and how far to trust it."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.tables import TEXT

# One export's events of one chute in file order.
READING = pa.schema(
    [
        ("chute", TEXT), ("floor", TEXT), ("signal", TEXT), ("edge", TEXT), ("stream", TEXT),
        ("code", TEXT), ("value", pa.float64()), ("line", pa.int64()), ("order", pa.int64()),
        ("written", pa.int64()),  # wall clock as written, µs; for uptime_s µs since power-on
        ("utc", pa.int64()),  # as written, zone applied, µs; null for uptime_s
        ("mark", TEXT),  # exact, fold, gap, sampled
        ("anchor", pa.int64()),  # UTC µs of the stamp `now` (uptime_s), else null
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Corrections:
    """What the clock facts of a sequence do to its rows; falsy where there is nothing to do."""

    def __bool__(self) -> bool:
        return False


@dataclass
class RunState:
    """What `apply` carries from block to block of one sequence."""


class ClockScan:
    """First pass over one sequence: collects its clock facts, in memory that does not grow with it.

    Attributes:
        rows: How many rows were added.
        open_head: Its head hangs on what came before: the first clock fact is a clock event
            (an earlier export's tail would be moved by it) or the first row is a power-on
            (whether time went back there, only an earlier export knows).
        open_tail: It ends in a restarted stretch that no clock event has ended: a later
            export's head belongs to it.
        last_anchored: UTC µs of the last row that is anchored, None if there is none.
    """

    def __init__(self, zone: str = "utc") -> None:
        """Take the zone as for ZoneClock (a set that is its summer-time change corrects nothing)."""
        self.rows = 0
        self.open_head = False
        self.open_tail = False
        self.last_anchored: int | None = None

    def add(self, block: pa.Table | pa.RecordBatch) -> None:
        """Take the next rows; reads signal, edge, value, written, utc and anchor."""
        raise NotImplementedError

    def corrections(self) -> Corrections:
        """The corrections for everything added so far, as if the sequence ended here."""
        raise NotImplementedError


def apply(
    block: pa.Table | pa.RecordBatch, corrections: Corrections, first_row: int, state: RunState
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Second pass: `time` (UTC µs) and codes of the marks for the rows from first_row on.

    Args:
        block: READING rows, in order.
        corrections: Of the whole sequence.
        first_row: Number of the block's first row in the sequence, from 0.
        state: `RunState()` at the first block; changed in place.
    """
    raise NotImplementedError


def resolve(reading: pa.Table, zone: str) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """`time` (UTC µs) and codes of the marks of a whole sequence in memory.

    The repeated hour is resolved anew, in the order the rows stand in now (merged exports).

    Args:
        reading: READING rows, in order; further columns are allowed.
        zone: As for ZoneClock.
    """
    raise NotImplementedError


def restarts(reading: pa.Table, zone: str = "utc") -> pd.DataFrame:
    """For every row, which restarted stretch it lies in.

    Returns:
        As many rows as `reading`, index 0…: `restart` (int64: number of the stretch, from 0; -1
        outside of any), `before` (Int64: written time of the last event before the power-on,
        null if none), `ended_by` (Int64: written time of the clock event that ends it, null if
        none). With uptime every power-on begins a stretch, and `ended_by` is its first anchor.
    """
    raise NotImplementedError


def clock_sets(block: pa.Table | pa.RecordBatch) -> NDArray[np.int64] | None:
    """µs added to the clock at each row (0 where none), None where the block has no set.

    Reads signal and value; for `ZoneClock.to_utc`.
    """
    raise NotImplementedError


def blocks(reading: pa.Table, rows: int) -> Iterator[pa.Table]:
    """Slices of a table, in order."""
    for first in range(0, reading.num_rows, rows):
        yield reading.slice(first, rows)

"""How the controller's clock went: restarts, drift, steps, uptime → time and how far to trust it.

Two passes over a sequence of READING rows: `ClockScan` collects the facts (clock events,
power-ons, anchors), then `apply` moves the times. Neither depends on how the sequence is cut into
blocks. The rules are told where they are kept: zones.py (repeated and missing hours),
wallclock.py (restarts, drift, steps), uptime.py, and in corrections.py the last two:

- A time that ends outside 2001-01-01 to 2080-01-01 is kept and marked `unanchored`.
- A row earlier than one before it, with no clock event or power-on between, stays in its place
  and is marked `step`.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.clock.clockfacts import added_us, clock_columns, integers, rows_with
from loganalyzer.clock.corrections import Corrections, RunState, apply
from loganalyzer.clock.marks import FOLD, Codes, mark_array, mark_codes
from loganalyzer.clock.uptime import UptimeScan
from loganalyzer.clock.wallclock import Restart, WallScan
from loganalyzer.clock.zones import ZoneClock
from loganalyzer.stamps.offsets import NO_OFFSET
from loganalyzer.tables import TEXT

Int64s = NDArray[np.int64]

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


class ClockScan:
    """First pass over one sequence: collects its clock facts, in memory that grows only with them.

    Attributes:
        rows: How many rows were added.
    """

    def __init__(self, zone: str = "utc") -> None:
        """Take the zone as for ZoneClock: a set that is its summer-time switch is no step."""
        self.rows = 0
        self._wall, self._uptime = WallScan(zone), UptimeScan()

    def add(self, block: pa.Table | pa.RecordBatch, zone: str | None = None) -> None:
        """Take the next rows; reads signal, edge, value, written, utc and anchor.

        Args:
            block: READING rows.
            zone: Of these rows and those that follow; null: as before.
        """
        if block.num_rows:
            self._wall.zone = zone or self._wall.zone
            columns = clock_columns(block)
            self._wall.add(block, columns, self.rows)
            self._uptime.add(block, columns, self.rows)
        self.rows += block.num_rows

    def corrections(self) -> Corrections:
        """The corrections for everything added so far, as if the sequence ended here."""
        return Corrections(
            tuple(self._wall.corrections(self.rows)),
            tuple(self._uptime.corrections(self.rows)),
            self._wall.rough,
        )

    def restarts(self) -> list[Restart]:
        """The restarted stretches, by first row; see the function `restarts`."""
        both = self._wall.all_restarts(self.rows) + self._uptime.all_restarts(self.rows)
        return sorted(both, key=lambda restart: restart.first)

    @property
    def open_head(self) -> bool:
        """Whether an export that came before would be changed by this one, or this one by it.

        The first clock fact is a clock event (it moves an earlier export's tail), or the first
        row is a power-on (whether time went back there only the earlier export knows), or it
        counts from a power-on that it does not hold.
        """
        return self._wall.open_head or self._uptime.open_head

    @property
    def open_tail(self) -> bool:
        """Whether it ends in a restarted stretch that no clock event has ended, or in uptimes."""
        return self._wall.open_tail or self._uptime.rows_seen

    @property
    def last_anchored(self) -> int | None:
        """UTC µs, as written, of the last row with a wall clock that is anchored."""
        return self._wall.last_anchored


def resolve(reading: pa.Table, zone: str) -> tuple[Int64s, Codes]:
    """`time` and marks of a whole sequence in memory.

    The repeated hour is resolved anew, in the order the rows stand in now (merged exports);
    for a sequence that is already in file order this changes nothing.

    Args:
        reading: READING rows, in order; further columns are allowed.
        zone: As for ZoneClock.

    Returns:
        UTC µs, and codes of the marks (index into CLOCK_MARKS).
    """
    reading = _repeated_hours_anew(reading, zone)
    scan = ClockScan(zone)
    scan.add(reading)
    return apply(reading, scan.corrections(), 0, RunState())


def restarts(reading: pa.Table, zone: str = "utc") -> pd.DataFrame:
    """For every row, which restarted stretch it lies in.

    Args:
        reading: READING rows, in order; further columns are allowed.
        zone: As for ZoneClock.

    Returns:
        As many rows as `reading`, index 0…: `restart` (int64: number of the stretch, from 0; -1
        outside of any), `before` (Int64: written time of the last event before the power-on,
        null if none), `ended_by` (Int64: written time of the clock event that ends it, null if
        none). With uptime every power-on begins a stretch, and `ended_by` is the UTC of its
        first anchor.
    """
    scan = ClockScan(zone)
    scan.add(reading)
    found = scan.restarts()
    number = np.full(reading.num_rows, -1)
    wall = clock_columns(reading).wall
    for place, each in enumerate(found):
        rows = np.arange(each.first, each.last)
        number[rows if wall is None else rows[wall[rows] != each.uptime]] = place
    outside = Restart(0, 0, None, None)
    before = pd.array([each.before for each in [*found, outside]], "Int64")
    ended_by = pd.array([each.ended_by for each in [*found, outside]], "Int64")
    return pd.DataFrame({"restart": number, "before": before[number], "ended_by": ended_by[number]})


def clock_sets(events: pa.Table | pa.RecordBatch) -> Int64s | None:
    """µs added to the clock at each row (0 where none); None where no clock was set.

    Reads signal and value; hand it to `ZoneClock.to_utc`.
    """
    clock = rows_with(events.column("signal"), "clock")
    if clock is None:
        return None
    sets = np.zeros(events.num_rows, np.int64)
    rows = np.flatnonzero(clock)
    sets[rows] = [added or 0 for added in added_us(events, rows)]
    return sets


def blocks(reading: pa.Table, rows: int) -> Iterator[pa.Table]:
    """Slices of a table, in order."""
    for first in range(0, reading.num_rows, rows):
        yield reading.slice(first, rows)


def _repeated_hours_anew(reading: pa.Table, zone: str) -> pa.Table:
    marks = mark_codes(reading.column("mark"))
    folded = marks == FOLD
    if not folded.any():
        return reading
    written, utc = integers(reading.column("written")), integers(reading.column("utc"))
    first, found = ZoneClock(zone).to_utc(written)
    # A stamp with an offset of its own, or of another zone, has no part in the order.
    own = ~folded & ((first != utc) | (found == FOLD))
    offset_us = np.where(own, written - utc, NO_OFFSET)
    anew, _ = ZoneClock(zone).to_utc(written, offset_us, clock_sets(reading))
    null = reading.column("utc").is_null() if reading.column("utc").null_count else None
    mask = None if null is None else np.asarray(null.to_numpy())
    column = pa.array(np.where(folded, anew, utc), pa.int64(), mask=mask)
    return reading.set_column(reading.schema.get_field_index("utc"), "utc", column)


__all__ = [
    "READING",
    "ClockScan",
    "Corrections",
    "RunState",
    "apply",
    "blocks",
    "clock_sets",
    "mark_array",
    "resolve",
    "restarts",
]

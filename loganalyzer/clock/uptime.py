"""Stamps that count from the power-on, told the time by lines that hold a wall clock (anchors).

- An anchor fixes every line since the last power-on, those before it included. A power-on is its
  event, or a count that runs back by more than a second.
- Between two anchors the difference is drift, spread evenly; before the first and after the last
  the nearest one holds.
- Anchors more than 300 s apart from what the first says tell that the wall clock was set between
  them: as with any step, all lines since the power-on move to the later one.
- Lines of a power-on without any anchor keep no time: they take that of the last line that has
  one (1970-01-01 if none has), so that they stay in their place, and are unanchored.
"""

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.clock.clockfacts import ClockColumns
from loganalyzer.clock.corrections import Correction
from loganalyzer.clock.marks import DRIFT, EXACT, STEP, UNANCHORED
from loganalyzer.clock.wallclock import DRIFT_LIMIT_US, Restart
from loganalyzer.clock.zones import OUT_OF_TURN_US

Int64s = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Anchor:
    row: int
    count: int  # uptime, µs
    utc: int


@dataclass
class UptimeScan:
    """Collects the corrections of one sequence of uptimes; holds anchors, not rows.

    Attributes:
        moved: Corrections of power-ons that are over.
        restarts: Power-ons that are over.
        rows_seen: Whether any row was an uptime.
        open_head: The first line is no power-on: an earlier export holds its beginning.
    """

    moved: list[Correction] = field(default_factory=list)
    restarts: list[Restart] = field(default_factory=list)
    rows_seen: bool = False
    open_head: bool = False
    _first: int = 0
    _before: int | None = None  # count of the last line before this power-on
    _anchors: list[_Anchor] = field(default_factory=list)
    _count: int | None = None
    _time: int = 0  # of the last line that has one, before this power-on

    def add(self, block: pa.Table | pa.RecordBatch, columns: ClockColumns, first_row: int) -> None:
        """Take the next rows; `first_row` is the number of the block's first row."""
        if columns.wall is None:
            return
        rows = np.flatnonzero(~columns.wall)
        if not len(rows):
            return
        counts = columns.written[rows]
        began = self._begins(columns, rows, counts)
        if not self.rows_seen:
            self.rows_seen, self._first = True, int(rows[0]) + first_row
            self.open_head = columns.power_on is None or not bool(columns.power_on[rows[0]])
            began[0] = False
        anchors = block.column("anchor").take(pa.array(rows))
        anchored = ~np.asarray(anchors.to_pandas().isna())
        for place in np.flatnonzero(began | anchored).tolist():
            row = int(rows[place]) + first_row
            if began[place]:
                self._power_on(row, int(counts[place - 1]) if place else self._count)
            if anchored[place]:
                self._anchors.append(_Anchor(row, int(counts[place]), anchors[place].as_py()))
        self._count = int(counts[-1])

    def corrections(self, rows: int) -> list[Correction]:
        """The corrections if the sequence ends after this many rows."""
        return [*self.moved, *self._pieces(rows)] if self.rows_seen else []

    def all_restarts(self, rows: int) -> list[Restart]:
        """The power-ons if the sequence ends after this many rows."""
        return [*self.restarts, self._restart(rows)] if self.rows_seen else []

    def _begins(self, columns: ClockColumns, rows: Int64s, counts: Int64s) -> NDArray[np.bool_]:
        before = np.concatenate([[counts[0] if self._count is None else self._count], counts[:-1]])
        began: NDArray[np.bool_] = counts < before - OUT_OF_TURN_US
        return began if columns.power_on is None else began | columns.power_on[rows]

    def _power_on(self, row: int, count: int | None) -> None:
        self.moved += self._pieces(row)
        self.restarts.append(self._restart(row))
        if self._anchors and count is not None:
            self._time = count + self._anchors[-1].utc - self._anchors[-1].count
        self._first, self._before, self._anchors = row, count, []

    def _restart(self, row: int) -> Restart:
        ended_by = self._anchors[0].utc if self._anchors else None
        return Restart(self._first, row, self._before, ended_by, uptime=True)

    def _pieces(self, last: int) -> list[Correction]:
        if not self._anchors:
            return [Correction(self._first, last, UNANCHORED, hold=self._time)]
        shifts, stepped = _shifts(self._anchors)
        edges = [self._first, *(anchor.row for anchor in self._anchors), last]
        mark = [STEP if place <= stepped else EXACT for place in range(len(edges) - 1)]
        pieces = [Correction(edges[0], edges[1], mark[0], shifts[0])]
        for place, (anchor, after) in enumerate(
            zip(self._anchors, self._anchors[1:], strict=False), 1
        ):
            spread = shifts[place] - shifts[place - 1]
            worst = min(mark[place], DRIFT if spread else EXACT)
            span = after.count - anchor.count
            pieces.append(
                Correction(
                    edges[place], edges[place + 1], worst, shifts[place - 1], spread,
                    anchor.count, span,
                )
            )  # fmt: skip
        pieces.append(Correction(edges[-2], last, mark[-1], shifts[-1]))
        return [piece for piece in pieces if piece.first < piece.last]


def _shifts(anchors: list[_Anchor]) -> tuple[list[int], int]:
    """UTC less uptime at each anchor, moved by the steps that later anchors tell.

    Returns:
        The shifts, and the place of the last anchor that tells a step (-1 if none does).
    """
    shifts = [anchor.utc - anchor.count for anchor in anchors]
    stepped = -1
    for place in range(len(shifts) - 1, 0, -1):
        by = shifts[place] - shifts[place - 1]
        if abs(by) > DRIFT_LIMIT_US:
            shifts[:place] = [shift + by for shift in shifts[:place]]
            stepped = max(stepped, place)
    return shifts, stepped

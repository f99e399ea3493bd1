"""What the clock facts of a sequence do to its rows, as ranges of rows, and doing it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.clock.clockfacts import ClockColumns, clock_columns, plausible
from loganalyzer.clock.marks import STEP, UNANCHORED, Codes, mark_codes
from loganalyzer.stamps.offsets import offsets_at

Int64s = NDArray[np.int64]

# Years 1 to 9999, µs: what other programs can read; a wild set cannot move a time out of them.
FIRST_TIME, LAST_TIME = -62_135_596_800_000_000, 253_402_300_799_000_000


@dataclass(frozen=True, slots=True)
class Correction:
    """One range of rows, and how far their time moves.

    A row moves by `add` + `spread` times how far it lies from `start` to `start + span`, from 0
    before to 1 after, all in µs of the time as written.

    Attributes:
        first: First row.
        last: The row after the last.
        mark: How far the result can be trusted.
        add: Moves every row alike.
        spread: Moves the rows at the end of the span by the whole, those at its start not.
        start: Where the span starts.
        span: Its length; where it is not above 0, rows after `start` move by the whole.
        hold: Replaces the time, where no time is known.
        zone: Where `add` is what the wall clock of this zone moves by: from winter to summer
            the instant moves by an hour less.
    """

    first: int
    last: int
    mark: int
    add: int = 0
    spread: int = 0
    start: int = 0
    span: int = 0
    hold: int | None = None
    zone: str = "utc"

    def move(self, time: Int64s, written: Int64s) -> Int64s:
        """Times of some rows, moved; `written` is what the span is measured on."""
        if self.hold is not None:
            return np.full(len(time), self.hold)
        moved = moved_on_the_wall(time, self.add, self.zone)
        if not self.spread:
            return moved
        since = (written - self.start).astype(np.float64)
        share = np.clip(since / self.span, 0, 1) if self.span > 0 else (since > 0) * 1.0
        return moved + np.rint(self.spread * share).astype(np.int64)


def moved_on_the_wall(time: Int64s, add: int, zone: str) -> Int64s:
    """Instants (µs UTC) whose wall clock in a zone is moved by `add` µs."""
    moved = time + add
    if not add:
        return moved
    wall = offsets_at(zone, time) + moved
    once = wall - offsets_at(zone, moved)
    # Beside a change of the hour the first guess may lie on its wrong side.
    twice = wall - offsets_at(zone, once)
    return np.where(offsets_at(zone, twice) == wall - twice, twice, once)


@dataclass(frozen=True)
class Corrections:
    """The corrections of a sequence; falsy where `apply` would change nothing.

    Attributes:
        wall: Those for rows with a wall clock, by first row; ranges may overlap and add up.
        uptime: Those for rows that count from the power-on.
        rough: A time runs back or is not plausible, so that marks may change.
    """

    wall: tuple[Correction, ...] = ()
    uptime: tuple[Correction, ...] = ()
    rough: bool = False

    def __bool__(self) -> bool:
        return bool(self.wall or self.uptime or self.rough)

    def within(self, first: int, last: int, *, wall: bool) -> list[Correction]:
        """Those that touch rows first to last - 1."""
        every = self.wall if wall else self.uptime
        firsts, lasts = self._edges[0 if wall else 1]
        return [every[place] for place in np.flatnonzero((firsts < last) & (lasts > first))]

    @cached_property
    def _edges(self) -> tuple[tuple[Int64s, Int64s], ...]:
        return tuple(
            (
                np.array([each.first for each in every], np.int64),
                np.array([each.last for each in every], np.int64),
            )
            for every in (self.wall, self.uptime)
        )


@dataclass
class RunState:
    """What `apply` carries from block to block: the highest time since the last clock fact."""

    high: int | None = None


def apply(
    block: pa.Table | pa.RecordBatch, corrections: Corrections, first_row: int, state: RunState
) -> tuple[Int64s, Codes]:
    """Second pass: `time` and marks of the rows from first_row on.

    Args:
        block: READING rows, in order.
        corrections: Of the whole sequence, from `ClockScan`.
        first_row: Number of the block's first row in the sequence, from 0.
        state: `RunState()` at the first block; changed in place.

    Returns:
        UTC µs, and codes of the marks (index into CLOCK_MARKS).
    """
    columns = clock_columns(block)
    time, marks = columns.utc.copy(), mark_codes(block.column("mark"))
    _mark_runs_back(columns, marks, state)
    for each in corrections.within(first_row, first_row + len(time), wall=True):
        _correct(each, first_row, columns, time, marks, wall=True)
    for each in corrections.within(first_row, first_row + len(time), wall=False):
        _correct(each, first_row, columns, time, marks, wall=False)
    wild = ~plausible(time)
    if wild.any():
        marks[wild] = UNANCHORED
        time[wild] = np.clip(time[wild], FIRST_TIME, LAST_TIME)
    return time, marks


def _correct(
    each: Correction,
    first_row: int,
    columns: ClockColumns,
    time: Int64s,
    marks: Codes,
    *,
    wall: bool,
) -> None:
    rows: slice | Int64s = slice(max(each.first - first_row, 0), max(each.last - first_row, 0))
    if columns.wall is not None:
        mine = columns.wall[rows] == wall
        rows = np.arange(len(time))[rows][mine]
    time[rows] = each.move(time[rows], columns.utc[rows])
    marks[rows] = np.minimum(marks[rows], each.mark).astype(np.int8)


def _mark_runs_back(columns: ClockColumns, marks: Codes, state: RunState) -> None:
    """Mark rows that are earlier than one before them since the last clock event or power-on."""
    mine = plausible(columns.utc)
    if columns.wall is not None:
        mine &= columns.wall
    every = bool(mine.all())
    times = columns.utc if every else columns.utc[mine]
    anew = _facts(columns)
    if anew is not None and not every:
        anew = _carried(anew, mine)
    falls = bool((times[1:] < times[:-1]).any())
    if anew is None and not falls:
        if not len(times):
            return
        if state.high is None or times[0] >= state.high:
            state.high = int(times[-1])
            return
    back = _runs_back(times, anew, state)
    marks[mine] = np.where(back, np.minimum(marks[mine], STEP), marks[mine]).astype(np.int8)


def _runs_back(times: Int64s, anew: NDArray[np.bool_] | None, state: RunState) -> NDArray[np.bool_]:
    """Rows below the highest before them; begins anew at each fact."""
    starts = [] if anew is None else np.flatnonzero(anew).tolist()
    back = np.zeros(len(times), np.bool_)
    for place, (first, last) in enumerate(zip([0, *starts], [*starts, len(times)], strict=True)):
        if place:
            state.high = None
        if first == last:
            continue
        before = times[first] if state.high is None else state.high
        highest = np.maximum.accumulate(np.concatenate([[before], times[first:last]]))
        back[first:last] = times[first:last] < highest[:-1]
        state.high = int(highest[-1])
    return back


def _facts(columns: ClockColumns) -> NDArray[np.bool_] | None:
    if columns.clock is None or columns.power_on is None:
        return columns.power_on if columns.clock is None else columns.clock
    return columns.clock | columns.power_on


def _carried(anew: NDArray[np.bool_], mine: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Facts at rows that are left out count at the next row that is not; one place more."""
    kept_before: Int64s = np.cumsum(mine) - mine
    carried = np.zeros(int(mine.sum()) + 1, np.bool_)
    carried[kept_before[anew]] = True
    return carried

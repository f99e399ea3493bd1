"""Restarts, drift and steps of a clock that writes wall time, told from its clock and power events.

The rules, and where they leave something open, what is decided:

- A power-on whose time is before that of the last anchored line is a restart. Until the next clock
  event, whatever its size, the lines from the power-on on move by the whole of it; if a power
  event (on or off) or the end of the log comes first, nothing anchors them. Only the first clock
  event after a restart is such a step; later ones are judged by their size.
- A clock event of at most 300 s is drift: nothing at the clock event or power-on before it (or at
  the first line), all of it just before the set, evenly over the time as written between. The
  clock event itself is stamped after the set and stays. Lines out of turn move by no less than
  nothing and by no more than all of it.
- A larger one is a step: every line from the last power-on on (or from the first line) moves by
  all of it, lines before earlier clock events included; so steps add up, and add to drift.
- A clock event that adds nothing, or whose value is not recorded, moves nothing but is a clock
  event that a later drift is spread back to. Without a value it cannot anchor a restart.
- After a power-off, lines before the next power-on are as unanchored as those before; a clock
  event there moves the lines since the power-off.

Ours, beyond the rules:

- A line that falls out of 2001-01-01 to 2080-01-01 has restarted even where no power-on is
  written: a clock event moves the lines from there on; the first line back in that range is
  anchored again. (After a power-on that is written, the rule above stands.)
- A set by the zone's own change of offset (to 300 s), within 3 h of that change, is the summer-time
  switch of the controller: no step. Lines written after the change and before a late switch move
  by the change; what the set differs from the change by is drift.
"""

from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.clock.clockfacts import ClockColumns, added_us, plausible
from loganalyzer.clock.corrections import Correction
from loganalyzer.clock.marks import DRIFT, STEP, UNANCHORED
from loganalyzer.clock.zones import changes_between
from loganalyzer.stamps.offsets import Change

Int64s = NDArray[np.int64]
DRIFT_LIMIT_US = 300_000_000
LATE_US = 3 * 3_600_000_000
_KEPT_US = 2 * LATE_US
_FAR_US = 10**18  # sets that are nonsense add up to no more


@dataclass(frozen=True)
class Restart:
    """A restarted stretch: rows first to last - 1; see `clock.restarts` for what stands around."""

    first: int
    last: int
    before: int | None
    ended_by: int | None
    uptime: bool = False


@dataclass
class _Since:
    """The clock event, power-on or first line that a drift is spread back to."""

    row: int
    utc: int
    is_clock: bool

    @property
    def next_row(self) -> int:
        return self.row + self.is_clock


@dataclass
class _Open:
    """A restarted stretch that nothing has ended yet."""

    first: int
    before: int | None
    told: bool  # by a power event, not only by its times


@dataclass(frozen=True)
class _Fact:
    """A line that tells something about the clock, and the line before it."""

    row: int
    utc: int
    written: int
    before_utc: int | None
    before: int | None  # as written
    out: bool  # its time is not plausible
    kind: str  # clock, on, off, or empty: only its time tells
    added: int | None = None


@dataclass
class WallScan:
    """Collects the corrections of one sequence; holds facts, not rows.

    Attributes:
        zone: As for ZoneClock; of the rows that come next, where exports of two zones follow
            one another.
        moved: Corrections that are settled.
        restarts: Restarted stretches that have ended.
        open_head: See ClockScan.
        last_anchored: See ClockScan.
        rough: See Corrections.
    """

    zone: str
    moved: list[Correction] = field(default_factory=list)
    restarts: list[Restart] = field(default_factory=list)
    open_head: bool = False
    last_anchored: int | None = None
    rough: bool = False
    _told: bool = False  # a clock event or power-on was seen
    _utc: int | None = None  # of the last line
    _written: int | None = None
    _out: bool = False
    _since: _Since | None = None
    _steps_from: int = 0
    _steps: list[tuple[int, int, str]] = field(default_factory=list)  # row, added, zone
    _open: _Open | None = None
    _passed: dict[int, int] = field(default_factory=dict)  # change → first row past it

    @property
    def open_tail(self) -> bool:
        """See ClockScan."""
        return self._open is not None

    def add(self, block: pa.Table | pa.RecordBatch, columns: ClockColumns, first_row: int) -> None:
        """Take the next rows; `first_row` is the number of the block's first row."""
        rows = np.arange(len(columns.utc)) if columns.wall is None else np.flatnonzero(columns.wall)
        if not len(rows):
            return
        every = columns.wall is None
        utc = columns.utc if every else columns.utc[rows]
        written = columns.written if every else columns.written[rows]
        out = ~plausible(utc)
        before = utc[0] if self._utc is None else self._utc
        self.rough |= bool(out.any() or utc[0] < before or (utc[1:] < utc[:-1]).any())
        self._pass_changes(written, utc, rows + first_row)
        if self._since is None:
            self._since = _Since(int(rows[0]) + first_row, int(utc[0]), False)
        for fact in self._facts(block, columns, rows, out, first_row):
            self._tell(fact)
        self._utc, self._written, self._out = int(utc[-1]), int(written[-1]), bool(out[-1])
        if self._open is None and not self._out:
            self.last_anchored = self._utc

    def corrections(self, rows: int) -> list[Correction]:
        """The corrections if the sequence ends after this many rows."""
        return [*self.moved, *self._step_pieces(), *self._unanchored(rows)]

    def all_restarts(self, rows: int) -> list[Restart]:
        """The restarted stretches if the sequence ends after this many rows."""
        if self._open is None:
            return list(self.restarts)
        return [*self.restarts, Restart(self._open.first, rows, self._open.before, None)]

    def _facts(
        self,
        block: pa.Table | pa.RecordBatch,
        columns: ClockColumns,
        rows: Int64s,
        out: NDArray[np.bool_],
        first_row: int,
    ) -> list[_Fact]:
        """Facts, and lines at which the time leaves or enters the plausible range, in order."""
        telling = out != np.concatenate([[self._out], out[:-1]])
        kinds = np.zeros(len(rows), np.int8)
        for code, flags in enumerate((columns.clock, columns.power_on, columns.power_off), 1):
            if flags is not None:
                kinds[flags[rows]] = code
        places = np.flatnonzero(telling | (kinds > 0))
        if not len(places):
            return []
        added = added_us(block, rows[places])
        return [
            _Fact(
                int(rows[place]) + first_row,
                int(columns.utc[rows[place]]),
                int(columns.written[rows[place]]),
                int(columns.utc[rows[place - 1]]) if place else self._utc,
                int(columns.written[rows[place - 1]]) if place else self._written,
                bool(out[place]),
                ("", "clock", "on", "off")[kinds[place]],
                value if kinds[place] == 1 else None,
            )
            for place, value in zip(places.tolist(), added, strict=True)
        ]

    def _tell(self, fact: _Fact) -> None:
        if self._open is None and not self._out and fact.before_utc is not None:
            self.last_anchored = fact.before_utc
        if fact.kind == "on":
            self._power_on(fact)
        elif fact.kind == "clock":
            self._set(fact)
        elif fact.kind == "off":
            self._power_off(fact)
        if fact.kind in ("", "off"):
            self._leaves_or_enters(fact)
        if fact.kind in ("clock", "on") and not self._told:
            self._told = True
            self.open_head = fact.kind == "clock" or fact.before_utc is None
        self._out = fact.out

    def _power_on(self, fact: _Fact) -> None:
        self._close(fact.row, None)
        self._new_steps(fact.row)
        back = self.last_anchored is not None and fact.utc < self.last_anchored
        if back or fact.out:
            self._open = _Open(fact.row, fact.before, back)
        self._since = _Since(fact.row, fact.utc, False)

    def _power_off(self, fact: _Fact) -> None:
        if self._open is None:
            return
        was = self._open
        self._close(fact.row + 1, None)
        self._new_steps(fact.row + 1)
        self._open = _Open(fact.row + 1, was.before, was.told)

    def _leaves_or_enters(self, fact: _Fact) -> None:
        if self._open is None and fact.out and not self._out:
            self._open = _Open(fact.row, fact.before, False)
        elif self._open is not None and not self._open.told and not fact.out:
            self._close(fact.row, None)

    def _set(self, fact: _Fact) -> None:
        restarted, added = self._open, fact.added
        self._close(fact.row, fact if added is not None else None)
        if added is not None and restarted:
            if self._steps_from < restarted.first:
                self._new_steps(restarted.first)
            self._steps.append((fact.row, added, self.zone))
        elif added is not None:
            added = self._without_switch(fact, added)
            if abs(added) > DRIFT_LIMIT_US:
                self._steps.append((fact.row, added, self.zone))
            elif added:
                self._drift(fact, added)
        self._since = _Since(fact.row, fact.utc, True)

    def _drift(self, fact: _Fact, added: int) -> None:
        since = self._since or _Since(0, fact.utc, False)
        span = fact.utc - added - since.utc
        self.moved.append(Correction(since.next_row, fact.row, DRIFT, 0, added, since.utc, span))

    def _without_switch(self, fact: _Fact, added: int) -> int:
        """What a set adds besides the zone's own change; lines since the change move by that."""
        change = _switch(self.zone, fact, added)
        if change is None:
            return added
        by = change.after - change.before
        past = self._passed.get(change.utc, fact.row)
        first = max(past, self._since.next_row if self._since else 0)
        if first < fact.row:
            self.moved.append(Correction(first, fact.row, STEP, by))
        return added - by

    def _close(self, row: int, ended_by: _Fact | None) -> None:
        """End the restarted stretch before this row, anchored by a clock event or by nothing."""
        if self._open is None:
            return
        if ended_by is None:
            self.moved += self._unanchored(row)
        if self._open.first < row:
            set_to = None if ended_by is None else ended_by.written
            self.restarts.append(Restart(self._open.first, row, self._open.before, set_to))
        self._open = None

    def _unanchored(self, row: int) -> list[Correction]:
        if self._open is None or self._open.first >= row:
            return []
        return [Correction(self._open.first, row, UNANCHORED)]

    def _new_steps(self, row: int) -> None:
        self.moved += self._step_pieces()
        self._steps, self._steps_from = [], row

    def _step_pieces(self) -> list[Correction]:
        """Steps since the last power-on: each moves all rows before it, so they add up."""
        rows = [self._steps_from, *(row for row, _, _ in self._steps)]
        left = [*accumulate(added for _, added, _ in reversed(self._steps))][::-1]
        zones = [zone for _, _, zone in self._steps]
        return [
            Correction(first, last, STEP, max(-_FAR_US, min(add, _FAR_US)), zone=zone)
            for first, last, add, zone in zip(rows, rows[1:], left, zones, strict=False)
            if first < last
        ]

    def _pass_changes(self, written: Int64s, utc: Int64s, numbers: Int64s) -> None:
        """Note the first row past each change of offset, should a switch come late."""
        low, high = int(written.min()), int(written.max())
        for change in changes_between(self.zone, low - _KEPT_US, high):
            if change.utc in self._passed or not low - _KEPT_US < change.end <= high:
                continue
            late = (written >= change.end) & (written < change.end + _KEPT_US)
            rows = np.flatnonzero(late & (utc == written - change.after))
            if len(rows):
                self._passed[change.utc] = int(numbers[rows[0]])


def _switch(zone: str, fact: _Fact, added: int) -> Change | None:
    for change in changes_between(zone, fact.written - _KEPT_US, fact.written + _KEPT_US):
        by = change.after - change.before
        near = abs(fact.utc - change.utc) <= LATE_US + abs(by)
        if near and abs(added - by) <= DRIFT_LIMIT_US:
            return change
    return None

"""Written wall clock → UTC, for any time zone, the repeated and the missing hour included.

A missing local time moves forward by the gap. A repeated one is in its first pass until the
written time runs back inside the repeated hour, then in its second pass. Decided here:

- A run back of a second or less is two lines written out of turn, not the second pass.
- A set of the clock that explains the run back is not the second pass either; a set by the whole
  change (to 300 s) is the controller's own summer-time switch and begins it.
- A line from after the repeated hour puts later lines of that hour in the second pass.
- A line from the 23 hours that end an hour before it starts anew (two logs in one file).
  A line from further away (a restarted clock that writes 2000) changes nothing.
- An offset written in the stamp is certain: it is honoured in any zone and takes no part in this.
- A sparse log may leave the pass open, so every line of a repeated hour is marked.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from loganalyzer.clock.marks import EXACT, FOLD, GAP, Codes
from loganalyzer.stamps.offsets import NO_OFFSET as NO_OFFSET
from loganalyzer.stamps.offsets import SECOND_US, Change, Offsets, offsets

Int64s = NDArray[np.int64]

OUT_OF_TURN_US: Final = SECOND_US
DAY_US: Final = 86_400 * SECOND_US
_SWITCH_US: Final = 300 * SECOND_US
# Keeps the stretches of one window apart on the number line: more than any window is long.
_APART: Final = 1 << 45


@dataclass(frozen=True)
class _Pass:
    """Where the sequence stands in one repeated hour: highest local time so far, which pass."""

    high: int | None = None
    second: bool = False


class ZoneClock:
    """The clock of one zone, reading one sequence of written times in file order."""

    def __init__(self, zone: str) -> None:
        """Take "utc", "offset" (every stamp carries its own) or an IANA name."""
        self.zone = zone
        self._passes: dict[int, _Pass] = {}

    def to_utc(
        self, written: Int64s, offset_us: Int64s | None = None, sets_us: Int64s | None = None
    ) -> tuple[Int64s, Codes]:
        """The next block of the sequence in UTC.

        Args:
            written: Wall clock as written, µs since 1970-01-01 00:00, in file order.
            offset_us: Offset that the stamp itself carries (local - UTC, µs), NO_OFFSET where
                none; an offset is certain and is honoured whatever the zone.
            sets_us: µs added to the clock at this row (`clock.clock_sets` of the events), 0
                elsewhere, None where there is no set.

        Returns:
            UTC µs, and the codes of the marks (index into CLOCK_MARKS): EXACT, FOLD or GAP.

        Raises:
            SettingsError: The zone does not exist.
        """
        own = None if offset_us is None else offset_us != NO_OFFSET
        if own is not None and own.all() and offset_us is not None:
            return written - offset_us, np.full(len(written), EXACT, np.int8)
        if self.zone in ("utc", "offset") or not len(written):
            utc, codes = written.copy(), np.full(len(written), EXACT, np.int8)
        else:
            utc, codes = self._in_zone(written, own, sets_us)
        if own is not None and offset_us is not None:
            utc[own], codes[own] = written[own] - offset_us[own], EXACT
        return utc, codes

    def _in_zone(
        self, written: Int64s, own: NDArray[np.bool_] | None, sets_us: Int64s | None
    ) -> tuple[Int64s, Codes]:
        low, high = int(written.min()), int(written.max())
        known = _known(self.zone, low, high)
        codes = np.full(len(written), EXACT, np.int8)
        utc = _first_pass(written, known, low, high)
        for change in known.changes:
            if change.repeats and _meets(change, low, high):
                self._repeated_hour(change, written, own, sets_us, utc, codes)
            elif not change.repeats and low < change.end and high >= change.start:
                codes[(written >= change.start) & (written < change.end)] = GAP
        return utc, codes

    def _repeated_hour(
        self,
        change: Change,
        written: Int64s,
        own: NDArray[np.bool_] | None,
        sets_us: Int64s | None,
        utc: Int64s,
        codes: Codes,
    ) -> None:
        near = (written >= change.start - DAY_US) & (written < change.end + _length(change))
        rows = np.flatnonzero(near if own is None else near & ~own)
        if not len(rows):
            return
        local = written[rows] - change.start
        sets = np.zeros(len(rows), np.int64) if sets_us is None else sets_us[rows]
        before = self._passes.get(change.start, _Pass())
        second, self._passes[change.start] = _second_pass(local, sets, _length(change), before)
        inside = (local >= 0) & (local < _length(change))
        codes[rows[inside]] = FOLD
        late = rows[inside & second]
        utc[late] = written[late] - change.after


def changes_between(zone: str, low: int, high: int) -> tuple[Change, ...]:
    """The zone's changes of offset in the years of these local times, µs; none for "utc"."""
    return () if zone in ("utc", "offset") else _known(zone, low, high).changes


def _known(zone: str, low: int, high: int) -> Offsets:
    return offsets(zone, _year(low - DAY_US), _year(high + DAY_US))


def _first_pass(written: Int64s, known: Offsets, low: int, high: int) -> Int64s:
    """Every row by the offset before a change until the local time that is past the change."""
    first, last = np.searchsorted(known.starts, [low, high], side="right")
    if first == last:  # one offset for the whole block, which is nearly always so
        return written - int(known.offset[first])
    places = np.searchsorted(known.starts[first:last], written, side="right")
    return written - known.offset[first:][places]


def _second_pass(
    local: Int64s, sets: Int64s, length: int, before: _Pass
) -> tuple[NDArray[np.bool_], _Pass]:
    """Which rows come after the run back; local 0 is the start of the repeated hour.

    Stretches (a new one where the log starts anew) are laid one above the other on the number
    line, so that one running maximum serves them all. A set moves what was written before it.
    """
    switch = np.abs(sets + length) <= _SWITCH_US
    moved = np.cumsum(np.where((sets < 0) & (sets > -length) & ~switch, sets, 0))
    early = local < -length
    stretch = np.cumsum(early & ~np.concatenate([[False], early[:-1]]))
    level = np.where(local >= 0, local - moved, -_APART // 2) + stretch * _APART
    start = -_APART // 2 if before.high is None else before.high
    highest = np.maximum.accumulate(np.concatenate([[start], level]))
    inside = (local >= 0) & (local < length)
    over = highest[:-1] + moved - stretch * _APART >= length
    back = inside & (switch | over | (level < highest[:-1] - OUT_OF_TURN_US))
    turned = np.concatenate([[0 if before.second else -1], np.where(back, stretch, -1)])
    second = np.maximum.accumulate(turned)[1:] == stretch
    end = int(highest[-1] - stretch[-1] * _APART)
    high = None if end < -_APART // 4 else end + int(moved[-1])
    return second, _Pass(high, bool(second[-1]))


def _meets(change: Change, low: int, high: int) -> bool:
    return low < change.end + _length(change) and high >= change.start - DAY_US


def _length(change: Change) -> int:
    return abs(change.after - change.before)


def _year(local: int) -> int:
    return int(np.datetime64(local, "us").astype("datetime64[Y]").astype(np.int64)) + 1970

"""What the door tells of each use: when it was let open, opened, shut and locked again.

Works on rows of the timeline (see `Log`); the rules are in the docstring of `cycles.py`.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.intervals import ENDS, OFF, POWER
from loganalyzer.keys import (
    SECOND,
    Flags,
    Floats,
    Ints,
    Log,
    Rows,
    after,
    before,
    chute_numbers,
    pick,
    recoded,
    stable_order,
    stranger,
)
from loganalyzer.tables import PAIRED_WITHIN, SIGNALS, require


@dataclass(frozen=True)
class Found:
    """The intervals of one signal as rows of the timeline, in the order of the interval table.

    Attributes:
        place: Row of the interval table.
        own: The on, or the off that has lost its on.
        known: Whether the on is in the log.
        end: The off, or -1.
        ended: Number in `ENDS`.
        door: Number of chute and floor, see `Log.doors`.
    """

    place: Rows
    own: Rows
    known: Flags
    end: Rows
    ended: Ints
    door: Ints

    def door_by_door(self) -> "Found":
        """The same, sorted by door, then row."""
        return self._sorted(stable_order(self.door))

    def by_row(self) -> "Found":
        """The same, sorted by own row: the table sorts by start, which may be earlier."""
        return self._sorted(np.argsort(self.own, kind="stable"))

    def _sorted(self, order: Rows) -> "Found":
        return Found(*(getattr(self, name)[order] for name in Found.__dataclass_fields__))


@dataclass(frozen=True)
class Grants:
    """Uses of doors, sorted by the row at which they were granted.

    Attributes:
        grant: The unlock; where it is missing, the first event of the door that shows the use.
        door: Number of chute and floor.
        unlocked, opened, reopened, closed, locked: Rows, -1 where not recorded; reopened is the
            place of the last opening.
        touched: Whether any opening belongs to the use.
        cut: Whether power loss ended its unlocking or its last opening.
    """

    grant: Rows
    door: Ints
    unlocked: Rows
    opened: Rows
    reopened: Rows
    closed: Rows
    locked: Rows
    touched: Flags
    cut: Flags


@dataclass(frozen=True)
class Paired:
    """The table `intervals` as numpy arrays.

    Attributes:
        signal: Number in `SIGNALS`.
        floor: Category number among the log's floors.
        known: Whether the on is in the log.
        ended: Number in `ENDS`.
        chute: The log's number of the chute.
        stream: Category number among the log's streams.
        seconds: As in the table.
    """

    signal: Ints
    floor: Ints
    known: Flags
    ended: Ints
    chute: Ints
    stream: Ints
    seconds: Floats

    @classmethod
    def of(cls, log: Log, intervals: pd.DataFrame) -> "Paired":
        """From the table.

        Raises:
            TableError: A column is missing, or a chute that the log has not stands there.
        """
        require(intervals, "site", "chute", "signal", "floor", "stream")
        require(intervals, "seconds", "start_known", "ended_by")
        return cls(
            recoded(intervals["signal"], pd.Index(SIGNALS)),
            recoded(intervals["floor"], log.labels["floor"]),
            intervals["start_known"].to_numpy(bool),
            recoded(intervals["ended_by"], pd.Index(ENDS)),
            chute_numbers(log, intervals),
            recoded(intervals["stream"], log.labels["stream"]),
            intervals["seconds"].to_numpy(np.float64),
        )

    def part(self, log: Log) -> "Paired":
        """The intervals of a piece of the log."""
        rows = log.share(self.chute)
        columns = {name: column[rows] for name, column in vars(self).items()}
        columns["chute"] = columns["chute"] - np.int32(log.before)
        return Paired(**columns)


def find(log: Log, intervals: Paired, signal: str) -> Found:
    """The rows behind the intervals of a signal.

    Every on begins exactly one interval and the table keeps their order, so the k-th interval
    with a known start belongs to the k-th on; within a key the same holds of ends and offs.

    Args:
        log: The timeline.
        intervals: Its intervals.
        signal: One that is paired within floor, stream or the chute alone, not `fault`.

    Raises:
        TableError: The intervals were not made from this timeline.
    """
    place = np.flatnonzero(intervals.signal == SIGNALS.index(signal))
    known, ended = intervals.known[place], intervals.ended[place]
    ons, offs, closing = log.rows(signal, "on"), log.rows(signal, "off"), ended == OFF
    if np.count_nonzero(known) != len(ons) or np.count_nonzero(closing) != len(offs):
        raise stranger(f"{len(place)} intervals of {signal} that do not fit")
    own, end = np.full(len(place), -1), np.full(len(place), -1)
    own[known] = ons
    door = intervals.chute[place] * np.int32(log.floors) + intervals.floor[place] + 1
    mine, theirs = door[closing], log.doors(offs)
    if "stream" in PAIRED_WITHIN[signal]:
        streams = np.int32(len(log.labels["stream"]) + 1)
        mine = (intervals.chute[place] * streams + intervals.stream[place] + 1)[closing]
        theirs = log.chute[offs] * streams + log.codes["stream"][offs] + 1
    end[closing] = offs[_by_key(mine, theirs) if PAIRED_WITHIN[signal] else slice(None)]
    own[~known] = end[~known]
    return Found(place, own, known, end, ended, door)


def _by_key(key: Ints, off_key: Ints) -> Rows:
    """Which off ends each interval that an off ends, both in the order of the log.

    Key by key the k-th off ends the k-th of them. Where uses follow one another neatly the keys
    agree as they stand; else both are sorted by key.
    """
    if np.array_equal(key, off_key):
        return np.arange(len(key))
    mine = np.empty(len(key), np.int64)
    mine[stable_order(key)] = stable_order(off_key)
    return mine


def own_rows(log: Log, intervals: Paired, signal: str) -> Rows:
    """`find(...).own`, ascending: for most logs these are just the ons."""
    lost = intervals.signal[~intervals.known]
    if not (lost == SIGNALS.index(signal)).any():
        return log.rows(signal, "on")
    return np.sort(find(log, intervals, signal).own)


def cut_rows(log: Log, intervals: Paired, signal: str) -> Rows:
    """The ons whose interval was ended by power loss, ascending."""
    if not (intervals.ended == POWER).any():
        return log.rows(signal, "on")[:0]
    found = find(log, intervals, signal)
    return np.sort(found.own[found.ended == POWER])


def grants(log: Log, unlocks: Found, opens: Found, bounce_s: Floats) -> Grants:
    """Put the openings of a log to the unlocks they belong to.

    Args:
        log: The timeline.
        unlocks: Its intervals of `unlocked`.
        opens: Its intervals of `open`.
        bounce_s: For each chute, openings closer together than this are one use, seconds.
    """
    unlocks, opens = unlocks.door_by_door(), opens.door_by_door()
    unlock_rows = log.rows("unlocked", "on")
    home = _strictly_within(log, unlocks, opens, unlock_rows)
    home = _at_the_same_instant(log, unlocks, opens, home)
    head, home = _uses(opens.door, home, _bounces(log, opens, home, unlock_rows, bounce_s))
    first = np.flatnonzero(head)
    last = np.append(first[1:], len(head)) - 1 if len(first) else first
    opened = np.where(opens.known[first], opens.own[first], -1)
    reopened = opens.own[last]
    closed, cut = opens.end[last], opens.ended[last] == POWER
    use = np.full(len(unlocks.own) + 1, -1)  # the use of each unlock among the openings, or -1
    use[home[first]] = np.where(home[first] >= 0, np.arange(len(first)), -1)
    use = use[:-1]
    alone = np.flatnonzero(home[first] < 0)
    begun = pick(opens.own[first], use)
    grant = np.where(unlocks.known | (begun < 0), unlocks.own, begun)
    none = np.full(len(alone), -1)
    columns = [
        (grant, opens.own[first][alone]),
        (unlocks.door, opens.door[first][alone]),
        (np.where(unlocks.known, unlocks.own, -1), none),
        (pick(opened, use), opened[alone]),
        (pick(reopened, use), reopened[alone]),
        (pick(closed, use), closed[alone]),
        (unlocks.end, none),
        (use >= 0, np.ones(len(alone), bool)),
        ((unlocks.ended == POWER) | np.append(cut, False)[use], cut[alone]),
    ]
    joined = [np.concatenate(pair) for pair in columns]
    order = np.argsort(joined[0], kind="stable")
    return Grants(*(column[order] for column in joined))


def _strictly_within(log: Log, unlocks: Found, opens: Found, unlock_rows: Rows) -> Rows:
    """For each opening, the unlock during which it began by the order of rows; else -1."""
    at = _next_end(log, unlocks, opens, unlock_rows)
    begin, lone = unlocks.own.copy(), np.flatnonzero(~unlocks.known)
    begin[lone] = before(log.power(), begin[lone])
    same = np.append(unlocks.door, -1)[at] == opens.door
    inside = same & (np.append(begin, -1)[at] < opens.own)
    return np.where(inside, at, -1)


def _next_end(log: Log, unlocks: Found, opens: Found, unlock_rows: Rows) -> Rows:
    """For each opening, the first unlock of its door, or of a later one, that ends after it.

    An unlock whose off is missing ends at the next unlock of any door, or as power is lost.
    """
    end = unlocks.end.copy()
    lost = np.flatnonzero(unlocks.ended != OFF)
    end[lost] = len(log)
    for breaks in (unlock_rows, log.losses(), log.first):
        end[lost] = np.minimum(end[lost], after(breaks, unlocks.own[lost], len(log)))
    size = len(log) + 1
    return np.searchsorted(_place(unlocks.door, end, size), _place(opens.door, opens.own, size))


def _place(door: Ints, row: Rows, size: int) -> Rows:
    """One sortable number for a door and a row."""
    return door.astype(np.int64) * size + row


def _at_the_same_instant(log: Log, unlocks: Found, opens: Found, home: Rows) -> Rows:
    """Openings written just before their unlock, or just after its end, at one time with it."""
    rest = np.flatnonzero(home < 0)
    if not len(rest) or not len(unlocks.own):
        return home
    size = len(log) + 1
    row, door = opens.own[rest], opens.door[rest]
    at = np.searchsorted(_place(unlocks.door, unlocks.own, size), _place(door, row, size))
    found = np.full(len(rest), -1)
    ends = np.where(unlocks.ended == OFF, unlocks.end, -1)
    begins = np.where(unlocks.known, unlocks.own, -1)
    for place, edge in ((at - 1, ends), (at, begins)):  # the unlock to come stands above
        edge_row = np.append(edge, -1)[np.minimum(place, len(edge))]
        same = (edge_row >= 0) & (np.append(unlocks.door, -1)[np.minimum(place, len(edge))] == door)
        same &= log.instant[edge_row] == log.instant[row]
        found = np.where(same, place, found)
    filled = home.copy()
    filled[rest] = found
    return filled


def _bounces(log: Log, opens: Found, home: Rows, unlock_rows: Rows, bounce_s: Floats) -> Flags:
    """Openings outside every unlock that follow the one before them closely enough to be one."""
    bounce = np.zeros(len(home), bool)
    rest = np.flatnonzero(home < 0)
    rest = rest[rest > 0]
    rest = rest[opens.door[rest] == opens.door[rest - 1]]
    row = opens.own[rest]
    seen = np.where(opens.end[rest - 1] >= 0, opens.end[rest - 1], opens.own[rest - 1])
    gap = (log.time[row] - log.time[seen]) / SECOND
    close = (gap >= 0) & (gap < bounce_s[log.chute[row]]) & log.comparable(seen, row)
    for breaks in (log.losses(), unlock_rows):
        close &= after(breaks, seen, len(log)) > row
    bounce[rest] = close
    return bounce


def _uses(door: Ints, home: Rows, bounce: Flags) -> tuple[Flags, Rows]:
    """Whether each opening is the first of its use, and the unlock of its use."""
    own = ~bounce
    home = home[np.maximum.accumulate(np.where(own, np.arange(len(home)), 0))]
    goes_on = np.zeros(len(home), bool)
    goes_on[1:] = (home[1:] == home[:-1]) & (home[1:] >= 0) & (door[1:] == door[:-1])
    return own & ~goes_on, home

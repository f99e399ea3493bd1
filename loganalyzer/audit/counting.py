"""How many presses led to each lockout, and which presses led to none.

Presses at a door are counted anew from its last release, from power and from the log's start on;
those refused for another reason count too, unless the log shows otherwise. The press that trips
is the last one before the lockout by the lines; one stamped within the log's doubt after it may
have been it as well.

With `limit` = L a lockout is explained where the press that trips and the L before it lie within
the window, and presses that do so without doubt should have brought one. So for each L every
lockout and every press gives one number, the time over the last L + 1 presses: that of lockouts
must be at most the window, that of all other presses more.
"""

from dataclasses import dataclass

import numpy as np

from loganalyzer.audit.ground import Ground
from loganalyzer.grants import Found
from loganalyzer.intervals import LOG_END, OFF, POWER
from loganalyzer.keys import SECOND, Flags, Floats, Rows, after, before, pick

# A controller may write its answer a little after the press.
# Source: common practice, no source.
ANSWER_S = 2.0
NEVER = np.inf


@dataclass(frozen=True)
class Counted:
    """The presses and lockouts of one door.

    Attributes:
        door: Number of chute and floor.
        row: Each press, ascending.
        begin: For each press, the place of the first press of its count.
        free: Whether it certainly led to no lockout and was not ignored in one.
        on: Row of each lockout whose on is in the log.
        trip: Place of the last press before it, by the lines, or -1.
        late: Place of the last press that may have tripped it, or -1.
        since: Row from which on its presses were counted.
        fresh: Whether that row is a release; else it is power or the log's start, and presses
            before it may have counted.
    """

    door: int
    row: Rows
    begin: Rows
    free: Flags
    on: Rows
    trip: Rows
    late: Rows
    since: Rows
    fresh: Flags


@dataclass(frozen=True)
class Bars:
    """When one door was, or may have been, locked out: rows from `low` to `high`; `known` ons."""

    low: Rows
    high: Rows
    known: Flags


def counted(ground: Ground, keep: Flags | None = None) -> list[Counted]:
    """Count the presses of every door of a log, door by door.

    Args:
        ground: The log.
        keep: Which of `ground.presses.row` count; null: all.
    """
    log = ground.log
    pressed = ground.presses.row if keep is None else ground.presses.row[keep]
    lock = ground.found("lockout")
    able = (log.has("press", "refusal") & log.has("lockout"))[log.chute[pressed]]
    pressed = np.sort(pressed[able])
    order = np.argsort(log.doors(pressed), kind="stable")
    doors, first = np.unique(log.doors(pressed)[order], return_index=True)
    parts = np.split(pressed[order], first[1:])[: len(doors)]
    rows = dict(zip(doors.tolist(), parts, strict=True))
    return [
        _door(ground, door, rows.get(door, pressed[:0]), _bars(ground, lock, door))
        for door in sorted({*rows, *lock.door.tolist()})
    ]


def spans(ground: Ground, door: Counted, limit: int, *, sure: bool = True) -> tuple[Floats, Floats]:
    """The time over the last limit + 1 presses, in seconds.

    Args:
        ground: The log.
        door: Its presses and lockouts.
        limit: L.
        sure: Give each lockout and press the benefit of the doubt; else take stamps as they are.

    Returns:
        For each lockout the shortest it can have been (infinite: there were not so many), and
        for each press the longest (infinite: it may have led to one).
    """
    shortest_of, longest_of = (
        (ground.least, ground.most) if sure else (ground.written, ground.written)
    )
    of_trips = np.full(len(door.on), NEVER)
    for at in (door.trip, door.late):
        first = at - limit
        i = np.flatnonzero((first >= 0) & (at >= 0))
        a, b = door.row[first[i]], door.row[at[i]]
        inside = (a > door.since[i]) | _at_the_release(ground, door.since[i], a)
        shortest = shortest_of(a, b)
        of_trips[i] = np.minimum(of_trips[i], np.where(inside, shortest, NEVER))
    place = np.arange(len(door.row))
    i = place[door.free & (place - limit >= door.begin)]
    of_others = np.full(len(door.row), NEVER)
    longest = longest_of(door.row[i - limit], door.row[i])
    of_others[i] = np.where(np.isnan(longest), NEVER, longest)
    return np.where(np.isnan(of_trips), NEVER, of_trips), of_others


def _at_the_release(ground: Ground, since: Rows, row: Rows) -> Flags:
    """Whether a press may have come after the release, though its line stands before."""
    at: Flags = (since >= 0) & (ground.least(row, np.maximum(since, 0)) <= 0)
    return at


def _bars(ground: Ground, lock: Found, door: int) -> Bars:
    """The lockouts of a door, and what is missing of them taken as long as can be."""
    log = ground.log
    mine = np.flatnonzero(lock.door == door)
    own, end, ended, known = lock.own[mine], lock.end[mine], lock.ended[mine], lock.known[mine]
    high = np.where(ended == OFF, end, np.append(own[1:], len(log))[: len(own)])
    high = np.where(ended == LOG_END, log.last(own), high)
    high = np.where(ended == POWER, after(log.losses(), own, len(log)), high)
    earlier = np.append(-1, high[:-1])[: len(own)]
    begun = np.maximum(np.maximum(earlier, before(log.power(), own)), log.first[log.chute[own]])
    return Bars(np.where(known, own, begun), high, known)


def _door(ground: Ground, door: int, row: Rows, bars: Bars) -> Counted:
    log = ground.log
    power = log.power()
    # The count of each press: from the last release or power on.
    since = np.maximum(before(bars.high, row), before(power, row))
    unsure = (since >= 0) & ~(ground.least(np.maximum(since, 0), row) > 0)
    unsure &= ~np.isin(since, power)
    new = np.ones(len(row), bool)
    new[1:] = (since[1:] != since[:-1]) | unsure[:-1]
    begin = np.maximum.accumulate(np.where(new, np.arange(len(row)), 0))
    free = ~unsure & ~_barred(bars, row) & _answerable(ground, bars, row)
    on = bars.low[bars.known]
    trip = np.searchsorted(row, on) - 1
    late = trip.copy()
    for step in (1, 2, 3):  # nobody presses more often within one step of a clock
        at = np.minimum(trip + step, len(row) - 1)
        near = (trip + step < len(row)) & (ground.least(on, row[at]) <= 0) if len(row) else at < -1
        late = np.where(near, at, late)
    release, charged = before(bars.high, on), before(power, on)
    begun = np.maximum(np.maximum(release, charged), log.first[log.chute[on]] - 1)
    fresh = (release >= 0) & (release > charged)
    return Counted(door, row, begin, free, on, trip, late, begun, fresh)


def _barred(bars: Bars, row: Rows) -> Flags:
    """Whether a press lies in what is, or may be, a lockout."""
    at = np.searchsorted(bars.low, row, "right") - 1
    return (at >= 0) & (pick(bars.high, at) >= row)


def _answerable(ground: Ground, bars: Bars, row: Rows) -> Flags:
    """Whether a lockout that a press brings would be in the log, and is certainly not."""
    log = ground.log
    following = after(bars.low, row, -1)
    soon = (following >= 0) & ~(ground.least(row, np.maximum(following, 0)) > ANSWER_S)
    # Across power nothing can be measured: then a lockout far off still is none of this press's.
    far = (log.time[np.maximum(following, 0)] - log.time[row]) / SECOND > 60 * ANSWER_S
    power = after(log.power(), row, -1)
    last = log.last(row)
    end = np.where((power >= 0) & (power <= last), power, last)
    room = (log.time[end] - log.time[row]) / SECOND > ANSWER_S + ground.tick[row]
    return ~(soon & ~far) & room

"""No door opens while it is locked.

Judged are openings of doors whose lock's state the log tells: its last edge was an off, or its
next one is an on, and no edge between them is missing. A leaf away from its contact for no
longer than 2 s bounces or flickers (the incident contact_chatter tells of many), and in a
service a technician opens with a key; neither is judged.
"""

import numpy as np

from loganalyzer.audit.ground import BOUNCE_S, Checks, Ground, Held, seconds
from loganalyzer.keys import Flags, Rows, after, before, stable_order


def forced_open(ground: Ground) -> Checks:
    """Find openings of a door that was locked."""
    openings = ground.openings
    openings = openings.take(stable_order(openings.door))  # sorted needles are found sooner
    start = openings.start
    on, off = (_Edges(ground, edge) for edge in ("on", "off"))
    last_on, last_off = on.last(openings), off.last(openings)
    next_on, next_off = on.next(openings), off.next(openings)
    unlocked = (last_on > last_off) & (next_off >= 0) & _earlier(next_off, next_on)
    shut_before = (last_off > last_on) & ((next_off < 0) | _earlier(next_on, next_off))
    shut_after = (last_on < 0) & (last_off < 0) & (next_on >= 0) & _earlier(next_on, next_off)
    # Close to an edge of the lock, the order of the two is not certain.
    clear = _away(ground, last_off, start, last_off) & _away(ground, start, next_on, next_on)
    first = _first_of_leaf(ground, openings)
    long = ground.least(start, openings.end) > BOUNCE_S
    served = _in_service(ground, start)
    locked = (shut_before | shut_after) & clear & first & long & ~served
    good = unlocked & ground.follows(np.maximum(last_on, 0), start) & ~served
    broken = np.flatnonzero(locked)
    broken = broken[np.argsort(start[broken])]
    texts = [
        f"door {ground.floor(openings.door[i])} opened while locked, for "
        f"{seconds(float(ground.least(start[i : i + 1], openings.end[i : i + 1])[0]))} or more"
        + (f"; last locked at {ground.line(last_off[i], start[i])}" if last_off[i] >= 0 else "")
        for i in broken
    ]
    tested = np.sort(start[locked | good])
    return Checks(tested, start[broken], openings.door[broken], texts)


class _Edges:
    """One edge of the locks, door by door."""

    def __init__(self, ground: Ground, edge: str) -> None:
        self.log = ground.log
        self.keys = self.log.door_keys("unlocked", edge)
        self.power = self.log.power()

    def last(self, held: Held) -> Rows:
        """The last such row of the door before each opening, since power came; -1 if none."""
        base = self.log.keys_of(held.door, 0)
        at = np.searchsorted(self.keys, base + held.start) - 1
        row = np.where(at >= 0, np.append(self.keys, -1)[at], -1) - base
        return np.where((row >= 0) & self._same_power(row, held.start), row, -1)

    def next(self, held: Held) -> Rows:
        """The next such row of the door after each opening, before power goes; -1 if none."""
        base = self.log.keys_of(held.door, 0)
        at = np.searchsorted(self.keys, base + held.start)
        row = np.append(self.keys, np.iinfo(np.int64).max)[at] - base
        good = row < len(self.log)
        row = np.where(good, row, -1)
        return np.where(good & self._same_power(held.start, row), row, -1)

    def _same_power(self, a: Rows, b: Rows) -> Flags:
        same: Flags = np.searchsorted(self.power, a) == np.searchsorted(self.power, b)
        return same


def _earlier(a: Rows, b: Rows) -> Flags:
    """Whether row a comes before row b, where either may be -1, which is never."""
    sooner: Flags = (a >= 0) & ((b < 0) | (a < b))
    return sooner


def _away(ground: Ground, a: Rows, b: Rows, known: Rows) -> Flags:
    """Whether b certainly follows a, or there is no such edge."""
    away: Flags = (known < 0) | ground.follows(np.maximum(a, 0), np.maximum(b, 0))
    return away


def _first_of_leaf(ground: Ground, openings: Held) -> Flags:
    """Whether no closing of the same door stands within a bounce before: else it swings on."""
    log = ground.log
    keys = log.door_keys("open", "off")
    base = log.keys_of(openings.door, 0)
    at = np.searchsorted(keys, base + openings.start) - 1
    row = np.where(at >= 0, np.append(keys, -1)[at], -1) - base
    gap = ground.least(np.maximum(row, 0), openings.start)
    first: Flags = (row < 0) | (gap > BOUNCE_S)
    return first


def _in_service(ground: Ground, rows: Rows) -> Flags:
    """Whether service was on, as far as the lines since power tell: the edge before, else after."""
    log = ground.log
    on, off = log.rows("service", "on"), log.rows("service", "off")
    begin = np.maximum(log.first[log.chute[rows]], before(log.power(), rows))
    last = log.last(rows)
    begun, over = before(on, rows), before(off, rows)
    begins, ends = after(on, rows, len(log)), after(off, rows, len(log))
    seen = (begun >= begin) | (over >= begin)
    inside: Flags = np.where(seen, begun > over, (ends < begins) & (ends <= last))
    return inside

"""What the frequent kinds mean by the course of a use: press, diverter, latch, door, material.

A use takes seconds and then nothing happens for minutes, so of two kinds the one that is sooner
followed by the other comes first. That gives an order; every way to lay the known course of a use
over it is weighed (what belongs to a door, what takes turns, what always lasts the same), and
a kind's points for a meaning are how much worse the best way with that meaning is than the best.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from loganalyzer.drafting.seen import Seen, middle, spread
from loganalyzer.drafting.wording import Meaning

FREQUENT = 0.2  # of the most frequent kind's records
MOST = 11  # kinds laid over the course at a time
SELDOM = 0.1  # of the presses: rarer than that, what follows one is hardly its refusal
FEW = 12  # uses below which behaviour says nothing

PRESS, REFUSAL = ("press", "mark"), ("refusal", "mark")
TURN, TURNED = ("positioning", "on"), ("positioning", "off")
UNLOCK, LOCK = ("unlocked", "on"), ("unlocked", "off")
OPEN, CLOSE = ("open", "on"), ("open", "off")
FALL, FALLEN = ("clearing", "on"), ("clearing", "off")
CLOCK = ("clock", "mark")
AT_DOOR = (PRESS, REFUSAL, UNLOCK, LOCK, OPEN, CLOSE)
# The latch falls when the door is closed, or as soon as it is open; material falls from then on.
COURSES: tuple[tuple[Meaning, ...], ...] = (
    (PRESS, TURN, TURNED, UNLOCK, OPEN, CLOSE, LOCK, FALL, FALLEN),
    (PRESS, TURN, TURNED, UNLOCK, OPEN, LOCK, CLOSE, FALL, FALLEN),
    (PRESS, TURN, TURNED, UNLOCK, OPEN, CLOSE, FALL, LOCK, FALLEN),
    (PRESS, TURN, TURNED, UNLOCK, OPEN, CLOSE, FALL, FALLEN, LOCK),
)
PARTNER = {TURN: TURNED, UNLOCK: LOCK, OPEN: CLOSE, FALL: FALLEN}


def frequent(seen: Seen) -> list[int]:
    """The kinds that may be part of every use, in the order in which they come in one."""
    least = max(FEW, FREQUENT * seen.times.max(initial=0))
    kinds = [kind for kind in range(seen.count) if seen.times[kind] >= least]
    kinds = [kind for kind in kinds if not seen.regular(kind)][:MOST]
    sooner = {
        kind: sum(
            middle(seen.until(kind, other)) < middle(seen.until(other, kind))
            or (middle(seen.until(kind, other)) == middle(seen.until(other, kind)) and kind < other)
            for other in kinds if other != kind
        )
        for kind in kinds
    }  # fmt: skip
    return sorted(kinds, key=lambda kind: -sooner[kind])


def refused(seen: Seen, kinds: Sequence[int]) -> tuple[int, int] | None:
    """A kind that directly follows another at the same door and leads to nothing: refusals.

    Returns:
        The refusals' kind and that of the presses, or null.
    """
    for kind in kinds:
        rows = seen.rows[kind]
        rows = rows[rows > 0]
        if not len(rows) or seen.share(kind, seen.floor) < 0.9:
            continue
        before = rows - 1
        close = (seen.time[rows] - seen.time[before] <= 1.5) & (
            seen.floor[rows] == seen.floor[before]
        )
        others, times = np.unique(seen.kind[before[close]], return_counts=True)
        if not len(others) or times.max() < 0.85 * len(rows):
            continue
        press = int(others[np.argmax(times)])
        if (
            press != kind
            and seen.times[kind] > SELDOM * seen.times[press]
            and seen.times[press] > 1.2 * seen.times[kind]
            and _leads_on(seen, press, kind)
        ):
            return kind, press
    return None


def _leads_on(seen: Seen, press: int, kind: int) -> bool:
    """Whether presses without that kind behind them are followed by something else at the door."""
    rows = seen.rows[kind]
    after = _next_at_door(seen, rows)
    again = np.mean(seen.kind[after[after >= 0]] == press) if (after >= 0).any() else 0.0
    return bool(again > 0.5)


def _next_at_door(seen: Seen, rows: np.ndarray) -> np.ndarray:
    order = np.argsort(seen.floor, kind="stable")
    behind = np.full(len(seen.floor), -1)
    same = np.diff(seen.floor[order]) == 0
    behind[order[:-1][same]] = order[1:][same]
    return np.asarray(behind[rows])


def weigh(seen: Seen) -> dict[int, dict[Meaning, float]]:
    """Points for each frequent kind and meaning: 0 for the best way, less for worse ones.

    Empty where the export holds too few uses to tell.
    """
    kinds = frequent(seen)
    if len(kinds) < 2:
        return {}
    found = refused(seen, range(seen.count))
    points: dict[int, dict[Meaning, float]] = {}
    if found is not None:
        kinds = [kind for kind in kinds if kind != found[0]]
    measured = _Measures(seen, kinds, None if found is None else found[1])
    best = -np.inf
    for way in _ways(len(kinds)):
        worth = measured.worth(way)
        best = max(best, worth)
        for kind, meaning in zip(kinds, way, strict=True):
            mine = points.setdefault(kind, {})
            mine[meaning] = max(mine.get(meaning, -np.inf), worth)
    points = {kind: {m: worth - best for m, worth in mine.items()} for kind, mine in points.items()}
    if found is not None:
        points[found[0]] = {REFUSAL: 0.0, PRESS: -4.0}
    return points


def _ways(count: int) -> Iterator[tuple[Meaning, ...]]:
    """Every way to lay a course over so many kinds, presses standing for up to four of them."""
    told = set()
    for course in COURSES:
        for presses in (1, 2, 3, 4):
            whole = (*(PRESS,) * (presses - 1), *course)
            if count > len(whole):
                continue
            for way in combinations(whole, count):
                if way not in told:
                    told.add(way)
                    yield way


class _Measures:
    """What is measured once of each kind and each pair of them."""

    def __init__(self, seen: Seen, kinds: Sequence[int], press: int | None) -> None:
        self.seen, self.kinds, self.press = seen, kinds, press
        self.most = max(seen.times[kind] for kind in kinds)
        self.doors = any(seen.share(kind, seen.floor) > 0.9 for kind in kinds)
        self.floor = [seen.share(kind, seen.floor) for kind in kinds]
        self.stream = [seen.share(kind, seen.stream) for kind in kinds]
        self.pairs: dict[tuple[int, int], tuple[float, float, float]] = {}
        self.repeats = [self._repeats(kind) for kind in kinds]
        self.single: dict[tuple[int, Meaning], float] = {}

    def worth(self, way: Sequence[Meaning]) -> float:
        """How well a way fits."""
        total = sum(self._alone(n, meaning) for n, meaning in enumerate(way))
        place = {meaning: n for n, meaning in enumerate(way)}
        for on, off in PARTNER.items():
            if on in place and off in place:
                total += self._pair(place[on], place[off], on)
            elif on in place or off in place:
                total -= 1.2
        if (UNLOCK in place or LOCK in place) and not (OPEN in place or CLOSE in place):
            total -= 1.0
        return total

    def _alone(self, n: int, meaning: Meaning) -> float:
        key = (n, meaning)
        if key not in self.single:
            self.single[key] = self._fits(n, meaning)
        return self.single[key]

    def _fits(self, n: int, meaning: Meaning) -> float:
        worth = 0.0
        if self.doors:
            at = self.floor[n] > 0.9
            worth += (1.0 if at else -4.0) if meaning in AT_DOOR else (-0.7 if at else 0.5)
        if meaning == PRESS:
            worth += 1.5 if self.kinds[n] == self.press else 0.0
            worth += 1.0 if self.stream[n] > 0.5 else 0.0
            worth += 1.5 if self.repeats[n] > 0.1 else -0.5
        elif self.kinds[n] == self.press:
            worth -= 3.0
        if meaning in (TURN, TURNED):
            worth += 0.7 if self.stream[n] > 0.5 else 0.0
            worth += 0.7 if self.seen.times[self.kinds[n]] < 0.85 * self.most else -0.3
        if meaning in (OPEN, CLOSE, UNLOCK, LOCK) and self.stream[n] > 0.5:
            worth -= 0.3
        return worth

    def _pair(self, on: int, off: int, meaning: Meaning) -> float:
        turns, wide, long = self._measured(on, off)
        worth = 3.0 * turns - 1.5
        counts = self.seen.times[self.kinds[on]], self.seen.times[self.kinds[off]]
        worth += 0.5 if min(counts) > 0.95 * max(counts) else -0.5
        worth += 1.2 if max(counts) - min(counts) <= 1 else 0.0  # the same again, to the one
        if meaning == FALL:
            worth += 2.5 if wide < 0.08 else -1.0
        elif wide < 0.05 and meaning != TURN:
            worth -= 1.5
        if meaning == TURN:
            worth += 0.5 if long < 40 else -1.0
        return worth

    def _measured(self, on: int, off: int) -> tuple[float, float, float]:
        key = (on, off)
        if key not in self.pairs:
            scope = self.seen.floor if min(self.floor[on], self.floor[off]) > 0.9 else None
            one, two = self.kinds[on], self.kinds[off]
            lasting = self.seen.lasting(one, two, scope)
            turns = self.seen.alternates(one, two, scope)
            self.pairs[key] = (turns, spread(lasting), middle(lasting))
        return self.pairs[key]

    def _repeats(self, kind: int) -> float:
        """How often the next frequent record at the same door is of this kind again."""
        rows = self.seen.rows[kind]
        after = _next_at_door(self.seen, rows)
        known = after[after >= 0]
        return float(np.mean(self.seen.kind[known] == kind)) if len(known) else 0.0

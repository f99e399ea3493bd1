"""What the rare kinds mean by what they do: who takes turns with whom, how long it lasts."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from loganalyzer.drafting.seen import Floats, Ints, Seen, middle, spread
from loganalyzer.drafting.wording import IGNORE, Meaning

HOUR = 3600.0
TURNS = 0.85
# A condition ends by one text or a few. What takes turns with more is a step of a course, as a
# filling container's levels.
PARTNERS = 4
Points = dict[int, dict[Meaning, float]]


def weigh(seen: Seen, kinds: list[int], press: int | None) -> tuple[Points, dict[int, str]]:
    """Points for the kinds that are no part of every use, and what they were seen to do.

    Args:
        seen: The records.
        kinds: The rare ones.
        press: The kind of presses, null if not known.
    """
    points: Points = {kind: {} for kind in kinds}
    said: dict[int, str] = {}
    for kind in kinds:
        _alone(seen, kind, press, points[kind], said)
    taken: set[int] = set()
    pairs = sorted(_pairs(seen, kinds, points), key=lambda pair: (pair.scope is None, pair.long))
    partners: dict[int, set[int]] = {kind: set() for kind in kinds}
    for pair in pairs:
        partners[pair.on].add(pair.off)
        partners[pair.off].add(pair.on)
    for pair in pairs:
        if not taken & {pair.on, pair.off}:
            taken |= {pair.on, pair.off}
            alone = max(len(partners[pair.on]), len(partners[pair.off])) <= PARTNERS
            _told(seen, pair, points, said, alone=alone)
    return points, said


def _add(mine: dict[Meaning, float], meaning: Meaning, worth: float) -> None:
    mine[meaning] = max(mine.get(meaning, -9.0), worth)


def _alone(
    seen: Seen, kind: int, press: int | None, mine: dict[Meaning, float], said: dict[int, str]
) -> None:
    rows = seen.rows[kind]
    gaps = np.diff(seen.time[rows])
    at_door = seen.share(kind, seen.floor) > 0.9
    value = seen.value[rows]
    valued = np.mean(~np.isnan(value)) > 0.8
    if seen.regular(kind):
        _add(mine, IGNORE, 4.0)
        said[kind] = f"comes every {middle(gaps):,.0f} s, whatever else happens"
    if valued:
        within = np.mean((value >= 0) & (value <= 130)) > 0.98
        streamed = seen.share(kind, seen.stream) > 0.9
        _add(mine, ("level", "mark"), (3.0 if streamed else 1.0) if within else -2.0)
        _add(mine, ("clock", "mark"), 3.0 if not streamed and not at_door else -2.0)
        said[kind] = f"carries a number between {np.nanmin(value):g} and {np.nanmax(value):g}"
    coded = seen.share(kind, seen.code) > 0.9
    if coded and not valued:
        for edge in ("on", "off", "mark"):
            _add(mine, ("fault", edge), 1.2 if edge == "mark" else 1.0)
        said.setdefault(kind, "carries a code")
    if at_door and press is not None and len(rows) >= 3:
        before = np.maximum(rows - 1, 0)
        at_once = seen.time[rows] - seen.time[before] <= 1.5
        if (
            np.mean(
                (seen.kind[before] == press) & at_once & (seen.floor[before] == seen.floor[rows])
            )
            > 0.8
        ):
            _add(mine, ("refusal", "mark"), 3.0)
            said[kind] = "comes directly after a press at that door"
        many = _pressed_before(seen, rows, press)
        if many > 0.3:  # so are the refusals of somebody who goes on pressing
            _add(mine, ("lockout", "on"), 3.0)
            said[kind] = "comes at a press, the fifth or later within minutes at that door"
    _add(mine, ("note", "mark"), 0.0)


def _pressed_before(seen: Seen, rows: Ints, press: int) -> float:
    """The share of records with four presses or more at the door in the 3 minutes before."""
    pressed = seen.rows[press]
    many = 0
    for row in rows[:200]:
        near = pressed[(seen.time[pressed] >= seen.time[row] - 180) & (pressed <= row)]
        mine = near[seen.floor[near] == seen.floor[row]]
        many += len(mine) >= 4 and seen.time[row] - seen.time[mine[-1]] < 2
    return many / min(len(rows), 200)


@dataclass(frozen=True)
class _Pair:
    """Two kinds that take turns, `on` being the one that begins; `long`: seconds in the middle."""

    on: int
    off: int
    scope: str | None
    long: float
    lasting: Floats


def _pairs(seen: Seen, kinds: list[int], points: Points) -> Iterator[_Pair]:
    for on, off in permutations(kinds, 2):
        counts = sorted((len(seen.rows[on]), len(seen.rows[off])))
        if counts[0] < 0.6 * counts[1] - 1 or IGNORE in points[on] or IGNORE in points[off]:
            continue
        name, scope = _scope(seen, on, off)
        if seen.alternates(on, off, scope) < TURNS and counts[1] > 2:
            continue
        lasting, between = seen.lasting(on, off, scope), seen.lasting(off, on, scope)
        if len(lasting) and not (len(between) and middle(between) < middle(lasting)):
            yield _Pair(on, off, name, middle(lasting), lasting)


def edge_of(seen: Seen, kind: int, other: int) -> str | None:
    """Which edge of a condition a kind is, where it takes turns with another; null: it does not."""
    if not len(seen.rows[kind]) or not len(seen.rows[other]):
        return None
    _, scope = _scope(seen, kind, other)
    if seen.alternates(kind, other, scope) < TURNS:
        return None
    lasts = middle(seen.lasting(kind, other, scope))
    between = middle(seen.lasting(other, kind, scope))
    return "off" if lasts > between else "on"


def _scope(seen: Seen, on: int, off: int) -> tuple[str | None, Ints | None]:
    """What both kinds belong to."""
    for name in ("floor", "stream", "code"):
        column: Ints = getattr(seen, name)
        if min(seen.share(on, column), seen.share(off, column)) > 0.9:
            return name, column
    return None, None


def _told(seen: Seen, pair: _Pair, points: Points, said: dict[int, str], *, alone: bool) -> None:
    """What a pair can be; `alone`: that it has few others to take turns with."""
    on, off = pair.on, pair.off
    for kind in (on, off):
        said.setdefault(
            kind, f"takes turns with its partner; lasts {pair.long:,.0f} s in the middle"
        )
    coded = min(seen.share(on, seen.code), seen.share(off, seen.code)) > 0.9
    if coded:
        _both(points, on, off, "fault", 7.0)
    elif pair.scope == "floor" and ("lockout", "on") in points[on]:
        _both(points, on, off, "lockout", 5.0)
    elif pair.scope == "stream":
        short = pair.long < 600 and spread(pair.lasting) < 0.5
        _both(points, on, off, "compacting" if short else "full", 3.0)
    elif pair.scope is None and _silent(seen, on, off):
        _both(points, off, on, "power", 3.0)
    elif pair.scope is None:
        quiet = alone and pair.long > 300 and _quiet(seen, on, pair.lasting)
        _both(points, on, off, "service", 2.5 if quiet else 0.5)


def _both(points: Points, on: int, off: int, signal: str, worth: float) -> None:
    for kind, edge in zip((on, off), ("on", "off"), strict=True):
        _add(points[kind], (signal, edge), worth)


def _silent(seen: Seen, first: int, then: int) -> bool:
    """Whether nothing at all is written between the first and the other, as when power is off."""
    rows = seen.rows[first]
    after = rows[rows + 1 < len(seen.kind)] + 1
    chute = seen.share(first, seen.floor) < 0.1 and seen.share(first, seen.stream) < 0.1
    waits = seen.time[after] - seen.time[after - 1]
    return bool(
        chute and len(after) and np.mean(seen.kind[after] == then) > 0.9 and waits.max() > 60
    )


def _quiet(seen: Seen, on: int, lasting: Floats) -> bool:
    """Whether much less is written while it lasts than otherwise."""
    rate = len(seen.time) / max(np.nanmax(seen.time) - np.nanmin(seen.time), 1.0)
    starts = seen.time[seen.rows[on]][: len(lasting)]
    inside = sum(
        np.count_nonzero((seen.time > a) & (seen.time < a + s))
        for a, s in zip(starts, lasting, strict=False)
    )
    return bool(inside < 2.0 * rate * lasting.sum())

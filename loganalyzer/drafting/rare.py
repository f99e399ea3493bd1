"""What the rare kinds mean by what they do: who takes turns with whom, how long it lasts."""

import numpy as np

from loganalyzer.drafting.seen import Floats, Ints, Seen, middle, spread
from loganalyzer.drafting.wording import IGNORE, Meaning

HOUR = 3600.0
TURNS = 0.85
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
    for one in kinds:
        for two in kinds:
            if one != two:
                _pair(seen, one, two, points, said)
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
        if many > 0.7:
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


def _pair(seen: Seen, on: int, off: int, points: Points, said: dict[int, str]) -> None:
    """What two kinds that take turns can be, if `on` is the one that begins."""
    counts = sorted((len(seen.rows[on]), len(seen.rows[off])))
    if counts[0] < 0.6 * counts[1] - 1 or IGNORE in points[on] or IGNORE in points[off]:
        return
    doors = min(seen.share(on, seen.floor), seen.share(off, seen.floor)) > 0.9
    streams = min(seen.share(on, seen.stream), seen.share(off, seen.stream)) > 0.9
    coded = min(seen.share(on, seen.code), seen.share(off, seen.code)) > 0.9
    scope = seen.floor if doors else seen.stream if streams else seen.code if coded else None
    if seen.alternates(on, off, scope) < TURNS and counts[1] > 2:
        return
    lasting, between = seen.lasting(on, off, scope), seen.lasting(off, on, scope)
    if not len(lasting):
        return
    long = middle(lasting)
    begins = not len(between) or long < middle(between)
    told = f"takes turns with its partner; lasts {long:,.0f} s in the middle"
    for kind in (on, off):
        said.setdefault(kind, told)
    if _silent(seen, on, off):
        _both(points, on, off, "power", 3.0, swapped=True)
        return
    if not begins:
        return
    if doors and ("lockout", "on") in points[on]:
        _both(points, on, off, "lockout", 5.0)
    if coded:
        _both(points, on, off, "fault", 3.0)
    if streams:
        short = long < 600 and spread(lasting) < 0.5
        _both(points, on, off, "compacting" if short else "full", 3.0)
    if not (doors or streams or coded):
        _both(points, on, off, "service", 2.0 if long > 300 and _quiet(seen, on, lasting) else 0.5)


def _both(
    points: Points, on: int, off: int, signal: str, worth: float, swapped: bool = False
) -> None:
    edges = ("off", "on") if swapped else ("on", "off")
    for kind, edge in zip((on, off), edges, strict=True):
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

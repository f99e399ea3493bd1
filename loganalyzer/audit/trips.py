"""By what limit, window and count each door locks out: the site file's, or what the log shows."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from loganalyzer.audit.counting import NEVER, Counted, counted, spans
from loganalyzer.audit.ground import Ground
from loganalyzer.audit.mismatch import FEWEST, LINES_SHOWN, Mismatch, explains, roundest
from loganalyzer.keys import SECOND, Flags, Floats, Rows

LIMITS = range(1, 13)
NOT_COUNTED = "this controller evidently does not count presses refused {why}; judged so"


@dataclass(frozen=True)
class Rule:
    """More than `limit` presses within `window` seconds."""

    limit: int
    window: float


@dataclass(frozen=True)
class Trips:
    """How the doors of a log are judged.

    Attributes:
        doors: Their presses and lockouts, each with its rule.
        mismatches: Where a rule is not the site file's.
        remarks: Chute number → a reading of what counts.
    """

    doors: Sequence[tuple[Counted, Rule]]
    mismatches: Sequence[Mismatch]
    remarks: dict[int, str]


@dataclass(frozen=True)
class Against:
    """What speaks against a rule at a door: lockouts it does not explain, presses without one.

    Attributes:
        lockouts: Places in `Counted.on`.
        presses: Places in `Counted.row`, one for each run of presses.
        met: How many lockouts it explains.
    """

    lockouts: Rows
    presses: Rows
    met: Rows

    @property
    def size(self) -> int:
        """How much speaks against it."""
        return len(self.lockouts) + len(self.presses)


def trips(ground: Ground) -> Trips:
    """Judge each door by the site file's rule, or by what the log evidently shows instead."""
    log = ground.log
    judged: list[tuple[Counted, Rule]] = []
    mismatches: list[Mismatch] = []
    remarks: dict[int, str] = {}
    by_chute: dict[int, list[Counted]] = {}
    for door in counted(ground):
        by_chute.setdefault(door.door // log.floors, []).append(door)
    for chute, doors in by_chute.items():
        limits = ground.limits[chute]
        told = Rule(limits.press_limit, limits.press_window_s)
        if _cost(ground, doors, told) >= FEWEST:
            doors, remark = _by_what_counts(ground, chute, doors, told)
            remarks |= {chute: remark} if remark else {}
        for part, rule in _ruled(ground, doors, told):
            judged += [(door, rule) for door in part]
            mismatches += _mismatches(ground, chute, part, told, rule)
    return Trips(judged, mismatches, remarks)


def against(ground: Ground, door: Counted, rule: Rule, *, sure: bool = True) -> Against:
    """What speaks against a rule at a door; `sure` as `spans` takes it."""
    of_trips, of_others = spans(ground, door, rule.limit, sure=sure)
    over = of_trips > rule.window
    # After power or at the log's start, presses that are not in the log may have counted; so may
    # presses between two scans.
    origin = np.maximum(door.since, ground.log.first[ground.log.chute[door.on]])
    age = (ground.log.time[door.on] - ground.log.time[origin]) / SECOND
    unheard = ~door.fresh & (age <= rule.window + ground.tick[door.on])
    unheard |= ground.sampled[door.on]
    missed = np.flatnonzero(of_others <= rule.window)
    return Against(
        np.flatnonzero(over & ~unheard),
        missed[_first_of_runs(ground, door.row[missed], rule.window)],
        np.flatnonzero(~over),
    )


def _first_of_runs(ground: Ground, row: Rows, window: float) -> Flags:
    """One press of those that follow one another within the window."""
    first = np.ones(len(row), bool)
    first[1:] = ~(ground.least(row[:-1], row[1:]) <= window)
    return first


def _cost(ground: Ground, doors: Sequence[Counted], rule: Rule, *, sure: bool = True) -> int:
    return sum(against(ground, door, rule, sure=sure).size for door in doors)


def _by_what_counts(
    ground: Ground, chute: int, doors: list[Counted], told: Rule
) -> tuple[list[Counted], str]:
    """The same doors with some refused presses left out, where that evidently explains more."""
    log, pressed = ground.log, ground.presses
    cost = _cost(ground, doors, told)
    refused = pressed.refusal >= 0
    code = np.where(refused, log.codes["code"][pressed.refusal], -1)
    mine = log.chute[pressed.row] == chute
    tries = [
        (~(refused & (code == one)), f"as {log.labels['code'][one]}")
        for one in np.unique(code[refused & mine & (code >= 0)]).tolist()
    ]
    for keep, why in [*tries, (~refused, "for any reason")]:
        fewer = [one for one in counted(ground, keep & mine) if one.door // log.floors == chute]
        if explains(_cost(ground, fewer, told), cost) and any(len(one.on) for one in fewer):
            return fewer, NOT_COUNTED.format(why=why)
    return doors, ""


def _ruled(
    ground: Ground, doors: list[Counted], told: Rule
) -> Iterator[tuple[list[Counted], Rule]]:
    """Doors and the rule they are judged by: all together if one rule does, else each alone."""
    rule = _found(ground, doors, told)
    if rule is not None:
        yield doors, rule
        return
    for door in doors:
        yield [door], _found(ground, [door], told) or told


def _found(ground: Ground, doors: list[Counted], told: Rule) -> Rule | None:
    """Another rule that evidently explains what the told one does not."""
    cost = _cost(ground, doors, told)
    if cost < FEWEST:
        return None
    others = [limit for limit in LIMITS if limit != told.limit]
    tries = [Rule(limit, told.window) for limit in others]
    tries += [
        Rule(limit, window)
        for limit in [told.limit, *others]
        if (window := _window(ground, doors, limit))
    ]
    for rule in tries:
        met = sum(len(against(ground, door, rule).met) for door in doors)
        # Another rule gets no benefit of the doubt: else some rule would fit any presses.
        if met >= FEWEST and explains(_cost(ground, doors, rule, sure=False), cost):
            return rule
    return None


def _window(ground: Ground, doors: list[Counted], limit: int) -> float | None:
    """The window that best parts lockouts from other presses, as round as it can be."""
    both = [spans(ground, door, limit, sure=False) for door in doors]
    yes = np.sort(np.concatenate([of_trips for of_trips, _ in both]))
    no = np.sort(np.concatenate([of_others for _, of_others in both]))
    cuts = np.unique(yes[np.isfinite(yes)])
    if not len(cuts):
        return None
    wrong = len(yes) - np.searchsorted(yes, cuts, "right") + np.searchsorted(no, cuts, "right")
    low = float(cuts[np.argmin(wrong)])
    above: Floats = no[(no > low) & (no < NEVER)]
    high = float(above[0]) if len(above) else low
    return roundest((low + high) / 2, (high - low) / 2) or None


def _mismatches(
    ground: Ground, chute: int, doors: list[Counted], told: Rule, rule: Rule
) -> Iterator[Mismatch]:
    met = [(door, against(ground, door, rule).met) for door in doors] if rule != told else []
    rows = (
        np.concatenate([door.on[places] for door, places in met]) if met else np.zeros(0, np.int64)
    )
    door = doors[0].door if len(doors) == 1 else chute * ground.log.floors
    pairs = (
        ("press_limit", told.limit, rule.limit),
        ("press_window_s", told.window, rule.window),
    )
    for setting, value, found in pairs:
        if value != found:
            yield Mismatch(door, setting, value, found, len(rows), rows[:LINES_SHOWN])

"""How long after its last press each lockout ended, and by what quiet time that is judged."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loganalyzer.audit.counting import ANSWER_S
from loganalyzer.audit.ground import Ground
from loganalyzer.audit.mismatch import (
    FEWEST,
    Mismatch,
    Timed,
    contradicts,
    explains,
    timer_mismatches,
    typical,
)
from loganalyzer.keys import Floats, Rows, pick

FIXED = (
    "the controller's rule differs: a lockout lasts {found:g} s from its beginning, whether "
    "buttons are pressed or not; judged so"
)


@dataclass(frozen=True)
class Releases:
    """The lockouts of a log that have their on, their off and a press.

    Attributes:
        on, off, last: Rows; last is the last press that certainly came before the off.
        timed: Time from the last press to the off (from the on, where `remarks` says so).
        quiet: The quiet time by which each is judged, seconds.
        mismatches: Where it is not the site file's.
        remarks: Chute number → another rule.
    """

    on: Rows
    off: Rows
    last: Rows
    timed: Timed
    quiet: Floats
    mismatches: Sequence[Mismatch]
    remarks: dict[int, str]


def releases(ground: Ground) -> Releases:
    """Measure every release, and find the quiet time by which the controller works."""
    log, held = ground.log, ground.held("lockout")
    held = held.take(held.told)
    last, sure = (_last_press(ground, held.start, held.end, certain=c) for c in (False, True))
    kept = sure >= 0
    held, last, sure = held.take(kept), last[kept], sure[kept]
    timed = Timed(held.end, held.door, ground.least(last, held.end), ground.most(sure, held.end))
    whole = ground.least(held.start, held.end), ground.most(held.start, held.end)
    mismatches = list(timer_mismatches(ground, timed, "quiet_s", 0.0, ANSWER_S))
    quiet = ground.limit("quiet_s", held.end)
    for one in mismatches:
        mine = (held.door == one.door) | (
            (one.door % log.floors == 0) & (held.door // log.floors == one.door // log.floors)
        )
        quiet[mine] = one.found
    remarks: dict[int, str] = {}
    low, high = timed.low.copy(), timed.high.copy()
    for chute in np.unique(log.chute[held.end]).tolist():
        mine = np.flatnonzero(log.chute[held.end] == chute)
        wrong = int(contradicts(timed.take(mine), quiet[mine], 0.0, ANSWER_S).sum())
        fixed = Timed(held.end, held.door, *whole).take(mine)
        if wrong < FEWEST or np.isnan(fixed.low).any():
            continue
        found = typical(fixed)
        if explains(int(contradicts(fixed, found, 0.0, ANSWER_S).sum()), wrong):
            remarks[chute] = FIXED.format(found=found)
            low[mine], high[mine], quiet[mine] = fixed.low, fixed.high, found
    timed = Timed(held.end, held.door, low, high)
    return Releases(held.start, held.end, sure, timed, quiet, mismatches, remarks)


def _last_press(ground: Ground, on: Rows, off: Rows, *, certain: bool) -> Rows:
    """The last press of the door before each off, by the lines, or certainly; -1 if none.

    Of a lockout its own trip is the earliest that counts, and that may be written behind the on.
    """
    log, size = ground.log, len(ground.log) + 1
    row = np.sort(log.doors(ground.presses.row).astype(np.int64) * size + ground.presses.row)
    base = log.doors(off).astype(np.int64) * size
    at = np.searchsorted(row, base + off) - 1
    found = np.where(at >= 0, pick(row, at) - base, -1)
    # A press in doubt of the off: step back to one that is certain, at most as many as a hand can.
    for _ in range(4 if certain else 0):
        unsure = (found >= 0) & ~ground.follows(np.maximum(found, 0), off)
        at = np.where(unsure, at - 1, at)
        found = np.where(at >= 0, pick(row, at) - base, -1)
    good = (found >= 0) & ~(ground.least(np.maximum(found, 0), on) > ANSWER_S)
    if certain:
        good &= ground.follows(np.maximum(found, 0), off)
    return np.where(good, found, -1)

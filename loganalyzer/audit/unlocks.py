"""Unlocks while the doors should be out of use, shared by the rules about full and service.

A use that was granted before the condition began may still be unlocked: the controller decides
when the button is pressed (common practice, no source). Where presses are not recorded, an unlock
within the longest travel of the diverter after the beginning may be such a use.
"""

from dataclasses import dataclass

import numpy as np

from loganalyzer.audit.ground import Ground, Held, within
from loganalyzer.keys import SECOND, Flags, Rows


@dataclass(frozen=True)
class Asked:
    """What was asked of a chute while a condition held.

    Attributes:
        unlock: Row of each unlock that was granted meanwhile.
        span: The stretch that it lies in, a place among the stretches.
        place: Its place among the unlocks of the log.
        tested: Rows of presses meanwhile, and of unlocks without a press.
    """

    unlock: Rows
    span: Rows
    place: Rows
    tested: Rows


def asked(ground: Ground, held: Held) -> Asked:
    """Find the unlocks and presses inside the stretches of a condition."""
    log = ground.log
    unlocks = log.rows("unlocked", "on")
    place, span = within(ground, unlocks, held)
    late = ~_granted_before(ground, unlocks[place], place, held.start[span])
    place, span = place[late], span[late]
    pressed = np.sort(ground.presses.row)
    inside, _ = within(ground, pressed, held)
    alone = unlocks[place][ground.granted_by[place] < 0]
    return Asked(unlocks[place], span, place, np.unique(np.append(pressed[inside], alone)))


def first_of_each(unlock: Rows) -> Rows:
    """Places of the first of equal rows: an unlock counts once, though several things were full."""
    _, first = np.unique(unlock, return_index=True)
    return np.asarray(first)


def _granted_before(ground: Ground, unlock: Rows, place: Rows, begun: Rows) -> Flags:
    """Whether an unlock may answer a press from before a condition began."""
    log, pressed = ground.log, ground.granted_by[place]
    told = pressed > 0
    tick = np.maximum(ground.tick[begun], ground.tick[unlock]) * SECOND
    early = told & (pressed <= log.time[begun] + tick)
    silent = ~log.has("press")[log.chute[unlock]]
    travel = ground.limit("positioning_limit_s", unlock)
    soon = silent & ~(ground.least(begun, unlock) > travel)
    before: Flags = early | soon
    return before

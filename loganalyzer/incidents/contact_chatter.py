"""A door contact that opens and closes faster than people do."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import DOOR
from loganalyzer.incidents.evidence import Evidence, join_runs
from loganalyzer.spans import NEVER, Places, group_numbers, micros

# One source that alarms three times or more within a minute chatters.
# Source: ANSI/ISA-18.2 and IEC 62682 (alarm management); from memory, not read again.
PAIRS, WITHIN_S = 3, 60


def chatter(evidence: Evidence) -> pd.DataFrame:
    """Three or more open/close pairs within 60 s at one door; what lies closer is one row.

    Somebody with three bags opens a door three times a minute too, but each time the controller
    unlocks it anew. Where unlocking is in the log, at most one of the three may therefore be
    the opening for which the door was unlocked.
    """
    openings = evidence.held("open")
    pairs = openings[openings["ended_by"].eq("off") & openings["seconds"].notna()]
    door, start, end = group_numbers(pairs, DOOR), micros(pairs["start"]), micros(pairs["end"])
    order = np.lexsort((start, door))
    door, start, end = door[order], start[order], end[order]
    quick = _quick(door, start, end)
    near = np.flatnonzero(_windows(quick))
    meant = np.zeros(len(order) + PAIRS - 1, dtype=np.int64)
    since = micros(evidence.unlocked_since(pairs.iloc[order[near]]))
    # The first opening of its door since the door was unlocked.
    before = np.where(door[near - 1] == door[near], start[near - 1], NEVER)
    before[near == 0] = NEVER
    meant[near] = (since != NEVER) & (before < since)
    several = np.sum([meant[later : len(order) + later] for later in range(PAIRS)], axis=0) > 1
    found = order[_windows(np.asarray(quick & ~several, dtype=bool))]
    return join_runs(pairs.iloc[found], evidence, DOOR, WITHIN_S)


def _quick(door: Places, start: Places, end: Places) -> NDArray[np.bool_]:
    """Whether each pair and the next ones of its door lie within the time."""
    quick = np.zeros(len(door), dtype=bool)
    last = PAIRS - 1
    spread = (end[last:] - start[:-last]) / 1e6
    quick[:-last] = (door[last:] == door[:-last]) & (spread <= WITHIN_S)
    return quick


def _windows(first: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which pairs belong to any window, given the first of each."""
    member = first.copy()
    for later in range(1, PAIRS):
        member[later:] |= first[:-later]
    return member

"""A door contact that opens and closes faster than people do."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import DOOR
from loganalyzer.incidents.evidence import Evidence, join_runs
from loganalyzer.spans import micros

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
    pairs = pairs.sort_values([*DOOR, "start"], ignore_index=True)
    quick = _quick(pairs)
    near = pairs[_windows(quick)]
    meant = pd.Series(0, index=pairs.index)
    meant[near.index] = _unlocked_for(near, pairs, evidence).astype("int64")
    several = meant[::-1].rolling(PAIRS, min_periods=1).sum()[::-1].to_numpy() > 1
    return join_runs(pairs[_windows(quick & ~several)], evidence, DOOR, WITHIN_S)


def _quick(pairs: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether each pair and the next ones of its door lie within the time."""
    last = pairs.groupby(DOOR, observed=True)["end"].shift(1 - PAIRS)
    spread = (micros(last) - micros(pairs["start"])) / 1e6
    return np.asarray(last.notna().to_numpy() & (spread <= WITHIN_S), dtype=bool)


def _windows(first: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which pairs belong to any window, given the first of each."""
    member = first.copy()
    for later in range(1, PAIRS):
        member[later:] |= first[:-later]
    return member


def _unlocked_for(near: pd.DataFrame, pairs: pd.DataFrame, evidence: Evidence) -> NDArray[np.bool_]:
    """Whether each opening is the first of its door since the door was unlocked."""
    since = evidence.unlocked_since(near)
    before = pairs.groupby(DOOR, observed=True)["start"].shift().loc[near.index]
    return np.asarray(since.notna() & ~(before >= since), dtype=bool)

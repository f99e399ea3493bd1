"""A door contact that opens and closes faster than people do."""

import numpy as np
import pandas as pd

from loganalyzer.facts import DOOR
from loganalyzer.incidents.evidence import Evidence, join_runs
from loganalyzer.spans import micros

# Three or more alarms of one source within a minute are chatter.
# Source: ANSI/ISA-18.2 and EEMUA 191 (alarm management); from memory, not read again.
PAIRS, WITHIN_S = 3, 60


def chatter(evidence: Evidence) -> pd.DataFrame:
    """Three or more open/close pairs within 60 s at one door; what lies closer is one row."""
    openings = evidence.held("open")
    pairs = openings[openings["ended_by"].eq("off") & openings["seconds"].notna()]
    pairs = pairs.sort_values([*DOOR, "start"], ignore_index=True)
    return join_runs(pairs[_members(pairs)], evidence, DOOR, WITHIN_S)


def _members(pairs: pd.DataFrame) -> np.ndarray:
    """Which pairs belong to any window with enough pairs in it."""
    last = pairs.groupby(DOOR, observed=True)["end"].shift(1 - PAIRS)
    spread = (micros(last) - micros(pairs["start"])) / 1e6
    first = last.notna().to_numpy() & (spread <= WITHIN_S)
    member = first.copy()
    for later in range(1, PAIRS):
        member[later:] |= first[:-later]
    return member

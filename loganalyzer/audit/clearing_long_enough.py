"""No clearing is shorter than free fall from that floor.

What counts as too short is `measures/clearing_floor.py`'s to say; here each one is a violation.
"""

import numpy as np
import pandas as pd

from loganalyzer.audit.ground import Checks, Ground
from loganalyzer.facts import DOOR, plain
from loganalyzer.keys import Rows, chute_numbers, recoded
from loganalyzer.measures.clearing_floor import NO_HEIGHT, judged_clearings


def clearing_long_enough(ground: Ground) -> Checks:
    """Find clearings that were provably too short."""
    log = ground.log
    clearings = judged_clearings(ground.cycles, ground.facts)
    # Where a fall is over within one step of the clock, no clearing could be told too short.
    clearings = clearings[clearings["fall_s"] > clearings["slack"]]
    row = _closing_rows(ground, clearings)
    short = np.flatnonzero(clearings["short"].to_numpy(bool))
    texts = [
        f"cleared {one.clear_s:.1f} s after door {one.floor} closed; free fall over the "
        f"{one.elevation_m:g} m takes {one.fall_s:.2f} s"
        for one in clearings.iloc[short].itertuples()
    ]
    floor = recoded(clearings["floor"], log.labels["floor"])
    door = log.chute[row] * np.int32(log.floors) + floor + 1
    return Checks(row, row[short], door[short], texts, untestable=_untestable(ground))


def _closing_rows(ground: Ground, clearings: pd.DataFrame) -> Rows:
    """The row at which each clearing ended."""
    log = ground.log
    chute = chute_numbers(log, clearings).astype(np.int64)
    off = log.rows("clearing", "off")
    begin = log.time.min() if len(log) else 0
    size = (log.time.max() if len(log) else 0) - begin + 1
    key = log.chute[off] * size + (log.time[off] - begin)
    order = np.argsort(key, kind="stable")
    wanted = chute * size + clearings["cleared"].to_numpy("datetime64[us]").view(np.int64) - begin
    found: Rows = off[order][np.searchsorted(key[order], wanted)]
    return found


def _untestable(ground: Ground) -> dict[int, str]:
    doors = plain(ground.facts.doors, *DOOR)
    known = {
        (site, chute)
        for site, chute, height in zip(
            doors["site"], doors["chute"], doors["elevation_m"], strict=True
        )
        if height == height  # not NaN
    }
    return {number: NO_HEIGHT for number, names in enumerate(ground.names) if names not in known}

"""Every opening of a door and how long it was followed, whether or not it was seen to close.

Some closings are not in the log: power fails, or the log ends, while a door is open. Such an
opening is followed until it was last known to be open. Where a second opening is logged and the
closing between is missing, nothing is known of when it closed: left out.
"""

import pandas as pd

from loganalyzer.facts import DOOR, plain
from loganalyzer.tables import require

OPENING = [*DOOR, "cycle", "opened", "until", "seconds", "closed"]


def openings(cycles: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """The openings of cycles, contact bounces within a cycle merged.

    Args:
        cycles: The table of that name, or rows of it.
        intervals: The table of that name; tells how long an opening without closing lasted.

    Returns:
        One row a cycle whose door opened and that can be followed: `site`, `chute`, `floor`,
        `cycle`, `opened`, `until` (last closing, or the last time at which the door was known
        to be open), `seconds` between the two, `closed` (whether it was seen to close).
    """
    require(cycles, *DOOR, "cycle", "opened", "closed", "open_s")
    opened = cycles[cycles["opened"].notna()]
    whole = opened[opened["open_s"].notna()]
    ends = whole.assign(until=whole["closed"], seconds=whole["open_s"], closed=True)[OPENING]
    cut = _cut_off(opened[opened["closed"].isna()], intervals)
    return pd.concat([plain(ends, *DOOR), cut], ignore_index=True) if len(cut) else ends


def _cut_off(cycles: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """Follow the cycles without a closing to the end of power or of the log."""
    require(intervals, *DOOR, "signal", "start", "end", "ended_by")
    lost = intervals["signal"].eq("open") & intervals["ended_by"].isin(["power", "log_end"])
    if cycles.empty or not lost.any():
        return pd.DataFrame(columns=OPENING)
    running = plain(intervals.loc[lost, [*DOOR, "start", "end"]], *DOOR).sort_values("start")
    of = pd.merge_asof(
        running,
        plain(cycles[[*DOOR, "cycle", "opened"]].sort_values("opened"), *DOOR),
        left_on="start", right_on="opened", by=DOOR,
    )  # fmt: skip
    keys = [*DOOR, "cycle", "opened"]
    until = of.dropna(subset="opened").groupby(keys)["end"].max().rename("until").reset_index()
    seconds = (until["until"] - until["opened"]).dt.total_seconds()
    return until.assign(seconds=seconds, closed=False).loc[seconds >= 0]

"""Clearings that ended before material can have fallen.

Nothing falls faster than freely. Friction, bends and air only lengthen a fall, so a clearing
shorter than free fall from that floor is provably too short; a longer one is not thereby proven
long enough.
"""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, counts, places, plain, why
from loganalyzer.stats import free_fall_s
from loganalyzer.tables import require

NO_HEIGHT = "no elevation_m in the site file"
NO_CLEARING = "no whole clearing after this door"


def clearings_below_free_fall(cycles: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Count the clearings that were shorter than free fall from their floor.

    A log that tells time in whole seconds may show a clearing up to one step of its clock too
    short, so only those are counted that are too short even then.

    Args:
        cycles: The table of that name.
        facts: Doors with their heights, and how finely each log tells the time.

    Returns:
        One row a door of `facts.doors`: `site`, `chute`, `floor`, `elevation_m`, `fall_s`
        (free fall), `clearings`, `too_short` (counts), `shortest_s`, `evidence` (`source:line`
        of the cycle of the shortest, else null), `reason` (why `too_short` is null, else null).

    Source: standard gravity, 3rd CGPM (1901); see `free_fall_s`.
    """
    require(cycles, *DOOR, "clear_s", "source", "line")
    heights = facts.doors.merge(facts.recorded, on=CHUTE, how="left")
    table = heights[[*DOOR, "elevation_m"]].assign(fall_s=free_fall_s(heights["elevation_m"]))
    table = table.merge(_counts(judged_clearings(cycles, facts)), on=DOOR, how="left")
    reason = why(
        (~heights["clearing"], NOT_RECORDED["clearing"]),
        (table["elevation_m"].isna(), NO_HEIGHT),
        (table["clearings"].isna(), NO_CLEARING),
    )
    clearings = counts(table["clearings"], heights["clearing"])
    short = counts(table["too_short"], reason.isna())
    return table.assign(clearings=clearings, too_short=short, reason=reason)


def judged_clearings(cycles: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Each clearing whose length is known, against free fall from its floor.

    Args:
        cycles: The table of that name.
        facts: Doors with their heights, and how finely each log tells the time.

    Returns:
        One row a clearing: `site`, `chute`, `floor`, `cleared`, `clear_s`, `source`, `line` of
        its cycle; `elevation_m`, `fall_s` (null where the height is not known), `slack` (one
        step of the log's clock, seconds), `short` (too short even then).

    Source: as `clearings_below_free_fall`.
    """
    heights = facts.doors[[*DOOR, "elevation_m"]].merge(facts.precision, on=CHUTE, how="left")
    heights["fall_s"] = free_fall_s(heights["elevation_m"])
    heights = heights.rename(columns={"precision_s": "slack"})
    heights = heights.merge(facts.recorded[[*CHUTE, "unlocked"]], on=CHUTE, how="left")
    heights = heights.rename(columns={"unlocked": "locks"})
    at = places(cycles, heights, DOOR)
    # A locked leaf that rattles while another door's material falls is no use of its own.
    used = cycles["unlocked"].notna().to_numpy() | ~np.append(heights["locks"], False)[at]
    rows = np.flatnonzero(cycles["clear_s"].notna().to_numpy() & (at >= 0) & used)
    known = cycles[[*DOOR, "cleared", "clear_s", "source", "line"]].iloc[rows]
    more = heights[["elevation_m", "fall_s", "slack"]].iloc[at[rows]].set_axis(known.index)
    known = pd.concat([known, more], axis=1).reset_index(drop=True)
    return known.assign(short=known["clear_s"] + known["slack"] < known["fall_s"])


def _counts(known: pd.DataFrame) -> pd.DataFrame:
    doors = known.groupby(DOOR, observed=True)
    found = plain(doors["short"].agg(clearings="size", too_short="sum").reset_index(), *DOOR)
    shortest = known.loc[doors["clear_s"].idxmin(), [*DOOR, "clear_s", "source", "line"]]
    lines = shortest["source"].astype("str") + ":" + shortest["line"].astype("str")
    shortest = plain(shortest.assign(shortest_s=shortest["clear_s"], evidence=lines), *DOOR)
    return found.merge(shortest[[*DOOR, "shortest_s", "evidence"]], on=DOOR, how="left")

"""When a chute's doors were in service: the log covers the time, power was on, no maintenance.

A maintenance whose end (or beginning) is not in the log counts for nothing, since it would
swallow the weeks up to the next one; one that a power cut or the end of the log cut short, or
that the log begins with, counts as far as it is known.
"""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, plain
from loganalyzer.spans import Cover, micros
from loganalyzer.tables import require

STRETCH = [*CHUTE, "start", "end", "seconds", "covered"]


def in_service(coverage: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """The stretches in which a chute's log covers the time and its doors were in service.

    Args:
        coverage: The table of that name.
        intervals: The table of that name.

    Returns:
        One row a stretch, sorted, none touching another: `site`, `chute`, `start`, `end`,
        `seconds`, `covered` (true), so that `localtime.exposure` counts its hours.
    """
    require(coverage, *CHUTE, "start", "end", "covered")
    held = plain(coverage.loc[coverage["covered"].astype(bool), [*CHUTE, "start", "end"]], *CHUTE)
    out = _maintenance(intervals)
    rows = []
    for key, part in held.groupby(CHUTE):
        left = _cover(part).minus(_cover(_of(out, part)))
        rows += [(*key, *edges) for edges in zip(left.start, left.end, strict=True)]
    table = pd.DataFrame(rows, columns=STRETCH[:4]).astype({"site": "str", "chute": "str"})
    seconds = (table["end"] - table["start"]).astype("float64") / 1e6
    times = {
        edge: pd.to_datetime(table[edge], unit="us", utc=True).dt.as_unit("us")
        for edge in ("start", "end")
    }
    return table.assign(**times, seconds=seconds, covered=True)[STRETCH]


def inside(table: pd.DataFrame, time: str, stretches: pd.DataFrame) -> pd.Series:
    """Whether each row's time lies in a stretch of its chute, both ends included.

    Args:
        table: Reads `site`, `chute` and the column that `time` names; a null time lies in none.
        time: Name of the column.
        stretches: What `in_service` returns.
    """
    found = pd.Series(False, index=table.index)
    for _, part in table.groupby(CHUTE, observed=True):
        mine = _of(stretches, part)
        if len(mine):
            at, end = micros(part[time]), micros(mine["end"])
            place = np.searchsorted(micros(mine["start"]), at, side="right") - 1
            found.loc[part.index] = (place >= 0) & (at <= end[place])
    return found


def _of(spans: pd.DataFrame, chute: pd.DataFrame) -> pd.DataFrame:
    """The spans of the one chute that a table's rows are of."""
    same = spans["site"].eq(chute["site"].iloc[0]) & spans["chute"].eq(chute["chute"].iloc[0])
    return spans[same]


def _maintenance(intervals: pd.DataFrame) -> pd.DataFrame:
    require(intervals, *CHUTE, "signal", "start", "end", "start_known", "ended_by")
    mine = intervals[intervals["signal"].eq("service")]
    first = mine.groupby(CHUTE, observed=True).cumcount().eq(0)
    known = mine["ended_by"].ne("repeat") & (mine["start_known"] | first)
    return plain(mine.loc[known, [*CHUTE, "start", "end"]], *CHUTE)


def _cover(spans: pd.DataFrame) -> Cover:
    return Cover.of(micros(spans["start"]), micros(spans["end"]))

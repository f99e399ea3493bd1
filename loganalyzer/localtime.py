"""A site's own days and hours, and how much of each its log covers.

Exposure is counted in quarter hours, since every zone's changes fall on one: an hour that
occurs twice in autumn counts twice, one that is missing in spring not at all.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.site import Site
from loganalyzer.spans import micros

QUARTER = 15 * 60 * 1_000_000  # µs
HOUR = 4 * QUARTER
HOURS_OF_WEEK = 168
THURSDAY = 3 * 24  # 1970-01-01, as hours of a week that begins on Monday


def local_parts(table: pd.DataFrame, sites: Mapping[str, Site], time: str) -> pd.DataFrame:
    """The local day and hour of each row.

    Args:
        table: Reads `site` and the column that `time` names (UTC).
        sites: Their time zones; UTC for a site that is not among them.
        time: Name of the column.

    Returns:
        By the index of `table`: `day` (midnight, without zone), `hour_of_week` (0 is the hour
        from Monday 00:00, 167 the last of Sunday). Null where the time is.
    """
    wall = wall_clock(table, sites, time)
    hours = micros(wall) // HOUR
    day = (hours // 24 * 24 * HOUR).view("datetime64[us]")
    hour = pd.Series((hours + THURSDAY) % HOURS_OF_WEEK, wall.index, dtype="int32")
    known = wall.notna()
    if not known.all():
        day[~known.to_numpy()] = np.datetime64("NaT")
        hour = hour.where(known)
    return pd.DataFrame({"day": day, "hour_of_week": hour}, index=wall.index)


def wall_clock(table: pd.DataFrame, sites: Mapping[str, Site], time: str) -> pd.Series:
    """The wall clock of the site at each row's time, without zone; arguments as above."""
    parts = [
        part[time].dt.tz_convert(zone_of(sites, str(site))).dt.tz_localize(None)
        for site, part in table.groupby("site", observed=True)
    ]
    if not parts:
        return pd.Series(index=table.index, dtype="datetime64[us]")
    whole: pd.Series = parts[0] if len(parts) == 1 else pd.concat(parts)
    return whole.reindex(table.index)


def zone_of(sites: Mapping[str, Site], site: str) -> str:
    """The time zone of a site; UTC where no site file names it."""
    return sites[site].time_zone if site in sites else "UTC"


def exposure(coverage: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """How long the log covers each local hour.

    Args:
        coverage: The table of that name; reads `site`, `chute`, `start`, `end`, `covered`.
        sites: Their time zones.

    Returns:
        One row a `site`, `chute`, `day`, `hour_of_week` with any log; `seconds` of it.
    """
    slots = quarters(coverage[coverage["covered"]])
    slots = slots.join(local_parts(slots, sites, "time"))
    keys = [*CHUTE, "day", "hour_of_week"]
    return slots.groupby(keys, observed=True)["seconds"].sum().reset_index()


def quarters(stretches: pd.DataFrame) -> pd.DataFrame:
    """Cut stretches of a `site` and `chute` from `start` to `end` at the quarter hours.

    Returns:
        One row a piece: `site`, `chute`, `time` (start of its quarter hour), `seconds`, `row`
        (the place of its stretch).
    """
    start, end = micros(stretches["start"]), micros(stretches["end"])
    first = start // QUARTER
    count = np.maximum(-(-end // QUARTER) - first, 0)
    row = np.repeat(np.arange(len(stretches)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    begin = (first[row] + step) * QUARTER
    inside = np.minimum(begin + QUARTER, end[row]) - np.maximum(begin, start[row])
    return pd.DataFrame(
        {
            "site": stretches["site"].astype("str").to_numpy()[row],
            "chute": stretches["chute"].astype("str").to_numpy()[row],
            "time": pd.to_datetime(begin, unit="us", utc=True).as_unit("us"),
            "seconds": inside / 1e6,
            "row": row,
        }
    )

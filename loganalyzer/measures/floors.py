"""One row a door: how it is used, how long it stands open, how often it locks people out."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, plain, tally
from loganalyzer.site import Site
from loganalyzer.stats import poisson_interval
from loganalyzer.tables import TABLES, require

NOT_JUDGED = "floors are not yet compared with one another"
NO_VISITS = "no visits"


def floors(
    timeline: pd.DataFrame,
    cycles: pd.DataFrame,
    visits: pd.DataFrame,
    opened: pd.DataFrame,
    locked: pd.DataFrame,
    stuck: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
) -> pd.DataFrame:
    """The table `floors`: doors of the site file and doors seen, zeros and nulls told apart.

    Args:
        timeline: The table of that name.
        cycles: The table of that name.
        visits: The table of that name.
        opened: What `doors.open_times` returns.
        locked: What `lockouts.lockouts` returns.
        stuck: Incidents of kind `stuck_door`: one row each, `site`, `chute`, `floor`.
        facts: What is known of the chutes.
        sites: Their streams.

    Returns:
        As tables.py says, in the order of `facts.doors`, with a column `cycles_STREAM` for each
        stream of the site files and of the logs. Episodes per 100 visits with the exact 95 %
        Poisson interval. Counts leave out what has no time that can be trusted.
        `shrunken`, `q_value` and `flagged` are null. `reason` says why anything else is null.
    """
    require(visits, *DOOR, "result", "source", "line")
    shown = _shown(facts)
    used = cycles[anchored(cycles, timeline)]
    tried = visits[anchored(visits, timeline)]
    pressed = timeline["signal"].eq("press") & timeline["clock"].ne("unanchored")
    counted = {
        "presses": (timeline[pressed], "press"),
        "visits": (tried, "press"),
        "served": (tried[tried["result"].eq("served")], "served"),
        "cycles": (used, "cycle"),
        "stuck": (stuck, "open"),
        "lockouts": (locked, "lockout"),
        "lockout_episodes": (locked[locked["in_episode"].eq(1)], "lockout"),
    }
    columns = {name: _count(rows, facts, shown[by]) for name, (rows, by) in counted.items()}
    table = facts.doors[[*DOOR, "units"]].assign(**columns).merge(opened, on=DOOR, how="left")
    table = table.assign(**_rates(table), **_not_judged(table))
    table["reason"] = _reasons(table, shown)
    streams = _streams(used, timeline, facts, sites, shown["cycle"])
    ordered: pd.DataFrame = table[TABLES["floors"].names]
    return ordered.assign(**streams)


def _shown(facts: Facts) -> pd.DataFrame:
    """What each door's chute records: yes/no columns beside `facts.doors`."""
    held = facts.doors[CHUTE].merge(facts.recorded, on=CHUTE, how="left")
    return held.assign(
        cycle=held["unlocked"] | held["open"],
        served=held["press"] & (held["unlocked"] | held["open"]),
        lockout=held["lockout"] | held["press"],
    )


def _count(rows: pd.DataFrame, facts: Facts, shown: pd.Series) -> pd.Series:
    """How many of these rows each door has; null where its chute does not record them."""
    found = tally(rows, DOOR, "n")
    return counts(facts.doors[DOOR].merge(found, on=DOOR, how="left")["n"], shown)


def _rates(table: pd.DataFrame) -> dict[str, pd.Series]:
    """Episodes per 100 visits, with the exact interval over the visits made."""
    episodes = table["lockout_episodes"].astype("float64")
    visits = table["visits"].astype("float64")
    hundreds = visits.where(visits > 0) / 100
    low, high = poisson_interval(episodes)
    return {
        "episodes_per_100_visits": episodes / hundreds,
        "low": pd.Series(low) / hundreds,
        "high": pd.Series(high) / hundreds,
    }


def _not_judged(table: pd.DataFrame) -> dict[str, pd.Series]:
    nothing = pd.Series(np.nan, index=table.index)
    unknown = pd.Series(pd.NA, index=table.index, dtype="boolean")
    return {"shrunken": nothing, "q_value": nothing, "flagged": unknown}


def _reasons(table: pd.DataFrame, shown: pd.DataFrame) -> pd.Series:
    """Why something is null, door by door, several joined by a semicolon."""
    parts = [
        pd.Series(np.where(shown["press"], "", NOT_RECORDED["press"])),
        pd.Series(np.where(table["visits"].eq(0).fillna(False), NO_VISITS, "")),
        table["reason"].fillna(""),
        pd.Series(NOT_JUDGED, index=table.index),
    ]
    joined = ["; ".join(filter(None, row)) for row in zip(*parts, strict=True)]
    return pd.Series(joined, index=table.index, dtype="str")


def _streams(
    cycles: pd.DataFrame,
    timeline: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
    shown: pd.Series,
) -> dict[str, pd.Series]:
    """A column of counts for each stream; null where the door's chute has no such stream."""
    listed = [
        (site.id, chute.id, stream.id)
        for site in sites.values()
        for chute in site.chutes
        for stream in chute.streams
    ]
    seen = timeline.loc[timeline["stream"].notna(), [*CHUTE, "stream"]].drop_duplicates()
    both = pd.concat([pd.DataFrame(listed, columns=[*CHUTE, "stream"], dtype="str"), seen])
    have = plain(both.drop_duplicates(), *CHUTE, "stream")
    # A stream that is listed counts only where the log names streams at all.
    have = have.merge(facts.recorded.loc[facts.recorded["stream"], CHUTE], on=CHUTE)
    columns = {}
    for stream, chutes in have.groupby("stream")[CHUTE]:
        has = facts.doors[CHUTE].merge(chutes.assign(has=True), on=CHUTE, how="left")["has"]
        of_it = cycles[cycles["stream"].eq(stream)]
        columns[f"cycles_{stream}"] = _count(of_it, facts, shown & has.notna())
    return columns

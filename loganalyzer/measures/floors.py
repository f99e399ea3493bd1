"""One row a door: how it is used, how long it stands open, how often it locks people out."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, Facts, anchored, counts, plain, tally
from loganalyzer.site import Site
from loganalyzer.tables import TABLES, require


def floors(
    timeline: pd.DataFrame,
    cycles: pd.DataFrame,
    visits: pd.DataFrame,
    opened: pd.DataFrame,
    locked: pd.DataFrame,
    stuck: pd.DataFrame,
    judged: pd.DataFrame,
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
        judged: What `misuse.misuse` returns: the rates, and each floor against the others.
        facts: What is known of the chutes.
        sites: Their streams.

    Returns:
        As tables.py says, in the order of `facts.doors`, with a column `cycles_STREAM` for each
        stream of the site files and of the logs. Counts leave out what has no time that can be
        trusted; rates and judgement only hold what lies in service (`visits_in_service`,
        `episodes_in_service`). `lockouts_inferred`: the log holds presses and no lockouts.
        `reason` says why anything is null or the floor is not judged.
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
    table = table.merge(judged, on=DOOR, how="left", suffixes=("_open", ""))
    table["lockouts_inferred"] = (~shown["lockout_logged"]).where(shown["lockout"])
    table["reason"] = _reasons(table)
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
        lockout_logged=held["lockout"],
    )


def _count(rows: pd.DataFrame, facts: Facts, shown: pd.Series) -> pd.Series:
    """How many of these rows each door has; null where its chute does not record them."""
    found = tally(rows, DOOR, "n")
    return counts(facts.doors[DOOR].merge(found, on=DOOR, how="left")["n"], shown)


def _reasons(table: pd.DataFrame) -> pd.Series:
    """Why something is null, door by door, several joined by a semicolon; null where nothing is."""
    both = zip(table["reason"], table["reason_open"], strict=True)
    joined = ["; ".join(text for text in row if isinstance(text, str)) or None for row in both]
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

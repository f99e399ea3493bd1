"""How often each stream is used, by floor."""

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, plain, tally, why
from loganalyzer.tables import require


def uses(cycles: pd.DataFrame, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Cycles by door and stream.

    Args:
        cycles: The table of that name.
        timeline: Tells which cycles begin at a time that can be trusted, and the streams seen.
        facts: What is known of the chutes.

    Returns:
        One row a door of `facts.doors` and stream that its chute's log names: `site`, `chute`,
        `floor`, `stream`, `cycles` (count), `reason`. A chute whose log names no stream
        has one row a door with `stream` null. `cycles` is null where `reason` says why.
    """
    require(cycles, *DOOR, "stream", "source", "line")
    keys = [*DOOR, "stream"]
    known = cycles.loc[anchored(cycles, timeline) & cycles["stream"].notna(), keys]
    used = tally(known, keys, "cycles")
    named = timeline.loc[timeline["stream"].notna(), [*CHUTE, "stream"]].drop_duplicates()
    named = plain(named, *CHUTE, "stream").sort_values([*CHUTE, "stream"])
    table = facts.doors[DOOR].merge(named, on=CHUTE, how="left").merge(used, how="left")
    held = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")
    reason = why(
        (table["stream"].isna(), NOT_RECORDED["stream"]),
        (~(held["unlocked"] | held["open"]), NOT_RECORDED["unlocked"]),
    )
    return table.assign(cycles=counts(table["cycles"], reason.isna()), reason=reason)

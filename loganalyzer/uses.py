"""Uses of a chute: cycles whose door opened, with a time that can be trusted."""

import pandas as pd

from loganalyzer.facts import DOOR, anchored, plain
from loganalyzer.tables import require


def uses(cycles: pd.DataFrame, timeline: pd.DataFrame) -> pd.DataFrame:
    """The cycles whose door opened.

    Args:
        cycles: The table of that name.
        timeline: Tells which begin at a time that can be trusted.

    Returns:
        One row a use, in order of time: `site`, `chute`, `floor`, `stream` (null where the log
        does not say), `time` (when the door closed, and material fell; else when it opened),
        `opened`, `source`, `line`.
    """
    require(cycles, *DOOR, "stream", "opened", "closed", "source", "line")
    kept = cycles[cycles["opened"].notna() & anchored(cycles, timeline)]
    found = plain(kept[[*DOOR, "stream", "opened", "source", "line"]], *DOOR, "stream")
    found = found.assign(time=kept["closed"].fillna(kept["opened"]))
    return found.sort_values("time", kind="stable", ignore_index=True)

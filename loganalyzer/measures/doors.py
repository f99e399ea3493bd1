"""How long doors stand open.

Leaving out the openings that were not seen to close would make a door that is left open look
quick, so the quantiles are Kaplan-Meier's, with such an opening followed until it was last known
to be open (`openings.py`).
"""

import pandas as pd

from loganalyzer.facts import DOOR, NOT_RECORDED, Facts, counts, why
from loganalyzer.openings import openings
from loganalyzer.stats import kaplan_meier, survival_quantile

SHARES = {"open_s_median": 0.5, "open_s_p90": 0.9, "open_s_p99": 0.99}
NEVER_OPENED = "never opened in this log"
NEVER_CLOSED = "too few closings seen"


def open_times(cycles: pd.DataFrame, intervals: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Quantiles of the time from first opening to last closing of a cycle, door by door.

    Args:
        cycles: The table of that name.
        intervals: The table of that name; tells how long an opening without closing lasted.
        facts: What is known of the chutes.

    Returns:
        One row a door of `facts.doors`, in its order: `site`, `chute`, `floor`, `openings`
        (count), `cut_off` (of these, how many were not seen to close), `open_s_median`,
        `open_s_p90`, `open_s_p99` (seconds), `reason` (why these are null, else null).
    """
    seen = openings(cycles, intervals)
    rows = [
        (*key, len(part), int((~part["closed"]).sum()), *_quantiles(part))
        for key, part in seen.groupby(DOOR, observed=True)[["seconds", "closed"]]
    ]
    names = [*DOOR, "openings", "cut_off", *SHARES]
    found = pd.DataFrame(rows, columns=names).astype(dict.fromkeys(DOOR, "str"))
    table = facts.doors[DOOR].merge(found, on=DOOR, how="left")
    shown = table[DOOR].merge(facts.recorded)["open"]
    reason = why(
        (~shown, NOT_RECORDED["open"]),
        (table["openings"].isna(), NEVER_OPENED),
        (table[list(SHARES)].isna().any(axis=1), NEVER_CLOSED),
    )
    return table.assign(
        openings=counts(table["openings"], shown),
        cut_off=counts(table["cut_off"], shown),
        reason=reason,
    )


def _quantiles(openings: pd.DataFrame) -> tuple[float, ...]:
    curve = kaplan_meier(openings["seconds"], openings["closed"])
    return tuple(survival_quantile(curve, share) for share in SHARES.values())

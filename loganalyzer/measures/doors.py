"""How long doors stand open.

Some closings are not in the log: power fails, or the log ends, while a door is open. Leaving
those out would make a door that is left open look quick, so the quantiles are Kaplan-Meier's,
with such an opening followed until it was last known to be open. Where a second opening is
logged and the closing between is missing, nothing is known of when it closed: left out.
"""

import pandas as pd

from loganalyzer.facts import DOOR, NOT_RECORDED, Facts, counts, plain, why
from loganalyzer.stats import kaplan_meier, survival_quantile
from loganalyzer.tables import require

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
    seen = _followed(cycles, intervals)
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


def _followed(cycles: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """Every opening as `site`, `chute`, `floor`, `seconds`, `closed` (yes or no)."""
    require(cycles, *DOOR, "cycle", "opened", "closed", "open_s")
    opened = cycles[cycles["opened"].notna()]
    whole = opened[opened["open_s"].notna()]
    columns = [*DOOR, "seconds", "closed"]
    ends = whole.assign(seconds=whole["open_s"], closed=True)[columns]
    cut = _cut_off(opened[opened["closed"].isna()], intervals)
    return pd.concat([plain(ends, *DOOR), cut]) if len(cut) else ends


def _cut_off(cycles: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """Follow the cycles without a closing to the end of power or of the log."""
    require(intervals, *DOOR, "signal", "start", "end", "ended_by")
    lost = intervals["signal"].eq("open") & intervals["ended_by"].isin(["power", "log_end"])
    if cycles.empty or not lost.any():
        return pd.DataFrame(columns=[*DOOR, "seconds", "closed"])
    running = plain(intervals.loc[lost, [*DOOR, "start", "end"]], *DOOR).sort_values("start")
    of = pd.merge_asof(
        running,
        plain(cycles[[*DOOR, "cycle", "opened"]].sort_values("opened"), *DOOR),
        left_on="start", right_on="opened", by=DOOR,
    )  # fmt: skip
    keys = [*DOOR, "cycle", "opened"]
    followed = of.dropna(subset="opened").groupby(keys)["end"].max().reset_index()
    seconds = (followed["end"] - followed["opened"]).dt.total_seconds()
    followed = followed.assign(seconds=seconds, closed=False).loc[seconds >= 0]
    return followed[[*DOOR, "seconds", "closed"]]


def _quantiles(openings: pd.DataFrame) -> tuple[float, ...]:
    curve = kaplan_meier(openings["seconds"], openings["closed"])
    return tuple(survival_quantile(curve, share) for share in SHARES.values())

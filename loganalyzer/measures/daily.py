"""What happened on each local day, and how much of the day the log covers."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, NO_LOG, Facts, anchored, counts, tally, why
from loganalyzer.localtime import wall_clock, zone_of
from loganalyzer.site import Site
from loganalyzer.tables import require

# Each count: the signals of which a chute must record one for the count to be known.
COUNTS = {
    "cycles": ("unlocked", "open"),
    "visits": ("press",),
    "refusals": ("refusal",),
    "lockouts": ("lockout", "press"),
}


def daily(
    timeline: pd.DataFrame,
    cycles: pd.DataFrame,
    visits: pd.DataFrame,
    locked: pd.DataFrame,
    hours: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
) -> pd.DataFrame:
    """Counts of each chute and local day.

    Args:
        timeline: The table of that name.
        cycles: The table of that name; a cycle counts on the day of its first time.
        visits: The table of that name.
        locked: What `lockouts.lockouts` returns.
        hours: What `localtime.exposure` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        One row a `site`, `chute`, `day` (midnight of the local day, without zone) from the
        first to the last day of the chute's log: `cycles`, `visits`, `refusals`, `lockouts`
        (counts; null where the chute does not record them or the day has no log),
        `covered_share` (0 to 1, of the day's 23 to 25 hours), `reason` (why all are null).
    """
    require(cycles, *CHUTE, "pressed", "unlocked", "opened", "source", "line")
    began = cycles["pressed"].fillna(cycles["unlocked"]).fillna(cycles["opened"])
    refused = timeline["signal"].eq("refusal") & timeline["clock"].ne("unanchored")
    moments = {
        "cycles": cycles.assign(time=began)[anchored(cycles, timeline)],
        "visits": visits.assign(time=visits["start"])[anchored(visits, timeline)],
        "refusals": timeline[refused],
        "lockouts": locked.assign(time=locked["start"]),
    }
    table = _days(hours, sites).merge(facts.recorded, on=CHUTE, how="left")
    for name, signals in COUNTS.items():
        known = table[list(signals)].any(axis=1) & (table["covered_share"] > 0)
        table[name] = counts(_count(moments[name], table, sites), known)
    columns = [*CHUTE, "day", *COUNTS, "covered_share"]
    return table[columns].assign(reason=why((table["covered_share"].eq(0), NO_LOG)))


def _days(hours: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Every local day from first to last, with the share of it that the log covers."""
    parts = []
    for (site, chute), part in hours.groupby(CHUTE, observed=True):
        covered = part.groupby("day")["seconds"].sum()
        days = pd.date_range(covered.index.min(), covered.index.max(), unit="us")
        length = _lengths(days, zone_of(sites, str(site)))
        share = covered.reindex(days, fill_value=0.0).to_numpy() / length
        row = {"site": site, "chute": chute, "day": days, "covered_share": share.clip(max=1.0)}
        parts.append(pd.DataFrame(row))
    if parts:
        return pd.concat(parts, ignore_index=True)
    types = {"site": "str", "chute": "str", "day": "datetime64[us]", "covered_share": "float64"}
    return pd.DataFrame(columns=list(types)).astype(types)


def _lengths(days: pd.DatetimeIndex, zone: str) -> NDArray[np.float64]:
    """Seconds of each local day: a day of a clock change has 23 or 25 hours."""
    edges = days.append(days[-1:] + pd.Timedelta(days=1)).to_series()
    local = edges.dt.tz_localize(zone, ambiguous=False, nonexistent="shift_forward")
    return np.asarray(local.diff().dt.total_seconds(), dtype=np.float64)[1:]


def _count(moments: pd.DataFrame, days: pd.DataFrame, sites: Mapping[str, Site]) -> pd.Series:
    events = moments.loc[moments["time"].notna(), [*CHUTE, "time"]]
    day = wall_clock(events, sites, "time").dt.normalize()
    found = tally(events.assign(day=day), [*CHUTE, "day"], "n")
    numbers: pd.Series = days[[*CHUTE, "day"]].merge(found, on=[*CHUTE, "day"], how="left")["n"]
    return numbers

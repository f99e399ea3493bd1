"""When things happen: each floor by hour of the local week, with the time that the log covers."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, tally, why
from loganalyzer.localtime import HOURS_OF_WEEK, local_parts
from loganalyzer.site import Site
from loganalyzer.tables import require

NO_HOUR = "no log in this hour"
# Each count: the signals of which a chute must record one for the count to be known.
COUNTS = {
    "presses": ("press",),
    "visits": ("press",),
    "refusals": ("refusal",),
    "lockouts": ("lockout", "press"),
}
RATES = {"visits": "press", "refusals": "refusal", "lockouts": "lockout"}


def week(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame, hours: pd.DataFrame,
    facts: Facts, sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """Presses, visits, refusals and lockouts of each door in each hour of the local week.

    Args:
        timeline: The table of that name.
        visits: The table of that name; a visit counts in the hour of its first press.
        locked: What `lockouts.lockouts` returns.
        hours: What `localtime.exposure` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        One row a door and hour, doors in the order of `facts.doors`: `site`, `chute`, `floor`,
        `hour_of_week` (0 to 167, from Monday 00:00), `presses`, `visits`, `refusals`,
        `lockouts` (counts; null where the chute does not record them), `exposure_h` (hours of
        log in that hour of the week; one that occurs twice counts twice, one that is missing
        not), `visits_per_hour`, `refusals_per_hour`, `lockouts_per_hour`, `reason` (why some of
        these are null, else null).
    """
    require(timeline, *DOOR, "signal", "time", "clock", "source", "line")
    every = pd.DataFrame({"hour_of_week": range(HOURS_OF_WEEK)})
    table = facts.doors[DOOR].merge(every, how="cross").merge(_hours(hours), how="left")
    table = table.merge(facts.recorded, on=CHUTE, how="left")
    for name, moments in _moments(timeline, visits, locked).items():
        known = table[list(COUNTS[name])].any(axis=1)
        table[name] = counts(_count(moments, table, sites), known)
    table["exposure_h"] = table["exposure_h"].fillna(0.0)
    covered = table["exposure_h"].where(table["exposure_h"] > 0)
    rates = {f"{name}_per_hour": table[name].astype("float64") / covered for name in RATES}
    table = table.assign(**rates, reason=_reasons(table))
    return table[[*DOOR, "hour_of_week", *COUNTS, "exposure_h", *rates, "reason"]]


def _moments(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """The rows that each count counts, with their `time`."""
    sound = timeline["clock"].ne("unanchored") & timeline["floor"].notna()
    kept = visits[anchored(visits, timeline)]
    return {
        "presses": timeline[sound & timeline["signal"].eq("press")],
        "visits": kept.assign(time=kept["start"]),
        "refusals": timeline[sound & timeline["signal"].eq("refusal")],
        "lockouts": locked.assign(time=locked["start"]),
    }


def _count(moments: pd.DataFrame, table: pd.DataFrame, sites: Mapping[str, Site]) -> pd.Series:
    events = moments[[*DOOR, "time"]]
    placed = events.assign(hour_of_week=local_parts(events, sites, "time")["hour_of_week"])
    found = tally(placed, [*DOOR, "hour_of_week"], "n")
    keys = [*DOOR, "hour_of_week"]
    numbers: pd.Series = table[keys].merge(found, on=keys, how="left")["n"]
    return numbers


def _hours(hours: pd.DataFrame) -> pd.DataFrame:
    total = hours.groupby([*CHUTE, "hour_of_week"])["seconds"].sum().reset_index()
    return total.assign(exposure_h=total["seconds"] / 3600).drop(columns="seconds")


def _reasons(table: pd.DataFrame) -> pd.Series:
    """The first signal that is missing and whose count is null with it, or that there is no log."""
    missing = [
        (~table[list(signals)].any(axis=1), NOT_RECORDED[signals[0]]) for signals in COUNTS.values()
    ]
    return why((table["exposure_h"].eq(0), NO_HOUR), *missing)

"""Presses that the controller did not act on: why, and when in the week."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, counts, plain, tally, why
from loganalyzer.localtime import HOURS_OF_WEEK, local_parts
from loganalyzer.site import Site
from loganalyzer.stats import wilson
from loganalyzer.tables import require

NOT_SAID = "not said"
NO_HOUR = "no log in this hour"
PRESSES_MISSING = "fewer presses than refusals in the log"


def by_reason(timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Refused presses of each chute by the reason that the controller gave.

    Args:
        timeline: Reads `site`, `chute`, `signal`, `code`, `clock`.
        facts: What is known of the chutes.

    Returns:
        One row a `site`, `chute`, `code` ("not said" where none was logged), most frequent
        first; a chute that records no refusals has one row with `code` null. `refusals`,
        `presses` (of the chute, counts), `share` (refusals / presses) with its 95 % interval
        `low` to `high`, `reason` (why counts or share are null, else null).
    """
    require(timeline, *CHUTE, "signal", "code", "clock")
    sound = timeline["clock"].ne("unanchored")
    refused = timeline.loc[sound & timeline["signal"].eq("refusal"), [*CHUTE, "code"]]
    silent = tally(refused[refused["code"].isna()], CHUTE, "refusals").assign(code=NOT_SAID)
    codes = pd.concat([tally(refused, [*CHUTE, "code"], "refusals"), silent])
    codes = codes.sort_values("refusals", ascending=False, kind="stable")
    table = facts.recorded[[*CHUTE, "press", "refusal"]].merge(codes, on=CHUTE, how="left")
    table = table.merge(_presses(timeline[sound]), on=CHUTE, how="left")
    return _shares(table).drop(columns=["press", "refusal"])


def by_hour_of_week(
    timeline: pd.DataFrame, hours: pd.DataFrame, facts: Facts, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """Refused presses of each door in each hour of the local week.

    Args:
        timeline: Reads `site`, `chute`, `floor`, `signal`, `time`, `clock`.
        hours: What `localtime.exposure` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        One row a door and hour, doors in the order of `facts.doors`: `site`, `chute`, `floor`,
        `hour_of_week` (0 to 167, from Monday 00:00), `presses`, `refusals` (counts),
        `exposure_h` (hours of log in that hour of the week; one that occurs twice counts
        twice), `refusals_per_hour`, `reason` (why the rate is null, else null).
    """
    require(timeline, *DOOR, "signal", "time", "clock")
    week = pd.DataFrame({"hour_of_week": range(HOURS_OF_WEEK)})
    table = facts.doors[DOOR].merge(week, how="cross").merge(_hours(hours), how="left")
    table = table.merge(_counts(timeline, sites), on=[*DOOR, "hour_of_week"], how="left")
    table = table.merge(facts.recorded[[*CHUTE, "press", "refusal"]], on=CHUTE, how="left")
    for count, signal in (("presses", "press"), ("refusals", "refusal")):
        table[count] = counts(table[count], table[signal])
    table["exposure_h"] = table["exposure_h"].fillna(0.0)
    covered = table["exposure_h"].where(table["exposure_h"] > 0)
    rate = table["refusals"].astype("float64") / covered
    reason = why((~table["refusal"], NOT_RECORDED["refusal"]), (covered.isna(), NO_HOUR))
    table = table.assign(refusals_per_hour=rate, reason=reason)
    return table.drop(columns=["press", "refusal"])


def _presses(events: pd.DataFrame) -> pd.DataFrame:
    pressed = events.loc[events["signal"].eq("press"), CHUTE]
    return tally(pressed, CHUTE, "presses")


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    refusals = counts(table["refusals"], table["refusal"])
    presses = counts(table["presses"], table["press"])
    whole = table.groupby(CHUTE)["refusals"].transform("sum").le(table["presses"])
    trials = presses.astype("float64").where(whole & table["refusal"])
    low, high = wilson(refusals, trials)
    share = refusals.astype("float64") / trials
    reason = why(
        (~table["refusal"], NOT_RECORDED["refusal"]),
        (~table["press"], NOT_RECORDED["press"]),
        (~whole, PRESSES_MISSING),
    )
    return table.assign(
        refusals=refusals, presses=presses, share=share, low=low, high=high, reason=reason
    )


def _hours(hours: pd.DataFrame) -> pd.DataFrame:
    total = hours.groupby([*CHUTE, "hour_of_week"])["seconds"].sum().reset_index()
    return total.assign(exposure_h=total["seconds"] / 3600).drop(columns="seconds")


def _counts(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    at_doors = timeline["signal"].isin(["press", "refusal"]) & timeline["clock"].ne("unanchored")
    events = timeline.loc[at_doors, [*DOOR, "signal", "time"]]
    events = events.join(local_parts(events, sites, "time"))
    which = events.assign(
        presses=events["signal"].eq("press"), refusals=events["signal"].eq("refusal")
    )
    hours = which.groupby([*DOOR, "hour_of_week"], observed=True)[["presses", "refusals"]]
    return plain(hours.sum().reset_index(), *DOOR)

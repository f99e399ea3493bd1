"""Doors held or left open: how large a share, where, at which hours, and which the longest were.

A share is over the openings of which the log tells whether they passed the site's limit: those
seen to close, and those followed past it. An opening that power or the end of the log cut off
earlier is not judged; beside the share stands Kaplan-Meier's, which counts it until then.
"""

import json
from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, plain, why
from loganalyzer.localtime import local_parts
from loganalyzer.openings import openings
from loganalyzer.site import Site
from loganalyzer.spans import Moments
from loganalyzer.stats import kaplan_meier, survival_at, wilson
from loganalyzer.tables import require

NEVER_OPENED = "never opened in this log"
NONE_JUDGED = "no opening seen to close or to pass the limit"
NO_HOUR = "no log in this hour"
HOURS = 24
LONGEST = 10  # listed of each chute at least, besides all over the limit
# A door left open is a nuisance where this many presses at other doors were refused meanwhile.
# Source: common practice, no source.
QUEUE = 3
LINES_SHOWN = 10
BUSY = "busy"


def open_doors(uses: pd.DataFrame, opened: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """The share of openings over the site's limit, door by door.

    Args:
        uses: What `followed` returns.
        opened: What `doors.open_times` returns.
        facts: What is known of the chutes.

    Returns:
        The table `open_doors`, in the order of `facts.doors`. `share` is `over_limit` /
        `judged` with its 95 % Wilson interval `low` to `high`; `km_share` the share still open
        at the limit after Kaplan-Meier, with its standard error `km_se`. `reason` says why the
        share is null, else null.
    """
    doors = uses.groupby(DOOR, observed=True)
    found = doors[["judged", "over"]].sum().reset_index().rename(columns={"over": "over_limit"})
    table = facts.doors[DOOR].merge(facts.limits, on=CHUTE, how="left")
    table = table.merge(plain(found, *DOOR), on=DOOR, how="left").merge(_survival(uses), how="left")
    table = table.merge(opened.drop(columns="reason"), on=DOOR, how="left")
    shown = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")["open"]
    for name in ("judged", "over_limit"):
        table[name] = counts(table[name], shown)
    reason = why(
        (~shown, NOT_RECORDED["open"]),
        (table["openings"].fillna(0).eq(0), NEVER_OPENED),
        (table["judged"].fillna(0).eq(0), NONE_JUDGED),
    )
    return _shares(table).assign(reason=reason)[[*DOOR, *DOOR_COLUMNS]]


DOOR_COLUMNS = [
    "open_limit_s", "openings", "cut_off", "judged", "over_limit", "share", "low", "high",
    "km_share", "km_se", "open_s_median", "open_s_p90", "open_s_p99", "reason",
]  # fmt: skip


def open_hours(
    uses: pd.DataFrame, hours: pd.DataFrame, facts: Facts, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """The same by hour of the local day, with how long the log covers each.

    Args:
        uses: What `followed` returns; an opening counts in the hour in which it began.
        hours: What `localtime.exposure` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        The table `open_hours`: one row a door and `hour` (0 to 23), doors in the order of
        `facts.doors`. `exposure_h` are the hours of log in that hour of the day, an hour that
        occurs twice counted twice; `over_per_100_h` the openings over the limit per 100 of them.
    """
    hour = local_parts(uses, sites, "opened")["hour_of_week"] % HOURS
    keys = [*DOOR, "hour"]
    found = uses.assign(hour=hour).groupby(keys, observed=True)[["judged", "over"]].sum()
    found = found.reset_index().rename(columns={"over": "over_limit"})
    log = hours.assign(hour=hours["hour_of_week"] % HOURS).groupby([*CHUTE, "hour"])["seconds"]
    table = facts.doors[DOOR].merge(pd.DataFrame({"hour": range(HOURS)}), how="cross")
    table = table.merge(plain(found, *DOOR), on=keys, how="left")
    table = table.merge((log.sum() / 3600).rename("exposure_h").reset_index(), how="left")
    table["exposure_h"] = table["exposure_h"].fillna(0.0)
    shown = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")["open"]
    for name in ("judged", "over_limit"):
        table[name] = counts(table[name], shown & table["exposure_h"].gt(0))
    rate = 100 * table["over_limit"].astype("float64") / table["exposure_h"].replace(0, np.nan)
    reason = why(
        (~shown, NOT_RECORDED["open"]),
        (table["exposure_h"].eq(0), NO_HOUR),
        (table["judged"].fillna(0).eq(0), NEVER_OPENED),
    )
    return _shares(table).assign(over_per_100_h=rate, reason=reason)[[*DOOR, *HOUR_COLUMNS]]


HOUR_COLUMNS = [
    "hour", "judged", "over_limit", "share", "low", "high", "exposure_h", "over_per_100_h",
    "reason",
]  # fmt: skip


def longest_openings(uses: pd.DataFrame, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """The openings over the limit and the ten longest of each chute, the longest first.

    Args:
        uses: What `followed` returns.
        timeline: Presses refused meanwhile, and the lines.
        facts: What is known of the chutes.

    Returns:
        The table `longest_openings`. `until` is when the door closed, or was last known to be
        open; `refused_elsewhere` counts the presses at other doors that were refused as busy
        meanwhile (any refusal where refusals carry no codes), `doors_waiting` those doors,
        null with its `reason` where refusals are not recorded. `propped`: over the limit while
        three or more presses were refused elsewhere. `evidence`: lines of the opening, the
        closing and the first refusals.
    """
    rank = uses.groupby(CHUTE, observed=True)["seconds"].rank(ascending=False, method="first")
    table = plain(uses[uses["over"] | rank.le(LONGEST)], *DOOR)
    table = table.sort_values([*CHUTE, "seconds", "opened"], ascending=[True, True, False, True])
    table = table.reset_index(drop=True)
    refusals = _busy(timeline)
    meanwhile = table[DOOR].assign(start=table["opened"], end=table["until"])
    moments = Moments(refusals, CHUTE)
    low, high = moments.inside(meanwhile)
    here = Moments(refusals, DOOR).count(meanwhile)
    held = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")["refusal"].to_numpy(dtype=bool)
    refused = counts(pd.Series(high - low - here), held)
    near = np.zeros(len(moments), dtype=bool)
    for a, b in zip(low, high, strict=True):
        near[a:b] = True
    shown = moments.at(np.flatnonzero(near))
    floors, texts = np.full((2, len(near)), None, dtype=object)
    floors[near] = shown["floor"].to_numpy(object)
    texts[near] = (shown["source"].astype("str") + ":" + shown["line"].astype("str")).to_numpy()
    others = [a + np.flatnonzero(floors[a:b] != own) for a, b, own in
              zip(low, high, table["floor"], strict=True)]  # fmt: skip
    own = zip(_lines(table, "opened", "on", timeline),
              _lines(table, "until", "off", timeline), strict=True)  # fmt: skip
    lines = [[*filter(None, pair), *texts[rest[:LINES_SHOWN]]] for pair, rest in
             zip(own, others, strict=True)]  # fmt: skip
    waiting = pd.Series([len({*floors[rest]}) for rest in others], dtype="float64")
    return table.assign(
        over_limit=table["over"],
        refused_elsewhere=refused,
        doors_waiting=counts(waiting, held),
        propped=(table["over"] & refused.ge(QUEUE)).astype("boolean").where(held),
        evidence=[json.dumps(line) for line in lines],
        reason=why((~held, NOT_RECORDED["refusal"])),
    )[[*DOOR, *LONGEST_COLUMNS]]


LONGEST_COLUMNS = [
    "cycle", "opened", "until", "seconds", "closed", "over_limit", "refused_elsewhere",
    "doors_waiting", "propped", "evidence", "reason",
]  # fmt: skip


def followed(
    cycles: pd.DataFrame, intervals: pd.DataFrame, timeline: pd.DataFrame, facts: Facts
) -> pd.DataFrame:
    """Every opening at a time that can be trusted, and whether it passed the site's limit.

    Returns:
        What `openings` returns, with `limit_s`, `judged` (whether the log tells if it passed
        the limit) and `over` (it did).
    """
    require(cycles, *DOOR, "source", "line")
    uses = openings(cycles[anchored(cycles, timeline)], intervals)
    limit = plain(uses[CHUTE], *CHUTE).merge(facts.limits, on=CHUTE, how="left")["open_limit_s"]
    over = uses["seconds"].to_numpy(dtype="float64") > limit.to_numpy()
    closed = uses["closed"].to_numpy(dtype=bool)
    return uses.assign(limit_s=limit.to_numpy(), judged=closed | over, over=over)


def _survival(uses: pd.DataFrame) -> pd.DataFrame:
    """Share still open at the limit and its standard error, door by door."""
    rows = []
    for key, part in uses.groupby(DOOR, observed=True)[["seconds", "closed", "limit_s"]]:
        curve = kaplan_meier(part["seconds"], part["closed"])
        rows.append((*key, *survival_at(curve, float(part["limit_s"].iloc[0]))))
    table = pd.DataFrame(rows, columns=[*DOOR, "km_share", "km_se"])
    return table.astype({**dict.fromkeys(DOOR, "str"), "km_share": "float64", "km_se": "float64"})


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    """The share over the limit with its interval."""
    hits, trials = table["over_limit"].astype("float64"), table["judged"].astype("float64")
    low, high = wilson(hits, trials)
    return table.assign(share=hits / trials.where(trials > 0), low=low, high=high)


def _busy(timeline: pd.DataFrame) -> pd.DataFrame:
    """Presses refused because the chute was busy; all refusals of a chute that tells no codes."""
    refused = timeline["signal"].eq("refusal") & timeline["floor"].notna()
    refusals = timeline.loc[refused, [*DOOR, "time", "code", "source", "line"]]
    coded = refusals["code"].notna().groupby([refusals[c] for c in CHUTE], observed=True)
    return refusals[refusals["code"].eq(BUSY) | ~coded.transform("any").astype(bool)]


def _lines(table: pd.DataFrame, time: str, edge: str, timeline: pd.DataFrame) -> list[str | None]:
    """`source:line` of the opening or closing at a time, null where none is logged."""
    near = timeline["signal"].eq("open") & timeline["edge"].eq(edge)
    near &= timeline["time"].isin(table[time])
    events = plain(timeline.loc[near, [*DOOR, "time", "source", "line"]], *DOOR, "source")
    events = events.drop_duplicates([*DOOR, "time"], keep="first" if edge == "on" else "last")
    wanted = table[DOOR].assign(time=table[time])
    found = wanted.merge(events, on=[*DOOR, "time"], how="left")
    text = found["source"] + ":" + found["line"].astype("Int64").astype("str")
    return [line if isinstance(line, str) else None for line in text]

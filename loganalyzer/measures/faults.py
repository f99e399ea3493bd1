"""Each fault that the controller names: how often, how long, since when, and how it comes.

Occurrences that follow one another within ten minutes are one episode: a code that flaps is one
trouble. Trend, bunching and times of the day are of episodes, since the events of one bunch say
nothing new. Exposure is the time that the log covers, and the uses of the door (of the chute
where a fault names no door).

Source: the rules are ours; formulas: `poisson_interval`, `laplace`, `power_law`, `bunching`,
`rayleigh`.
"""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, Facts, anchored, plain, why
from loganalyzer.localtime import wall_clock
from loganalyzer.rates import laplace
from loganalyzer.reliability import bunching, power_law, rayleigh
from loganalyzer.site import Site
from loganalyzer.spans import Cover, merge_close, micros
from loganalyzer.stats import Numbers, poisson_interval
from loganalyzer.tables import empty, require

FAULT = [*DOOR, "component", "code"]
EPISODE_S = 600.0
# Below so many episodes a trend, a direction or a bunching is not worth a number.
FEW = 4
SURE, STRONG = 0.05, 1.5
MONTH_DAYS = 30.4375
DAY_US = 86_400_000_000
LINES_SHOWN = 10
TOO_FEW = f"fewer than {FEW} episodes: no trend, bunching or time of day"
NO_USES = "uses not in the log: no rate per use"
UNMAPPED = "the profile does not say what the code is about"


def fault_episodes(spans: pd.DataFrame, timeline: pd.DataFrame) -> pd.DataFrame:
    """The occurrences of faults whose time can be trusted, each with its episode.

    Args:
        spans: Fault intervals and marks: `site`, `chute`, `floor`, `code`, `component` (null is
            `other`), `start`, `end`, `seconds`, `ended_by`, `source`, `line`.
        timeline: Tells which times can be trusted.

    Returns:
        The rows of `spans`, sorted by `FAULT` and start, and: `mapped` (whether the profile
        names a component), `episode` (a number), `first` (whether it begins its episode).
    """
    require(spans, *DOOR, "code", "component", "start", "end", "ended_by", "source", "line")
    told = spans[anchored(spans, timeline)].reset_index(drop=True)
    told = plain(told, *DOOR, "stream", "code", "source")
    part = told["component"]
    told = told.assign(mapped=part.notna(), component=part.fillna("other"))
    short = told.assign(end=told["end"].where(told["ended_by"].eq("off"), told["start"]))
    told = told.assign(episode=merge_close(short, FAULT, EPISODE_S))
    told = told.sort_values(["episode", "start"], kind="stable", ignore_index=True)
    return told.assign(first=~told["episode"].duplicated())


def faults(
    episodes: pd.DataFrame, links: pd.DataFrame, cycles: pd.DataFrame, intervals: pd.DataFrame,
    coverage: pd.DataFrame, facts: Facts, sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """The table `faults`: a row each chute, floor, component and code.

    Args:
        episodes: What `fault_episodes` returns.
        links: What `fault_links.fault_links` returns.
        cycles: The table of that name.
        intervals: The table of that name: service, power.
        coverage: The table of that name.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        As tables.py says, sorted. `count` occurrences in `cycles` uses and `days` with log;
        `per_1000_cycles` (`low` to `high`) and `per_month` (`month_low` to `month_high`) with
        exact 95 % intervals; `first`, `last`; `median_s`, `longest_s` (at least, where one is
        not over); `cleared_itself`, the share of those whose end is known that ended without
        service or power loss; `ongoing`. `episodes`, their `dispersion` by day with its
        `dispersion_p`; `laplace` (z) and `laplace_p`; the growth parameter `shape` (bias-
        reduced; above 1 is worsening) from `shape_low` to `shape_high`; `gap_days` from one
        episode to the next at the pace of the end (`gap_low` to `gap_high`, 95 %). `hour`
        (mean local hour of day), `hour_p`, `week_hour` (0 is Monday 00:00), `week_p` (Rayleigh;
        people use doors by day, so a direction of uses shows here too). `goes_with` (JSON: links
        with q at most 0.05 and a lift of 1.5 at least), `mapped`, `evidence` (JSON), `reason` (why
        numbers are null).
    """
    if episodes.empty:
        return empty("faults")
    spans = episodes.assign(cleared=_cleared(episodes, intervals))
    groups = spans.groupby(FAULT, dropna=False, sort=True)
    seconds, by = groups["seconds"], [spans[c] for c in FAULT]
    table = pd.DataFrame({
        "count": groups.size(), "first": groups["start"].min(), "last": groups["start"].max(),
        "median_s": seconds.median(), "longest_s": seconds.max(),
        "cleared_itself": groups["cleared"].mean(),
        "ongoing": spans["ended_by"].eq("log_end").groupby(by, dropna=False).any(),
        "episodes": groups["first"].sum(), "mapped": groups["mapped"].all(),
    }).reset_index()  # fmt: skip
    table = table.merge(_exposure(coverage), on=CHUTE, how="left")
    table = _rates(table.assign(cycles=_uses(table, cycles)))
    begun = _timed(spans[spans["first"]], coverage, sites)
    table = table.merge(_shapes(begun, table), on=FAULT, how="left")
    table = table.merge(_linked(links), on=FAULT, how="left")
    table = table.assign(
        goes_with=table["goes_with"].fillna("[]"), evidence=_evidence(spans),
        reason=why(
            (table["episodes"] < FEW, TOO_FEW), (table["cycles"].isna(), NO_USES),
            (~table["mapped"], UNMAPPED),
        ),
    )  # fmt: skip
    return table[COLUMNS]


COLUMNS = [
    *FAULT, "count", "cycles", "per_1000_cycles", "low", "high", "days", "per_month", "month_low",
    "month_high", "first", "last", "median_s", "longest_s", "cleared_itself", "ongoing",
    "episodes", "dispersion", "dispersion_p", "laplace", "laplace_p", "shape", "shape_low",
    "shape_high", "gap_days", "gap_low", "gap_high", "hour", "hour_p", "week_hour", "week_p",
    "goes_with", "mapped", "evidence", "reason",
]  # fmt: skip
SHAPES = [
    "dispersion", "dispersion_p", "laplace", "laplace_p", "shape", "shape_low", "shape_high",
    "gap_days", "gap_low", "gap_high", "hour", "hour_p", "week_hour", "week_p",
]  # fmt: skip


def _cleared(spans: pd.DataFrame, intervals: pd.DataFrame) -> pd.Series:
    """1 where a fault ended with nobody at work, 0 where service or power ended it, else null."""
    known = spans["ended_by"].isin(["off", "power"])
    cleared = spans["ended_by"].eq("off").astype("float64").where(known)
    service = plain(intervals.loc[intervals["signal"].eq("service")], *CHUTE)
    for key, part in spans.groupby(CHUTE):
        mine = _of(service, key)
        if len(mine):
            work = Cover.of(micros(mine["start"]), micros(mine["end"]) + 1)
            met = work.within(micros(part["start"]), micros(part["end"]) + 1) > 0
            cleared.loc[part.index[met & known.loc[part.index].to_numpy()]] = 0.0
    return cleared


def _exposure(coverage: pd.DataFrame) -> pd.DataFrame:
    covered = coverage[coverage["covered"].astype(bool)]
    days = covered.groupby(CHUTE, observed=True)["seconds"].sum() / 86400
    return plain(days.rename("days").reset_index(), *CHUTE)


def _uses(table: pd.DataFrame, cycles: pd.DataFrame) -> pd.Series:
    """Uses of the fault's door, or of its chute; null where there are none in the log."""
    doors = plain(cycles.groupby(DOOR, observed=True).size().rename("n").reset_index(), *DOOR)
    chutes = doors.groupby(CHUTE)["n"].sum().rename("all").reset_index()
    both = table[DOOR].merge(doors, on=DOOR, how="left").merge(chutes, on=CHUTE, how="left")
    uses = both["n"].where(both["floor"].notna(), both["all"]).astype("Int64")
    return uses.where(uses > 0)


def _rates(table: pd.DataFrame) -> pd.DataFrame:
    low, high = poisson_interval(table["count"])
    uses = table["cycles"].astype("float64") / 1000
    months = table["days"].where(table["days"] > 0) / MONTH_DAYS
    return table.assign(
        per_1000_cycles=table["count"] / uses, low=low / uses, high=high / uses,
        per_month=table["count"] / months, month_low=low / months, month_high=high / months,
    )  # fmt: skip


def _timed(begun: pd.DataFrame, coverage: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Episodes: `age` and `end` of watching (days with log), local `hour` of day and `week`."""
    age = pd.Series(np.nan, index=begun.index)
    end = pd.Series(np.nan, index=begun.index)
    covered = coverage[coverage["covered"].astype(bool)]
    for key, part in begun.groupby(CHUTE):
        mine = _of(covered, key)
        log = Cover.of(micros(mine["start"]), micros(mine["end"]))
        # The last event of a log ends it, and would be outside of it.
        age.loc[part.index] = np.maximum(log.until(micros(part["start"])), 1) / DAY_US
        end.loc[part.index] = float((log.end - log.start).sum() + 1) / DAY_US
    wall = wall_clock(begun, sites, "start")
    hour = wall.dt.hour + wall.dt.minute / 60
    return begun.assign(age=age, end=end, hour=hour, week=wall.dt.day_of_week * 24 + hour)


def _shapes(begun: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """How the episodes of each fault lie in time; only for those with enough of them."""
    enough = table.loc[table["episodes"] >= FEW, FAULT]
    rows = [
        (*key, *_shape(*part.to_numpy().T))
        for key, part in begun.merge(enough, on=FAULT).groupby(FAULT, dropna=False)[TIMES]
    ]
    found = pd.DataFrame(rows, columns=[*FAULT, *SHAPES])
    return found.astype(dict.fromkeys(FAULT, "str") | dict.fromkeys(SHAPES, "float64"))


TIMES = ["age", "end", "hour", "week"]


def _shape(ages: Numbers, ends: Numbers, hour: Numbers, week: Numbers) -> tuple[float, ...]:
    end = float(ends[0])
    days = np.bincount(np.minimum(ages, end).astype(int), minlength=max(int(np.ceil(end)), 1))
    trend, growth = laplace(ages, end), power_law(ages, end)
    daily, weekly = rayleigh(hour / 24 * 2 * np.pi), rayleigh(week / 168 * 2 * np.pi)
    return (
        *bunching(days), trend.z, trend.p, growth.shape, growth.low, growth.high,
        growth.gap, growth.gap_low, growth.gap_high,
        daily.mean / (2 * np.pi) * 24, daily.p, weekly.mean / (2 * np.pi) * 168, weekly.p,
    )  # fmt: skip


def _linked(links: pd.DataFrame) -> pd.DataFrame:
    """The sure and strong links of each fault as JSON."""
    sure = links[links["q"].le(SURE) & links["lift"].ge(STRONG)]
    told = sure[["with", "value", "n", "lift", "q"]].to_dict("records")
    rows = sure[FAULT].assign(goes_with=pd.Series(told, index=sure.index, dtype="object"))
    grouped = rows.groupby(FAULT, dropna=False)["goes_with"].agg(list)
    texts = grouped.map(json.dumps).astype("str").reset_index()
    return texts.astype(dict.fromkeys(FAULT, "str"))


def _of(table: pd.DataFrame, chute: Any) -> pd.DataFrame:
    site, name = (str(part) for part in chute)
    return table[table["site"].eq(site) & table["chute"].eq(name)]


def _evidence(spans: pd.DataFrame) -> list[str]:
    """Lines of the latest occurrences, group by group, the latest first."""
    last = spans.groupby(FAULT, dropna=False).tail(LINES_SHOWN)
    lines = last["source"].astype("str") + ":" + last["line"].astype("str")
    by = lines.groupby([last[c] for c in FAULT], dropna=False, sort=True)
    return [json.dumps(found[::-1]) for found in by.agg(list)]

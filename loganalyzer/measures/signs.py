"""Signs that a part is failing: what recurs more often than it should, and what has shifted.

Each sign is about one part at one place, with the chance that a sound one shows it. What recurs
is compared with the chute's other doors, use for use, and with what a sound part is allowed
(`ALLOWED_DAYS`). What another sign explains is not counted again: troubles that came at several
doors at once are the wiring's, restarts just after a low supply are the supply's.

Source: the rules and the days allowed are ours, common practice, no source; formula: `burst`.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.localtime import wall_clock, zone_of
from loganalyzer.reliability import burst, rayleigh
from loganalyzer.site import Site
from loganalyzer.spans import Cover, micros
from loganalyzer.stats import Numbers
from loganalyzer.tables import require

PLACE = [*DOOR, "component"]
EVENT = [*PLACE, "sign", "time", "source", "line"]
SIGN = [*PLACE, "sign", "n", "size", "p", "since", "last", "by_hour_p", "lines"]
CODE = "fault code"
# A sound part does each of these once in so many days, at most.
ALLOWED_DAYS = {
    CODE: 180, "long openings": 60, "bounce": 30, "open while locked": 60,
    "too fast": 30, "impossible": 30, "steady presses": 90, "false full": 60, "restart": 60,
}  # fmt: skip
# Of fault codes: a fire shutter has no reason to fall, an unknown code may only be news.
ALLOWED_CODES = {"fire": 365, "other": 30}
LEAST_DAYS, FEW = 7.0, 3
EXPLAINED_S, TOGETHER_S = 60.0, 3.0
DAY_US = 86_400_000_000
LINES_SHOWN = 10
PART_OF = {"open_s": "door", "unlock_s": "latch", "positioning_s": "sorter", "clear_s": "control"}
SLOWER = {
    "open_s": "longer openings", "unlock_s": "later unlocking", "positioning_s": "longer travel",
    "clear_s": "longer clearing",
}  # fmt: skip


@dataclass(frozen=True)
class Log:
    """What signs are read from: tables by the names of what makes them."""

    timeline: pd.DataFrame
    cycles: pd.DataFrame
    coverage: pd.DataFrame
    episodes: pd.DataFrame
    timed: pd.DataFrame
    oddities: pd.DataFrame
    containers: pd.DataFrame
    drift: pd.DataFrame
    coincidences: pd.DataFrame
    sites: Mapping[str, Site]


def signs(log: Log) -> pd.DataFrame:
    """Every sign, sure or not.

    Returns:
        One row a `site`, `chute`, `floor` (null: no door's), `component` and `sign`: `n`
        occurrences (uses, for a shift), `size` (a day since it began; seconds, for a shift),
        `p` that a sound part shows it, `since`, `last` (UTC), `by_hour_p` (that it comes at any
        hour as uses do), `lines` (up to ten `source:line`, the latest first).
    """
    events = _unexplained(_events(log), log)
    rows = [*_recurring(events, log), *_together(log), *_shifts(log)]
    table = pd.DataFrame(rows, columns=SIGN)
    times = dict.fromkeys(("since", "last"), "datetime64[us, UTC]")
    numbers = dict.fromkeys(("size", "p", "by_hour_p"), "float64")
    return table.astype(dict.fromkeys([*PLACE, "sign"], "str") | times | numbers)


def _events(log: Log) -> pd.DataFrame:
    """Everything that should not recur."""
    require(log.oddities, *PLACE, "kind", "time", "source", "line")
    faults = log.episodes[log.episodes["first"]]
    long = log.timed[log.timed["what"].eq("open_s") & log.timed["over"].astype(bool)]
    false = log.containers[log.containers["state"].isin(["false full", "stuck on"])]
    first = false["evidence"].astype("str").str.extract(r"(\w+):(\d+)")
    parts = [
        faults.assign(sign=CODE, time=faults["start"]),
        long.assign(component="door", sign="long openings"),
        log.oddities.assign(sign=log.oddities["kind"]),
        false.assign(
            floor=None, component="container", sign="false full", time=false["full_from"],
            source=first[0], line=pd.to_numeric(first[1]),
        ),
        _restarts(log.timeline),
    ]  # fmt: skip
    held = [plain(part[EVENT], *PLACE, "sign", "source") for part in parts if len(part)]
    if not held:
        return pd.DataFrame(columns=EVENT)
    return pd.concat(held, ignore_index=True).sort_values("time", kind="stable", ignore_index=True)


def _restarts(timeline: pd.DataFrame) -> pd.DataFrame:
    """Power-ons that no power-off came before, but for the first of a chute."""
    power = timeline[timeline["signal"].eq("power") & timeline["clock"].ne("unanchored")]
    power = plain(power, *CHUTE, "edge")
    again = power["edge"].eq("on") & power.groupby(CHUTE)["edge"].shift().eq("on")
    return power[again].assign(floor=None, component="control", sign="restart")


def _unexplained(events: pd.DataFrame, log: Log) -> pd.DataFrame:
    kept = pd.Series(True, index=events.index)
    at = micros(events["time"]) if len(events) else np.empty(0, np.int64)
    for _, part in events.groupby(CHUTE):
        supply = part["component"].eq("power")
        control = part.index[part["component"].eq("control")]
        if supply.any() and len(control):
            sags = at[part.index[supply]]
            last = np.searchsorted(sags, at[control], side="right") - 1
            near = (last >= 0) & (at[control] - sags[np.maximum(last, 0)] <= EXPLAINED_S * 1e6)
            kept.loc[control[near]] = False
    trouble = events["sign"].where(events["sign"].ne(CODE), "fault " + events["component"])
    for row in _rows(_sure(log.coincidences)):
        same = events["site"].eq(row.site) & events["chute"].eq(row.chute)
        mine = events.index[same & trouble.eq(row.trouble) & events["floor"].notna()]
        moments = micros(pd.Series(list(row.moments)))
        place = np.searchsorted(moments, at[mine] + 1000, side="right") - 1
        near = (place >= 0) & (at[mine] - moments[np.maximum(place, 0)] <= TOGETHER_S * 1e6)
        kept.loc[mine[near]] = False
    return events[kept]


def _sure(coincidences: pd.DataFrame) -> pd.DataFrame:
    return coincidences[coincidences["times"].ge(FEW) & coincidences["p"].lt(1e-3)]


def _recurring(events: pd.DataFrame, log: Log) -> Iterator[tuple[object, ...]]:
    uses = plain(log.cycles[[*DOOR, "opened"]].dropna(subset="opened"), *DOOR)
    shares = uses.groupby(DOOR).size() / uses.groupby(CHUTE).size()
    totals = events[events["floor"].notna()].groupby([*CHUTE, "component", "sign"]).size()
    covers = dict(_covers(log.coverage))
    used = uses.assign(hour=_hours(uses.rename(columns={"opened": "time"}), log.sites))
    hours = {key: np.sort(part["hour"].to_numpy()) for key, part in used.groupby(CHUTE)}
    at_hour = _hours(events, log.sites)
    for key, part in events.groupby([*PLACE, "sign"], dropna=False):
        site, chute, floor, component, sign = (str(name) for name in key)
        cover = covers.get((site, chute))
        if cover is None or len(part) < FEW:
            continue
        ages = cover.until(micros(part["time"])) / DAY_US
        days = float((cover.end - cover.start).sum()) / DAY_US
        allowed = ALLOWED_DAYS[sign]
        rate = 1 / (ALLOWED_CODES.get(component, allowed) if sign == CODE else allowed)
        if isinstance(key[2], str):
            share = float(shares.get((site, chute, floor), 0.5))
            others = float(totals.get((site, chute, component, sign), 0)) - len(part)
            rate += others * share / max(1 - share, 0.05) / max(days, 1.0)
        first, p = burst(ages, days, rate, LEAST_DAYS)
        since = part["time"].iloc[first]
        size = (len(part) - first) / max(days - ages[first], 1.0)
        usual = hours.get((site, chute), np.empty(0))
        yield (
            *key, len(part), size, p, since, part["time"].iloc[-1],
            _odd_hours(at_hour.loc[part.index].to_numpy(), usual), _lines(part),
        )  # fmt: skip


def _covers(coverage: pd.DataFrame) -> Iterator[tuple[tuple[str, str], Cover]]:
    held = coverage[coverage["covered"].astype(bool)]
    for (site, chute), part in held.groupby(CHUTE, observed=True):
        yield (str(site), str(chute)), Cover.of(micros(part["start"]), micros(part["end"]))


def _hours(table: pd.DataFrame, sites: Mapping[str, Site]) -> pd.Series:
    """The local hour of day of each row, with its fraction."""
    wall = wall_clock(table, sites, "time")
    hours: pd.Series = wall.dt.hour + wall.dt.minute / 60 + wall.dt.second / 3600
    return hours


def _odd_hours(hours: Numbers, usual: Numbers) -> float:
    """The chance that events at these hours come as the chute's uses do.

    On a clock that runs as fast as the chute is used, such events come evenly.
    """
    if len(usual) < FEW:
        return float("nan")
    turns = np.searchsorted(usual, hours) / len(usual)
    return rayleigh(turns * 2 * np.pi).p


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return iter(table.itertuples())


def _lines(part: pd.DataFrame) -> list[str]:
    last = part.tail(LINES_SHOWN)[::-1].dropna(subset="line")
    lines: list[str] = (last["source"] + ":" + last["line"].astype("Int64").astype("str")).tolist()
    return lines


def _together(log: Log) -> Iterator[tuple[object, ...]]:
    """Troubles at several doors at once: the wiring's, at no one door."""
    ends = log.coverage.groupby(CHUTE, observed=True)["end"].max()
    for row in _rows(_sure(log.coincidences)):
        moments = sorted(row.moments)
        days = max((ends[row.site, row.chute] - moments[0]).total_seconds() / 86400, 1.0)
        yield (
            row.site, row.chute, None, "wiring", "several doors at once", len(moments),
            len(moments) / days, row.p, moments[0], moments[-1], np.nan,
            json.loads(row.evidence)[::-1],
        )  # fmt: skip


def _shifts(log: Log) -> Iterator[tuple[object, ...]]:
    """Timings that have become longer."""
    shifted = log.drift["slower"].fillna(False).astype(bool) & log.drift["pair"].isna()
    ends = log.coverage.groupby(CHUTE, observed=True)["end"].max()
    for row in _rows(log.drift[shifted]):
        zone = zone_of(log.sites, row.site)
        since = row.since.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        yield (
            row.site, row.chute, row.floor, PART_OF[row.what], SLOWER[row.what], row.n,
            row.shift_s, row.q, since.tz_convert("UTC"), ends[row.site, row.chute], np.nan,
            json.loads(row.evidence),
        )  # fmt: skip

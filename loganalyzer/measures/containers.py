"""Each fill of a container, from empty to full to emptied, as far as the log tells.

A container is emptied when its `full` goes off, when its level drops, or else when its pickup rule
says so: a rule is taken to be kept unless the container stays full, or its level high, through
the hours of the pickup. Not taken for a full container:

- a false full: it clears by itself within minutes, without a pickup or a drop of the level;
- a sensor that is stuck on: full for more than a week, or for more than a day while people went
  on using the stream. How full the container was is then not known.

Where the log has no `full` for a container but levels, a reading of 95 or more is full.

Source: the rules are ours; minutes, hours and levels are common practice, no source.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import BIN, collections
from loganalyzer.facts import CHUTE, Facts, why
from loganalyzer.localtime import zone_of
from loganalyzer.site import Site
from loganalyzer.spans import micros
from loganalyzer.tables import TABLES, conform, require

Times = NDArray[np.int64]
SECOND = 1_000_000
HOUR = 3600 * SECOND
FLAP = 60 * SECOND  # a signal that drops out for less is one condition
FALSE_FULL = 10 * 60 * SECOND
STUCK, STUCK_IN_USE, IN_USE = 7 * 24 * HOUR, 24 * HOUR, 5
EARLY, LATE = 2 * HOUR, 12 * HOUR  # how far from its rule a pickup may come
SAME = 2 * HOUR  # two signs of one emptying
LEVEL_FULL, LEVEL_DROP, COARSEST = 95.0, 20.0, 25.0  # per cent
NEVER = np.iinfo(np.int64).max

NO_START = "when it was emptied before is not in the log"
STUCK_ON = "the sensor was stuck on: how full it was is not known"
GAP = "part of this fill is not in the log"


@dataclass(frozen=True)
class Fulls:
    """Stretches in which one container was told full, ascending; times in µs.

    Attributes:
        start, end: `end` is the last time that it is known to have held.
        off: Whether an off ended it.
        state: "full", "false full" or "stuck on".
        lines: `source:line` of what told it.
        read: Whether a level told it, not a `full`.
    """

    start: Times
    end: Times
    off: NDArray[np.bool_]
    state: NDArray[np.object_]
    lines: NDArray[np.object_]
    read: NDArray[np.bool_]

    def take(self, rows: NDArray[np.bool_]) -> "Fulls":
        """Some of them."""
        return Fulls(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Log:
    """What the log holds of one container; times in µs."""

    key: tuple[str, str, str]
    first: str
    streams: tuple[str, ...]
    start: int
    end: int
    uses: pd.DataFrame
    at: Times
    levels: Times
    level: NDArray[np.float64]
    level_lines: NDArray[np.object_]
    rule: Times
    services: pd.DataFrame
    gaps: pd.DataFrame
    refusals: pd.DataFrame
    visits: pd.DataFrame
    refusals_held: bool

    def used(self, start: Times, end: Times) -> Times:
        """How many uses fall after each start and up to each end."""
        low = np.searchsorted(self.at, start, side="right")
        found = np.searchsorted(self.at, end, side="right") - low
        return np.asarray(np.maximum(found, 0), dtype=np.int64)

    @property
    def drops(self) -> Times:
        """Places of the level readings that are far below the one before."""
        step = np.diff(np.unique(self.level)).min(initial=COARSEST)
        fall = -np.diff(self.level, prepend=self.level[:1])
        # A reading that wavers between two steps is no emptying.
        return np.flatnonzero(fall >= max(LEVEL_DROP, 1.5 * step))


def containers(
    timeline: pd.DataFrame, intervals: pd.DataFrame, visits: pd.DataFrame, used: pd.DataFrame,
    coverage: pd.DataFrame, held: pd.DataFrame, facts: Facts, sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """The table `containers`: a row each fill, each false full and each stuck sensor.

    Args:
        timeline: The table of that name: levels and refusals.
        intervals: The table of that name: full, service.
        visits: The table of that name.
        used: What `uses.uses` returns.
        coverage: The table of that name.
        held: What `bins.bins` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        As tables.py says, in order of container and time. `state` is "full", "not full"
        (emptied before), "filling" (the log ends), "false full" or "stuck on". `full_from` to
        `full_to` (null while it goes on), `seconds`, `drops_before` (uses of its streams from
        `emptied` to `full_from`; null where `reason` says why), `refused`, `refused_others`
        (presses refused with code `full` meanwhile: for its own streams or none, for others),
        `visits_refused` (visits with a refusal meanwhile that got no door). The fill goes
        from `emptied` (`started_by`) to `ends` (`emptied_by`: full off, level drop, service,
        pickup rule, log end), `days` in all and `days_to_full`; `drops` uses in it,
        `drops_by_stream` and `drops_by_floor` (JSON). `level` is its last reading before it was
        emptied, `drops_at_level` the uses up to the reading that first showed it.
    """
    require(used, *CHUTE, "stream", "floor", "time")
    rows: list[pd.DataFrame] = []
    wanted = timeline["signal"].eq("level") | (
        timeline["signal"].eq("refusal") & timeline["code"].eq("full")
    )
    timeline = timeline[wanted & timeline["clock"].ne("unanchored")]
    intervals = intervals[intervals["signal"].isin(["full", "service"])]
    visits = visits[visits["refusals"].fillna(0).gt(0) & visits["result"].ne("served")]
    for key, part in held.groupby(BIN, sort=False):
        names = (str(key[0]), str(key[1]), str(key[2]))
        log = _log(names, part, timeline, intervals, visits, used, coverage, held, facts, sites)
        if log is not None:
            rows += _of_container(log, _fulls(log, part, intervals, held))
    kept = [table for table in rows if len(table)]
    blank = pd.DataFrame(columns=TABLES["containers"].names)
    table = pd.concat(kept, ignore_index=True) if kept else blank
    return _typed(table)


def _log(
    key: tuple[str, str, str], part: pd.DataFrame, timeline: pd.DataFrame, intervals: pd.DataFrame,
    visits: pd.DataFrame, used: pd.DataFrame, coverage: pd.DataFrame, held: pd.DataFrame,
    facts: Facts, sites: Mapping[str, Site],
) -> Log | None:  # fmt: skip
    site, chute, container = key
    ends = facts.ends[facts.ends["site"].eq(site) & facts.ends["chute"].eq(chute)]
    if ends.empty:
        return None
    start, end = ends.iloc[0]["log_start"], ends.iloc[0]["log_end"]
    streams = tuple(part["stream"])
    mine = used[_of(used, site, chute) & used["stream"].isin(streams)]
    told = timeline[_of(timeline, site, chute)]
    level = told[told["signal"].eq("level") & told["stream"].isin(streams)]
    level = level[level["value"].notna()]
    refusals = told[told["signal"].eq("refusal")]
    turned = visits[_of(visits, site, chute) & visits["stream"].isin(streams)]
    service = intervals[_of(intervals, site, chute) & intervals["signal"].eq("service")]
    gaps = coverage[_of(coverage, site, chute) & ~coverage["covered"].astype(bool)]
    recorded = facts.recorded[facts.recorded["site"].eq(site) & facts.recorded["chute"].eq(chute)]
    return Log(
        key=(site, chute, container), first=part["first"].iloc[0], streams=streams,
        start=int(micros(pd.Series([start]))[0]), end=int(micros(pd.Series([end]))[0]),
        uses=mine, at=micros(mine["time"]), levels=micros(level["time"]),
        level=level["value"].to_numpy(dtype="float64"), level_lines=_lines(level),
        rule=collections(
            part["pickup"].dropna().iloc[0] if part["pickup"].notna().any() else None,
            zone_of(sites, site), start, end,
        ),
        services=service, gaps=gaps[gaps["reason"].ne("power off")],
        refusals=refusals, visits=turned, refusals_held=bool(recorded["refusal"].iloc[0]),
    )  # fmt: skip


def _lines(rows: pd.DataFrame) -> NDArray[np.object_]:
    """`source:line` of each row."""
    text = rows["source"].astype("str") + ":" + rows["line"].astype("str")
    return np.asarray(text.to_numpy(object))


def _of(table: pd.DataFrame, site: str, chute: str) -> pd.Series:
    mine: pd.Series = table["site"].eq(site) & table["chute"].eq(chute)
    return mine


def _fulls(log: Log, part: pd.DataFrame, intervals: pd.DataFrame, held: pd.DataFrame) -> Fulls:
    """When the container was told full: signals that flap joined, false and stuck ones known."""
    site, chute, _ = log.key
    told = intervals[_of(intervals, site, chute) & intervals["signal"].eq("full")]
    told = told[told["start"].notna()]
    # A full that names no stream belongs to the only container, where there is one.
    alone = held[_of(held, site, chute)]["container"].nunique() == 1
    mine = told["stream"].isin(log.streams) | (told["stream"].isna() & alone)
    told = told[mine & told["start_known"].astype(bool)].sort_values("start", kind="stable")
    if told.empty:
        return _judged(log, _from_levels(log))
    start, end = micros(told["start"]), micros(told["end"])
    off = told["ended_by"].eq("off").to_numpy()
    lines = _lines(told)
    # What power cut off goes on when the sensor speaks again soon after.
    pause = np.where(off[:-1], FLAP, FALSE_FULL) if len(off) else np.zeros(0)
    new = np.append(True, start[1:] - end[:-1] > pause)[: len(start)]
    firsts = np.flatnonzero(new)
    lasts = np.append(firsts[1:], len(start)) - 1
    state = np.full(len(firsts), "full", dtype=object)
    ends, told_so = np.maximum(end, start)[lasts], np.zeros(len(firsts), bool)
    return _judged(log, Fulls(start[firsts], ends, off[lasts], state, lines[firsts], told_so))


def _from_levels(log: Log) -> Fulls:
    """Readings at the top, from the first to the next one far below."""
    high = log.level >= LEVEL_FULL
    firsts = np.flatnonzero(high & ~np.append(False, high[:-1]))
    after = np.append(np.flatnonzero(~high), len(high))
    ends = after[np.searchsorted(after, firsts)]
    times = np.append(log.levels, log.end)
    state = np.full(len(firsts), "full", dtype=object)
    return Fulls(
        log.levels[firsts], times[ends], ends < len(high), state, log.level_lines[firsts],
        np.ones(len(firsts), bool),
    )  # fmt: skip


def _judged(log: Log, fulls: Fulls) -> Fulls:
    """Tell false fulls and stuck sensors."""
    length, uses = fulls.end - fulls.start, log.used(fulls.start, fulls.end)
    near = _any_within(log.rule, fulls.start - LATE, fulls.end + EARLY)
    fell = log.levels[log.drops] if len(log.levels) else np.zeros(0, np.int64)
    near |= _any_within(fell, fulls.start, fulls.end + FALSE_FULL)
    false = fulls.off & (length <= FALSE_FULL) & ~near
    stuck = (length > STUCK) | ((length > STUCK_IN_USE) & (uses > IN_USE))
    state = np.select([false, stuck], ["false full", "stuck on"], "full").astype(object)
    return replace(fulls, state=state)


def _any_within(times: Times, start: Times, end: Times) -> NDArray[np.bool_]:
    """Whether any of these (ascending) lies in each span, ends included."""
    low = np.searchsorted(times, start, side="left")
    return np.asarray(np.searchsorted(times, end, side="right") > low, dtype=bool)


def _emptied(log: Log, fulls: Fulls) -> tuple[Times, NDArray[np.object_]]:
    """When the container was emptied, ascending, and what tells so."""
    real = fulls.take(fulls.state != "false full")
    offs = real.end[real.off]
    fell = log.levels[log.drops] if len(log.levels) else np.zeros(0, np.int64)
    fell = fell[~_any_within(offs, fell - SAME, fell + SAME)]
    signs = np.concatenate([offs, fell])
    off_by = np.where(real.read[real.off], "level drop", _by_service(log, offs)).astype(object)
    by = np.concatenate([off_by, np.full(len(fell), "level drop", dtype=object)])
    order = np.argsort(signs, kind="stable")
    signs, by = signs[order], by[order]
    by[_any_within(log.rule, signs - LATE, signs + EARLY) & (by != "service")] = "pickup rule"
    unseen = log.rule[~_any_within(signs, log.rule - EARLY, log.rule + LATE)]
    unseen = unseen[~_missed(log, real, unseen)]
    times = np.concatenate([signs, unseen])
    words = np.concatenate([by, np.full(len(unseen), "pickup rule", dtype=object)])
    order = np.argsort(times, kind="stable")
    return times[order], words[order]


def _by_service(log: Log, offs: Times) -> NDArray[np.object_]:
    start, end = micros(log.services["start"]), micros(log.services["end"])
    inside = np.zeros(len(offs), bool)
    for low, high in zip(start, end, strict=True):
        inside |= (offs >= low) & (offs <= high)
    return np.where(inside, "service", "full off").astype(object)


def _missed(log: Log, fulls: Fulls, rule: Times) -> NDArray[np.bool_]:
    """Pickups that the rule promised and that evidently did not come."""
    at = np.searchsorted(fulls.start, rule, side="right") - 1
    held = (at >= 0) & (np.append(fulls.end, 0)[at] >= np.minimum(rule + LATE, log.end))
    held &= np.append(fulls.state, "")[at] != "stuck on"
    if not len(log.levels):
        return np.asarray(held, dtype=bool)
    # A level that was high and is at least as high in the first reading after nobody lowered.
    before = np.searchsorted(log.levels, rule - EARLY, side="right") - 1
    after = np.searchsorted(log.levels, rule + LATE, side="right")
    known = (before >= 0) & (after < len(log.levels))
    padded = np.append(log.level, 0.0)
    last, following = padded[np.minimum(before, len(log.level))], padded[after]
    return np.asarray(held | (known & (last >= LEVEL_DROP) & (following >= last)), dtype=bool)


def _of_container(log: Log, fulls: Fulls) -> list[pd.DataFrame]:
    """The rows of one container: its fills, and the fulls that are none."""
    times, by = _emptied(log, fulls)
    start = np.append(log.start, times)
    end = np.append(times, log.end)
    real = fulls.take(fulls.state == "full")
    place = np.searchsorted(real.start, start, side="left")
    full_from = np.append(real.start, NEVER)[place]
    full = full_from < end
    full |= (full_from == end) & (np.arange(len(end)) == len(end) - 1) & (len(real.start) > 0)
    full_from = np.where(full, full_from, end)
    full_to = np.where(full, np.append(real.end, 0)[place], end)
    ongoing = full & ~np.append(real.off, True)[place] & (full_to >= log.end)
    reason = _reasons(log, fulls, start, full_from)
    table = pd.DataFrame({
        "state": np.where(full, "full", "not full"), "full_from": _times(full_from, full),
        "full_to": _times(full_to, full & ~ongoing),
        "seconds": np.where(full, (full_to - full_from) / SECOND, np.nan),
        "drops_before": pd.array(log.used(start, full_from), dtype="Int64"),
        "emptied": _times(start, start >= log.start), "ends": _times(end, end <= log.end),
        "started_by": np.append(np.array(["log start"], dtype=object), by),
        "emptied_by": np.append(by, np.array(["log end"], dtype=object)),
        "days": (end - start) / (24 * HOUR),
        "days_to_full": np.where(full, (full_from - start) / (24 * HOUR), np.nan),
        "drops": pd.array(log.used(start, end), dtype="Int64"), "reason": reason,
        "evidence": np.where(full, np.append(real.lines, "")[place], ""),
    })  # fmt: skip
    table["state"] = table["state"].mask(
        table["emptied_by"].eq("log end") & table["state"].eq("not full"), "filling"
    )
    table["drops_before"] = table["drops_before"].where(table["reason"].isna() & full)
    table = _detailed(log, table, start, end)
    others = _others(log, fulls.take(fulls.state != "full"), start)
    both = pd.concat([table, others], ignore_index=True) if len(others) else table
    both = _refused(log, both).assign(
        site=log.key[0], chute=log.key[1], stream=log.first, container=log.key[2]
    )
    order = both["full_from"].fillna(both["ends"]).argsort(kind="stable")
    return [both.iloc[order]]


def _reasons(log: Log, fulls: Fulls, start: Times, until: Times) -> pd.Series:
    """Why the uses to full of a fill are not known; null where they are."""
    stuck = fulls.take(fulls.state == "stuck on")
    caught = np.zeros(len(start), bool)
    for low, high in zip(stuck.start, stuck.end, strict=True):
        caught |= (start < high) & (until >= low)
    lost = np.zeros(len(start), bool)
    for low, high in zip(micros(log.gaps["start"]), micros(log.gaps["end"]), strict=True):
        lost |= (start < high) & (until > low)
    first = np.arange(len(start)) == 0
    return why((first, NO_START), (caught, STUCK_ON), (lost, GAP))


def _detailed(log: Log, table: pd.DataFrame, start: Times, end: Times) -> pd.DataFrame:
    """Add the uses of each fill by stream and floor, and its last level."""
    fill = np.searchsorted(end, log.at, side="left")
    kept = (fill < len(end)) & (log.at > start[np.minimum(fill, len(end) - 1)])
    of_fill = log.uses[["stream", "floor"]].assign(fill=fill)[kept]
    for column in ("stream", "floor"):
        counted = of_fill.groupby(["fill", column], observed=True).size()
        texts = {
            place: json.dumps({str(k): int(v) for k, v in part.droplevel(0).items()},
                              ensure_ascii=False)
            for place, part in counted.groupby(level=0)
        }  # fmt: skip
        table[f"drops_by_{column}"] = [texts.get(place, "{}") for place in table.index]
    level, drops = _levels(log, start, end)
    return table.assign(level=level, drops_at_level=drops)


def _levels(log: Log, start: Times, end: Times) -> tuple[NDArray[np.float64], pd.Series]:
    """The highest level read in each fill, and the uses up to the reading that first showed it."""
    level = np.full(len(start), np.nan)
    drops = pd.Series(pd.NA, index=range(len(start)), dtype="Int64")
    for row, (low, high) in enumerate(zip(start, end, strict=True)):
        # A reading right at the emptying shows the container after it.
        first = np.searchsorted(log.levels, low + SAME if row else low, side="right")
        last = np.searchsorted(log.levels, high, side="left")
        if last > first:
            top = first + int(np.argmax(log.level[first:last]))
            level[row] = log.level[top]
            drops[row] = int(log.used(np.array([low]), log.levels[top : top + 1])[0])
    return level, drops


def _others(log: Log, fulls: Fulls, start: Times) -> pd.DataFrame:
    """False fulls and stuck sensors as rows of their own."""
    since = start[np.maximum(np.searchsorted(start, fulls.start, side="right") - 1, 0)]
    known = since > log.start
    drops = pd.Series(log.used(since, fulls.start)).astype("Int64")
    return pd.DataFrame({
        "state": fulls.state, "full_from": _times(fulls.start, fulls.start > 0),
        "full_to": _times(fulls.end, fulls.off), "seconds": (fulls.end - fulls.start) / SECOND,
        "drops_before": drops.where(known), "emptied": _times(since, known),
        "reason": why((~known, NO_START)),
        "evidence": fulls.lines,
    })  # fmt: skip


def _refused(log: Log, table: pd.DataFrame) -> pd.DataFrame:
    """Add what was refused while the container was told full."""
    low, high = micros(table["full_from"]), micros(table["full_to"].fillna(_at(log.end)))
    own = log.refusals["stream"].isin(log.streams) | log.refusals["stream"].isna()
    times = {
        "refused": micros(log.refusals["time"][own]),
        "refused_others": micros(log.refusals["time"][~own]),
        "visits_refused": micros(log.visits["start"]),
    }
    shown = table["full_from"].notna() & log.refusals_held
    for name, at in times.items():
        at = np.sort(at)
        count = np.searchsorted(at, high, side="right") - np.searchsorted(at, low, side="left")
        table[name] = pd.Series(count, index=table.index).astype("Int64").where(shown)
    return table


def _times(micro: Times, known: NDArray[np.bool_]) -> pd.Series:
    times = pd.Series(pd.to_datetime(micro, unit="us", utc=True).as_unit("us"))
    return times.where(known)


def _at(micro: int) -> pd.Timestamp:
    return pd.Timestamp(micro, unit="us", tz="UTC").as_unit("us")


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    whole: pd.DataFrame = conform(table, "containers").to_pandas()
    return whole

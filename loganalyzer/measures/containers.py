"""Each fill of a container, from empty to full to emptied, as far as the log tells.

When it was full, and when a full is a false one or a sensor stuck on, tells `fulls`; when it was
emptied, `emptyings`. Between two emptyings lies one fill.
"""

import json
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import BIN, Times
from loganalyzer.facts import CHUTE, Facts, why
from loganalyzer.fills.emptyings import SAME, emptied
from loganalyzer.fills.fulls import HOUR, SECOND, Fulls, told_full
from loganalyzer.fills.log import Log, container_log
from loganalyzer.site import Site
from loganalyzer.spans import micros
from loganalyzer.tables import TABLES, conform, require

NEVER = np.iinfo(np.int64).max

NO_START = "when it was emptied before is not in the log"
STUCK_ON = "the sensor was stuck on: how full it was is not known"
GAP = "part of this fill is not in the log"


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
        log = container_log(names, part, timeline, intervals, visits, used, coverage, facts, sites)
        if log is not None:
            rows += _of_container(log, told_full(log, part, intervals, held))
    kept = [table for table in rows if len(table)]
    blank = pd.DataFrame(columns=TABLES["containers"].names)
    table = pd.concat(kept, ignore_index=True) if kept else blank
    return _typed(table)


def _of_container(log: Log, fulls: Fulls) -> list[pd.DataFrame]:
    """The rows of one container: its fills, and the fulls that are none."""
    times, by = emptied(log, fulls)
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

"""The roll-ups of one site, worked out anew only from where its log changed.

Beside the roll-ups stands a trace: for each local day of a chute a digest of its rows, and the
last quiet moment in it, at which nothing was going on: no door open, no use, no visit, nothing
full. After a new week the digests tell the first day that changed; everything is worked out from
the last quiet moment before that day, which gives what the whole log gives.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.facts import CHUTE, Facts, by_key
from loganalyzer.facts import facts as facts_of
from loganalyzer.intervals import pair
from loganalyzer.kept import days
from loganalyzer.kept.days import DAYS, HOURS, STREAMS, Grid, Seen
from loganalyzer.measures.coverage import coverage as coverage_of
from loganalyzer.measures.lockouts import EPISODE_GAP_S
from loganalyzer.measures.lockouts import lockouts as lockouts_of
from loganalyzer.site import Site
from loganalyzer.spans import micros
from loganalyzer.views import Analysis
from loganalyzer.visits import visits as visits_of

TRACE = pa.schema(
    [
        ("chute", pa.string()),
        ("day", pa.date32()),
        ("digest", pa.uint64()),
        ("quiet", pa.int64()),  # µs UTC: nothing goes on, and rows before it are earlier
    ]
)
QUIET_S = 1.5 * EPISODE_GAP_S  # what lies farther apart belongs together by no rule
HASHED = ("floor", "signal", "edge", "stream", "code", "value", "clock", "source", "line")


@dataclass(frozen=True)
class Rolls:
    """The roll-ups of a site: tables of the schemas of those names; `trace` is of `TRACE`."""

    days: pa.Table
    streams: pa.Table
    hours: pa.Table
    trace: pa.Table


def rolls_of(analysis: Analysis, site: Site) -> Rolls:
    """The roll-ups of a site that was analysed as a whole."""
    coverage, known = analysis.coverage, analysis.facts

    def seen(chute: str) -> Seen:
        def mine(table: pd.DataFrame) -> pd.DataFrame:
            return table[table["chute"].eq(chute)]

        return Seen(
            mine(analysis.timeline), mine(analysis.intervals), mine(analysis.cycles),
            mine(analysis.visits), mine(analysis.lockouts), mine(coverage), known,
        )  # fmt: skip

    parts = [_whole(seen(grid.chute), grid) for grid in days.grids(known, site.time_zone)]
    return _joined(parts)


def renewed(timeline: pd.DataFrame, site: Site, before: Rolls | None) -> Rolls:
    """The roll-ups of a site, from those of an earlier state as far as they still hold.

    Args:
        timeline: Of the site, as `Store.timeline` gives it.
        site: Its file; `before` was made by the same one.
        before: Null: from the whole log.
    """
    known, coverage = facts_of(timeline, {site.id: site}), coverage_of(timeline)
    chutes = {chute: events for (_, chute), events in by_key(timeline, CHUTE)}
    parts = []
    for grid in days.grids(known, site.time_zone):
        events = chutes[grid.chute]
        log = coverage[coverage["chute"].eq(grid.chute)]
        old = _of_chute(before, grid.chute) if before else None
        part = _renewed(events, site, grid, log, known, old) if old else None
        parts.append(part or _whole(_seen(events, site, log, known), grid))
    return _joined(parts)


def _seen(events: pd.DataFrame, site: Site, log: pd.DataFrame, known: Facts) -> Seen:
    """Everything that hangs on the order of events, of these events."""
    sites = {site.id: site}
    intervals = pair(events)
    cycles = cycles_of(events, intervals, sites)
    visits = visits_of(events, cycles, intervals, sites)
    locked = lockouts_of(events, intervals, known)
    mine = locked[locked["chute"].isin(log["chute"])]
    return Seen(events, intervals, cycles, visits, mine, log, known)


def _whole(seen: Seen, grid: Grid) -> Rolls:
    log = days.covered(seen.coverage, grid)
    return Rolls(
        days.table(days.counted(seen, grid), log, grid), days.streams(seen, grid),
        days.hourly(seen, grid), _trace(seen, grid),
    )  # fmt: skip


def _renewed(
    events: pd.DataFrame, site: Site, grid: Grid, log: pd.DataFrame, known: Facts, old: Rolls
) -> Rolls | None:
    """From the old roll-ups of a chute; null where nothing of them can be used."""
    counts = days.counts_of(old.days, grid)
    first = old.trace["day"][0].as_py() if old.trace.num_rows else None
    if counts is None or first != grid.first.item():
        return None
    if any(pc.all(pc.is_null(old.days[name])).as_py() == grid.shown(name) for name in days.NEEDS):
        return None  # it records more than before, or less: a count may have become another
    digest = _digests(events, grid)
    same = _same(digest, old.trace["digest"].to_numpy())
    cut = _cut(old.trace["quiet"].to_numpy(), same, events)
    if cut is None:
        return None
    day, moment = cut
    start = int(np.searchsorted(_reach(events), moment))
    seen = _seen(events.iloc[start:], site, log, known)
    new = days.counted(seen, grid)
    shape = grid.shape
    for name, numbers in new.items():
        held = np.zeros(shape)
        held[:, :day] = counts[name][:, :day]
        held[:, day:] = numbers[:, day:]
        new[name] = held
    border = pa.scalar(grid.days[day].item(), pa.date32())
    hour = pa.scalar(int(grid.edges[day]) // days.HOUR * days.HOUR, pa.timestamp("us", "UTC"))
    streams = [
        old.streams.filter(pc.less(old.streams["day"], border)),
        (found := days.streams(seen, grid)).filter(pc.greater_equal(found["day"], border)),
    ]
    hours = _hours(old.hours, days.hourly(seen, grid), hour)
    trace = _trace(seen, grid, digest)
    quiet = np.concatenate([old.trace["quiet"].to_numpy()[:day], trace["quiet"].to_numpy()[day:]])
    trace = trace.set_column(3, TRACE.field("quiet"), pa.array(quiet))
    return Rolls(
        days.table(new, days.covered(log, grid), grid), pa.concat_tables(streams), hours, trace
    )


def _hours(old: pa.Table, new: pa.Table, hour: pa.Scalar) -> pa.Table:
    """Counts of hours before one from the old rows; the log's seconds always from the new."""
    counts = [name for name in HOURS.names if name != "covered_s"]
    early, late = pc.less(old["hour"], hour), pc.greater_equal(new["hour"], hour)
    kept = old.filter(early).select(counts).to_pandas()
    covered = new.filter(pc.and_(pc.invert(late), pc.is_null(new["floor"])))
    covered = covered.select(["site", "chute", "floor", "hour", "covered_s"]).to_pandas()
    key = ["hour", "floor"]
    text = dict.fromkeys(("site", "chute", "floor"), "object")
    both = kept.astype(text).merge(covered.astype(text), on=["site", "chute", *key], how="left")
    both["covered_s"] = both["covered_s"].where(both["floor"].notna(), both["covered_s"].fillna(0))
    return pa.concat_tables([pa.Table.from_pandas(both[HOURS.names], HOURS), new.filter(late)])


def _trace(seen: Seen, grid: Grid, digest: NDArray[np.uint64] | None = None) -> pa.Table:
    known = _digests(seen.timeline, grid) if digest is None else digest
    quiet = _quiet(seen, grid)
    names = pa.array([grid.chute] * len(known), pa.string())
    return pa.table([names, pa.array(grid.days), known, quiet], schema=TRACE)


def _quiet(seen: Seen, grid: Grid) -> NDArray[np.int64]:
    """The last moment of each day at which nothing goes on; 0 where there is none."""
    time = _reach(seen.timeline)
    later = micros(seen.timeline["time"])
    behind = np.minimum.accumulate(later[::-1])[::-1]  # the earliest from each row on
    gap = np.flatnonzero((behind[1:] - time[:-1]) >= QUIET_S * 1e6) + 1
    moment = behind[gap]
    intervals = seen.intervals[seen.intervals["signal"].ne("power")]
    cycles = seen.cycles
    stamps = cycles[["pressed", "unlocked", "opened", "closed", "cleared"]]
    spans = [
        (intervals["start"], intervals["end"]),
        (stamps.min(axis=1), stamps.max(axis=1)),
        (seen.visits["start"], seen.visits["end"]),
        (seen.locked["start"], seen.locked["end"]),
    ]
    going = np.zeros(len(moment), np.int64)
    for start, end in spans:
        known = start.notna() & end.notna()
        begins, ends = (np.sort(micros(edge[known])) for edge in (start, end))
        going += np.searchsorted(begins, moment, "left") - np.searchsorted(ends, moment, "left")
    moment = moment[going == 0]
    day = grid.day(moment)
    inside = (day >= 0) & (day < grid.shape[1])
    found = np.zeros(grid.shape[1], np.int64)
    np.maximum.at(found, day[inside], moment[inside])
    return found


def _reach(events: pd.DataFrame) -> NDArray[np.int64]:
    """The latest time up to each row."""
    return np.maximum.accumulate(micros(events["time"]))


def _digests(events: pd.DataFrame, grid: Grid) -> NDArray[np.uint64]:
    """A number for the rows of each day in their order; of rows outside of all days, with it."""
    code = micros(events["time"]).astype(np.uint64)
    for name in HASHED:
        code = _mixed(code) ^ _numbers(events[name])
    day = grid.day(micros(events["time"])).clip(0, grid.shape[1] - 1)
    order = np.argsort(day, kind="stable")
    place = np.arange(len(day)) - np.searchsorted(day[order], day[order])
    mixed = _mixed(code[order] + _mixed(place.astype(np.uint64)))
    found = np.zeros(grid.shape[1], np.uint64)
    begins = np.flatnonzero(np.diff(day[order], prepend=-1))
    if len(begins):
        found[day[order][begins]] = np.add.reduceat(mixed, begins)
    return found


def _numbers(column: pd.Series) -> NDArray[np.uint64]:
    """A number for each value, the same for the same value in any table."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        labels = pd.util.hash_array(column.cat.categories.to_numpy(dtype=object))
        return np.append(labels, np.uint64(0))[column.cat.codes.to_numpy()]
    return pd.util.hash_array(column.to_numpy())


def _mixed(code: NDArray[np.uint64]) -> NDArray[np.uint64]:
    # Source: the finalizer of splitmix64 (S. Vigna, public domain); from memory.
    code = (code ^ (code >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    code = (code ^ (code >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return code ^ (code >> np.uint64(31))


def _same(new: NDArray[np.uint64], old: NDArray[np.uint64]) -> int:
    """How many of the first days are as they were."""
    both = min(len(new), len(old))
    other = np.flatnonzero(new[:both] != old[:both])
    return int(other[0]) if len(other) else both


def _cut(quiet: NDArray[np.int64], same: int, events: pd.DataFrame) -> tuple[int, int] | None:
    """The first day to work out anew, and the quiet moment from which on; null: all of it.

    Between the days that stay and the first that changed lies another quiet moment, so that
    nothing that began in the former reaches into the latter. The last day of the old log is no
    ground: what ended it was the log.
    """
    sure = min(same, len(quiet) - 1)
    time, later = _reach(events), micros(events["time"])
    behind = np.minimum.accumulate(later[::-1])[::-1]
    settled = False
    for day in range(sure - 1, -1, -1):
        moment = int(quiet[day])
        row = int(np.searchsorted(time, moment))
        if moment and 0 < row < len(time) and behind[row] >= moment:
            if settled:
                return day + 1, moment
            settled = True
    return None


def _of_chute(rolls: Rolls, chute: str) -> Rolls | None:
    def mine(table: pa.Table) -> pa.Table:
        return table.filter(pc.equal(table["chute"].cast(pa.string()), chute))

    tables = [mine(table) for table in (rolls.days, rolls.streams, rolls.hours, rolls.trace)]
    return Rolls(*tables) if tables[0].num_rows else None


def _joined(parts: list[Rolls]) -> Rolls:
    def both(pick: Callable[[Rolls], pa.Table], schema: pa.Schema) -> pa.Table:
        tables = [schema.empty_table(), *(pick(part) for part in parts)]
        return pa.concat_tables(tables).unify_dictionaries().combine_chunks()

    return Rolls(
        both(lambda r: r.days, DAYS), both(lambda r: r.streams, STREAMS),
        both(lambda r: r.hours, HOURS), both(lambda r: r.trace, TRACE),
    )  # fmt: skip

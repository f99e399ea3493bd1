"""When a container was told full, and whether that can be true.

Not taken for a full container:

- a false full: it clears by itself within minutes, without a pickup or a drop of the level;
- a sensor that is stuck on: full for more than a week, or for more than a day while people went
  on using the stream. How full the container was is then not known.

A signal that drops out for less than a minute is one condition, and so is a full container whose
signal comes back within ten, for nobody fills one so fast, or that is told again, or told clear,
within half a day of a power loss.

Where the log has no `full` for a container but levels, a reading of 95 or more is full.

Source: the rules are ours; minutes, hours and levels are common practice, no source.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import Times
from loganalyzer.fills.log import Log, any_within, lines, of_chute
from loganalyzer.spans import micros

SECOND = 1_000_000
HOUR = 3600 * SECOND
FLAP = 60 * SECOND
FALSE_FULL = 10 * 60 * SECOND
UNHEARD = 12 * HOUR
STUCK, STUCK_IN_USE, IN_USE = 7 * 24 * HOUR, 24 * HOUR, 5
NEAR_PICKUP = 2 * HOUR
LEVEL_FULL = 95.0  # per cent


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


def told_full(log: Log, part: pd.DataFrame, intervals: pd.DataFrame, held: pd.DataFrame) -> Fulls:
    """When the container was told full: signals that flap joined, false and stuck ones known."""
    site, chute, _ = log.key
    told = intervals[of_chute(intervals, site, chute) & intervals["signal"].eq("full")]
    told = told[told["start"].notna()]
    # A full that names no stream belongs to the only container, where there is one.
    alone = held[of_chute(held, site, chute)]["container"].nunique() == 1
    mine = told["stream"].isin(log.streams) | (told["stream"].isna() & alone)
    told = _with_beginning(told[mine].sort_values("end", kind="stable"))
    if told.empty:
        return _judged(log, _from_levels(log))
    start, end = micros(told["start"]), micros(told["end"])
    off = told["ended_by"].eq("off").to_numpy()
    # What power cut off goes on when the sensor speaks again.
    pause = np.select([~off, end - start > FALSE_FULL], [UNHEARD, FALSE_FULL], FLAP)
    new = np.append(True, start[1:] - end[:-1] > pause[:-1])
    firsts = np.flatnonzero(new)
    lasts = np.append(firsts[1:], len(start)) - 1
    state = np.full(len(firsts), "full", dtype=object)
    begin = np.minimum.reduceat(start, firsts)
    by_level = np.zeros(len(firsts), bool)
    return _judged(log, Fulls(begin, end[lasts], off[lasts], state, lines(told)[firsts], by_level))


def _with_beginning(told: pd.DataFrame) -> pd.DataFrame:
    """Those whose beginning is known, and an off that ends what a power loss cut off.

    Any other off without an on may be a controller that tells how things stand.
    """
    known = told["start_known"].astype(bool)
    late = ~known & told["ended_by"].eq("off") & told["ended_by"].shift(1).eq("power")
    return told.assign(start=told["start"].mask(late, told["end"]))[known | late]


def _from_levels(log: Log) -> Fulls:
    """Readings at the top, from the first to the next one far below."""
    high, low = log.level >= LEVEL_FULL, log.level <= LEVEL_FULL - log.far
    told = np.flatnonzero(high | low)  # what lies between changes nothing
    turns = told[np.diff(high[told], prepend=False) != 0]
    firsts, ends = turns[::2], np.append(turns[1::2], len(high))[: len(turns[::2])]
    times = np.append(log.levels, log.end)
    state = np.full(len(firsts), "full", dtype=object)
    return Fulls(
        log.levels[firsts], times[ends], ends < len(high), state, log.level_lines[firsts],
        np.ones(len(firsts), bool),
    )  # fmt: skip


def _judged(log: Log, fulls: Fulls) -> Fulls:
    """Tell false fulls and stuck sensors."""
    length, uses = fulls.end - fulls.start, log.used(fulls.start, fulls.end)
    near = any_within(log.rule, fulls.start - NEAR_PICKUP, fulls.end + NEAR_PICKUP)
    near |= any_within(log.fell, fulls.start, fulls.end + FALSE_FULL)
    false = fulls.off & (length <= FALSE_FULL) & ~near
    stuck = (length > STUCK) | ((length > STUCK_IN_USE) & (uses > IN_USE))
    state = np.select([false, stuck], ["false full", "stuck on"], "full").astype(object)
    return replace(fulls, state=state)

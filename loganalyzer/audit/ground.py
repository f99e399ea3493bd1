"""What the rules stand on: rows of the log, how certain times are, what held when.

What is not certain is not a violation. Every stamp may be late by one step of its export's clock
(or by one scan), so two events are in order only where more than that step lies between them and
the lines stand in that order. Where a clock was corrected, the amount of the correction between
two events is doubted too. Nothing is said across a power event, a clock that ran back, an
unanchored stretch's ends, or one end of a repeated hour.

Source: ours; common practice, no source.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from loganalyzer.facts import Facts, precision
from loganalyzer.grants import Found, Paired, find
from loganalyzer.intervals import LOG_END, OFF, POWER
from loganalyzer.keys import (
    SECOND,
    Flags,
    Floats,
    Ints,
    Log,
    Rows,
    after,
    chute_names,
    stable_order,
)
from loganalyzer.presses import Presses, limits, presses
from loganalyzer.site import Site

T = TypeVar("T")

QUARTER_HOUR = 900.0  # zones change by multiples of it; drift is at most a third of it
NO_STAMP_STEP_S = 1.0  # an uptime counter's fineness is not kept: whole seconds are assumed
# A leaf that bounces is away from its contact for less than this; a person opens it for longer.
# Source: common practice, no source.
BOUNCE_S = 2.0


@dataclass(frozen=True)
class Held:
    """Stretches in which a condition certainly held, sorted by start.

    Attributes:
        start: Row of the on.
        end: Row of the off, of the power loss, or of the log's last event.
        door: Number of chute and floor, see `Log.doors`; floor part 0 where it has none.
        told: Whether the off is in the log.
        last: Whether the log ends before the condition does.
    """

    start: Rows
    end: Rows
    door: Ints
    told: Flags
    last: Flags

    def take(self, which: Rows | Flags) -> "Held":
        """Some of them."""
        return Held(*(getattr(self, name)[which] for name in Held.__dataclass_fields__))


@dataclass(frozen=True)
class Checks:
    """What a rule found.

    Attributes:
        tested: Row of each test.
        broken: Row of each violation.
        door: Door of each violation, see `Log.doors`.
        detail: What happened, one text a violation.
        remarks: Chute number → by which reading a rule was judged.
        untestable: Chute number → why it could not be judged, though its signals are there.
    """

    tested: Rows
    broken: Rows
    door: Ints
    detail: Sequence[str]
    remarks: Mapping[int, str] = field(default_factory=dict)
    untestable: Mapping[int, str] = field(default_factory=dict)


class Ground:
    """A timeline and what was made of it, as numpy arrays, for all rules."""

    def __init__(
        self,
        timeline: pd.DataFrame,
        intervals: pd.DataFrame,
        cycles: pd.DataFrame,
        facts: Facts,
        sites: Mapping[str, Site],
    ) -> None:
        """Hold the tables of one timeline, and the site files by site id."""
        self.log = Log.of(timeline)
        self.timeline, self.intervals, self.cycles = timeline, intervals, cycles
        self.facts, self.limits = facts, limits(self.log, sites)
        self.chutes = len(self.log.first) - 1
        self._holding: dict[str, Held] = {}
        self._made: dict[Callable[[Ground], Any], Any] = {}

    def made(self, make: Callable[["Ground"], T]) -> T:
        """What a function makes of this ground, made once."""
        if make not in self._made:
            self._made[make] = make(self)
        found: T = self._made[make]
        return found

    # How certain.

    def least(self, a: Rows, b: Rows) -> Floats:
        """Seconds that certainly lie between two rows, a before b; NaN where nothing is certain."""
        return self.written(a, b) - self.doubt(a, b)

    def most(self, a: Rows, b: Rows) -> Floats:
        """Seconds that can lie between two rows at most; NaN where nothing is certain."""
        return self.written(a, b) + self.doubt(a, b)

    def follows(self, a: Rows, b: Rows) -> Flags:
        """Whether row b certainly came after row a, by the lines and by the clock."""
        sure: Flags = (b > a) & (self.least(a, b) > 0)
        return sure

    def doubt(self, a: Rows, b: Rows) -> Floats:
        """By how many seconds the time between two rows may be wrong."""
        step = self._only_tick
        ticks = np.maximum(self.tick[a], self.tick[b]) if step is None else np.full(len(a), step)
        return ticks if self._moved is None else ticks + self._corrected(a, b, self._moved)

    @cached_property
    def _only_tick(self) -> float | None:
        """The one step of all rows' clocks, where there is but one."""
        first = float(self.tick[0]) if len(self.tick) else NO_STAMP_STEP_S
        return first if (self.tick == first).all() else None

    @cached_property
    def tick(self) -> Floats:
        """How finely each row's export tells time, in seconds."""
        found = precision(self.timeline, by=["source"])
        of = dict(zip(found["source"].astype("str"), found["precision_s"], strict=True))
        steps = np.array([of.get(name, NO_STAMP_STEP_S) for name in self.log.labels["source"]])
        tick: Floats = np.append(steps, NO_STAMP_STEP_S)[self.log.codes["source"]]
        silent = self.timeline["device_time"].isna().to_numpy()
        return np.where(silent, np.maximum(tick, NO_STAMP_STEP_S), tick)

    def coarsest(self, chute: int) -> float:
        """The coarsest step of the clocks of a chute's exports, in seconds."""
        return float(self.tick[slice(*self.log.first[chute : chute + 2])].max())

    @cached_property
    def sampled(self) -> Flags:
        """Whether a row is of an export of scanned inputs: presses between scans run together."""
        source, marks = self.log.codes["source"], self.log.labels["clock"]
        place = marks.get_loc("sampled") if "sampled" in marks else -2
        scanned = np.zeros(len(self.log.labels["source"]) + 1, bool)
        scanned[source[self.log.codes["clock"] == place]] = True
        return scanned[source]

    def limit(self, name: str, rows: Rows) -> Floats:
        """A limit of the chute of each row."""
        values = np.array([getattr(limits, name) for limits in self.limits], np.float64)
        return values[self.log.chute[rows]]

    def written(self, a: Rows, b: Rows) -> Floats:
        """Seconds between two rows as their stamps say; NaN where they cannot be compared."""
        gap: Floats = (self.log.time[b] - self.log.time[a]) / SECOND
        gap[self._clock[a] != self._clock[b]] = np.nan
        return gap

    def _corrected(self, a: Rows, b: Rows, moved: Floats) -> Floats:
        """How far the clock as written and the clock as corrected differ between two rows."""
        odd = moved[b] - moved[a]
        odd -= QUARTER_HOUR * np.round(odd / QUARTER_HOUR)
        return np.nan_to_num(np.abs(odd))  # no stamp, no doubt of it beside `tick`

    @cached_property
    def _moved(self) -> Floats | None:
        """By how many seconds each row's time was moved, but for quarter hours; null if by none."""
        stamps = self.timeline["device_time"]
        apart = stamps.to_numpy("datetime64[us]").view(np.int64) - self.log.time
        moved = apart % round(QUARTER_HOUR * SECOND)
        stamped = stamps.notna().to_numpy()
        if not moved[stamped].any():
            return None
        return np.where(stamped, moved / SECOND, np.nan)

    @cached_property
    def _clock(self) -> Ints:
        """A number for each run of rows by one clock that neither stopped nor ran back.

        Odd in the second pass of a repeated hour, which no other time can be compared with.
        """
        log = self.log
        breaks = np.zeros(len(log), bool)
        breaks[1:] = log.time[1:] < log.time[:-1]
        breaks[log.first[:-1]] = True
        breaks[log.power()] = True
        if log.stretch is not None:
            breaks[1:] |= log.stretch[1:] != log.stretch[:-1]
        marks = log.labels["clock"]
        place = marks.get_loc("fold") if "fold" in marks else -2
        runs: Ints = 2 * np.cumsum(breaks, dtype=np.int32) + (log.codes["clock"] == place)
        return runs

    # What held when.

    def found(self, signal: str) -> Found:
        """Every interval of a signal as rows, sorted by its own row."""
        return find(self.log, self.made(_paired), signal).by_row()

    def held(self, signal: str) -> Held:
        """The stretches of a signal that have their on, and whose end can be told."""
        if signal not in self._holding:
            log, found = self.log, self.found(signal)
            whole = found.known & np.isin(found.ended, [OFF, POWER, LOG_END])
            own, ended = found.own[whole], found.ended[whole]
            end = np.where(ended == LOG_END, log.last(own), found.end[whole])
            end = np.where(ended == POWER, after(log.losses(), own, len(log)), end)
            self._holding[signal] = Held(
                own, end, found.door[whole], ended == OFF, ended == LOG_END
            )
        return self._holding[signal]

    @cached_property
    def openings(self) -> Held:
        """Doors that were really open: a locked leaf whose contact only flickers is left out.

        Stretches of a door that follow within `BOUNCE_S` are one movement of its leaf; that
        flickers where it adds up to no more than `BOUNCE_S` and no unlock touches it.
        """
        held, log = self.held("open"), self.log
        order = stable_order(held.door)
        start, end, door = held.start[order], held.end[order], held.door[order]
        pause = (log.time[start[1:]] - log.time[end[:-1]]) / SECOND
        new = np.append(True, (door[1:] != door[:-1]) | (pause > BOUNCE_S))[: len(order)]
        run = np.cumsum(new) - 1
        spent = np.bincount(run, np.nan_to_num(self.least(start, end)).clip(0))
        flickers = (spent <= BOUNCE_S)[run] & self._locked_all_the_time(start, end, door)
        keep = np.ones(len(order), bool)
        keep[order] = ~flickers
        return held.take(keep)

    def _locked_all_the_time(self, start: Rows, end: Rows, door: Ints) -> Flags:
        """Whether no unlock of the door begins, ends or lasts while its leaf moves."""
        log = self.log
        base = log.keys_of(door, 0)
        ons, offs = (log.door_keys("unlocked", edge) for edge in ("on", "off"))
        up_to, from_on = np.searchsorted(ons, base + end), np.searchsorted(ons, base + start)
        before_on, before_off = (
            np.where(at > 0, np.append(keys, -1)[at - 1], -1) - base
            for keys, at in (
                (ons, from_on),
                (offs, np.searchsorted(offs, base + start)),
            )
        )
        lasting = (before_on >= 0) & (before_on > before_off)
        still: Flags = (up_to == from_on) & ~lasting
        return still

    @cached_property
    def presses(self) -> Presses:
        """Every press with its refusal."""
        return presses(self.log)

    @cached_property
    def granted_by(self) -> Rows:
        """For each unlock, in the log's order, the time of the press it answers, or the lowest."""
        pressed = self.cycles.loc[self.cycles["unlocked"].notna(), "pressed"]
        return pressed.to_numpy("datetime64[us]").view(np.int64)

    # How it is told.

    def line(self, row: int, beside: int) -> str:
        """Where an event stands, said beside another event's own line."""
        log = self.log
        other = log.codes["source"][row] != log.codes["source"][beside]
        return f"line {log.line[row]}{' of another export' if other else ''}"

    def floor(self, door: int) -> str:
        """A door's floor label; ? where the log names none."""
        place = int(door) % self.log.floors - 1
        return str(self.log.labels["floor"][place]) if place >= 0 else "?"

    @cached_property
    def names(self) -> list[tuple[str, str]]:
        """Site and chute of each chute number."""
        return chute_names(self.log)

    def unbroken(self, a: int, b: int) -> bool:
        """Whether every physical line between two rows' lines is an event of the timeline.

        A line in between that could not be read may have been the event that is missing.
        """
        source = self.log.codes["source"]
        first, last = sorted((int(self.log.line[a]), int(self.log.line[b])))
        if source[a] != source[b]:
            return False
        lines = self._lines[int(source[a])]
        return bool(np.searchsorted(lines, last) - np.searchsorted(lines, first) == last - first)

    @cached_property
    def _lines(self) -> dict[int, Rows]:
        """Source → its physical lines that are events, sorted."""
        table = pd.DataFrame({"source": self.log.codes["source"], "line": self.log.line})
        lines = table.groupby("source")["line"]
        return {int(s): np.unique(lines.get_group(s)) for s in table["source"].unique().tolist()}


def _paired(ground: Ground) -> Paired:
    return Paired.of(ground.log, ground.intervals)


def within(ground: Ground, points: Rows, held: Held) -> tuple[Rows, Rows]:
    """Pairs of a point and a stretch of its chute that it certainly lies inside.

    Args:
        ground: The log.
        points: Rows, ascending.
        held: Stretches of one condition.

    Returns:
        Places among `points` and among the stretches. Of a stretch whose end is not in the log
        only the first: its off may be the line that is lost.
    """
    low, high = np.searchsorted(points, held.start, "right"), np.searchsorted(points, held.end)
    span, point = expand(low, high)
    sure = ground.follows(held.start[span], points[point])
    sure &= ground.follows(points[point], held.end[span])
    point, span = point[sure], span[sure]
    keep = first_of_endless(span, held)
    return point[keep], span[keep]


def overlaps(ground: Ground, a: Held, b: Held) -> tuple[Rows, Rows]:
    """Pairs of stretches of a chute that certainly overlap, by the beginning of the overlap.

    Returns:
        Places in `a` and in `b`.
    """
    # b begins while a lasts; a begins while b lasts
    of_a, in_b = expand(np.searchsorted(b.start, a.start), np.searchsorted(b.start, a.end))
    of_b, in_a = expand(np.searchsorted(a.start, b.start, "right"), np.searchsorted(a.start, b.end))
    i, j = np.append(of_a, in_a), np.append(in_b, of_b)
    begin, end = np.maximum(a.start[i], b.start[j]), np.minimum(a.end[i], b.end[j])
    sure = ground.follows(begin, end)
    i, j = i[sure], j[sure]
    order = np.argsort(np.maximum(a.start[i], b.start[j]), kind="stable")
    return i[order], j[order]


def expand(low: Rows, high: Rows) -> tuple[Rows, Rows]:
    """Ranges as pairs: the number of the range, and each place in it."""
    count = np.maximum(high - low, 0)
    which = np.repeat(np.arange(len(count)), count)
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return which, place + low[which]


def first_of_endless(which: Rows, held: Held) -> Flags:
    """All pairs but the second and later ones of a stretch whose end is not in the log.

    Its off may be the line that is lost, so it is told once and not by the dozen.
    """
    _, first = np.unique(which, return_index=True)
    keep: Flags = ~held.last[which]
    keep[first] = True
    return keep


def seconds(value: float) -> str:
    """A length of time in a detail: 4 s, 0.3 s."""
    return f"{value:.1f}".removesuffix(".0") + " s"

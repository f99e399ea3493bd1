"""Spans and moments along time, group by group: merge what lies close, count what falls inside."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Places = NDArray[np.int64]
MANY = 1_000_000  # keys that may be counted in an array with a place for each


def merge_close(spans: pd.DataFrame, by: Sequence[str], gap_s: float) -> pd.Series:
    """Number the runs of spans of one group that follow one another within a gap.

    Args:
        spans: Reads the columns of `by` (null is a group too), `start`, `end`; any order.
        by: What makes a group.
        gap_s: Longest time, in seconds, from the latest end so far to the next start.

    Returns:
        A run number for each row, by the index of `spans`; numbers grow with group, then time.
    """
    group, start, end = group_numbers(spans, by), micros(spans["start"]), micros(spans["end"])
    line = _Line.of(np.append(group, group), np.append(start, end))
    start, end = line.at(group, start), line.at(group, end)
    order = _ascending(group, start)
    group, start = group[order], start[order]
    reach = np.maximum.accumulate(end[order])
    breaks = np.ones(len(order), dtype=bool)
    breaks[1:] = (group[1:] != group[:-1]) | (start[1:] - reach[:-1] > gap_s * 1e6)
    run = np.empty(len(order), dtype=np.int64)
    run[order] = np.cumsum(breaks) - 1
    return pd.Series(run, index=spans.index)


class Moments:
    """Events sorted by group and time, ready for questions about spans."""

    def __init__(self, events: pd.DataFrame, by: Sequence[str]) -> None:
        """Sort events; reads the columns of `by` (no nulls) and `time`."""
        self.by = list(by)
        group, times = group_numbers(events, self.by), micros(events["time"])
        self.line = _Line.of(group, times)
        places = self.line.at(group, times)
        self.order = _ascending(group, places)
        self.places = places[self.order]
        firsts = self.order[np.searchsorted(self.places, self.line.begin)]
        self.keys = _keys(events.iloc[firsts], self.by)
        self.events = events

    def __len__(self) -> int:
        return len(self.order)

    def at(self, places: Places) -> pd.DataFrame:
        """The events at these places, as they were given."""
        return self.events.iloc[self.order[places]]

    def inside(self, spans: pd.DataFrame) -> tuple[Places, Places]:
        """Which places of the sorted events fall into each span, both ends included.

        Args:
            spans: Reads the columns of `by`, `start`, `end`.

        Returns:
            First place and the place after the last, one pair a span; equal where none does.
        """
        group = np.asarray(self.keys.get_indexer(_keys(spans, self.by)), dtype=np.int64)
        if not len(self):
            return np.zeros_like(group), np.zeros_like(group)
        start, end = (self.line.at(group, micros(spans[name])) for name in ("start", "end"))
        low = np.searchsorted(self.places, start, side="left")
        high = np.searchsorted(self.places, end, side="right")
        return low, np.where(group < 0, low, np.maximum(high, low))

    def count(self, spans: pd.DataFrame) -> Places:
        """How many moments fall into each span, both ends included."""
        low, high = self.inside(spans)
        return high - low


@dataclass(frozen=True)
class _Line:
    """The times of all groups on one line, group after group, so that one search or sort does.

    Attributes:
        low, high: Just before the first time of each group, and just after its last.
        begin: Where on the line the first time of each group lies, less one.
    """

    low: Places
    high: Places
    begin: Places

    @classmethod
    def of(cls, group: Places, times: Places) -> "_Line":
        """From the group (0, 1, …) and the time of each event; there is room for 290,000 years."""
        count = int(group.max(initial=-1)) + 1
        low, high = np.full(count, LATEST), np.full(count, -LATEST)
        known = times > -LATEST  # not null
        np.minimum.at(low, group[known], times[known] - 1)
        np.maximum.at(high, group[known], times[known] + 1)
        high = np.maximum(low, high)
        begin = np.append(0, np.cumsum(high - low + 1))[:count]
        return cls(low, high, begin)

    def at(self, group: Places, times: Places) -> Places:
        """The place on the line; a time outside of those of its group is just beside them."""
        near = np.clip(times, self.low[group], self.high[group])
        return np.asarray(self.begin[group] + (near - self.low[group]), dtype=np.int64)


LATEST = 2**62


def _ascending(group: Places, places: Places) -> Places:
    """The order that sorts places on a line, equal ones as they stand.

    Events stand in the order of time, mostly; group by group they are as good as sorted, which
    the second sort makes use of.
    """
    small = group.astype(np.uint16) if group.max(initial=0) < 2**16 else group
    order = np.argsort(small, kind="stable")
    return np.asarray(order[np.argsort(places[order], kind="stable")], dtype=np.int64)


@dataclass(frozen=True)
class Cover:
    """Time that spans cover, overlaps counted once; all times are whole microseconds.

    Attributes:
        start, end: Spans that do not overlap or touch, ascending.
    """

    start: Places
    end: Places

    @classmethod
    def of(cls, start: Places, end: Places) -> "Cover":
        """The spans merged, in any order; those that end before they start are left out."""
        whole = end > start
        order = np.argsort(start[whole], kind="stable")
        begin = start[whole][order]
        reach = np.maximum.accumulate(end[whole][order])
        new = np.append(True, begin[1:] > reach[:-1])[: len(begin)]
        last = np.append(np.flatnonzero(new)[1:], len(begin))[: int(new.sum())] - 1
        return cls(begin[new], reach[last])

    def until(self, times: Places) -> Places:
        """How much is covered before each time."""
        before = np.append(0, np.cumsum(self.end - self.start))
        at = np.searchsorted(self.start, times, side="right")
        over = np.maximum(np.append(0, self.end)[at] - times, 0)
        return np.asarray(before[at] - np.where(at > 0, over, 0), dtype=np.int64)

    def within(self, start: Places, end: Places) -> Places:
        """How much is covered from each start to each end; 0 where the end is earlier."""
        length: Places = np.maximum(self.until(end) - self.until(start), 0)
        return length

    def holds(self, times: Places) -> NDArray[np.bool_]:
        """Whether each time lies in a span, its start included and its end not."""
        at = np.searchsorted(self.start, times, side="right")
        return np.asarray((at > 0) & (np.append(0, self.end)[at] > times), dtype=bool)

    def minus(self, other: "Cover") -> "Cover":
        """What this covers and the other does not."""
        touched = other.within(self.start, self.end) > 0  # few: the rest stays as it is
        start, end = self.start[touched], self.end[touched]
        if not len(start):
            return self
        inside = Cover(start, end)
        cuts = np.unique(np.concatenate([start, end, other.start, other.end]))
        # What holds at the last cut holds nowhere, so the cut after it exists.
        at = np.flatnonzero(inside.holds(cuts) & ~other.holds(cuts))
        kept = (self.start[~touched], self.end[~touched])
        return Cover.of(np.append(kept[0], cuts[at]), np.append(kept[1], cuts[at + 1]))

    def plus(self, other: "Cover") -> "Cover":
        """What either covers."""
        start, end = (self.start, other.start), (self.end, other.end)
        return Cover.of(np.concatenate(start), np.concatenate(end))


def among(times: Places, few: Places) -> NDArray[np.bool_]:
    """Which of many times are among a few."""
    sieve = np.zeros(2**20, dtype=bool)
    low = len(sieve) - 1  # the bits that are looked at first
    sieve[few & low] = True
    found: NDArray[np.bool_] = sieve[times & low]
    found[found] = np.isin(times[found], few)
    return found


NEVER = np.iinfo(np.int64).min  # how `micros` writes a null time


def micros(times: pd.Series) -> Places:
    """Times as whole microseconds since 1970; a null time is the lowest number there is."""
    return np.asarray(times.to_numpy("datetime64[us]").astype("int64"), dtype=np.int64)


def group_numbers(table: pd.DataFrame, by: Sequence[str]) -> Places:
    """A number for each group, growing with its keys; null is a group too."""
    place = np.zeros(len(table), dtype=np.int64)
    for name in by:
        codes, size = _codes(table[name])
        place = place * (size + 1) + np.where(codes < 0, size, codes)
    if place.max(initial=0) > MANY:
        return np.asarray(np.unique(place, return_inverse=True)[1], dtype=np.int64)
    return np.asarray((np.cumsum(np.bincount(place) > 0) - 1)[place], dtype=np.int64)


def _codes(column: pd.Series) -> tuple[NDArray[np.integer], int]:
    """A column as numbers that sort as its values do, -1 for null, and how many there can be."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(), len(column.cat.categories)
    codes, labels = pd.factorize(column, sort=True)
    return codes, len(labels)


def _keys(table: pd.DataFrame, by: Sequence[str]) -> pd.MultiIndex:
    """The keys of rows as text, so that categories of any origin meet."""
    return pd.MultiIndex.from_frame(table[list(by)].astype("str"))

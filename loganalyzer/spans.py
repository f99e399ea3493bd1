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
    group = _groups(spans, by)
    order = np.lexsort((micros(spans["start"]), group))
    group, start, end = group[order], micros(spans["start"])[order], micros(spans["end"])[order]
    reach = pd.Series(end).groupby(group).cummax().to_numpy()
    breaks = np.ones(len(order), dtype=bool)
    breaks[1:] = (group[1:] != group[:-1]) | (start[1:] - reach[:-1] > gap_s * 1e6)
    return pd.Series(np.cumsum(breaks) - 1, index=spans.index[order]).reindex(spans.index)


class Moments:
    """Events sorted by group and time, ready for questions about spans."""

    def __init__(self, events: pd.DataFrame, by: Sequence[str]) -> None:
        """Sort events; reads the columns of `by` (no nulls) and `time`."""
        self.by = list(by)
        group = _groups(events, self.by)
        times = micros(events["time"])
        order = np.lexsort((times, group))
        firsts = order[np.flatnonzero(np.diff(group[order], prepend=-1))]
        self.keys = _keys(events.iloc[firsts], self.by)
        self.table = events.iloc[order].reset_index(drop=True)
        self.clock = np.unique(times)
        self.places = self._place(group[order], np.searchsorted(self.clock, times[order]))

    def inside(self, spans: pd.DataFrame) -> tuple[Places, Places]:
        """Which rows of `table` fall into each span, both ends included.

        Args:
            spans: Reads the columns of `by`, `start`, `end`.

        Returns:
            First place and the place after the last, one pair a span; equal where none does.
        """
        group = self.keys.get_indexer(_keys(spans, self.by))
        start = np.searchsorted(self.clock, micros(spans["start"]), side="left")
        end = np.searchsorted(self.clock, micros(spans["end"]), side="right")
        low = np.searchsorted(self.places, self._place(group, start), side="left")
        high = np.searchsorted(self.places, self._place(group, end), side="left")
        return low, np.where(group < 0, low, np.maximum(high, low))

    def count(self, spans: pd.DataFrame) -> Places:
        """How many moments fall into each span, both ends included."""
        low, high = self.inside(spans)
        return high - low

    def _place(self, group: Places, rank: Places) -> Places:
        """One growing number for group and time, so that one search answers for both."""
        return np.asarray(group * (len(self.clock) + 1) + rank, dtype=np.int64)


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


def micros(times: pd.Series) -> Places:
    """Times as whole microseconds since 1970; a null time is the lowest number there is."""
    return np.asarray(times.to_numpy("datetime64[us]").astype("int64"), dtype=np.int64)


def _groups(table: pd.DataFrame, by: Sequence[str]) -> Places:
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

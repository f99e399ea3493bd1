"""Events of many exports of one chute → one ordered sequence, overlaps counted once.

Exports are windows on one log that the controller writes. Rows that two windows share tie them
together; what lies between shared rows is put in by time. So a row keeps the place its file
gave it, whatever its clock showed.

For each distinct event the sequence holds as many copies as the one export that holds most:
the k-th copy in one export is the k-th copy in every other. Two events are the same if they
agree in all but the line number, and lie in the same run of the clock (`runs.py`): two power
cuts that both restart the clock at midnight of 2000-01-01 stay two.

The result depends on the set of exports only, never on the order they are given in. It cannot
know better than the log: cut between two equal lines of one instant, each part holds one copy,
and one copy is what stays.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from loganalyzer.timeline.beginnings import begins
from loganalyzer.timeline.columns import codes, flags, numbers
from loganalyzer.timeline.runs import run_ids

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TEXTS = ("floor", "signal", "edge", "stream", "code")
NUMBERS = ("value", "order")


@dataclass(frozen=True)
class Merged:
    """One sequence, and what each export brought to it.

    Attributes:
        table: The kept rows in order: the columns of the readings, and `export` (int32, place of
            the row's export in what was given). Of copies, the row of the export that begins
            first is kept.
        owned: For each export given, which of its rows were kept.
    """

    table: pa.Table
    owned: tuple[Flags, ...]


def merge(readings: Sequence[pa.Table]) -> Merged:
    """Bring exports of one chute into one sequence.

    Args:
        readings: One table an export, in file order, the exports in the order they begin
            (`beginnings.py`): `written`, `utc` (µs, null where only the
            time since power-on is known), `time` (µs, the clock put right as far as this export
            alone can), `anchored` (bool, `time` can be trusted), `floor`, `signal`, `edge`,
            `stream`, `code`, `value`, `order`, `anchor`; further columns go along.
    """
    sizes = [reading.num_rows for reading in readings]
    rows = pa.concat_tables(readings).unify_dictionaries()
    nodes, kept = _nodes(rows, readings)
    place = _Place(rows, kept, len(nodes))
    ends = np.cumsum(sizes)
    parts = [nodes[end - size : end] for end, size in zip(ends, sizes, strict=True)]
    sequence = place.join([part for part in parts if len(part)])
    owned = np.zeros(len(nodes), bool)
    owned[kept] = True
    export = pa.array(np.repeat(np.arange(len(sizes), dtype=np.int32), sizes))
    table = rows.append_column("export", export).take(pa.array(kept[sequence]))
    return Merged(table, tuple(np.split(owned, ends[:-1])))


class _Place:
    """Puts sequences of nodes (distinct events, numbered) together."""

    def __init__(self, rows: pa.Table, kept: Ints, row_count: int) -> None:
        counted = not rows["order"].null_count
        self.at = numbers(rows["order" if counted else "time"])[kept]
        self.anchored = np.ones(len(kept), bool) if counted else flags(rows["anchored"])[kept]
        self.begins = self.at if counted else begins(rows)[kept]
        self.where = np.full(len(kept), -1, np.int64)

    def join(self, parts: list[Ints]) -> Ints:
        """All parts, in their order of beginning, as one sequence: by halves, for speed."""
        if not parts:
            return np.empty(0, np.int64)
        if len(parts) == 1:
            return parts[0]
        half = len(parts) // 2
        return self.pair(self.join(parts[:half]), self.join(parts[half:]))

    def pair(self, left: Ints, right: Ints) -> Ints:
        """Two sequences as one; in doubt the left one, which begins first, comes first."""
        self.where[left] = np.arange(len(left))
        found = self.where[right]
        self.where[left] = -1
        shared = np.flatnonzero(found >= 0)
        if not len(shared) and (not self.anchored[right[0]] or self._follows(left, right)):
            return np.concatenate([left, right])
        if not len(shared) and self._follows(right, left):
            return np.concatenate([right, left])
        tied = shared[_rising(found[shared])]
        return self._fill(left, right, found, tied)

    def _follows(self, left: Ints, right: Ints) -> bool:
        """Whether `right` begins after the end of `left`, by the times that can be trusted."""
        first, last = self._trusted(right), self._trusted(left)
        return bool(self.begins[right[first[0]]] >= self.at[left[last[-1]]])

    def _trusted(self, nodes: Ints) -> Ints:
        at = np.flatnonzero(self.anchored[nodes])
        return at if len(at) else np.arange(len(nodes))

    def _fill(self, left: Ints, right: Ints, found: Ints, tied: Ints) -> Ints:
        """Put what only `right` has between the rows that tie it to `left`."""
        new = np.flatnonzero(found < 0)
        gap = np.searchsorted(tied, new)
        begin = np.concatenate([[0], found[tied] + 1])
        end = np.concatenate([found[tied], [len(left)]])
        into = begin[gap]
        contested = np.unique(gap[begin[gap] < end[gap]])
        for one in contested.tolist():
            low, high = np.searchsorted(gap, [one, one + 1])
            ours = np.maximum.accumulate(self.at[left[begin[one] : end[one]]])
            theirs = np.maximum.accumulate(self.at[right[new[low:high]]])
            into[low:high] += np.searchsorted(ours, theirs, side="right")
        return np.insert(left, into, right[new])


def _rising(found: Ints) -> Ints:
    """Places of a longest rising subsequence; all of them where two exports agree in order."""
    if np.all(found[1:] > found[:-1]):
        return np.arange(len(found))
    tails: list[int] = []
    tops: list[int] = []
    before = np.empty(len(found), np.int64)
    for i, value in enumerate(found.tolist()):
        at = bisect_left(tails, value)
        before[i] = tops[at - 1] if at else -1
        tails[at : at + 1] = [value]
        tops[at : at + 1] = [i]
    picked = [tops[-1]]
    while before[picked[-1]] >= 0:
        picked.append(int(before[picked[-1]]))
    return np.array(picked[::-1], np.int64)


def _nodes(rows: pa.Table, tables: Sequence[pa.Table]) -> tuple[Ints, Ints]:
    """Number the distinct events: (event, run of the clock, k-th copy in its export).

    Returns:
        The node of each row, and for each node the first row that is it.
    """
    sizes = [table.num_rows for table in tables]
    events = event_ids(rows)
    runs = run_ids(tables, np.split(events, np.cumsum(sizes)[:-1]))
    events = _pack(events, np.concatenate(runs))
    nodes = _pack(events, _copies(events * len(sizes) + np.repeat(np.arange(len(sizes)), sizes)))
    kept = np.flatnonzero(np.diff(np.maximum.accumulate(nodes), prepend=-1))
    return nodes, kept


def _copies(values: Ints) -> Ints:
    """For each place, how many equal values stand before it."""
    copies = np.zeros(len(values), np.int64)
    repeated = np.flatnonzero(pd.Series(values).duplicated(keep=False).to_numpy())
    copies[repeated] = pd.Series(repeated).groupby(values[repeated], sort=False).cumcount()
    return copies


def event_ids(rows: pa.Table) -> Ints:
    """A number for each distinct event as written; equal rows have equal numbers.

    Args:
        rows: READING with dictionaries unified.
    """
    label = np.zeros(rows.num_rows, np.int64)
    for name in (name for name in TEXTS if rows[name].null_count < len(label)):
        label = _pack(label, codes(rows[name]) + 1)
    ids = _factor(numbers(rows["written"]))
    shift = numbers(rows["written"]) - numbers(rows["utc"])
    others = [numbers(rows[name]) for name in NUMBERS if rows[name].null_count < len(label)]
    for column in [shift, *others, label]:
        ids = _pack(ids, _factor(column))
    return ids


def _pack(first: Ints, second: Ints) -> Ints:
    """One dense number for each distinct pair of dense numbers, numbered as they come."""
    if not second.any():
        return first
    return _factor(first * (int(second.max()) + 1) + second)


def _factor(values: Ints) -> Ints:
    return np.asarray(pd.factorize(values)[0], np.int64)

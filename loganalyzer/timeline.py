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
import pyarrow.compute as pc

from loganalyzer.runs import run_ids

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TEXTS = ("floor", "signal", "edge", "stream", "code")
NUMBERS = ("value", "order")
NOTHING = np.iinfo(np.int64).min


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


def merge(readings: Sequence[pa.Table], names: Sequence[str]) -> Merged:
    """Bring exports of one chute into one sequence.

    Args:
        readings: One table an export, in file order: `written`, `utc` (µs, null where only the
            time since power-on is known), `time` (µs, the clock put right as far as this export
            alone can), `anchored` (bool, `time` can be trusted), `floor`, `signal`, `edge`,
            `stream`, `code`, `value`, `order`, `anchor`; further columns go along.
        names: One a reading, all different (the source): settles ties.
    """
    first = [_first(reading) for reading in readings]
    ranks = sorted(range(len(readings)), key=lambda i: (first[i], names[i]))
    tables = [readings[i] for i in ranks]
    sizes = [table.num_rows for table in tables]
    rows = pa.concat_tables(tables).unify_dictionaries()
    nodes, kept = _nodes(rows, tables)
    place = _Place(rows, kept, len(nodes))
    ends = np.cumsum(sizes)
    parts = [nodes[end - size : end] for end, size in zip(ends, sizes, strict=True)]
    sequence = place.join([part for part in parts if len(part)])
    owned = np.zeros(len(nodes), bool)
    owned[kept] = True
    export = pa.array(np.repeat(np.array(ranks, np.int32), sizes))
    table = rows.append_column("export", export).take(pa.array(kept[sequence]))
    by_rank = {i: owned[end - n : end] for i, end, n in zip(ranks, ends, sizes, strict=True)}
    return Merged(table, tuple(by_rank[i] for i in range(len(readings))))


def _first(reading: pa.Table) -> int:
    """When an export begins: by its counter if it has one, else by the later of two clocks.

    A clock set forward in the export says that its first rows were really later; one set back,
    that the export before it, which does not know yet, shows them later than they were.
    """
    if not reading.num_rows:
        return NOTHING
    if not reading["order"].null_count:
        return int(reading["order"][0].as_py())
    at = max(0, pc.index(reading["anchored"], True).as_py())
    return max(reading["time"][at].as_py(), reading["utc"][at].as_py() or NOTHING)


class _Place:
    """Puts sequences of nodes (distinct events, numbered) together."""

    def __init__(self, rows: pa.Table, kept: Ints, row_count: int) -> None:
        counted = not rows["order"].null_count
        self.at = numbers(rows["order" if counted else "time"])[kept]
        self.anchored = np.ones(len(kept), bool) if counted else flags(rows["anchored"])[kept]
        self.begins = self.at if counted else np.maximum(self.at, numbers(rows["utc"])[kept])
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
        """Two sequences as one; in doubt the left one's rows come first."""
        self.where[left] = np.arange(len(left))
        found = self.where[right]
        self.where[left] = -1
        shared = np.flatnonzero(found >= 0)
        if not len(shared) and self._follows(left, right):
            return np.concatenate([left, right])
        if not len(shared) and self._follows(right, left):
            return np.concatenate([right, left])
        tied = shared[_rising(found[shared])]
        return self._fill(left, right, found, tied)

    def _follows(self, left: Ints, right: Ints) -> bool:
        last = left[self._trusted(left)[-1]]
        return bool(self.begins[right[self._trusted(right)[0]]] >= self.at[last])

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


def numbers(column: pa.ChunkedArray) -> Ints:
    """A column of numbers as int64, null as the smallest; float64 by its bits."""
    if pa.types.is_floating(column.type):
        return column.fill_null(float("nan")).to_numpy().astype(np.float64).view(np.int64)
    return column.cast(pa.int64()).fill_null(NOTHING).to_numpy()


def flags(column: pa.ChunkedArray) -> Flags:
    """A bool column without nulls."""
    return column.to_numpy().astype(bool)


def codes(column: pa.ChunkedArray) -> Ints:
    """A text column as the numbers of its dictionary; null is -1."""
    flat = column.combine_chunks()
    flat = flat if pa.types.is_dictionary(flat.type) else flat.dictionary_encode()
    if isinstance(flat, pa.ChunkedArray):
        flat = flat.unify_dictionaries().combine_chunks()
    return flat.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)

"""Which restart of the clock an event belongs to.

A controller whose clock restarts at every power cut writes the same stamps again and again.
Here each stretch of restarted clock in each export gets a number, and the same stretch seen by
two exports gets the same number: they share what stands before it, what ends it, a wall-clock
stamp inside it, or a row-by-row overlap from the place where one of them begins.
Everything else, the ordinary run of the clock, is number 0.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

Ints = npt.NDArray[np.int64]


@dataclass
class _Run:
    """Rows `start` to `end` of export number `export`; `marks` tell it from other runs."""

    export: int
    start: int
    end: int
    events: Ints
    low: int
    high: int
    restarted: bool
    head: bool = False
    open: bool = False
    marks: set[Hashable] = field(default_factory=set)


def run_ids(tables: Sequence[pa.Table], events: Sequence[Ints]) -> list[Ints]:
    """Number the restarted stretches of the clock across exports of one chute.

    Args:
        tables: READING in file order: reads `written`, `utc`, `signal`, `edge`, `anchor`.
        events: For each table, a number for each row; equal events have equal numbers.

    Returns:
        For each table, the run each row lies in; 0 is the ordinary run.
    """
    runs = [run for i, table in enumerate(tables) for run in _runs(i, table, events[i])]
    restarted = [run for run in runs if run.restarted]
    heads = [run for run in runs if run.head and any(_near(run, one) for one in restarted)]
    ids = [np.zeros(table.num_rows, np.int64) for table in tables]
    nodes = restarted + [run for run in heads if not run.restarted]
    for number, group in enumerate(_groups(nodes), start=1):
        if any(run.restarted for run in group):
            for run in group:
                ids[run.export][run.start : run.end] = number
    return ids


def _near(run: _Run, other: _Run) -> bool:
    return run is not other and run.low <= other.high and other.low <= run.high


def _groups(runs: Sequence[_Run]) -> Iterable[list[_Run]]:
    """Runs that are one and the same stretch."""
    parent = list(range(len(runs)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    known: dict[Hashable, int] = {}
    for i, run in enumerate(runs):
        for mark in run.marks:
            parent[root(i)] = root(known.setdefault(mark, i))
    for i, run in enumerate(runs):
        for j, other in enumerate(runs if run.head else ()):
            if run.export != other.export and _near(run, other) and _continues(run, other):
                parent[root(i)] = root(j)
    groups: dict[int, list[_Run]] = {}
    for i, run in enumerate(runs):
        groups.setdefault(root(i), []).append(run)
    return groups.values()


def _continues(head: _Run, other: _Run) -> bool:
    """Whether an export begins inside `other`: its first rows stand there, row by row."""
    for at in np.flatnonzero(other.events == head.events[0]).tolist():
        both = min(len(head.events), len(other.events) - at)
        whole = both == len(head.events) or other.open
        if whole and np.array_equal(other.events[at : at + both], head.events[:both]):
            return True
    return False


def _runs(export: int, table: pa.Table, events: Ints) -> list[_Run]:
    """Cut one export into runs: what restarted, and what it begins with."""
    if not table.num_rows:
        return []
    written = table["written"].to_numpy()
    power = pc.and_(pc.equal(table["signal"], "power"), pc.equal(table["edge"], "on"))
    clock = pc.equal(table["signal"], "clock")
    power_at, clock_at = (_true(power), _true(clock))
    if table["utc"].null_count == table.num_rows:
        cuts = _uptime_cuts(written, power_at)
        spans = list(zip(cuts, [*cuts[1:], len(written)], strict=True))
        runs = [_run(export, a, b, written, events, True) for a, b in spans]
        _mark_uptime(runs, table, len(written))
        runs[0].head = True
        return runs
    spans = _restarts(written, power_at, clock_at)
    runs = [_run(export, a, b, written, events, True) for a, b in spans]
    _mark_restarts(runs, events, set(clock_at.tolist()))
    first = min([len(written), *power_at[power_at > 0][:1].tolist(), *(clock_at[:1] + 1).tolist()])
    head = _run(export, 0, first, written, events, False)
    head.head = True
    if len(clock_at) and clock_at[0] + 1 == first:
        head.marks = {("end", int(events[clock_at[0]]), 0)}
    return [head, *runs]


def _true(column: pa.ChunkedArray) -> Ints:
    return np.flatnonzero(column.fill_null(False).to_numpy().astype(bool))


def _run(export: int, start: int, end: int, written: Ints, events: Ints, restarted: bool) -> _Run:
    part = written[start:end]
    low, high = int(part.min()), int(part.max())
    opened = end == len(written)
    return _Run(export, start, end, events[start:end], low, high, restarted, open=opened)


def _uptime_cuts(written: Ints, power_at: Ints) -> list[int]:
    back = np.flatnonzero(np.diff(written) < 0) + 1
    return sorted({0, *back.tolist(), *power_at.tolist()})


def _restarts(written: Ints, power_at: Ints, clock_at: Ints) -> list[tuple[int, int]]:
    """From a power-on at which time went back to the clock event or power-on that ends it."""
    facts = sorted([(i, True) for i in power_at.tolist()] + [(i, False) for i in clock_at.tolist()])
    spans: list[tuple[int, int]] = []
    begun: int | None = None
    solid = 0
    for at, powered in facts:
        if begun is None and at:
            solid = written[at - 1]
        if begun is not None:
            spans.append((begun, at if powered else at + 1))
        begun = at if powered and at and written[at] < solid else None
    return spans if begun is None else [*spans, (begun, len(written))]


def _mark_restarts(runs: Sequence[_Run], events: Ints, clock_at: set[int]) -> None:
    """Mark each run by the last sound row before it, the first after it, and its place between."""
    first = 0
    for i, run in enumerate(runs):
        first = first if i and runs[i - 1].end == run.start else i
        run.marks.add(("before", int(events[runs[first].start - 1]), i - first))
    last = len(runs)
    for i, run in reversed(list(enumerate(runs))):
        set_here = run.end - 1 in clock_at
        chained = i + 1 < len(runs) and runs[i + 1].start == run.end and not set_here
        last = last if chained else i
        end = runs[last].end - (runs[last].end - 1 in clock_at)
        if end < len(events):
            run.marks.add(("end", int(events[end]), last - i))


def _mark_uptime(runs: Sequence[_Run], table: pa.Table, rows: int) -> None:
    """Mark each power-on's run by the last row before it, its own last, and its anchors."""
    for i, run in enumerate(runs):
        if i:
            run.marks.add(("before", int(runs[i - 1].events[-1])))
        if run.end < rows:
            run.marks.add(("end", int(run.events[-1])))
        anchors = table["anchor"].slice(run.start, run.end - run.start)
        for at in _true(anchors.is_valid()).tolist():
            run.marks.add(("anchor", int(run.events[at]), anchors[at].as_py()))
    _drop_repeats(runs)


def _drop_repeats(runs: Sequence[_Run]) -> None:
    """A mark that two runs of one export bear tells nothing."""
    seen: dict[Hashable, int] = {}
    for run in runs:
        for mark in run.marks:
            seen[mark] = seen.get(mark, 0) + 1
    for run in runs:
        run.marks = {mark for mark in run.marks if seen[mark] == 1}

"""On and off → intervals, ends known or not.

An interval runs within one key: the chute, the signal, and what `PAIRED_WITHIN` adds (the floor
for `unlocked`, `open`, `lockout`; the stream for `full`, `compacting`; floor and code for
`fault`; nothing for the rest). What is null is a key of its own. How odd cases are decided:

- Off after on: the plain case, ended_by `off`, both ends known.
- On after on (an off is missing): the first ends with the second, ended_by `repeat`, end = time
  of the second on, end_known false. The second begins an interval of its own.
- Off without on (its on is missing, or stands before the log): an interval with start_known
  false, ended_by `off`. Its start is the earliest it can have begun: the edge of the key before
  it, the power event before it or the chute's first event, whichever comes last in the log.
  So the second of two offs gives an interval from the first off on.
- Power is lost at a `power` off, and at a `power` on that no off stands before. Every running
  interval of that chute but `power` itself ends there, ended_by `power`, end_known false; a
  later off of that key has lost its on. A `power` on after an off ends nothing.
- Log start: nothing is taken to run. Log end: what runs ends at the chute's last event, ended_by
  `log_end`, end_known false. Both go by chute: one chute's log may end years before another's.
- Several chutes: they share nothing, not even floors of the same label.
- Bouncing contacts: every on and off counts; a bounce gives many short intervals.
- Door-only logs and logs of any few signals: each signal is paired by itself.
- Equal times: the order of the timeline decides; an on and its off at one time make an interval
  of 0 seconds, an off written before its on at one time has lost its on.
- seconds is null unless both ends are known, and null where the clock ran back in between.
- Unanchored stretches: an interval with both ends in one unanchored stretch has its seconds (the
  clock was wrong but ran). With one end outside, or the ends in two restarts, seconds is null;
  so it is among uptimes that nothing anchors, which have no time of their own.
- floor, stream and code are those of the on; what it leaves open its off may tell.
- A `mark` (also of `fault`), a `note` and everything else begins and ends nothing.

Source: the columns and `ended_by` are the contract's; the rest is ours, common practice of
reading contact logs, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.keys import (
    NONE,
    Columns,
    Flags,
    Ints,
    Log,
    Rows,
    after,
    before,
    frame,
    kind_of,
    stable_order,
)
from loganalyzer.tables import PAIRED_WITHIN, SIGNALS

ENDS = ("off", "repeat", "power", "log_end")
OFF, REPEAT, POWER, LOG_END = range(4)


@dataclass(frozen=True)
class Spans:
    """Intervals as rows of the timeline, sorted by start, then own row.

    Attributes:
        own: The row of the on, or of the off that has lost its on.
        start: `own`, or the row of the earliest possible start.
        end: The row that ends the interval.
        ended: Number in `ENDS`.
    """

    own: Rows
    start: Rows
    end: Rows
    ended: Ints


def pair(timeline: pd.DataFrame) -> pd.DataFrame:
    """Pair every on with its off.

    Args:
        timeline: One row an event, sorted by site, chute and seq, as `Store.timeline` gives it.

    Returns:
        The table `intervals`: one row an interval, sorted by site, chute and the place of its
        start in the log; `start`, `end` UTC, `seconds`; source and line are those of the on, or
        of the off where the on is missing.

    Raises:
        TableError: A column is missing, or the rows of a chute do not stand together.

    Source: the rules in the module's docstring.
    """
    log = Log.of(timeline)
    pieces = [_columns(part, spans(part)) for part in log.parts()]
    return frame(log, pieces, "intervals", {"ended_by": ENDS})


def spans(log: Log) -> Spans:
    """The intervals of a log as rows."""
    order, key = _by_key(log)
    on = (log.kind[order] & 3) == 0
    run_goes_on = (key[1:] == key[:-1]) & _same_power(log, order)
    ends_next = np.append(on[:-1] & run_goes_on, False)[: len(order)]
    lone = ~on
    lone[1:] &= ~ends_next[:-1]
    at = np.flatnonzero(on | lone)
    at = at[_ascending(order[at], len(log))]
    own = order[at]
    end, ended = own.copy(), np.full(len(at), OFF, np.int8)
    _end_in_run(ends_next[at], at, order, on, end, ended)
    open_ended = np.flatnonzero(on[at] & ~ends_next[at])
    end[open_ended], ended[open_ended] = _cut(log, own[open_ended])
    start = own.copy()
    lost = np.flatnonzero(lone[at])
    start[lost] = _earliest(log, own[lost], _edge_before(order, key, at[lost]))
    return _sorted(Spans(own, start, end, ended), len(lost) > 0)


def _by_key(log: Log) -> tuple[Rows, Ints]:
    """The rows that are paired, key by key in the order of the log, and their keys."""
    local, count = _local_keys(log)
    paired = local >= 0
    key = np.where(paired, log.chute * np.int32(count) + local, (len(log.first) - 1) * count)
    if key.max(initial=0) >= 2**16:  # close the gaps, so that one pass of the sort may do
        key = (np.cumsum(np.bincount(key) > 0) - 1).astype(np.int32)[key]
    key = key.astype(np.uint16 if key.max(initial=0) < 2**16 else np.int32)
    order = stable_order(key)[: np.count_nonzero(paired)]  # what is not paired has the last key
    return order, key[order]


def _local_keys(log: Log) -> tuple[Ints, int]:
    """The key of each row within its chute, -1 if it is not paired, and how many there are."""
    floors = log.floors
    table = np.full((NONE + 4, floors), -1, np.int32)
    count = 0
    for signal, within in PAIRED_WITHIN.items():
        size = floors if within == ("floor",) else 1
        for edge in ("on", "off"):
            table[kind_of(signal, edge)] = count + np.arange(size)
        count += size
    key = table.ravel()[log.kind * np.int32(floors) + log.codes["floor"] + 1]
    for signal, within in PAIRED_WITHIN.items():
        if within not in ((), ("floor",)):
            rows = np.flatnonzero(_either_edge(signal)[log.kind])
            parts, key[rows] = np.unique(
                np.stack([log.codes[name][rows] for name in within]), axis=1, return_inverse=True
            )
            key[rows] += count
            count += parts.shape[1]
    return key, count


def _either_edge(signal: str) -> Flags:
    """By kind: whether it is the on or the off of this signal."""
    return np.isin(np.arange(NONE + 4), [kind_of(signal, "on"), kind_of(signal, "off")])


def _same_power(log: Log, order: Rows) -> Flags:
    """Whether no power was lost between each row of `order` and the next of its key."""
    losses = log.losses()
    if not len(losses):
        return np.ones(max(len(order) - 1, 0), bool)
    bounds = np.concatenate([[0], losses, [len(log)]])
    epoch = np.repeat(np.arange(len(bounds) - 1, dtype=np.int32), np.diff(bounds))
    epoch[log.power()] = -1  # power itself runs through
    epoch = epoch[order]
    same: Flags = epoch[1:] == epoch[:-1]
    return same


def _ascending(own: Rows, size: int) -> Ints:
    """The order that sorts distinct row numbers, without a sort."""
    place = np.full(size, -1, np.int32)
    place[own] = np.arange(len(own), dtype=np.int32)
    ordered: Ints = place[place >= 0]
    return ordered


def _end_in_run(ends: Flags, at: Rows, order: Rows, on: Flags, end: Rows, ended: Ints) -> None:
    """Fill in the intervals that the next edge of their key ends: an off, or another on."""
    following = at[ends] + 1
    end[ends] = order[following]
    ended[ends] = np.where(on[following], REPEAT, OFF)


def _cut(log: Log, own: Rows) -> tuple[Rows, Ints]:
    """End and its kind for intervals that no edge of their key ends: power, or the log's end."""
    last = log.last(own)
    loss = after(log.losses(), own, len(log))
    power = (loss <= last) & ((log.kind[own] >> 2) != SIGNALS.index("power"))
    return np.where(power, loss, last), np.where(power, POWER, LOG_END)


def _edge_before(order: Rows, key: Ints, at: Rows) -> Rows:
    """The row of the edge of the same key before each place in `order`, or -1."""
    same = (at > 0) & (key[at] == key[at - 1])
    return np.where(same, order[at - 1], -1)


def _earliest(log: Log, own: Rows, edge: Rows) -> Rows:
    """The earliest row at which an interval without its on can have begun."""
    begin = log.first[log.chute[own]]
    return np.maximum(np.maximum(begin, before(log.power(), own)), edge)


def _sorted(spans: Spans, needed: bool) -> Spans:
    """Sorted by start; they come sorted by own row, which differs where an on is missing."""
    if not needed:
        return spans
    sort = np.argsort(spans.start, kind="stable")
    return Spans(spans.own[sort], spans.start[sort], spans.end[sort], spans.ended[sort])


def _columns(log: Log, spans: Spans) -> Columns:
    """Intervals as the columns of the contract's table."""
    own, start, end = spans.own, spans.start, spans.end
    # An off without its on in the chute's very first row starts where it stands.
    known = (start == own) & ((log.kind[own] & 3) == 0)
    closed = spans.ended == OFF
    seconds = log.seconds(start, end)
    seconds[~(known & closed)] = np.nan
    return {
        **{name: log.codes[name][own] for name in ("site", "chute", "signal")},
        **{name: _filled(log, name, own, end, closed) for name in ("floor", "stream", "code")},
        "start": log.time[start],
        "end": log.time[end],
        "seconds": seconds,
        "start_known": known,
        "end_known": closed,
        "ended_by": spans.ended,
        "source": log.codes["source"][own],
        "line": log.line[own],
    }


def _filled(log: Log, name: str, own: Rows, end: Rows, closed: Flags) -> Ints:
    """A text of the own row; where it says nothing, that of the off."""
    codes = log.codes[name][own]
    blank = np.flatnonzero((codes < 0) & closed)
    codes[blank] = log.codes[name][end[blank]]
    return codes

"""Presses → visits: one person's attempt at one door.

What makes a visit
- Presses of one door that stand at most `press_window_s` apart, refused or not, with no opening
  of that door in between. A press exactly `press_window_s` after another is inside. Where a
  chute does not record `open`, its unlocks stand for openings.
- A refusal without a press of its own (see `presses.py`) is a press.
- Every press belongs to exactly one visit.
- A clock that ran back between two presses, or was another (an unanchored stretch begins or
  ends), parts them: nobody can say how far apart they were.
- Equal times: a press at the time of an opening stands before it, however the lines stand, so
  presses of one door at one time are always in one visit. Two uses of one door at one time, in a
  log that tells only minutes, are one visit.
- Several chutes share nothing. Logs without presses, door-only logs, have no visits.
- A press behind the opening, while the door is still open, begins a visit of its own.

Its columns
- The cycle that answers one of its presses (`cycles.pressed`) is granted to it.
- result, the first that holds:
  `served`: a cycle granted to it has an opening, its `opened` or its `closed`; where the chute
  records no `open`, an unlock.
  `unknown`: the chute records neither `open` nor `unlocked`.
  `locked_out`: its last press was refused with the code `lockout`, or the first lockout of
  that door after its first press began before the door's next visit and at most `press_window_s`
  after its last press.
  `unknown`: power was lost, or the chute's log ended, at most `press_window_s` after its last press
  and before the door's next visit; so too where the clock cannot tell how long after power was
  lost. Or a cycle granted to it has the outcome `unknown`.
  `gave_up`: the rest; a door granted and never opened included.
- start: the first press. end: the opening (the closing, or the unlock, where that is all that is
  recorded) if served, else the last press.
- wait_s: first press to opening, null unless served and the opening is recorded, and null where
  the clock ran back or was another in between.
- presses: how many. refusals: how many of them were refused, null where the chute records none.
- stream: of the press that was answered by the cycle that served it, else of the last press.
- source, line: of the first press.

Source: the words and results are the contract's; the rest is ours, common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.grants import Paired, own_rows
from loganalyzer.keys import (
    NEVER,
    SECOND,
    Columns,
    Flags,
    Floats,
    Ints,
    Log,
    Rows,
    after,
    chute_numbers,
    frame,
    pick,
    recoded,
    stable_order,
    stranger,
)
from loganalyzer.presses import limits, presses, run_starts
from loganalyzer.site import Limits, Site
from loganalyzer.tables import require

RESULTS = ("served", "gave_up", "locked_out", "unknown")
SERVED, GAVE_UP, LOCKED_OUT, UNKNOWN = range(4)


def visits(
    timeline: pd.DataFrame,
    cycles: pd.DataFrame,
    intervals: pd.DataFrame,
    sites: Mapping[str, Site],
) -> pd.DataFrame:
    """Gather presses into visits and say how each went.

    Args:
        timeline: One row an event, sorted by site, chute and seq.
        cycles: `cycles(timeline, intervals, sites)`.
        intervals: `pair(timeline)`.
        sites: Site id → site, for the limits of its chutes; a missing one has the defaults.

    Returns:
        The table `visits`, sorted by site, chute and the place of the first press in the log.

    Raises:
        TableError: A column is missing, or the tables are of another timeline.

    Source: the rules in the module's docstring.
    """
    log = Log.of(timeline)
    paired, asked = Paired.of(log, intervals), Asked.of(log, cycles)
    told = limits(log, sites)
    pieces = [
        _visits(part, paired.part(part), asked.part(part), told[part.chutes])
        for part in log.parts()
    ]
    table = frame(log, pieces, "visits", {"result": RESULTS})
    counts = table["refusals"].to_numpy(np.int64)
    return table.assign(refusals=pd.arrays.IntegerArray(counts, counts < 0))


def _visits(log: Log, paired: Paired, asked: "Asked", told: list[Limits]) -> Columns:
    """The visits of a piece of the log as columns, in the order of the log."""
    window_s = np.array([limit.press_window_s for limit in told], np.float64)
    openings = _openings(log, paired)
    tries = _tries(log, openings, window_s)
    granted = _granted(log, asked, tries)
    columns = _columns(log, tries, granted, _result(log, tries, granted, window_s))
    order = stable_order(tries.row[tries.first])
    return {name: column[order] for name, column in columns.items()}


@dataclass(frozen=True)
class Asked:
    """The cycles that answer a press, as numpy arrays: one a cycle, in the table's order.

    Attributes:
        chute, floor, source: The log's numbers of them.
        line: Physical line of the press.
        opened, closed, unlocked: UTC microseconds or `NEVER`.
        unknown: Whether the outcome is `unknown`.
    """

    chute: Ints
    floor: Ints
    source: Ints
    line: Rows
    opened: Rows
    closed: Rows
    unlocked: Rows
    unknown: Flags

    @classmethod
    def of(cls, log: Log, cycles: pd.DataFrame) -> "Asked":
        """From the table `cycles`."""
        require(cycles, "site", "chute", "floor", "pressed", "unlocked", "opened", "closed")
        require(cycles, "outcome", "source", "line")
        rows = np.flatnonzero(_micros(cycles["pressed"]) != NEVER)
        return cls(
            chute=chute_numbers(log, cycles)[rows],
            floor=recoded(cycles["floor"], log.labels["floor"])[rows],
            source=recoded(cycles["source"], log.labels["source"])[rows],
            line=cycles["line"].to_numpy(np.int64)[rows],
            opened=_micros(cycles["opened"])[rows],
            closed=_micros(cycles["closed"])[rows],
            unlocked=_micros(cycles["unlocked"])[rows],
            unknown=recoded(cycles["outcome"], pd.Index(["unknown"]))[rows] == 0,
        )

    def part(self, log: Log) -> "Asked":
        """Those of a piece of the log."""
        rows = log.share(self.chute)
        columns = {name: column[rows] for name, column in vars(self).items()}
        columns["chute"] = columns["chute"] - np.int32(log.before)
        return Asked(**columns)


@dataclass(frozen=True)
class Tries:
    """Presses door by door, and the visits they make.

    Attributes:
        row, refusal, door: One a press, see `Presses` and `Log.doors`.
        visit: One a press: the number of its visit.
        first, last: One a visit: places of its first and last press.
    """

    row: Rows
    refusal: Rows
    door: Ints
    visit: Rows
    first: Rows
    last: Rows


@dataclass(frozen=True)
class Granted:
    """What the cycles say of each visit.

    Attributes:
        served: Whether a cycle granted to it has an opening.
        pressed: The row of the press that this cycle answers, or -1.
        end: The opening, closing or unlock, UTC microseconds; meaningless if not served.
        opened: Whether that is the opening, told by the same clock as the presses.
        unknown: Whether a cycle granted to it has the outcome `unknown`.
    """

    served: Flags
    pressed: Rows
    end: Rows
    opened: Flags
    unknown: Flags


def _openings(log: Log, intervals: Paired) -> Rows:
    """Rows of openings door by door; of unlocks where a chute does not record `open`."""
    opens, unlocks = (own_rows(log, intervals, signal) for signal in ("open", "unlocked"))
    rows = np.concatenate([opens, unlocks[~log.has("open")[log.chute[unlocks]]]])
    rows = np.sort(rows)
    return rows[stable_order(log.doors(rows))]


def _tries(log: Log, openings: Rows, window_s: Floats) -> Tries:
    """Presses door by door, cut into visits."""
    every = presses(log)
    row, refusal, door = every.row, every.refusal, log.doors(every.row)
    opened_before = np.searchsorted(_instants(log, openings), _instants(log, row))
    begins = run_starts(log, row, door, window_s)
    begins[1:] |= opened_before[1:] != opened_before[:-1]
    first = np.flatnonzero(begins)
    last = np.append(first[1:], len(row))[: len(first)] - 1
    return Tries(row, refusal, door, np.cumsum(begins) - 1, first, last)


def _instants(log: Log, rows: Rows) -> Rows:
    """One sortable number for the door and the instant of each row."""
    return log.doors(rows).astype(np.int64) * (len(log) + 1) + log.instant[rows]


def _granted(log: Log, asked: Asked, tries: Tries) -> Granted:
    """Give each visit the first cycle that answers one of its presses and opened the door."""
    place, of = _answered(log, asked, tries)
    opened, closed, unlocked = asked.opened[of], asked.closed[of], asked.unlocked[of]
    doors = log.has("open")[log.chute[tries.row[place]]]
    is_opened, is_closed = opened != NEVER, closed != NEVER
    opens = np.where(doors, is_opened | is_closed, unlocked != NEVER)
    visit, count = tries.visit[place], len(tries.first)
    cycle = np.full(count, -1)
    cycle[visit[opens][::-1]] = np.flatnonzero(opens)[::-1]  # the last to be written stands
    end = np.where(is_opened, opened, np.where(doors & is_closed, closed, unlocked))
    unknown = np.zeros(count, bool)
    unknown[visit[asked.unknown[of]]] = True
    pressed = pick(tries.row[place], cycle)
    timed = np.append(is_opened, False)[cycle]
    end = pick(end, cycle)
    if log.stretch is not None:
        asking = np.flatnonzero(timed)
        timed[asking] = _same_clock(log, pressed[asking], end[asking])
    return Granted(cycle >= 0, pressed, end, timed, unknown)


def _same_clock(log: Log, pressed: Rows, opened: Rows) -> Flags:
    """Whether each press and the opening of its door that follows at a time share one clock."""
    openings = log.rows("open", "on")
    openings = openings[stable_order(log.doors(openings))]
    at = np.searchsorted(_instants(log, openings), _instants(log, pressed))
    openings = np.append(openings, -1)
    for _ in openings:  # mostly the first after the press is the one
        wrong = (openings[at] >= 0) & (log.time[openings[at]] != opened)
        if not wrong.any():
            break
        at = at + wrong
    return log.comparable(pressed, openings[at])


def _answered(log: Log, asked: Asked, tries: Tries) -> tuple[Rows, Rows]:
    """The places of the presses that cycles answer, and the places of those cycles in `asked`.

    A cycle names the source and line of its press. One line may hold several presses of a
    door (a scan does), but all at one time and so in one visit: any of them will do.
    """
    lines = log.line[tries.row]
    size = lines.max(initial=0) + 1

    def key(door: Ints, source: Ints, line: Rows) -> Rows:
        named: Rows = (door.astype(np.int64) * len(log.labels["source"]) + source) * size + line
        return named

    pressed = np.flatnonzero(tries.refusal != tries.row)
    keys = key(tries.door, log.codes["source"][tries.row], lines)[pressed]
    if (keys[1:] < keys[:-1]).any():  # several exports, or several chutes in one
        order = np.argsort(keys, kind="stable")
        keys, pressed = keys[order], pressed[order]
    door = asked.chute * np.int32(log.floors) + asked.floor + 1
    by_door = stable_order(door)  # sorted needles are found sooner
    wanted = key(door, asked.source, asked.line)[by_door]
    found = np.searchsorted(keys, wanted)
    if (np.append(keys, -1)[found] != wanted).any():
        raise stranger("a cycle whose press is not in the timeline")
    return pressed[found], by_door


def _micros(column: pd.Series) -> Rows:
    """Times as UTC microseconds, null as `NEVER`."""
    return column.to_numpy("datetime64[us]").view(np.int64)


def _result(log: Log, tries: Tries, granted: Granted, window_s: Floats) -> Ints:
    """Number in `RESULTS`; the rules are in the module's docstring."""
    result = np.full(len(tries.first), SERVED, np.int8)
    rest = np.flatnonzero(~granted.served)
    first, last = tries.row[tries.first[rest]], tries.row[tries.last[rest]]
    following = _next_visit(log, tries)[rest]
    window = window_s[log.chute[last]]
    unseen = ~(log.has("open") | log.has("unlocked"))[log.chute[last]]
    codes = log.numbers("code", tries.refusal[tries.last[rest]])
    refused = (codes == log.labels["code"].get_indexer(pd.Index(["lockout"]))) & (codes >= 0)
    locked = refused | _lockout_began(log, first, last, following, window)
    unclear = _cut_short(log, last, following, window) | granted.unknown[rest]
    ranked = [unseen, locked, unclear]
    result[rest] = np.select(ranked, [UNKNOWN, LOCKED_OUT, UNKNOWN], GAVE_UP)
    return result


def _next_visit(log: Log, tries: Tries) -> Rows:
    """The row of the first press of the door's next visit, or the row after the chute's last."""
    first = tries.row[tries.first]
    door = tries.door[tries.first]
    following = log.last(first) + 1
    same = door[1:] == door[:-1]
    following[:-1] = np.where(same, first[1:], following[:-1])
    return following


def _lockout_began(log: Log, first: Rows, last: Rows, following: Rows, window: Floats) -> Flags:
    """Whether a lockout of its door began in each visit, or soon after its last press."""
    lockouts = log.rows("lockout", "on")
    lockouts = lockouts[stable_order(log.doors(lockouts))]
    size, door = len(log) + 1, log.doors(first)
    places = log.doors(lockouts).astype(np.int64) * size + lockouts
    at = np.searchsorted(places, door.astype(np.int64) * size + first)
    row = np.append(lockouts, -1)[at]
    begins: Flags = (row >= 0) & (log.doors(row) == door) & (row < following)
    begins &= log.comparable(last, row)
    begins &= (log.time[row] - log.time[last]) / SECOND <= window
    return begins


def _cut_short(log: Log, last: Rows, following: Rows, window: Floats) -> Flags:
    """Whether power was lost, or the log ended, before a visit could go on."""
    loss = after(log.losses(), last, len(log))
    lost = loss < following
    loss = np.where(lost, loss, last)
    gap = (log.time[loss] - log.time[last]) / SECOND
    lost &= ~log.comparable(last, loss) | (gap <= window)  # below 0: the clock ran back
    end = log.last(last)
    left = log.seconds(last, end)  # NaN, never within, where the clock cannot tell
    return lost | ((following > end) & (left <= window))


def _columns(log: Log, tries: Tries, granted: Granted, result: Ints) -> Columns:
    """Visits as the columns of the contract's table, `refusals` -1 where none are recorded."""
    first, last = tries.row[tries.first], tries.row[tries.last]
    end = np.where(granted.served, granted.end, log.time[last])
    wait = np.where(granted.served & granted.opened, (end - log.time[first]) / SECOND, np.nan)
    refused = np.append(0, np.cumsum(tries.refusal >= 0))
    refusals = refused[tries.last + 1] - refused[tries.first]
    told_by = np.where(granted.pressed >= 0, granted.pressed, last)
    return {
        **{name: log.codes[name][first] for name in ("site", "chute", "floor")},
        "stream": log.codes["stream"][told_by],
        "start": log.time[first],
        "end": end,
        "presses": tries.last - tries.first + 1,
        "refusals": np.where(log.has("refusal")[log.chute[first]], refusals, -1),
        "wait_s": np.where(wait >= 0, wait, np.nan),
        "result": result,
        "source": log.codes["source"][first],
        "line": log.line[first],
    }

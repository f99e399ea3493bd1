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
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.grants import own_rows
from loganalyzer.keys import (
    NEVER,
    SECOND,
    Flags,
    Floats,
    Ints,
    Log,
    Rows,
    after,
    chute_numbers,
    joined,
    named,
    pick,
    recoded,
    stable_order,
    stranger,
    utc,
)
from loganalyzer.presses import limits, presses, run_starts
from loganalyzer.site import Site
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
    pieces = zip(log.parts(), log.shares(cycles), log.shares(intervals), strict=True)
    return joined([_visits(*piece, sites) for piece in pieces], "visits")


def _visits(
    log: Log, cycles: pd.DataFrame, intervals: pd.DataFrame, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """The visits of some chutes."""
    window_s = np.array([limit.press_window_s for limit in limits(log, sites)], np.float64)
    openings = _openings(log, intervals)
    tries = _tries(log, openings, window_s)
    granted = _granted(log, cycles, tries, openings)
    return _table(log, tries, granted, _result(log, tries, granted, window_s))


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


def _openings(log: Log, intervals: pd.DataFrame) -> Rows:
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


def _granted(log: Log, cycles: pd.DataFrame, tries: Tries, openings: Rows) -> Granted:
    """Give each visit the first cycle that answers one of its presses and opened the door."""
    require(cycles, "pressed", "unlocked", "opened", "closed", "outcome")
    place, asked = _answered(log, cycles, tries)
    times = {name: _micros(cycles[name])[asked] for name in ("opened", "closed", "unlocked")}
    known = {name: time != NEVER for name, time in times.items()}
    doors = log.has("open")[log.chute[tries.row[place]]]
    opens = np.where(doors, known["opened"] | known["closed"], known["unlocked"])
    visit, count = tries.visit[place], len(tries.first)
    cycle = np.full(count, -1)
    cycle[visit[opens][::-1]] = np.flatnonzero(opens)[::-1]  # the last to be written stands
    end = np.where(doors & known["closed"], times["closed"], times["unlocked"])
    end = np.where(known["opened"], times["opened"], end)
    unknown = np.zeros(count, bool)
    outcome = recoded(cycles["outcome"], pd.Index(["unknown"]))[asked]
    unknown[visit[outcome == 0]] = True
    pressed = pick(tries.row[place], cycle)
    opened = np.append(known["opened"], False)[cycle]
    if log.stretch is not None:
        opened &= log.comparable(pressed, _opening_after(log, openings, pressed))
    return Granted(cycle >= 0, pressed, pick(end, cycle), opened, unknown)


def _opening_after(log: Log, openings: Rows, rows: Rows) -> Rows:
    """The opening of its door at or after the instant of each row; anything where none is."""
    at = np.searchsorted(_instants(log, openings), _instants(log, rows))
    found: Rows = np.append(openings, -1)[at]
    return found


def _answered(log: Log, cycles: pd.DataFrame, tries: Tries) -> tuple[Rows, Rows]:
    """The places of the presses that cycles answer, and the rows of those cycles.

    A cycle names the source and line of its press. One line may hold several presses of a
    door (a scan does), but all at one time and so in one visit: any of them will do.
    """
    require(cycles, "site", "chute", "floor", "source", "line")
    asked = np.flatnonzero(_micros(cycles["pressed"]) != NEVER)
    door = chute_numbers(log, cycles)[asked] * np.int32(log.floors) + 1
    door = door + recoded(cycles["floor"], log.labels["floor"])[asked]
    source = recoded(cycles["source"], log.labels["source"])[asked]
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
    by_door = stable_order(door)  # sorted needles are found sooner
    wanted = key(door, source, cycles["line"].to_numpy(np.int64)[asked])[by_door]
    found = np.searchsorted(keys, wanted)
    if (np.append(keys, -1)[found] != wanted).any():
        raise stranger("a cycle whose press is not in the timeline")
    return pressed[found], asked[by_door]


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
    codes = recoded(log.text("code", tries.refusal[tries.last[rest]]), pd.Index(["lockout"]))
    locked = (codes == 0) | _lockout_began(log, first, last, following, window)
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
    lost &= ~log.comparable(last, loss) | (gap < 0) | (gap <= window)
    end = log.last(last)
    left = log.seconds(last, end)  # NaN, never within, where the clock cannot tell
    return lost | ((following > end) & (left <= window))


def _table(log: Log, tries: Tries, granted: Granted, result: Ints) -> pd.DataFrame:
    """Visits as the contract's table, in the order of the log."""
    order = stable_order(tries.row[tries.first])
    first, last = tries.row[tries.first][order], tries.row[tries.last][order]
    served, pressed = granted.served[order], granted.pressed[order]
    end = np.where(served, granted.end[order], log.time[last])
    wait = np.where(served & granted.opened[order], (end - log.time[first]) / SECOND, np.nan)
    told_by = np.where(pressed >= 0, pressed, last)
    return pd.DataFrame(
        {
            "site": log.text("site", first),
            "chute": log.text("chute", first),
            "floor": log.text("floor", first),
            "stream": log.text("stream", told_by),
            "start": log.times(first),
            "end": utc(end),
            "presses": (tries.last - tries.first + 1)[order],
            "refusals": _refusals(log, tries)[order],
            "wait_s": np.where(wait >= 0, wait, np.nan),
            "result": named(result[order], RESULTS),
            "source": log.text("source", first),
            "line": log.line[first],
        }
    )


def _refusals(log: Log, tries: Tries) -> Any:
    """How many presses of each visit were refused; null where the chute records no refusals."""
    refused = np.append(0, np.cumsum(tries.refusal >= 0))
    counts = refused[tries.last + 1] - refused[tries.first]
    silent = ~log.has("refusal")[log.chute[tries.row[tries.first]]]
    return pd.arrays.IntegerArray(counts, silent)

"""Intervals and presses → cycles: one row for each use that the chute granted.

What makes a cycle
- Where `unlocked` is recorded, each interval of it is one. Its openings are those of that door
  that begin between the unlock and its end. Where the end is missing (`repeat`, `power`,
  `log_end`) they count until the next unlock of any door, or until power is lost.
- An opening outside every unlock is a use of its own, and so is every opening of a log that
  records doors only. Openings of one door that begin less than `clearing_s` after the last
  recorded edge of the one before, without power loss or an unlock (of any door) between, are
  one use: a contact bounces. This also joins a bounce that comes after the lock has fallen.
- A travel of the diverter (`positioning`) that starts while no cycle is under way and that no
  unlock follows is a cycle broken off before its unlock. "Follows" means: before power or
  service changes, and before the next travel. Where presses are recorded, it needs a press that
  was acted upon (else the diverter moved by itself), and a second travel without a new press
  is a second try of the same use.
  A travel before an unlock belongs to it, unless the press acted upon came after the travel's
  start; then the travel was broken off.
- `cycle` counts from 1 in each chute, in the order of the grants: the rows of the unlocks; where
  that is missing, of the first opening (or, without any, of the relock); of a broken travel's
  start.

Where its times come from
- unlocked: the on of `unlocked`; null where only its off is in the log.
- opened: the first opening's start; null where that opening has lost its on.
- closed: the off of the last opening; null where that is missing, even if a bounce before it was
  closed. open_s = closed - opened, bounces included.
- cleared: the first off of `clearing` after the last of unlock, opening and closing, and before
  the next cycle's grant.
- A cycle ends with its last recorded event before the next cycle's grant: a grant shows that the
  one before is over. The chute is free from then on, and anew after every power event and every
  start or end of service, and after the start of a broken travel.
- pressed: the first press at the door that was not refused, since the chute was last free, before
  the unlock (the opening, where there is no unlock). A gap of more than `press_window_s`
  between such presses, a clock that ran back or was another, starts over: the earlier presses
  came to nothing. Where there is none, a press written behind the grant but at one time with
  it, and before the next grant. A press is acted upon once. Null where there is none.
  Refusals find their presses as `presses.py` says.
- stream: of that press, else of the travel, else of the unlock or opening.
- positioning_s: of the last travel that starts after the chute was last free and before the
  unlock, and not before `pressed`.
- source, line: of the press, else of the travel, else of the grant.
- Seconds are null where an end is missing, the clock ran back in between, or it was another clock
  (see `intervals.py`).

outcome, the first that holds
- `completed`: opened and closed, and cleared where the chute records `clearing`. Where it records
  no `open`: cleared.
- `interrupted`: power loss ended its unlock, its last opening, or a clearing that began in it; or
  a `service` on, a `fault`, a `full` on or a power loss stands within 2 s of its last event
  (relocked or closed), before or after it and after the grant. A broken travel.
- `not_opened`: unlocked and locked again, no opening, and the chute records `open`.
- `unknown`: the rest; an edge is missing, or the log ends first. A broken travel after which the
  chute's log shows no travel, unlock, power or service any more.
A lockout that begins during a cycle changes nothing.

Further odd cases
- Log start: a door that is open or unlocked as the log begins gives a cycle with null times where
  the on is missing, outcome as above. Log end: what runs is `unknown`.
- Several chutes share nothing; doors of one chute may overlap in logs that break the rules: each
  unlock is still one cycle.
- Equal times: the order of the timeline decides, but an opening written just before its unlock,
  or just after its end, at one time with it, belongs to it.
- Unanchored stretches: cycles are built by the order of the log; only their seconds may be null.

Source: the columns and outcomes are the contract's; the rest is ours, common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.grants import Found, Grants, Paired, cut_rows, find, grants
from loganalyzer.keys import (
    SECOND,
    Columns,
    Flags,
    Ints,
    Log,
    Rows,
    after,
    before,
    frame,
    pick,
)
from loganalyzer.presses import Acted, limits, presses
from loganalyzer.site import Limits, Site

OUTCOMES = ("completed", "not_opened", "interrupted", "unknown")
COMPLETED, NOT_OPENED, INTERRUPTED, UNKNOWN = range(4)
MOMENT_S = 2


def cycles(
    timeline: pd.DataFrame, intervals: pd.DataFrame, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """Rebuild every use of every chute.

    Args:
        timeline: One row an event, sorted by site, chute and seq.
        intervals: `pair(timeline)`.
        sites: Site id → site, for the limits of its chutes; a missing one has the defaults.

    Returns:
        The table `cycles`, sorted by site, chute and cycle; times UTC, `*_s` seconds.

    Raises:
        TableError: A column is missing, or the intervals are of another timeline.

    Source: the rules in the module's docstring.
    """
    log = Log.of(timeline)
    paired, told = Paired.of(log, intervals), limits(log, sites)
    pieces = [_cycles(part, paired.part(part), told[part.chutes]) for part in log.parts()]
    return frame(log, pieces, "cycles", {"outcome": OUTCOMES})


def _cycles(log: Log, mine: Paired, told: list[Limits]) -> Columns:
    """The cycles of a piece of the log as columns."""
    bounce_s = np.array([limit.clearing_s for limit in told], np.float64)
    uses = grants(log, find(log, mine, "unlocked"), find(log, mine, "open"), bounce_s)
    timed = _timed(log, uses, cut_rows(log, mine, "clearing"))
    window_s = np.array([limit.press_window_s for limit in told], np.float64)
    acted = Acted.of(log, presses(log), window_s)
    travels = find(log, mine, "positioning").by_row()
    broken = _broken_by_next(log, uses, timed, travels, acted)
    over = np.append(-1, timed.end)[: len(timed.end)]
    free = _free(log, uses.grant, over, travels.own[broken])
    pressed = _pressed(log, uses, timed, acted, free)
    travel, late = _travel(log, uses, travels, free, pressed)
    broken[late] = True
    granted = _granted(log, uses, timed, travels, pressed, travel)
    rows = _in_order(granted, _broken(log, uses, timed, travels, acted, broken, pressed))
    return _columns(log, mine, rows)


@dataclass(frozen=True)
class Timed:
    """Further rows of each use, in the order of `Grants`.

    Attributes:
        next: The next grant of the chute, or the row after the chute's last.
        cleared: The off of clearing, or -1.
        end: The last recorded event before `next`.
        outcome: Number in `OUTCOMES`.
    """

    next: Rows
    cleared: Rows
    end: Rows
    outcome: Ints


@dataclass(frozen=True)
class Cycles:
    """Cycles as rows of the timeline, -1 where not recorded.

    `place` is where the cycle stands in the log, `travelled` the travel's own row and `travel`
    its row in the table of intervals; `floor` is a category number.
    """

    place: Rows
    floor: Ints
    pressed: Rows
    unlocked: Rows
    opened: Rows
    closed: Rows
    cleared: Rows
    travelled: Rows
    travel: Rows
    outcome: Ints


def _timed(log: Log, uses: Grants, cut_clearings: Rows) -> Timed:
    """When each use was over, and how it went."""
    next_row = _following(log, uses.grant)
    anchor = np.maximum(np.maximum(uses.grant, uses.opened), uses.closed)
    cleared = after(log.rows("clearing", "off"), anchor, len(log))
    cleared = np.where(cleared < next_row, cleared, -1)
    end = uses.grant
    for row in (uses.opened, uses.reopened, uses.closed, uses.locked, cleared):
        end = np.maximum(end, np.where(row < next_row, row, -1))
    cut = uses.cut.copy()
    if len(cut_clearings):
        cut |= after(cut_clearings, uses.grant, len(log)) < next_row
    outcome = _outcome(log, uses, next_row, cleared, cut)
    return Timed(next_row, cleared, end, outcome)


def _following(log: Log, rows: Rows) -> Rows:
    """The next of some ascending rows in the same chute, or the row after the chute's last."""
    following: Rows = np.append(rows[1:], len(log))[: len(rows)]
    return np.minimum(following, log.last(rows) + 1)


def _outcome(log: Log, uses: Grants, next_row: Rows, cleared: Rows, cut: Flags) -> Ints:
    """Number in `OUTCOMES`; the rules are in the module's docstring."""
    chute = log.chute[uses.grant]
    has_open, has_clearing = log.has("open")[chute], log.has("clearing")[chute]
    done = (uses.opened >= 0) & (uses.closed >= 0) & ((cleared >= 0) | ~has_clearing)
    outcome = np.full(len(chute), COMPLETED, np.int8)
    rest = np.flatnonzero(~np.where(has_open, done, cleared >= 0))
    interrupted = cut[rest] | _broken_off(log, uses, next_row, rest)
    not_opened = has_open & (uses.unlocked >= 0) & (uses.locked >= 0) & ~uses.touched
    otherwise = np.where(not_opened[rest], NOT_OPENED, UNKNOWN)
    outcome[rest] = np.where(interrupted, INTERRUPTED, otherwise)
    return outcome


def _broken_off(log: Log, uses: Grants, next_row: Rows, which: Rows) -> Flags:
    """Whether service, a fault, a full container or power loss came as the door was shut."""
    grant = uses.grant[which]
    shut = np.full(len(which), -1)
    for row in (uses.closed[which], uses.locked[which]):
        shut = np.maximum(shut, np.where(row < next_row[which], row, -1))
    events = [("service", "on"), ("fault", "on"), ("fault", "mark"), ("full", "on")]
    troubles = np.sort(np.concatenate([log.rows(*event) for event in events] + [log.losses()]))
    troubles = np.unique(troubles)
    earlier, later = before(troubles, shut), after(troubles, shut, -1)
    close = (earlier > grant) & _within_a_moment(log, earlier, shut)
    same_chute = (later >= 0) & (later <= log.last(grant))
    close |= same_chute & _within_a_moment(log, shut, later)
    return close & (shut >= 0)


def _within_a_moment(log: Log, a: Rows, b: Rows) -> Flags:
    """Whether two rows stand within 2 s of each other by one clock."""
    near: Flags = np.abs(log.time[a] - log.time[b]) <= MOMENT_S * SECOND
    return near & log.comparable(a, b)


def _changes(log: Log) -> Rows:
    """Rows at which the chute starts anew: power or service goes on or off."""
    service = [log.rows("service", edge) for edge in ("on", "off")]
    return np.sort(np.concatenate([log.power(), *service]))


def _free(log: Log, row: Rows, over: Rows, broken: Rows) -> Rows:
    """The row since which the chute was free for what happens at each row.

    The latest of the end of the use before, a change, a broken travel, and the chute's first
    row; what is of another chute stands before that.
    """
    free = np.maximum(over, log.first[log.chute[row]] - 1)
    for rows in (_changes(log), broken):
        free = np.maximum(free, before(rows, row)) if len(rows) else free
    return free


def _over(uses: Grants, end: Rows, row: Rows) -> Rows:
    """The end of the use granted last before each row, -1 if none."""
    return pick(end, np.searchsorted(uses.grant, row) - 1)


def _broken_by_next(log: Log, uses: Grants, timed: Timed, travels: Found, acted: Acted) -> Flags:
    """Travels that no unlock follows: another travel for a new press, a change, or nothing."""
    broken = np.zeros(len(travels.own), bool)
    grant, change, travel = _followers(log, uses, travels.own, travels.own)
    rest = np.flatnonzero((grant > change) | (grant > travel) | _nothing(grant, change, travel))
    row, travel, change = travels.own[rest], travel[rest], change[rest]
    count = np.searchsorted(acted.rows, np.stack([row, travel]))
    again = (count[1] > count[0]) | ~log.has("press")[log.chute[row]]
    idle = row > _over(uses, timed.end, row)
    broken[rest] = idle & ((travel >= change) | again)
    return broken


def _followers(log: Log, uses: Grants, travels: Rows, row: Rows) -> tuple[Rows, Rows, Rows]:
    """The next grant, change and travel of the chute after each row; its log's end if none."""
    limit = log.last(row) + 1
    later = (after(rows, row, len(log)) for rows in (uses.grant, _changes(log), travels))
    grant, change, travel = (np.minimum(rows, limit) for rows in later)
    return grant, change, travel


def _nothing(grant: Rows, change: Rows, travel: Rows) -> Flags:
    """Whether none of the three follows: they are level only at the end of a chute's log."""
    same: Flags = (grant == change) & (change == travel)
    return same


def _pressed(log: Log, uses: Grants, timed: Timed, acted: Acted, free: Rows) -> Rows:
    """The press that each grant answers, or -1; no press is answered twice."""
    at, last = acted.first(uses.door, free, uses.grant)
    missing = np.flatnonzero(at < 0)
    at[missing] = _written_behind(log, uses, timed, acted, last, missing)
    while len(taken := np.flatnonzero((at[1:] == at[:-1]) & (at[1:] >= 0)) + 1):
        behind = _written_behind(log, uses, timed, acted, last, taken)
        at[taken] = np.where(at[taken] < last[taken], at[taken] + 1, behind)
    return pick(acted.row, at)


def _written_behind(
    log: Log, uses: Grants, timed: Timed, acted: Acted, last: Rows, which: Rows
) -> Rows:
    """Places of presses that stand behind their grant, at one time with it; else -1."""
    place, grant = last[which] + 1, uses.grant[which]
    row, door = np.append(acted.row, -1)[place], np.append(acted.door, -1)[place]
    same = (door == uses.door[which]) & (row < timed.next[which]) & (row > grant)
    same[same] = log.time[row[same]] == log.time[grant[same]]
    if same.any():  # the same time, and no other in between
        same[same] = log.instant[row[same]] == log.instant[grant[same]]
    return np.where(same, place, -1)


def _travel(log: Log, uses: Grants, travels: Found, free: Rows, pressed: Rows) -> tuple[Rows, Rows]:
    """The travel of each grant, or -1; and travels that were broken off, a press came later."""
    at = np.searchsorted(travels.own, uses.grant) - 1
    at = np.where(pick(travels.own, at) > free, at, -1)
    late = (at >= 0) & (pick(travels.own, at) < pressed)
    if late.any():
        late[late] = log.instant[travels.own[at[late]]] != log.instant[pressed[late]]
    return np.where(late, -1, at), at[late]


def _granted(
    log: Log, uses: Grants, timed: Timed, travels: Found, pressed: Rows, travel: Rows
) -> Cycles:
    """Uses of doors as cycles."""
    return Cycles(
        uses.grant, uses.door % log.floors - 1, pressed, uses.unlocked, uses.opened, uses.closed,
        timed.cleared, pick(travels.own, travel), pick(travels.place, travel), timed.outcome,
    )  # fmt: skip


def _broken(
    log: Log, uses: Grants, timed: Timed, travels: Found, acted: Acted, broken: Flags,
    pressed: Rows,
) -> Cycles:  # fmt: skip
    """Travels that were broken off as cycles; without a press only where none are recorded."""
    place = np.flatnonzero(broken)
    row, door = travels.own[place], travels.door[place]
    end = np.maximum(timed.end, pressed)
    free = _free(log, row, _over(uses, end, row), row)
    nearest = before(acted.rows, row)
    known = (door % log.floors) > 0
    door = np.where(known | (nearest <= free), door, log.doors(nearest))
    at, _ = acted.first(door, free, row)
    press = pick(acted.row, at)
    kept = (press >= 0) | ~log.has("press")[log.chute[row]]
    place, row, door, press = place[kept], row[kept], door[kept], press[kept]
    none = np.full(len(row), -1)
    ends = _nothing(*_followers(log, uses, travels.own, row))
    outcome = np.where(ends, UNKNOWN, INTERRUPTED)
    floor, travel = door % log.floors - 1, travels.place[place]
    return Cycles(row, floor, press, none, none, none, none, row, travel, outcome)


def _in_order(granted: Cycles, broken: Cycles) -> Cycles:
    """Both kinds of cycles in the order of the log."""
    if not len(broken.place):
        return granted
    order = np.argsort(np.append(granted.place, broken.place), kind="stable")
    columns = zip(vars(granted).values(), vars(broken).values(), strict=True)
    return Cycles(*(np.append(*pair)[order] for pair in columns))


def _columns(log: Log, intervals: Paired, rows: Cycles) -> Columns:
    """Cycles as the columns of the contract's table."""
    told_by = np.where(rows.pressed >= 0, rows.pressed, rows.travelled)
    told_by = np.where(told_by >= 0, told_by, rows.place)
    chute = log.chute[rows.place]
    return {
        "site": log.codes["site"][rows.place],
        "chute": log.codes["chute"][rows.place],
        "cycle": np.arange(1, len(chute) + 1) - np.searchsorted(chute, chute),
        "floor": rows.floor,
        "stream": _stream(log, intervals, rows),
        "pressed": log.micros(rows.pressed),
        "unlocked": log.micros(rows.unlocked),
        "opened": log.micros(rows.opened),
        "closed": log.micros(rows.closed),
        "cleared": log.micros(rows.cleared),
        "positioning_s": np.append(intervals.seconds, np.nan)[rows.travel],
        "wait_s": log.seconds(rows.pressed, rows.unlocked),
        "reach_s": log.seconds(rows.unlocked, rows.opened),
        "open_s": log.seconds(rows.opened, rows.closed),
        "clear_s": log.seconds(rows.closed, rows.cleared),
        "outcome": rows.outcome,
        "source": log.codes["source"][told_by],
        "line": log.line[told_by],
    }


def _stream(log: Log, intervals: Paired, rows: Cycles) -> Ints:
    """Category numbers of the streams: the press tells, else the travel, else the door."""
    chosen = log.numbers("stream", rows.pressed)
    for further in (
        np.append(intervals.stream, -1)[rows.travel],
        log.numbers("stream", rows.unlocked),
        log.numbers("stream", rows.opened),
    ):
        chosen = np.where(chosen < 0, further, chosen)
    return chosen

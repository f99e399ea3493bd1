"""Which presses were refused, and which a grant answers.

A refusal answers the nearest press before it at its door that no other refusal has taken, at or
within 2 s; a door where nothing is written for more than 2 s, or whose clock runs back or changes,
starts afresh. A refusal that finds none stands for a press of its own: that export writes
the refusal in place of the press. At equal times the order of the timeline decides.

Source: the 2 s are ours; common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.keys import (
    SECOND,
    Flags,
    Floats,
    Ints,
    Log,
    Rows,
    chute_names,
    kind_of,
    named,
    pick,
    stable_order,
)
from loganalyzer.site import Limits, Site

ANSWER_S = 2
NOT_SAID = "not said"


@dataclass(frozen=True)
class Presses:
    """Presses and what answered them, door by door in the order of the log.

    Attributes:
        row: The press, or the refusal that stands for it.
        refusal: The refusal that answered it (itself, where that stands alone), else -1.
    """

    row: Rows
    refusal: Rows


def presses(log: Log) -> Presses:
    """Every press of a log, with its refusal."""
    row = np.flatnonzero(_either()[log.kind])
    row = row[stable_order(log.doors(row))]
    press = log.kind[row] == kind_of("press", "mark")
    refusal = np.where(press, -1, row)
    answered, by = _matched(log, row, press)
    refusal[answered] = row[by]
    keep = np.ones(len(row), bool)
    keep[by] = False
    return Presses(row[keep], refusal[keep])


def _either() -> Flags:
    kinds = np.arange(kind_of("note", "mark") + 8)
    return np.isin(kinds, [kind_of("press", "mark"), kind_of("refusal", "mark")])


def _matched(log: Log, row: Rows, press: Flags) -> tuple[Rows, Rows]:
    """Places of presses and of the refusals that answer them; rows come door by door.

    Presses and refusals of one run match as brackets do: at each depth a refusal closes the
    press before it.
    """
    run = np.cumsum(_starts_afresh(log, row))
    refused_runs = np.zeros(run[-1] + 1 if len(run) else 1, bool)
    refused_runs[run[~press]] = True
    place = np.flatnonzero(refused_runs[run])  # most runs hold no refusal: leave them out
    level = _level(press[place], run[place])
    place, level = place[level > 0], level[level > 0]
    sort = np.lexsort((level, run[place]))
    place, level = place[sort], level[sort]
    second = np.flatnonzero(~press[place])
    answered, by = place[second - 1], place[second]
    near = log.time[row[by]] - log.time[row[answered]] <= ANSWER_S * SECOND
    return answered[near], by[near]


def _starts_afresh(log: Log, row: Rows) -> Flags:
    """Whether a row is out of reach of the one before it: 2 s, another clock, another door."""
    afresh = np.ones(len(row), bool)
    gap = np.diff(log.time[row])
    doors = log.doors(row)
    afresh[1:] = (doors[1:] != doors[:-1]) | (gap < 0) | (gap > ANSWER_S * SECOND)
    afresh[1:] |= ~log.comparable(row[:-1], row[1:])
    return afresh


def _level(press: Flags, run: Ints) -> Rows:
    """The depth at which each press opens and each refusal closes; 0 for one that finds none."""
    new = np.ones(len(run), bool)
    new[1:] = run[1:] != run[:-1]
    number = np.cumsum(new) - 1
    step = np.where(press, 1, -1)
    total = np.cumsum(step)
    total -= (total - step)[new][number]  # counted from 0 in each run
    drop = 2 * (len(run) + 1)  # each run below all before it, so that one minimum serves all
    low = np.minimum(np.minimum.accumulate(total - number * drop) + number * drop, 0)
    depth = total - low
    was = np.where(new, 0, np.append(0, depth[:-1])[: len(depth)])
    return np.where(press, depth, was)


def pressed(timeline: pd.DataFrame) -> pd.DataFrame:
    """Every press of a timeline with what answered it.

    Args:
        timeline: One row an event, sorted by site, chute and seq.

    Returns:
        One row a press (or a refusal that stands for one) whose time can be trusted, door by
        door: `site`, `chute`, `floor`, `time`, `code` (why it was refused, "not said" where the
        log does not tell, "" where it was not).
    """
    log = Log.of(timeline)
    every = presses(log)
    labels = list(dict.fromkeys(["", NOT_SAID, *log.labels["code"]]))
    place = np.array([*map(labels.index, log.labels["code"]), labels.index(NOT_SAID)])
    code = np.where(every.refusal < 0, 0, place[log.codes["code"][every.refusal]])
    table = pd.DataFrame(
        {
            **{name: log.text(name, every.row) for name in ("site", "chute", "floor")},
            "time": log.times(every.row),
            "code": named(code, labels),
        }
    )
    loose = pd.Series(log.text("clock", every.row)).eq("unanchored")
    return table[~loose & table["floor"].notna()].reset_index(drop=True)


@dataclass(frozen=True)
class Acted:
    """Presses that were not refused, door by door.

    Attributes:
        row: The press.
        door: Number of chute and floor, see `Log.doors`.
        place: Sortable number of door and row.
        run: The place in these arrays of the first press of its run: presses of one door that
            stand at most the press window apart, by one clock that did not run back.
        size: What `place` counts a door as.
        by_row: The places of the presses in the order of the log.
        rows: `row` in the order of the log.
    """

    row: Rows
    door: Ints
    place: Rows
    run: Rows
    size: int
    by_row: Rows
    rows: Rows

    @classmethod
    def of(cls, log: Log, pressed: Presses, window_s: Floats) -> "Acted":
        """From all presses; `window_s`: for each chute of the log, seconds."""
        row = pressed.row[pressed.refusal < 0]
        door = log.doors(row)
        begins = run_starts(log, row, door, window_s)
        run = np.maximum.accumulate(np.where(begins, np.arange(len(row)), 0))
        size = len(log) + 1
        by_row = stable_order(row)
        place = door.astype(np.int64) * size + row
        return cls(row, door, place, run, size, by_row, row[by_row])

    def first(self, door: Ints, free: Rows, limit: Rows) -> tuple[Rows, Rows]:
        """Places of presses that a grant at `limit` answers, and of the last press before it.

        The first press of the door's last run before `limit` that stands after `free`; -1 where
        there is none. Mostly the chute has but one press since it was free, which saves a search
        door by door.
        """
        at, latest = self._only(door, free, limit)
        rest = np.flatnonzero(at < 0)
        at[rest], latest[rest] = self._first(door[rest], free[rest], limit[rest])
        return at, latest

    def _only(self, door: Ints, free: Rows, limit: Rows) -> tuple[Rows, Rows]:
        """The same where the chute has one press between, at this door; else -1."""
        rows = np.concatenate([[-1, -1], self.rows])
        at = np.searchsorted(self.rows, limit)
        place = np.append(-1, self.by_row)[at]
        only = (
            (rows[at + 1] > free) & (rows[at] <= free) & (np.append(self.door, -1)[place] == door)
        )
        place[~only] = -1
        return place, place.copy()

    def _first(self, door: Ints, free: Rows, limit: Rows) -> tuple[Rows, Rows]:
        base = door.astype(np.int64) * self.size
        last = np.searchsorted(self.place, base + limit) - 1
        begin = np.searchsorted(self.place, base + free, side="right")
        at = np.maximum(begin, pick(self.run, last))
        return np.where(begin <= last, at, -1), last


def run_starts(log: Log, row: Rows, door: Ints, window_s: Floats) -> Flags:
    """Whether each press, door by door, is out of reach of the one before it."""
    begins = np.ones(len(row), bool)
    gap = np.diff(log.time[row]) / SECOND
    begins[1:] = (door[1:] != door[:-1]) | (gap < 0) | (gap > window_s[log.chute[row[1:]]])
    begins[1:] |= ~log.comparable(row[:-1], row[1:])
    return begins


def limits(log: Log, sites: Mapping[str, Site]) -> list[Limits]:
    """The limits of each chute of the log; a chute that no site file tells of has the defaults."""
    told = {(site, chute.id): chute.limits for site, of in sites.items() for chute in of.chutes}
    return [told.get(names, Limits()) for names in chute_names(log)]

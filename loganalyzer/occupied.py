"""When each chute was taken: by somebody's use, and by material that falls.

One door at a time: a chute is taken from the press that it acts upon until the door is shut and
locked again, then until the material has landed. A diverter that moves takes it too. What the log
shows only in part counts as far as it shows: an opening that a power cut or the log's end cut
short counts until then, one whose beginning or closing is not in the log not at all.

All times are whole microseconds since 1970, `NEVER` where unknown, so that parts of a time add
up exactly.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, anchored, by_key
from loganalyzer.spans import NEVER, Cover, Places, micros
from loganalyzer.tables import require

HELD = ("positioning", "unlocked", "open")
ChuteKey = tuple[str, str]


@dataclass(frozen=True)
class Occupied:
    """When one chute was taken, and by which of its cycles.

    Attributes:
        used: From the press acted upon to the door shut and locked again, any door.
        falling: Clearing, as logged.
        busy: Either, and what lies between the two of one use.
        travels: The diverter's whole travels, `start` and `end` of each, ascending.
        cycles: The chute's rows of the table `cycles` whose times can be trusted.
        begin: For each of these, the press acted upon, else the unlock, else the opening.
        shut: Closed and locked again.
        free: The material landed; where the log shows no clearing, the same as `shut`.
    """

    used: Cover
    falling: Cover
    busy: Cover
    travels: tuple[Places, Places]
    cycles: pd.DataFrame
    begin: Places
    shut: Places
    free: Places


def occupied(
    intervals: pd.DataFrame, cycles: pd.DataFrame, timeline: pd.DataFrame
) -> Mapping[ChuteKey, Occupied]:
    """When each chute of a timeline was taken.

    Args:
        intervals: The table of that name.
        cycles: The table of that name.
        timeline: Tells which of their times can be trusted; the others are left out.

    Returns:
        (site, chute) → when it was taken, for each chute of the timeline.
    """
    require(intervals, *CHUTE, "signal", "floor", "start", "end", "start_known", "ended_by")
    spans = intervals[intervals["signal"].isin([*HELD, "clearing"])]
    reach = spans["ended_by"].isin(["off", "power", "log_end"])
    spans = spans[reach & spans["start_known"].astype(bool)]
    sound = spans[anchored(spans, timeline)]
    uses = cycles[anchored(cycles, timeline)]
    of_span, of_use = (dict(by_key(table, CHUTE)) for table in (sound, uses))
    return {
        (key[0], key[1]): _chute(of_span.get(key, sound.iloc[:0]), of_use.get(key, uses.iloc[:0]))
        for key, _ in by_key(timeline[CHUTE], CHUTE)
    }


def _chute(spans: pd.DataFrame, cycles: pd.DataFrame) -> Occupied:
    start, end = micros(spans["start"]), micros(spans["end"])
    falls, travels = (spans["signal"].eq(s).to_numpy() for s in ("clearing", "positioning"))
    begin, shut, free = _uses(spans, cycles)
    known = (begin != NEVER) & (shut != NEVER)
    used = Cover.of(
        np.append(start[~falls], begin[known]), np.append(end[~falls], shut[known])
    )  # fmt: skip
    whole = (begin != NEVER) & (free != NEVER)
    falling = Cover.of(start[falls], end[falls])
    busy = used.plus(falling).plus(Cover.of(begin[whole], free[whole]))
    seen = travels & spans["seconds"].notna().to_numpy()
    order = np.argsort(start[seen], kind="stable")
    moved = (start[seen][order], end[seen][order])
    return Occupied(used, falling, busy, moved, cycles, begin, shut, free)


def _uses(spans: pd.DataFrame, cycles: pd.DataFrame) -> tuple[Places, Places, Places]:
    """From when to when each cycle took the chute: `begin`, `shut`, `free`."""
    require(cycles, "floor", "pressed", "unlocked", "opened", "closed", "cleared")
    begin = micros(cycles["pressed"])
    for name in ("unlocked", "opened"):
        begin = np.where(begin == NEVER, micros(cycles[name]), begin)
    shut = np.maximum(micros(cycles["closed"]), _locked(spans, cycles))
    shut = np.where(shut < begin, NEVER, shut)  # a clock that ran back
    free = np.where(shut == NEVER, NEVER, np.maximum(shut, micros(cycles["cleared"])))
    return begin, shut, free


def _locked(spans: pd.DataFrame, cycles: pd.DataFrame) -> Places:
    """When the unlocking of each cycle ended; `NEVER` where that is not known."""
    unlocks = spans[spans["signal"].eq("unlocked") & spans["seconds"].notna()]
    granted = cycles[cycles["unlocked"].notna()]
    key = door_times(unlocks, "start", cycles["floor"])
    wanted = door_times(granted, "unlocked", cycles["floor"])
    order = np.argsort(key, kind="stable")
    at = np.searchsorted(key[order], wanted)
    found = np.append(key[order], NEVER)[at] == wanted
    locked = np.full(len(cycles), NEVER)
    ends = np.append(micros(unlocks["end"])[order], NEVER)[at]
    locked[cycles["unlocked"].notna().to_numpy()] = np.where(found, ends, NEVER)
    return locked


def door_times(table: pd.DataFrame, time: str, floors: pd.Series) -> Places:
    """One number for the door and a time of each row of one chute; door by door they sort by time.

    Args:
        table: Reads `floor` and the column that `time` names; no null time.
        time: Name of the column.
        floors: Labels that are to have numbers; all others share one.
    """
    return door_numbers(table, floors) * AGES + micros(table[time])


def door_numbers(table: pd.DataFrame, floors: pd.Series) -> Places:
    """The door of each row of one chute: 1, 2, … as in `floors`, 0 for one that is not there."""
    known = floors.astype("category").cat
    used = np.flatnonzero(np.bincount(known.codes + 1, minlength=1)[1:])
    labels = known.categories[used].astype("str")
    mine = table["floor"].astype("category").cat
    number = np.append(labels.get_indexer(mine.categories.astype("str")), -1)[mine.codes]
    return np.asarray(number + 1, dtype=np.int64)


# Microseconds from 1970 to 2255: two doors never share a number, and some 1,000 doors have room.
AGES = 2**53

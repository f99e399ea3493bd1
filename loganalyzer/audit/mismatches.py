"""Every setting that is evidently not the site file's, as a table."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.audit.counting import ANSWER_S
from loganalyzer.audit.ground import Ground
from loganalyzer.audit.mismatch import EXPLAINED, FEWEST, Mismatch, Timed, timer_mismatches, typical
from loganalyzer.audit.releases import releases
from loganalyzer.audit.trips import trips
from loganalyzer.keys import Rows, pick

COLUMNS = ["site", "chute", "floor", "setting", "told", "found", "n", "evidence"]
# A timer of a controller that is set in whole seconds may be off by that.
# Source: common practice, no source.
SLACK_S = 1.0


def mismatches(ground: Ground) -> pd.DataFrame:
    """One row a setting; the columns are told in `Audit`."""
    found = [
        *ground.made(trips).mismatches,
        *ground.made(releases).mismatches,
        *timer_mismatches(ground, _clearings(ground), "clearing_s", SLACK_S, SLACK_S),
        *_open_limits(ground),
    ]
    names = ground.names
    rows = [
        (
            *names[one.door // ground.log.floors],
            ground.floor(one.door) if one.door % ground.log.floors else None,
            one.setting, float(one.told), float(one.found), one.n, _lines(ground, one.rows),
        )
        for one in found
    ]  # fmt: skip
    types = {"floor": "str", "told": "float64", "found": "float64", "n": "int64"}
    return pd.DataFrame(rows, columns=COLUMNS).astype(types)


def _lines(ground: Ground, rows: Rows) -> list[str]:
    log = ground.log
    sources = log.text("source", rows.astype(np.int64))
    return [f"{s}:{n}" for s, n in zip(sources, log.line[rows.astype(np.int64)], strict=True)]


def _clearings(ground: Ground) -> Timed:
    """How long each clearing lasted."""
    held = ground.held("clearing")
    held = held.take(held.told)
    chute = ground.log.chute[held.start] * np.int32(ground.log.floors)
    low, high = ground.least(held.start, held.end), ground.most(held.start, held.end)
    return Timed(held.start, chute, low, high)


@dataclass(frozen=True)
class _Alarms:
    """Faults of one code that came while their door stood open."""

    timed: Timed
    opening: Rows


def _open_limits(ground: Ground) -> Iterator[Mismatch]:
    """After how long an open door is a fault: a code that comes always, and always as late."""
    log = ground.log
    rows = np.sort(np.append(log.rows("fault", "on"), log.rows("fault", "mark")))
    at_door = rows[(log.codes["floor"][rows] >= 0) & (log.codes["code"][rows] >= 0)]
    keys = (
        log.chute[at_door].astype(np.int64) * len(log.labels["code"]) + log.codes["code"][at_door]
    )
    for key in np.unique(keys).tolist():
        alarms = _alarms(ground, at_door[keys == key])
        if len(alarms.opening) >= FEWEST and _is_a_limit(ground, alarms):
            yield from timer_mismatches(ground, alarms.timed, "open_limit_s", SLACK_S, ANSWER_S)


def _alarms(ground: Ground, rows: Rows) -> _Alarms:
    log, held, size = ground.log, ground.held("open"), len(ground.log) + 1
    order = np.lexsort((held.start, held.door))
    keys = (held.door.astype(np.int64) * size + held.start)[order]
    at = np.searchsorted(keys, log.doors(rows).astype(np.int64) * size + rows) - 1
    place = pick(order, at)
    lasts = (place >= 0) & (np.append(held.door, -1)[place] == log.doors(rows))
    lasts &= np.append(held.end, -1)[place] >= rows
    rows, place = rows[lasts], place[lasts]
    begin = held.start[place]
    timed = Timed(rows, log.doors(rows), ground.least(begin, rows), ground.most(begin, rows))
    known = ~np.isnan(timed.low)
    return _Alarms(timed.take(known), place[known])


def _is_a_limit(ground: Ground, alarms: _Alarms) -> bool:
    """Whether a fault follows nearly every opening that lasts longer, and no other."""
    held = ground.held("open")
    first = ground.log.chute[alarms.timed.row[0]]
    found = typical(alarms.timed)
    mine = ground.log.chute[held.start] == first
    longer = mine & (ground.least(held.start, held.end) > found + ANSWER_S)
    with_alarm = np.zeros(len(held.start), bool)
    with_alarm[alarms.opening] = True
    return bool(longer.any() and with_alarm[longer].mean() >= EXPLAINED)

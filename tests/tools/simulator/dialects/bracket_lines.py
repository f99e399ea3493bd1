"""bracket-lines: sentences after a bracketed stamp in tenths, printed in pages."""

import numpy as np
import pyarrow.compute as pc

from tests.tools.simulator import words as w
from tests.tools.simulator.dialects.dialect import Dialect, labels, padded
from tests.tools.simulator.dialects.rows import (
    Part,
    Rows,
    choose,
    clock,
    dates,
    figures,
    fraction,
    numbers,
    words,
)

PAGE = 56
STREAMS = {"refuse": "waste", "recycling": "dry", "organics": "kitchen", "linen": "laundry"}
CODES = (
    "chute in use", "container is full", "under maintenance", "intake barred",
    "failure present", "sorter-late", "latch-stiff", "held-open", "open-while-locked",
    "gauge-range", "ram-stuck", "line-silent", "low-volts", "foot-shutter", "board-reset",
)  # fmt: skip
# What follows `intake NN: ` at the kinds that belong to a door, before stream and code.
AT_DOOR = {
    w.PRESS: "asked for ", w.REFUSAL: "turned down for ", w.UNLOCK: "lock drawn back",
    w.LOCK: "lock home", w.OPEN: "leaf away from frame", w.CLOSE: "leaf on frame",
    w.BAR: "barred after repeated asking", w.UNBAR: "no longer barred",
}  # fmt: skip
# Before and behind the stream.
OF_STREAM = {
    w.TURN: ("sorter turning towards ", ""), w.TURNED: ("sorter resting at ", ""),
    w.FULL: ("container ", ": full to the mark"), w.NOT_FULL: ("container ", ": below the mark"),
    w.LEVEL: ("container ", ": reads "), w.RAM: ("ram of ", ": forward"),
    w.RAM_END: ("ram of ", ": back"),
}  # fmt: skip
PLAIN = {
    w.FALL: "shaft: waiting for material to land", w.FALLEN: "shaft: free",
    w.SERVICE: "maintenance started", w.SERVICE_END: "maintenance finished",
    w.POWER: "mains back, program running", w.POWER_OFF: "mains failing, program stops",
    w.CLOCK: "clock moved from ", w.NOTE: "remark: none", w.ALIVE: "still here",
    w.FAULT: "failure ", w.FAULT_END: "failure ", w.FAULT_MARK: "failure ",
}  # fmt: skip
FAULTS = {w.FAULT: " came", w.FAULT_END: " went", w.FAULT_MARK: " noted"}


def _stamp(stamp: np.ndarray) -> list[Part]:
    return [dates(stamp, "%Y-%m-%d "), clock(stamp), ".", fraction(stamp, 1)]


def _by_kind(kind: np.ndarray, table: dict[int, str]) -> Part:
    return words(kind, [table.get(number, "") for number in range(len(w.KINDS))])


def _has(kind: np.ndarray, table: object) -> np.ndarray:
    return np.isin(kind, list(table))  # type: ignore[call-overload]  # a dict's keys


def _parts(rows: Rows) -> list[Part]:
    kind, floors = rows.kind, labels(rows.floors, {"G": "ground"}, padded)
    door = _has(kind, AT_DOOR)
    named = _has(kind, OF_STREAM) | np.isin(kind, (w.PRESS, w.REFUSAL))
    faulty = _has(kind, FAULTS)
    at = faulty & (rows.floor >= 0)
    before = {number: text for number, (text, _) in OF_STREAM.items()}
    behind = {number: text for number, (_, text) in OF_STREAM.items()}
    return [
        _furniture(rows), "[", *_stamp(rows.stamp), "] ",
        choose(door, "intake "), words(np.where(door, rows.floor, -1), floors),
        choose(door, ": "), _by_kind(kind, AT_DOOR | before | PLAIN),
        words(np.where(named, rows.stream, -1), [STREAMS[name] for name in rows.streams]),
        choose(kind == w.REFUSAL, ", "), words(rows.code, CODES), _by_kind(kind, behind | FAULTS),
        choose(at, " at intake "), words(np.where(at, rows.floor, -1), floors),
        figures(np.where(kind == w.LEVEL, rows.value, np.nan), "{:g} per cent".format),
        _clock_set(rows),
    ]  # fmt: skip


def _furniture(rows: Rows) -> Part:
    """Top and foot of a page, before the page's first line."""
    first = rows.number % PAGE == 1
    sheet = numbers(rows.number // PAGE + 1)
    day = dates(rows.stamp, "%d %m %Y")
    rule = "=" * 60 + "\n"
    top = words(np.where(first, 0, -1), [f"{rule} record of chute {rows.chute}, "])
    parts = [top, choose(first, day), choose(first, ", one line a happening\n")]
    foot = [choose(first, "            sheet "), choose(first, sheet), choose(first, f"\n{rule}")]
    return _glued([*parts, *foot])


def _glued(parts: list[Part]) -> Part:
    return pc.binary_join_element_wise(*parts, "")


def _clock_set(rows: Rows) -> Part:
    here = rows.kind == w.CLOCK
    old, new = _stamp(np.where(here, rows.before, 0)), _stamp(rows.stamp)
    return choose(here, _glued([*old, " to ", *new]))


DIALECT = Dialect("bracket-lines", ".log", "site", 100_000, _parts)

"""door-counter: a recorder on the door contacts alone, which knows only seconds since power-on.

Every sixth hour it writes the wall clock of the phone that polls it: the only anchor there is.
Its profile is `profiles/door-counter.toml` beside this package.
"""

from typing import BinaryIO

import numpy as np

from tests.tools.simulator import words as w
from tests.tools.simulator.dialects.dialect import Dialect, labels, padded
from tests.tools.simulator.dialects.rows import (
    Part,
    Rows,
    choose,
    clock,
    dates,
    figures,
    joined,
    words,
)

RUNNING_BEFORE_US = 40 * 86_400_000_000  # how long it has run when the log begins


def _uptime(rows: Rows) -> np.ndarray:
    """Seconds since the last power-on in the rows, in tenths."""
    on = rows.kind == w.POWER
    moments = np.append(rows.time[:1] - RUNNING_BEFORE_US, rows.time[on])
    return (rows.time - moments[np.cumsum(on)]) // 100_000 / 10


def _lines(rows: Rows, uptime: np.ndarray) -> list[Part]:
    kind = rows.kind
    door = np.isin(kind, (w.OPEN, w.CLOSE))
    # A true time: the phone's clock is not the controller's.
    stamp = rows.time + rows.offset
    return [
        figures(uptime, "{:012.1f} ".format), choose(door, "K"),
        words(np.where(door, rows.floor, -1), labels(rows.floors, {"G": "00"}, padded)),
        choose(kind == w.OPEN, " away"), choose(kind == w.CLOSE, " home"),
        choose(kind == w.POWER, "begin"), choose(kind == w.ALIVE, "phone "),
        choose(kind == w.ALIVE, dates(stamp, "%Y-%m-%d ")),
        choose(kind == w.ALIVE, clock(stamp)),
    ]  # fmt: skip


def _write(rows: Rows, out: BinaryIO) -> None:
    """All rows at once, since uptime runs through the chunks; hours not divisible by 6 go."""
    hour = (rows.time + rows.offset) // 3_600_000_000 % 6
    kept = rows.take((rows.kind != w.ALIVE) | (hour == 0))
    uptime = _uptime(kept)
    for begin in range(0, len(kept), 500_000):
        piece = slice(begin, begin + 500_000)
        out.write(joined(_lines(kept.take(piece), uptime[piece])))


DIALECT = Dialect(
    "door-counter", ".cnt", "site", 100_000,
    kinds=(w.OPEN, w.CLOSE, w.POWER, w.ALIVE), write_all=_write,
)  # fmt: skip

"""scan-samples: a recorder at the terminals, one row a scan whenever an input has changed."""

from typing import BinaryIO

import numpy as np

from tests.tools.simulator import words as w
from tests.tools.simulator.dialects.dialect import Dialect, labels
from tests.tools.simulator.dialects.rows import Rows, clock, dates, joined, words

STREAMS = {"refuse": "w", "recycling": "r", "organics": "o", "linen": "l"}
REASONS = "ufmbt"
TRIPS = {
    "sorter_late": "k1", "latch": "k2", "door_held": "k3", "contact": "k4", "line": "k5",
    "ram": "k6", "gauge": "k7", "volts": "k8",
}  # fmt: skip
ROWS_A_PIECE = 100_000


def inputs(rows: Rows) -> list[str]:
    """The columns, after `scan`."""
    floors = labels(rows.floors, {"G": "gf"}, str)
    streams = [STREAMS[name] for name in rows.streams]
    return [
        "run", "key", "fall",
        *[f"{what}_{floor}" for what in ("leaf", "bolt", "bar") for floor in floors],
        *[f"push_{floor}_{stream}" for floor in floors for stream in streams],
        *[f"deny_{floor}_{reason}" for floor in floors for reason in REASONS],
        *[f"{what}_{stream}" for what in ("turn", "full", "ram", "level") for stream in streams],
        *[f"trip_{trip}" for trip in TRIPS.values()],
    ]  # fmt: skip


def _changes(rows: Rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Second, column and new value of every change, a mark being a pulse of one scan."""
    names = inputs(rows)
    place = {name: number for number, name in enumerate(names)}
    floors = labels(rows.floors, {"G": "gf"}, str)
    streams = [STREAMS[name] for name in rows.streams]
    edges = {
        w.OPEN: ("leaf", 1), w.CLOSE: ("leaf", 0), w.UNLOCK: ("bolt", 1), w.LOCK: ("bolt", 0),
        w.BAR: ("bar", 1), w.UNBAR: ("bar", 0), w.TURN: ("turn", 1), w.TURNED: ("turn", 0),
        w.FULL: ("full", 1), w.NOT_FULL: ("full", 0), w.RAM: ("ram", 1), w.RAM_END: ("ram", 0),
        w.SERVICE: ("key", 1), w.SERVICE_END: ("key", 0), w.FALL: ("fall", 1),
        w.FALLEN: ("fall", 0), w.POWER: ("run", 1), w.POWER_OFF: ("run", 0),
    }  # fmt: skip
    trips = {w.CODES.index(code): trip for code, trip in TRIPS.items()}
    second = (rows.time // 1_000_000).tolist()
    found: list[tuple[int, int, int]] = []
    for at, kind, floor, stream, code, value in zip(
        second, rows.kind.tolist(), rows.floor.tolist(), rows.stream.tolist(),
        rows.code.tolist(), rows.value.tolist(), strict=True,
    ):  # fmt: skip
        if kind in edges:
            name, state = edges[kind]
            where = f"_{floors[floor]}" if floor >= 0 else f"_{streams[stream]}" * (stream >= 0)
            found.append((at, place[name + where], state))
            if kind == w.POWER_OFF:
                found += [(at, column, 0) for column in range(1, len(names))]
        elif kind in (w.PRESS, w.REFUSAL):
            last = streams[stream] if kind == w.PRESS else REASONS[code]
            column = place[f"{'push' if kind == w.PRESS else 'deny'}_{floors[floor]}_{last}"]
            found += [(at, column, 1), (at + 1, column, 0)]
        elif kind == w.LEVEL:
            found.append((at, place[f"level_{streams[stream]}"], int(value)))
        elif kind in (w.FAULT, w.FAULT_END) and code in trips:
            found.append((at, place[f"trip_{trips[code]}"], int(kind == w.FAULT)))
        elif kind == w.ALIVE:
            found.append((at, 0, 1))
    # The end of a pulse comes before the begin of another in the same scan.
    array = np.array(found, np.int64).reshape(-1, 3)
    order = np.argsort(array[:, 0], kind="stable")
    return array[order, 0], array[order, 1], array[order, 2]


def _write(rows: Rows, out: BinaryIO) -> None:
    names = inputs(rows)
    out.write((",".join(["scan", *names]) + "\n").encode())
    if not len(rows):
        return
    second, column, state = _changes(rows)
    scans = np.unique(np.append(second, second[0] - 1))
    offsets = rows.offset[:1] * 0  # UTC
    held = np.zeros(len(names), np.int64)
    held[0] = 1
    texts = [str(number) for number in range(101)]
    for begin in range(0, len(scans), ROWS_A_PIECE):
        piece = scans[begin : begin + ROWS_A_PIECE]
        low, high = np.searchsorted(second, [piece[0], piece[-1] + 1])
        states = _filled(second[low:high], column[low:high], state[low:high], piece, held)
        held = states[-1]
        stamp = piece * 1_000_000 + offsets
        cells = [part for i in range(len(names)) for part in (",", words(states[:, i], texts))]
        out.write(joined([dates(stamp, "%Y/%m/%d "), clock(stamp), *cells]))


def _filled(
    second: np.ndarray, column: np.ndarray, state: np.ndarray, scans: np.ndarray,
    held: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """The state of every column at every scan: what was written last, or held from before."""
    table = np.full((len(scans), len(held)), -1, np.int64)
    table[0] = held
    table[np.searchsorted(scans, second), column] = state  # the last one of a scan stays
    seen = np.where(table >= 0, np.arange(len(scans))[:, None], 0)
    latest = np.maximum.accumulate(seen, axis=0)
    return table[latest, np.arange(len(held))]


DIALECT = Dialect("scan-samples", ".csv", "utc", 1_000_000, write_all=_write)

"""Which of several exports of one chute begins first, whatever their clocks showed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.timeline.columns import NOTHING, Ints, flags, numbers

DRIFT_US = 300_000_000


@dataclass(frozen=True)
class Beginning:
    """What is known of an export's ends.

    Attributes:
        place: When it begins: its counter if all exports have one, else `begins` of its first
            row whose time can be trusted, or of its first row.
        ends: µs UTC, its latest time that can be trusted.
        name: Its source, settles ties.
        trusted: Whether any of its times can be trusted, and `sound` whether its first can.
        starts: Written time of its first row (of a clock event, before the set), and `stops`
            of its last.
        powered: Whether it begins with a power-on.
        adrift: Whether it ends in a stretch of restarted clock.
        lost: Whether it ends with the loss of power.
    """

    place: int
    ends: int
    name: str
    trusted: bool
    sound: bool
    starts: int
    stops: int
    powered: bool
    adrift: bool
    lost: bool


def in_order(beginnings: Sequence[Beginning]) -> list[int]:
    """The places of the exports in the order they begin.

    One whose first time cannot be trusted follows the one that ends in a restarted clock just
    before where it begins, or that ends with the loss of power if it begins with the power-on:
    it is likely its other half.
    """
    keys = {i: _key(one) for i, one in enumerate(beginnings)}
    for i, one in enumerate(beginnings):
        before = [(o.adrift, o.stops, _key(o)) for o in beginnings if _continued(o, one)]
        if not one.sound and before:
            keys[i] = (*max(before)[2], one.starts, one.ends, one.name)
    return sorted(keys, key=lambda i: keys[i])


def _continued(before: Beginning, after: Beginning) -> bool:
    on = before.lost if after.powered else before.adrift and before.stops <= after.starts
    return on and before.trusted


def _key(one: Beginning) -> tuple[int | str, ...]:
    return (one.place, one.ends, one.name)


def beginning(reading: pa.Table, name: str, counted: bool) -> Beginning:
    """The ends of a reading that has `time` and `anchored`.

    Args:
        reading: READING in file order, `time` (µs) and `anchored` (bool).
        name: Its source.
        counted: Whether its counter places it.
    """
    anchored, time = flags(reading["anchored"]), numbers(reading["time"])
    trusted = bool(anchored.any())
    starts, stops, powered, lost = edges(reading)
    first = reading.slice(int(np.argmax(anchored)), 1)
    return Beginning(
        place=reading["order"][0].as_py() if counted else int(begins(first)[0]),
        ends=int(time[anchored].max() if trusted else time.max()),
        name=name,
        trusted=trusted,
        sound=bool(anchored[0]),
        starts=starts,
        stops=stops,
        powered=powered,
        adrift=not anchored[-1],
        lost=lost,
    )


def edges(reading: pa.Table) -> tuple[int, int, bool, bool]:
    """`starts`, `stops`, `powered` and `lost` of a reading, or of two halves of one."""
    first, last = (
        reading.slice(at, 1).select(["written", "signal", "edge", "value"]).to_pylist()[0]
        for at in (0, reading.num_rows - 1)
    )
    added = round(1e6 * (first["value"] or 0)) if first["signal"] == "clock" else 0
    powered = (first["signal"], first["edge"]) == ("power", "on")
    lost = (last["signal"], last["edge"]) == ("power", "off")
    return first["written"] - added, last["written"], powered, lost


def begins(rows: pa.Table) -> Ints:
    """When an export would begin whose first row is this, µs UTC; one a row.

    The later of the time as put right and as written: a clock set forward within the export says
    that its first rows were really later; one set back, that an export before it, which does not
    know yet, shows them later than they were. For a set itself, what the clock showed before.

    Args:
        rows: Reads `time`, `utc`, `value`, `signal`.
    """
    time, utc = numbers(rows["time"]), numbers(rows["utc"])
    clock = pc.equal(rows["signal"], "clock").fill_null(False).to_numpy().astype(bool)
    value = rows["value"].fill_null(0.0).to_numpy()
    added = np.rint(np.where(clock, value, 0) * 1e6).astype(np.int64)
    before = np.where(utc == NOTHING, time, utc - added)
    drift = np.abs(added) <= DRIFT_US
    return np.where(clock & drift, before, np.maximum(np.maximum(time, utc), before))

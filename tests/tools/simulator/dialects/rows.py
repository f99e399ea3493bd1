"""Truth's events as a dialect sees them: stamps in its zone, words still to be chosen.

Everything is arrays, so that years of lines cost seconds.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from tests.tools.simulator import words as w
from tests.tools.simulator.clockwork import wall
from tests.tools.simulator.plan import Chute

Part = pa.Array | str
COLUMNS = (
    "stamp", "offset", "before", "time", "kind", "floor", "stream", "code", "value", "number",
)  # fmt: skip


@dataclass(frozen=True)
class Rows:
    """Lines to be written, one entry a line in every array.

    Attributes:
        chute: The chute's id; floors, streams: labels that `floor` and `stream` point into.
        stamp: µs as written (wall clock of the dialect's zone, or UTC).
        offset: µs, wall clock less UTC. before: what a clock set set from, as written.
        time: true UTC µs. kind, floor, stream, code: numbers, -1 is none (`words`).
        value: numbers, NaN is none. number: counts the lines of the chute from 1.
    """

    chute: str
    floors: tuple[str, ...]
    streams: tuple[str, ...]
    stamp: np.ndarray
    offset: np.ndarray
    before: np.ndarray
    time: np.ndarray
    kind: np.ndarray
    floor: np.ndarray
    stream: np.ndarray
    code: np.ndarray
    value: np.ndarray
    number: np.ndarray

    def __len__(self) -> int:
        return len(self.stamp)

    def take(self, which: np.ndarray | slice) -> "Rows":
        """Some of the lines."""
        return replace(self, **{name: getattr(self, name)[which] for name in COLUMNS})

    def chunks(self, size: int = 500_000) -> Iterator["Rows"]:
        """The lines in pieces that fit into memory."""
        for begin in range(0, len(self), size):
            yield self.take(slice(begin, begin + size))

    def later(self, us: int, lines: int) -> "Rows":
        """The same lines again, moved by a time and a count of lines."""
        return replace(
            self, stamp=self.stamp + us, before=self.before + us, time=self.time + us,
            number=self.number + lines,
        )  # fmt: skip


def together(pieces: Sequence[Rows]) -> Rows:
    """Rows of one chute below one another."""
    return replace(
        pieces[0],
        **{name: np.concatenate([getattr(p, name) for p in pieces]) for name in COLUMNS},
    )


def rows_of(
    chute: Chute, events: pd.DataFrame, alive: pd.DataFrame, zone: str, resolution_us: int
) -> Rows:
    """One chute's events and signs of life (as `Truth` has them) in order of writing.

    Args:
        chute: Whose doors and streams these are.
        events: Rows of that chute.
        alive: The same chute's.
        zone: The zone the stamps are written in.
        resolution_us: Stamps are cut to this.
    """
    both = pd.concat([events, alive], keys=["event", "alive"])
    order = np.argsort(_us(both["time"]), kind="stable")
    floors = tuple(floor.label for floor in chute.floors)
    streams = tuple(stream.id for stream in chute.streams)
    kind = np.full(len(both), w.ALIVE, np.int16)
    kind[: len(events)] = _kinds(events)
    shown = _us(both["shown"])
    stamp = wall(shown, zone)
    value = both["value"].to_numpy(float)
    is_set = kind == w.CLOCK
    before = np.where(is_set, wall(_minus(shown, value), zone), 0)
    # A clock that is set across a change of the hour is moved by what its face shows.
    value = np.where(is_set, (stamp - before) / 1e6, value)
    rows = Rows(
        chute.id, floors, streams, stamp // resolution_us * resolution_us,
        stamp - shown, before // resolution_us * resolution_us, _us(both["time"]), kind,
        _numbers(both["floor"], floors), _numbers(both["stream"], streams),
        _numbers(both["code"], w.CODES), value, np.zeros(len(both), np.int64),
    ).take(order)  # fmt: skip
    return replace(rows, number=np.arange(1, len(rows) + 1))


def _minus(shown: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    return shown - np.rint(np.nan_to_num(seconds) * 1e6).astype(np.int64)


def _us(times: pd.Series) -> np.ndarray:
    return times.dt.tz_convert("UTC").dt.as_unit("us").astype("int64").to_numpy()


def _kinds(events: pd.DataFrame) -> np.ndarray:
    names = pd.Index([f"{signal} {edge}" for signal, edge in w.KINDS])
    signal = events["signal"].cat.categories
    edge = events["edge"].cat.categories
    table = np.array([[names.get_indexer([f"{s} {e}"])[0] for e in edge] for s in signal])
    return table[events["signal"].cat.codes, events["edge"].cat.codes]


def _numbers(column: pd.Series, labels: Sequence[str]) -> np.ndarray:
    known = column.astype("category")
    place = pd.Index(list(labels), dtype=object).get_indexer(list(known.cat.categories))
    return np.append(place, -1)[known.cat.codes].astype(np.int32)


def words(numbers: np.ndarray, texts: Sequence[str], none: str = "") -> pa.Array:
    """Numbers as words, -1 as `none`."""
    table = pa.array([*texts, none], pa.string())
    return table.take(pa.array(np.where(numbers < 0, len(texts), numbers)))


def figures(values: np.ndarray, write: Callable[[float], str], none: str = "") -> pa.Array:
    """Numbers as text, each different one written once; NaN as `none`."""
    unique, which = np.unique(values, return_inverse=True)
    return words(which, [none if np.isnan(value) else write(float(value)) for value in unique])


def dates(stamp: np.ndarray, form: str) -> pa.Array:
    """The date part of stamps by strftime, each day written once."""
    days, which = np.unique(stamp // 86_400_000_000, return_inverse=True)
    index = pd.DatetimeIndex((days * 86_400_000_000).astype("datetime64[us]"))
    return words(which, list(index.strftime(form)))


def clock(stamp: np.ndarray, separator: str = ":") -> pa.Array:
    """Hours, minutes and seconds of stamps."""
    return _day(separator).take(pa.array(stamp // 1_000_000 % 86_400))


@cache
def _day(separator: str) -> pa.Array:
    """Every second of a day."""
    two = [f"{number:02}" for number in range(60)]
    return pa.array(
        [separator.join((h, m, s)) for h in two[:24] for m in two for s in two], pa.string()
    )


def fraction(stamp: np.ndarray, digits: int) -> pa.Array:
    """The decimals of the second, cut to some digits."""
    unit = 10 ** (6 - digits)
    return words(stamp % 1_000_000 // unit, [f"{number:0{digits}}" for number in range(10**digits)])


def numbers(values: np.ndarray) -> pa.Array:
    """Whole numbers as text."""
    return pc.cast(pa.array(values), pa.string())


def choose(here: np.ndarray, yes: Part, no: Part = "") -> pa.Array:
    """`yes` where `here`, else `no`."""
    return pc.if_else(pa.array(here), yes, no)


def joined(parts: Sequence[Part]) -> bytes:
    """Parts side by side, line below line, as UTF-8."""
    lines = pc.binary_join_element_wise(*parts, "\n", "")
    offsets = np.frombuffer(lines.buffers()[1], np.int32)[lines.offset :]
    return lines.buffers()[2].to_pybytes()[offsets[0] : offsets[len(lines)]]


def zone_name(zone: str, site_zone: str) -> str:
    """The IANA name behind a profile's zone word."""
    known = {"site": site_zone, "offset": site_zone, "utc": "UTC"}
    return ZoneInfo(known.get(zone, zone)).key

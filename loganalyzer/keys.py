"""A timeline as numpy arrays, and the few tricks with them that pairing rests on.

Rows are numbered 0.. in the order of the timeline: that order, not the time, says what came
first, so equal times and times that run back do no harm. A row of -1 means "not recorded".
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from loganalyzer.errors import TableError
from loganalyzer.tables import EDGES, SIGNALS, TABLES, UTC, require

Rows = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

Words = pd.Index | tuple[str, ...] | list[str]

TEXTS = ("site", "chute", "floor", "signal", "edge", "stream", "code", "clock", "source")
NONE = len(SIGNALS) * 4  # the kind of a row whose signal or edge is none of ours
SECOND = 1_000_000
PART = 500_000
NEVER = np.iinfo(np.int64).min  # a null among times


def kind_of(signal: str, edge: str) -> int:
    """The number that stands in `Log.kind` for a signal and an edge."""
    return SIGNALS.index(signal) * 4 + EDGES.index(edge)


@dataclass(frozen=True)
class Log:
    """A timeline, sorted by site, chute and seq, ready for numpy.

    Attributes:
        codes: Text column → its category numbers, one a row; -1 is null.
        labels: Text column → its categories.
        time: UTC microseconds.
        line: Physical line.
        first: The row at which each chute begins, then the number of rows.
        begin: The row of the whole log with which this one begins.
        before: How many chutes of the whole log stand before it.
        kept: Kind → its rows, as they were asked for.
        keyed: Kind → what `door_keys` returns, as it was asked for.
        timeless: Which rows hold no clock of their own (an uptime that nothing anchors); null
            where all do.
    """

    codes: dict[str, Ints]
    labels: dict[str, pd.Index]
    time: Rows
    line: Rows
    first: Rows
    begin: int = 0
    before: int = 0
    kept: dict[int, Rows] = field(default_factory=dict, repr=False)
    keyed: dict[int, Rows] = field(default_factory=dict, repr=False)
    timeless: Flags | None = None

    @classmethod
    def of(cls, timeline: pd.DataFrame) -> "Log":
        """Look at a timeline as numpy arrays.

        Raises:
            TableError: A column is missing, or rows of one chute do not stand together.
        """
        require(timeline, *TEXTS, "time", "line")
        columns = {name: categorical(timeline[name]) for name in TEXTS}
        codes = {name: column.codes for name, column in columns.items()}
        time = timeline["time"].to_numpy("datetime64[us]").view(np.int64)
        first = starts(codes["site"], codes["chute"])
        labels = {name: column.categories for name, column in columns.items()}
        line, timeless = timeline["line"].to_numpy(np.int64), _timeless(timeline)
        return cls(codes, labels, time, line, first, timeless=timeless)

    def __len__(self) -> int:
        return len(self.time)

    def parts(self) -> list["Log"]:
        """The same log in pieces of whole chutes, some `PART` rows each; one piece at least.

        Chutes share nothing, and arrays that fit the processor's cache are faster than long ones.
        """
        piece = self.first[:-1] // PART
        cuts = [*np.flatnonzero(np.diff(piece, prepend=-1)), len(piece)]
        return [self._part(*ends) for ends in pairwise(cuts)] or [self]

    def _part(self, begin: int, end: int) -> "Log":
        rows = slice(self.first[begin], self.first[end])
        codes = {name: column[rows] for name, column in self.codes.items()}
        first = self.first[begin : end + 1] - self.first[begin]
        time, line = self.time[rows], self.line[rows]
        timeless = None if self.timeless is None else self.timeless[rows]
        return Log(codes, self.labels, time, line, first, int(rows.start), begin, timeless=timeless)

    @property
    def chutes(self) -> slice:
        """Which chutes of the whole log this piece holds."""
        return slice(self.before, self.before + len(self.first) - 1)

    def share(self, chute: Ints) -> slice:
        """The rows of this piece's chutes in a table, from its column of chute numbers."""
        bounds = np.array([self.chutes.start, self.chutes.stop], chute.dtype)
        begin, end = np.searchsorted(chute, bounds)
        return slice(int(begin), int(end))

    @property
    def floors(self) -> int:
        """How many floors a chute can have, no floor counted as one."""
        return len(self.labels["floor"]) + 1

    @cached_property
    def chute(self) -> Ints:
        """The number of each row's chute, from 0 in the order of the timeline."""
        numbers = np.arange(len(self.first) - 1, dtype=np.int32)
        return np.repeat(numbers, np.diff(self.first))

    @cached_property
    def door(self) -> Ints:
        """One number for chute and floor of each row; a multiple of `floors` is no floor."""
        door = self.chute * np.int32(self.floors)
        door += self.codes["floor"]
        door += 1
        return door

    @cached_property
    def kind(self) -> Ints:
        """Signal and edge of each row as one small number, see `kind_of`."""
        signals, edges = list(self.labels["signal"]), list(self.labels["edge"])
        table = np.full((len(signals) + 1, len(edges) + 1), NONE, np.uint8)  # the first are null
        for signal in set(signals) & set(SIGNALS):
            for edge in set(edges) & set(EDGES):
                table[signals.index(signal) + 1, edges.index(edge) + 1] = kind_of(signal, edge)
        pair = (self.codes["signal"] + np.int16(1)) * np.int16(len(edges) + 1)
        kinds: Ints = table.ravel()[pair + (self.codes["edge"] + np.int16(1))]
        return kinds

    @cached_property
    def stretch(self) -> Ints | None:
        """Which clock a row's time was read from: 0 anchored, else the unanchored stretch.

        Times of two stretches cannot be subtracted. A stretch ends where the mark changes, at a
        power on and with the chute; a row that holds no clock at all is one by itself. None
        where the whole log is anchored.
        """
        marks = self.labels["clock"]
        if "unanchored" not in marks:
            return None
        loose = self.codes["clock"] == marks.get_loc("unanchored")
        begins = loose.copy()
        begins[1:] &= ~loose[:-1]
        begins[self.first[:-1]] = True
        begins |= self.kind == kind_of("power", "on")
        if self.timeless is not None:
            begins |= self.timeless
        return np.where(loose, np.cumsum(begins, dtype=np.int64), 0)

    @cached_property
    def instant(self) -> Ints:
        """A number for each run of rows with one time by one clock: they are simultaneous."""
        new = np.ones(len(self), bool)
        new[1:] = self.time[1:] != self.time[:-1]
        new[self.first[:-1]] = True
        if self.stretch is not None:
            new[1:] |= self.stretch[1:] != self.stretch[:-1]
        return np.cumsum(new, dtype=np.int32)

    def rows(self, signal: str, edge: str) -> Rows:
        """The rows of one kind of event, ascending."""
        kind = kind_of(signal, edge)
        if kind not in self.kept:
            self.kept[kind] = np.flatnonzero(self.kind == kind)
        return self.kept[kind]

    def doors(self, rows: Rows) -> Ints:
        """The doors of these rows."""
        return self.door[rows]

    def door_keys(self, signal: str, edge: str) -> Rows:
        """One number for the door and the row of each event of a kind, ascending: `keys_of`."""
        kind = kind_of(signal, edge)
        if kind not in self.keyed:
            rows = self.rows(signal, edge)
            rows = rows[stable_order(self.doors(rows))]
            self.keyed[kind] = self.keys_of(self.doors(rows), rows)
        return self.keyed[kind]

    def keys_of(self, door: Ints, row: Rows | int) -> Rows:
        """One sortable number for a door and a row."""
        keys: Rows = door.astype(np.int64) * (len(self) + 1) + row
        return keys

    def has(self, *signals: str) -> Flags:
        """Chute by chute, whether the log records any of these signals."""
        rows = [self.rows(signal, edge) for signal in signals for edge in EDGES]
        counts = [np.diff(np.searchsorted(places, self.first)) for places in rows]
        found: Flags = np.sum(counts, axis=0) > 0
        return found

    def last(self, rows: Rows) -> Rows:
        """The last row of each row's chute."""
        begins: Rows = self.first[self.chute[rows] + 1]
        return begins - 1

    def seconds(self, begin: Rows, end: Rows) -> Floats:
        """Seconds between rows; NaN where either is -1, the clock ran back or was another."""
        span: Floats = (self.time[end] - self.time[begin]) / SECOND
        span[(np.minimum(begin, end) < 0) | (span < 0)] = np.nan
        if self.stretch is not None:
            span[~self.comparable(begin, end)] = np.nan
        return span

    def comparable(self, a: Rows, b: Rows) -> Flags:
        """Whether the times of two rows may be subtracted."""
        stretch = self.stretch
        return np.ones(len(a), bool) if stretch is None else stretch[a] == stretch[b]

    def losses(self) -> Rows:
        """Rows at which power was lost: each off, and each on that no off stands before."""
        power = self.power()
        off = self.kind[power] == kind_of("power", "off")
        after_off = np.zeros(len(power), bool)
        after_off[1:] = off[:-1] & (self.chute[power[1:]] == self.chute[power[:-1]])
        lost: Rows = power[off | ~after_off]
        return lost

    def power(self) -> Rows:
        """Rows of power events, on or off."""
        return np.sort(np.concatenate([self.rows("power", "on"), self.rows("power", "off")]))

    def text(self, name: str, rows: Rows) -> pd.Categorical:
        """A text column of the timeline at these rows; null at -1."""
        return self.category(name, self.numbers(name, rows))

    def category(self, name: str, codes: Ints) -> pd.Categorical:
        """Category numbers of a text column as a column of a table."""
        return named(codes, self.labels[name])

    def times(self, rows: Rows) -> pd.DatetimeIndex:
        """The times of these rows in UTC; null at -1."""
        return utc(self.micros(rows))

    def numbers(self, name: str, rows: Rows) -> Ints:
        """Category numbers of a text column at these rows; -1 at -1."""
        return np.where(rows < 0, np.int8(-1), self.codes[name][rows])

    def micros(self, rows: Rows) -> Rows:
        """The times of these rows, UTC microseconds; `NEVER` at -1."""
        return np.where(rows < 0, NEVER, self.time[rows])


def _timeless(timeline: pd.DataFrame) -> Flags | None:
    """Unanchored rows without a written wall clock: they share one time that is none of theirs."""
    loose = timeline["clock"].eq("unanchored").to_numpy(bool)
    if "device_time" not in timeline.columns or not loose.any():
        return None
    timeless: Flags = loose & timeline["device_time"].isna().to_numpy(bool)
    return timeless if timeless.any() else None


Columns = dict[str, Ints]


def frame(log: Log, pieces: list[Columns], name: str, words: Mapping[str, Words]) -> pd.DataFrame:
    """Columns of the pieces of a log, one below the other, as a table.

    Args:
        log: Where the text columns have their categories.
        pieces: Column → numbers: of categories, UTC microseconds, or as they are.
        name: The table in `TABLES`, whose types tell which columns are times.
        words: Categories of text columns that the timeline has not.
    """
    columns: dict[str, Any] = {}
    for column in pieces[0]:
        values = np.concatenate([piece[column] for piece in pieces])
        if column in words or column in log.labels:
            columns[column] = named(values, words.get(column, log.labels.get(column, ())))
        else:
            is_time = TABLES[name].field(column).type == UTC
            columns[column] = utc(values) if is_time else values
    return pd.DataFrame(columns, copy=False)


def categorical(column: pd.Series | pd.Categorical) -> pd.Categorical:
    """A text column as categories, whatever it is."""
    if isinstance(column, pd.Categorical):
        return column
    return pd.Categorical(column.array) if column.dtype != "category" else column.array


def named(codes: Ints, labels: Words) -> pd.Categorical:
    """A column of a table from numbers of labels; -1 is null."""
    dtype: Any = pd.CategoricalDtype(pd.Index(labels))
    return pd.Categorical.from_codes(codes, dtype=dtype, validate=False)


def utc(micros: Rows) -> pd.DatetimeIndex:
    """A column of times from UTC microseconds."""
    return pd.DatetimeIndex(micros.view("datetime64[us]")).tz_localize("UTC")


def stable_order(key: Ints) -> Rows:
    """Rows by key, equal keys in their old order: numpy's radix sort, 16 bits at a time."""
    top = int(key.max(initial=0))
    order = np.argsort(key.astype(np.uint16), kind="stable")
    for shift in range(16, top.bit_length(), 16):
        digit = (key >> shift).astype(np.uint16)[order]
        order = order[np.argsort(digit, kind="stable")]
    return order


def before(sorted_rows: Rows, rows: Rows) -> Rows:
    """The greatest of `sorted_rows` below each row, or -1."""
    if not len(sorted_rows):
        return np.full(len(rows), -1)
    return pick(sorted_rows, np.searchsorted(sorted_rows, rows) - 1)


def after(sorted_rows: Rows, rows: Rows, none: int) -> Rows:
    """The smallest of `sorted_rows` above each row, or `none`."""
    if not len(sorted_rows):
        return np.full(len(rows), none)
    at = np.searchsorted(sorted_rows, rows, side="right")
    found: Rows = np.append(sorted_rows, none)[at]
    return found


def pick(values: Rows, at: Rows) -> Rows:
    """`values[at]`, -1 where `at` is -1."""
    picked: Rows = np.append(values, -1)[at]
    return picked


def chute_names(log: Log) -> list[tuple[str, str]]:
    """Site and chute id of each chute of the log, in its order."""
    names = (log.labels[name][log.codes[name][log.first[:-1]]] for name in ("site", "chute"))
    return list(zip(*names, strict=True))


def chute_numbers(log: Log, table: pd.DataFrame) -> Ints:
    """The log's number for the chute of each row of a table made from it.

    Raises:
        TableError: The table has a chute that the log has not.
    """
    numbers = {names: number for number, names in enumerate(chute_names(log))}
    site, chute = categorical(table["site"]), categorical(table["chute"])
    first = starts(site.codes, chute.codes)[:-1]
    try:
        runs = [numbers[site[row], chute[row]] for row in first]
    except KeyError as missing:
        raise stranger(f"the chute {missing}") from None
    return np.repeat(np.array(runs, np.int32), np.diff(np.append(first, len(table))))


def recoded(column: pd.Series | pd.Categorical, labels: pd.Index) -> Ints:
    """A text column as category numbers among other labels; -1 for null and strangers."""
    values = categorical(column)
    numbers = np.append(labels.get_indexer(values.categories), -1)
    recoded: Ints = numbers.astype(np.int32)[values.codes]
    return recoded


def stranger(found: str) -> TableError:
    """The error for a table that was not made from this timeline."""
    return TableError("table", found, "tables made from this same timeline", "Make them anew")


def starts(site: Ints, chute: Ints) -> Rows:
    """The rows at which a chute begins, then the number of rows."""
    changes = (site[1:] != site[:-1]) | (chute[1:] != chute[:-1])
    rows = np.flatnonzero(changes) + 1
    first = np.concatenate([[0], rows, [len(site)]]) if len(site) else np.zeros(1, np.int64)
    pairs = np.stack([site[first[:-1]], chute[first[:-1]]])
    if np.unique(pairs, axis=1).shape[1] < len(first) - 1:
        raise TableError(
            "timeline", "rows of one chute in several places", "rows sorted by site, chute and seq",
            "Sort the timeline",
        )  # fmt: skip
    return first.astype(np.int64)

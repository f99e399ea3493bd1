"""Stamp text → written time: by column where the format allows, else by python-dateutil.

A block is read in passes, each taking what the one before left over: by column in the profile's
form; by column in another form, which dateutil reads once for each distinct day; each distinct
text by itself, by the profile, then by dateutil. What is left is not ok. Decided here:

- A stamp's own offset is honoured in every zone; with zone "offset" a stamp without one is not ok.
- Epoch stamps are UTC whatever the zone says (offset 0). Text among them goes to dateutil too.
- An uptime has no other form: text among uptimes is not ok.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from loganalyzer.stamps.columns import ColumnReader, Columns
from loganalyzer.stamps.forms import Form, Reading, Span, form
from loganalyzer.stamps.forms import needs_year as needs_year
from loganalyzer.stamps.lenient import lenient
from loganalyzer.stamps.numbers import SCALE_US, read_numbers
from loganalyzer.stamps.offsets import NO_OFFSET
from loganalyzer.stamps.years import YearRoll, in_year, latest_first_year, leap_days


class TimeRule(Protocol):
    """The `[time]` table of a profile."""

    @property
    def format(self) -> str:
        """A strptime format, or "iso", "epoch_s", "epoch_ms", "uptime_s"."""

    @property
    def zone(self) -> str:
        """Either "site", "utc", "offset" or an IANA name."""


@dataclass(frozen=True)
class Parsed:
    """Stamps of one block, read.

    Attributes:
        written: Wall clock as written, µs since 1970-01-01 00:00 (UTC for epoch formats; for
            uptime_s µs since the power-on); 0 where not ok.
        offset_us: The offset that the stamps carry (local - UTC, µs; `NO_OFFSET` where a stamp
            carries none), or None where no stamp of the block carries one. All 0 for epoch
            formats. Hand it on to `ZoneClock.to_utc`.
        ok: False → reject "unreadable time".
        by_dateutil: How many rows only python-dateutil could read.
    """

    written: NDArray[np.int64]
    offset_us: NDArray[np.int64] | None
    ok: NDArray[np.bool_]
    by_dateutil: int


class Stamps:
    """Reads the stamps of one export in file order; the year of year-less formats rolls on."""

    def __init__(self, rule: TimeRule, received: datetime, first_year: int | None = None) -> None:
        """Take the rule, when the export was received and, from YearFinder, the first year.

        Without a first year, the first stamp of a year-less format gets the latest year that is
        not after received + 1 day.

        Raises:
            ProfileError: The format is not one that strptime knows, or holds no day or hour.
        """
        self._reader = _Reader(rule)
        self._received, self._first_year = received, first_year
        self._roll = YearRoll()

    def parse(self, stamps: pa.Array | pa.ChunkedArray) -> Parsed:
        """Read the next block of stamps.

        Args:
            stamps: String, or dictionary of string; null is not ok.
        """
        read, by_dateutil = self._reader.read(stamps)
        if self._reader.yearless:
            self._put_years(read)
        if not read.ok.all():
            read.written[~read.ok] = 0
        carried = read.offset_us is not None and bool((read.offset_us != NO_OFFSET).any())
        return Parsed(read.written, read.offset_us if carried else None, read.ok, by_dateutil)

    def _put_years(self, read: Columns) -> None:
        rows = np.flatnonzero(read.ok)
        if not len(rows):
            return
        written = read.written[rows]
        if self._first_year is None:
            last = YearRoll()
            last.add(written[:1])
            self._first_year = latest_first_year(last.last or 0, 0, set(), self._received)
        read.written[rows], read.ok[rows] = in_year(
            written, self._first_year + self._roll.add(written)
        )


class YearFinder:
    """Learns the year of the first stamp from a first pass over a file without years."""

    def __init__(self, rule: TimeRule) -> None:
        """Take the same rule as Stamps."""
        self._reader = _Reader(rule)
        self._roll = YearRoll()
        self._leaps: set[int] = set()

    def add(self, stamps: pa.Array | pa.ChunkedArray) -> None:
        """Take the next block of stamps, in file order."""
        read, _ = self._reader.read(stamps)
        written = read.written[read.ok]
        self._leaps |= leap_days(written, self._roll.add(written))

    def first_year(self, received: datetime) -> int | None:
        """The first stamp's year; the last gets the latest year not after received + 1 day.

        A 29 February in the file moves it back to where it exists. None where no stamp was read.
        """
        if self._roll.last is None:
            return None
        return latest_first_year(self._roll.last, self._roll.years, self._leaps, received)


def is_uptime(time_format: str) -> bool:
    """Whether stamps count from the power-on: no zone applies, `utc` is null."""
    return time_format == "uptime_s"


class _Reader:
    """Text → written time in file order, years not yet put in."""

    def __init__(self, rule: TimeRule) -> None:
        self._format, self._offset_needed = rule.format, rule.zone == "offset"
        self.yearless = needs_year(rule.format)
        numbers = rule.format in SCALE_US
        self._strict = None if numbers else ColumnReader(form(rule.format))
        strict = self._strict.form if self._strict else None
        self._other = ColumnReader(_Other(lenient("iso" if numbers else rule.format), strict))

    def read(self, stamps: pa.Array | pa.ChunkedArray) -> tuple[Columns, int]:
        """What was read, and how many rows only dateutil could read."""
        texts = _plain(stamps)
        read = self._strict.read(texts) if self._strict else self._numbers(texts)
        by_dateutil = np.zeros(len(texts), np.bool_)
        if not read.ok.all() and not is_uptime(self._format):
            read, by_dateutil = self._rest(texts, read)
        if self._offset_needed:
            read = Columns(read.written, read.offsets(), read.ok & (read.offsets() != NO_OFFSET))
        return read, int((by_dateutil & read.ok).sum())

    def _numbers(self, texts: pa.StringArray) -> Columns:
        written, ok = read_numbers(texts, self._format)
        return Columns(written, None if is_uptime(self._format) else np.where(ok, 0, NO_OFFSET), ok)

    def _rest(self, texts: pa.StringArray, read: Columns) -> tuple[Columns, NDArray[np.bool_]]:
        before = read.ok
        read = _filled(read, texts, self._other.read)
        by_dateutil = read.ok & ~before
        if self._strict:
            strict = self._strict.form
            read = _filled(read, texts, lambda rest: _each(rest, strict))
        before = read.ok
        read = _filled(read, texts, lambda rest: _each(rest, self._other.form))
        return read, by_dateutil | (read.ok & ~before)


@dataclass(frozen=True)
class _Other:
    """dateutil's forms less the profile's own, which is read by itself."""

    lenient: Form
    strict: Form | None

    def places(self, text: str) -> tuple[Span, ...] | None:
        return self.lenient.places(text)

    def read(self, text: str) -> Reading | None:
        if self.strict and self.strict.read(text):
            return None
        return self.lenient.read(text)


def _filled(
    read: Columns, texts: pa.StringArray, by: Callable[[pa.StringArray], Columns]
) -> Columns:
    """With what is not read yet read, as far as it can be."""
    rows = np.flatnonzero(~read.ok)
    if not len(rows):
        return read
    more = by(texts.take(pa.array(rows)))
    written, offset_us, ok = read.written.copy(), read.offsets().copy(), read.ok.copy()
    written[rows], offset_us[rows], ok[rows] = more.written, more.offsets(), more.ok
    return Columns(written, offset_us, ok)


def _each(texts: pa.StringArray, stamp: Form) -> Columns:
    """Each distinct text by itself."""
    distinct = texts.dictionary_encode()
    found = [stamp.read(text.strip()) for text in distinct.dictionary.to_pylist()]
    places = distinct.indices.to_numpy()
    written = np.array([each[0] if each else 0 for each in found], np.int64)
    own = [NO_OFFSET if not each or each[1] is None else each[1] for each in found]
    ok = np.array([each is not None for each in found], np.bool_)
    return Columns(written[places], np.array(own, np.int64)[places], ok[places])


def _plain(stamps: pa.Array | pa.ChunkedArray) -> pa.StringArray:
    """Strings in one piece, null as empty text."""
    if isinstance(stamps, pa.ChunkedArray):
        stamps = stamps.combine_chunks()
    if stamps.type != pa.string():
        stamps = stamps.cast(pa.string())
    return pc.fill_null(stamps, "") if stamps.null_count else stamps

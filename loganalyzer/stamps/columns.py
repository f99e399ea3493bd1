"""Stamps by column: digits of the clock by table, each distinct day parsed once.

Stamps of one width whose clock digits lie at the same places share a shape. Everything but those
digits (day, month name, AM, offset) changes rarely from line to line, so it is read once for each
distinct text, with the clock at zero, and the clock is added. What fits no shape is left over.
"""

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.stamps.forms import Form, Reading, Span
from loganalyzer.stamps.offsets import NO_OFFSET

Int64s = NDArray[np.int64]
Bytes = NDArray[np.uint8]

HOUR_US = 3_600_000_000
_BAD = -(1 << 60)  # a few of them add up without overflow
_SHAPES = 24  # shapes tried in a block before the rest is left over
_PROBES = 6  # stamps looked at to find a shape
_KEPT = 50_000  # distinct days kept


@dataclass
class Columns:
    """What is read of a block: µs, offsets (None: no stamp carries one), which rows are read."""

    written: Int64s
    offset_us: Int64s | None
    ok: NDArray[np.bool_]

    def offsets(self) -> Int64s:
        """The offsets, NO_OFFSET where a stamp carries none."""
        return np.full(len(self.ok), NO_OFFSET) if self.offset_us is None else self.offset_us


@dataclass
class ColumnReader:
    """Reads stamps of one form by column; keeps the days it has seen."""

    form: Form
    _days: dict[bytes, Reading | None] = field(default_factory=dict)

    def read(self, stamps: pa.StringArray) -> Columns:
        """Read what can be read by column.

        Args:
            stamps: Strings without nulls.

        Returns:
            One place a row; `ok` is False for rows left over.
        """
        count = len(stamps)
        widths = np.diff(_offsets(stamps))
        one_width = bool(count and widths[0] and (widths == widths[0]).all())
        whole = self._whole(stamps) if one_width else None
        if whole:
            return whole
        read = Columns(
            np.zeros(count, np.int64), np.full(count, NO_OFFSET), np.zeros(count, np.bool_)
        )
        tries = _SHAPES
        for width in _commonest(widths):
            rows = np.flatnonzero(widths == width)
            tries = self._one_width(stamps.take(pa.array(rows)), rows, read, tries)
            if not tries:
                break
        return read

    def _whole(self, stamps: pa.StringArray) -> Columns | None:
        """All stamps, if they have one shape and are all in order, as they nearly always are."""
        spans = self._shape(stamps)
        if not spans:
            return None
        written, offset_us, ok = self._read_shape(_matrix(stamps), spans)
        if not ok.all():
            return None
        if isinstance(offset_us, int):
            none = offset_us == NO_OFFSET
            return Columns(written, None if none else np.full(len(ok), offset_us), ok)
        return Columns(written, offset_us, ok)

    def _one_width(self, stamps: pa.StringArray, rows: Int64s, read: Columns, tries: int) -> int:
        """Read stamps of one width, shape by shape; what is left of the tries."""
        while len(rows) and tries:
            tries -= 1
            spans = self._shape(stamps)
            if not spans:
                break
            written, offset_us, ok = self._read_shape(_matrix(stamps), spans)
            done = rows[ok]
            read.written[done], read.ok[done] = written[ok], True
            own = offset_us if isinstance(offset_us, int) else offset_us[ok]
            read.offsets()[done] = own
            stamps, rows = stamps.take(pa.array(np.flatnonzero(~ok))), rows[~ok]
        return tries

    def _shape(self, stamps: pa.StringArray) -> tuple[Span, ...] | None:
        for place in np.unique(np.linspace(0, len(stamps) - 1, _PROBES).astype(int)):
            text = stamps[place].as_py()
            spans, read = _byte_places(self.form, text), self.form.read(text)
            if spans and read:
                written, _, ok = self._read_shape(_matrix(stamps.slice(place, 1)), spans)
                if ok[0] and written[0] == read[0]:
                    return spans
        return None

    def _read_shape(
        self, matrix: Bytes, spans: tuple[Span, ...]
    ) -> tuple[Int64s, Int64s | int, NDArray[np.bool_]]:
        clock = _clock(matrix, spans)
        starts = _runs(matrix, spans)
        days, offset_us, known = self._read_days(matrix[starts], spans)
        if len(starts) == 1:
            ok = clock >= 0 if known[0] else np.zeros(len(matrix), np.bool_)
            clock += days[0]
            return clock, int(offset_us[0]), ok
        lengths = np.diff(np.append(starts, len(matrix)))
        ok = (clock >= 0) & np.repeat(known, lengths)
        clock += np.repeat(days, lengths)
        if (offset_us == offset_us[0]).all():
            return clock, int(offset_us[0]), ok
        return clock, np.repeat(offset_us, lengths), ok

    def _read_days(
        self, matrix: Bytes, spans: tuple[Span, ...]
    ) -> tuple[Int64s, Int64s, NDArray[np.bool_]]:
        """Each row with its clock at zero (at one where 12 follows 11), each distinct text once."""
        zeroed = np.ascontiguousarray(matrix)
        for name, first, last in spans:
            zeroed[:, first:last] = ord("0")
            if name == "I":
                zeroed[:, last - 1] = ord("1")
        kind = pa.binary(zeroed.shape[1])
        texts = pa.FixedSizeBinaryArray.from_buffers(
            kind, len(zeroed), [None, pa.py_buffer(zeroed)]
        ).dictionary_encode()
        found = [self._day(text, spans) for text in texts.dictionary.to_pylist()]
        places = texts.indices.to_numpy()
        late = HOUR_US if any(name == "I" for name, _, _ in spans) else 0
        days = np.array([day[0] - late if day else 0 for day in found], np.int64)
        own = [NO_OFFSET if not day or day[1] is None else day[1] for day in found]
        known = np.array([day is not None for day in found])
        return days[places], np.array(own, np.int64)[places], known[places]

    def _day(self, text: bytes, spans: tuple[Span, ...]) -> Reading | None:
        if text not in self._days:
            if len(self._days) >= _KEPT:
                self._days.clear()
            plain = text.decode("utf-8", "replace")
            same = _byte_places(self.form, plain) == spans
            self._days[text] = self.form.read(plain) if same else None
        return self._days[text]


def _byte_places(form: Form, text: str) -> tuple[Span, ...] | None:
    """The form's places, counted in bytes of UTF-8."""
    spans = form.places(text)
    if spans is None or text.isascii():
        return spans
    return tuple(
        (name, len(text[:first].encode()), len(text[:last].encode())) for name, first, last in spans
    )


def _clock(matrix: Bytes, spans: tuple[Span, ...]) -> Int64s:
    """µs since midnight (or since noon with %p); negative where a digit or a range is wrong."""
    total: Int64s = np.zeros(len(matrix), np.int64)
    for name, first, last in spans:
        if name == "f":
            for place in range(first, last, 2):
                total += _two(matrix, place, _fraction_table(place - first, min(2, last - place)))
        else:
            total += _two(matrix, first, _TABLES[name, last - first])
    return total


def _two(matrix: Bytes, place: int, table: Int64s) -> Int64s:
    """Look one or two digits up; the length of the table says how many."""
    keys = matrix[:, place] if len(table) == 256 else _view(matrix, place, 2)
    found: Int64s = table.take(keys)
    return found


def _runs(matrix: Bytes, spans: tuple[Span, ...]) -> Int64s:
    """First rows of the runs in which all but the clock's digits stay the same."""
    changed = np.zeros(max(len(matrix) - 1, 0), np.bool_)
    for first, last in _between(spans, matrix.shape[1]):
        while first < last:
            size = next(size for size in (8, 4, 2, 1) if first + size <= last)
            keys = _view(matrix, first, size)
            changed |= keys[1:] != keys[:-1]
            first += size
    return np.concatenate([[0], np.flatnonzero(changed) + 1])


def _between(spans: tuple[Span, ...], width: int) -> list[tuple[int, int]]:
    edges = sorted((first, last) for _, first, last in spans)
    starts = [0, *(last for _, last in edges)]
    ends = [*(first for first, _ in edges), width]
    return [(start, end) for start, end in zip(starts, ends, strict=True) if start < end]


def _view(matrix: Bytes, place: int, size: int) -> NDArray[np.unsignedinteger]:
    """`size` bytes from a place of each row as one number."""
    return matrix[:, place : place + size].view(f"<u{size}")[:, 0]


def _matrix(stamps: pa.StringArray) -> Bytes:
    """The bytes of equally wide strings, one row a string, without copying."""
    offsets = _offsets(stamps)
    width = int(offsets[1] - offsets[0])
    data = np.frombuffer(stamps.buffers()[2] or b"", np.uint8)
    return data[offsets[0] : offsets[-1]].reshape(len(stamps), width)


def _offsets(stamps: pa.StringArray) -> NDArray[np.int32]:
    if not len(stamps):
        return np.zeros(1, np.int32)
    every = np.frombuffer(stamps.buffers()[1], np.int32)
    return every[stamps.offset : stamps.offset + len(stamps) + 1]


def _commonest(widths: NDArray[np.int32]) -> list[int]:
    """Widths above 0, the commonest first."""
    values, counts = np.unique(widths, return_counts=True)
    pairs = sorted(zip(counts.tolist(), values.tolist(), strict=True), reverse=True)
    return [width for _, width in pairs if width]


def _table(width: int, values: dict[int, int]) -> Int64s:
    """Digits as they stand in memory → µs; everything else is _BAD."""
    table = np.full(256**width, _BAD)
    for number, us in values.items():
        if number < 10**width:
            text = f"{number:0{width}d}".encode()
            table[int.from_bytes(text, "little")] = us
    return table


def _fraction_table(place: int, width: int) -> Int64s:
    """Digits from this place after the point on; those past the sixth count nothing."""
    return _FRACTIONS[min(place, 6), width]


_VALUES = {
    "H": {hour: hour * HOUR_US for hour in range(24)},
    "I": {hour: hour % 12 * HOUR_US for hour in range(1, 13)},
    "M": {minute: minute * 60_000_000 for minute in range(60)},
    "S": {second: second * 1_000_000 for second in range(60)},
}
_TABLES = {
    (name, width): _table(width, values) for name, values in _VALUES.items() for width in (1, 2)
}
_FRACTIONS = {
    (place, width): _table(
        width,
        {
            number: number * 10**6 // 10 ** (place + width) if place < 6 else 0
            for number in range(10**width)
        },
    )
    for place in range(7)
    for width in (1, 2)
}

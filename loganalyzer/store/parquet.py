"""The Parquet files of the store: their columns, how they are written, how they come back.

A reading (one export's events of one chute, as written) and a stretch (a part of a timeline, the
clock put right) have the same columns, so that a lone export with a sound clock is written once.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from loganalyzer.clock.marks import mark_array
from loganalyzer.errors import StoreError
from loganalyzer.tables import TABLES, UTC

Ints = npt.NDArray[np.int64]

TIMELINE = TABLES["timeline"]
# A timeline without `seq` (it counts on over the stretches when they are read), and what a later
# merge needs: µs since power-on where there is no wall clock, the counter, the anchor (µs UTC),
# and whether the event is the first of its line.
FILE = pa.schema(
    [
        *(field for field in TIMELINE if field.name != "seq"),
        ("uptime", pa.int64()),
        ("order", pa.int64()),
        ("anchor", pa.int64()),
        ("head", pa.bool_()),
    ]
)
# Row groups of half a million rows: memory stays flat, and a month of a busy site is one or two.
GROUP_ROWS = 1 << 19
_DELTA = ("time", "device_time", "line", "uptime", "order", "anchor")


class EventFile:
    """A Parquet file of events that is written in blocks."""

    def __init__(self, path: Path, schema: pa.Schema = FILE) -> None:
        self.path, self.rows = path, 0
        self._schema = schema
        self._held: list[pa.Table] = []
        self._held_rows = 0
        texts = [field.name for field in schema if pa.types.is_dictionary(field.type)]
        delta = dict.fromkeys((n for n in schema.names if n in _DELTA), "DELTA_BINARY_PACKED")
        self._writer = pq.ParquetWriter(
            path, schema, compression="zstd", compression_level=1,
            use_dictionary=texts, column_encoding=delta,
            write_statistics=[name for name in ("time", "line") if name in schema.names],
        )  # fmt: skip

    def write(self, block: pa.Table) -> None:
        """Add rows, their columns in the order of the schema."""
        self._held.append(block)
        self._held_rows += block.num_rows
        self.rows += block.num_rows
        if self._held_rows >= GROUP_ROWS:
            self._write_group()

    def _write_group(self) -> None:
        if self._held:
            self._writer.write_table(pa.concat_tables(self._held).unify_dictionaries())
        self._held, self._held_rows = [], 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                self._write_group()
        finally:
            self._writer.close()


def constant(value: str, rows: int) -> pa.DictionaryArray:
    """A text column that says the same in every row."""
    indices = pa.repeat(pa.scalar(0, pa.int32()), rows)
    return pa.DictionaryArray.from_arrays(indices, pa.array([value], pa.string()))


@contextmanager
def opened(path: Path) -> Iterator[pq.ParquetFile]:
    """A file of the store, for reading.

    Raises:
        FileNotFoundError: It is gone.
        StoreError: It is damaged.
    """
    try:
        with pq.ParquetFile(path) as file:  # not read_table, which takes SITE/CHUTE for columns
            yield file
    except FileNotFoundError:
        raise
    except (OSError, pa.ArrowException) as error:
        raise StoreError(
            str(path), "a damaged file", "it as it was written", "Run loganalyzer check --repair"
        ) from error


def groups(path: Path) -> Iterator[pa.Table]:
    """A file's row groups as tables."""
    with opened(path) as file:
        for at in range(file.num_row_groups):
            yield file.read_row_group(at).cast(FILE)


def read(paths: Sequence[Path], columns: Sequence[str]) -> pa.Table:
    """Some columns of several files, one below the other, text as dictionaries."""
    schema = pa.schema([FILE.field(column) for column in columns])
    return pa.concat_tables([read_as(path, schema) for path in paths]).unify_dictionaries()


def read_as(path: Path, schema: pa.Schema) -> pa.Table:
    """The columns of a schema from a file."""
    with opened(path) as file:
        return file.read(schema.names).select(schema.names).cast(schema)


def to_reading(file: pa.Table) -> pa.Table:
    """Rows of a reading's file as the clock and the merge take them."""
    written = pc.coalesce(file["device_time"].cast(pa.int64()), file["uptime"])
    return pa.table(
        {
            **{name: file[name] for name in ("chute", "floor", "signal", "edge", "stream", "code")},
            **{name: file[name] for name in ("value", "line", "order", "anchor", "head")},
            "written": written,
            "utc": file["time"].cast(pa.int64()),
            "mark": file["clock"],
            "uptime": file["uptime"],
        }
    )


def with_clock(file: pa.Table, time: Ints, marks: npt.NDArray[np.int8]) -> pa.Table:
    """Rows of a file with another time and how far to trust it."""
    at = file.schema.get_field_index("time")
    file = file.set_column(at, FILE.field("time"), pa.array(time).cast(UTC))
    at = file.schema.get_field_index("clock")
    return file.set_column(at, FILE.field("clock"), mark_array(marks))


def first_difference(one: Path, other: Path, schema: pa.Schema) -> int | None:
    """The line of the first row in which two files differ; null if they hold the same.

    Args:
        one: A file of the store.
        other: The file to compare with.
        schema: Their columns; one is `line`.
    """
    with opened(one) as first, opened(other) as second:
        by_groups = _group_rows(first) == _group_rows(second)  # then memory stays flat
        pieces = (_pieces(file, schema, by_groups) for file in (first, second))
        for a, b in zip(*pieces, strict=True):
            rows = min(a.num_rows, b.num_rows)
            same = np.ones(rows, np.bool_)
            for name in schema.names:
                same &= _alike(a[name].slice(0, rows), b[name].slice(0, rows))
            if not same.all():
                return int(a["line"][int(np.argmin(same))].as_py())
            if a.num_rows != b.num_rows:
                longer = a if a.num_rows > rows else b
                return int(longer["line"][rows].as_py())
    return None


def _group_rows(file: pq.ParquetFile) -> list[int]:
    groups = range(file.num_row_groups)
    return [file.metadata.row_group(group).num_rows for group in groups]


def _pieces(file: pq.ParquetFile, schema: pa.Schema, by_groups: bool) -> Iterator[pa.Table]:
    """A file's rows, by row groups or all at once, dictionaries unpacked."""
    plain = [f.type.value_type if pa.types.is_dictionary(f.type) else f.type for f in schema]
    every = list(range(file.num_row_groups))
    for groups in [[one] for one in every] if by_groups else [every]:
        table = file.read_row_groups(groups, schema.names).select(schema.names)
        yield table.cast(pa.schema(list(zip(schema.names, plain, strict=True))))


def _alike(one: pa.ChunkedArray, other: pa.ChunkedArray) -> npt.NDArray[np.bool_]:
    """Row by row whether two columns hold the same, nulls and NaN included."""
    both = pc.and_(pc.is_null(one, nan_is_null=True), pc.is_null(other, nan_is_null=True))
    equal = pc.fill_null(pc.equal(one, other), False)
    return np.asarray(pc.or_(both, equal).to_numpy(), np.bool_)

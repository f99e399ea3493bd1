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

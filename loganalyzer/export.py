"""A table → a file; the ending picks the format.

Times are UTC microseconds in Parquet and RFC 3339 in text. A file appears whole or not at all.
"""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from loganalyzer.errors import UsageError
from loganalyzer.tables import TABLES, conform

SHEET_ROWS = 1_048_575  # rows of an .xlsx sheet, less the header (ECMA-376)
JSON_ROWS = 100_000  # rows turned into text at a time, so that memory stays flat


def write(table: pd.DataFrame, name: str, out: Path) -> int:
    """Write a table to a file.

    Args:
        table: A table of tables.py, or one with columns of its own.
        name: Its name; a key of `TABLES` fixes columns, order and types.
        out: The file; its ending is one of `FORMATS`. An older file is replaced.

    Returns:
        The number of rows written.

    Raises:
        UsageError: The ending is unknown, the folder is missing or not writable, or a sheet
            cannot hold the rows.
    """
    writer = format_of(out)
    arrow = (
        conform(table, name)
        if name in TABLES
        else pa.Table.from_pandas(table, preserve_index=False)
    )
    try:
        _land(out, lambda temporary: writer(arrow, temporary))
    except OSError as error:
        raise UsageError(
            f"--out {out}", error.strerror or str(error), "a file in a folder that can be written",
            "Choose another folder",
        ) from error  # fmt: skip
    return int(arrow.num_rows)


def format_of(out: Path) -> Callable[[pa.Table, Path], None]:
    """The writer for a file's ending.

    Raises:
        UsageError: The ending is none of `FORMATS`.
    """
    try:
        return FORMATS[out.suffix.lower()]
    except KeyError:
        raise UsageError(
            f"--out {out}",
            f"the ending '{out.suffix}'",
            ", ".join(FORMATS),
            "Name the file with one of these endings",
        ) from None


def as_text(table: pa.Table) -> pa.Table:
    """The same table with times as RFC 3339 text and dictionaries unpacked."""
    return pa.table([_text(column) for column in table.columns], names=table.column_names)


def _text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if pa.types.is_dictionary(column.type):
        return column.cast(column.type.value_type)
    if pa.types.is_timestamp(column.type):
        utc = column.type.tz is not None
        return pc.strftime(column, "%Y-%m-%dT%H:%M:%SZ" if utc else "%Y-%m-%dT%H:%M:%S")
    return column


def _land(out: Path, fill: Callable[[Path], None]) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{out.name}.", suffix=out.suffix, dir=out.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        fill(temporary)
        temporary.replace(out)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _parquet(table: pa.Table, path: Path) -> None:
    pq.write_table(table, path, compression="zstd")


def _csv(table: pa.Table, path: Path) -> None:
    pyarrow.csv.write_csv(as_text(table), path)


def _jsonl(table: pa.Table, path: Path) -> None:
    with path.open("w", encoding="utf-8") as file:
        for start in range(0, table.num_rows, JSON_ROWS):
            rows = as_text(table.slice(start, JSON_ROWS)).to_pandas()
            file.write(rows.to_json(orient="records", lines=True, force_ascii=False))


def _xlsx(table: pa.Table, path: Path) -> None:
    import xlsxwriter  # heavy, and most runs do without it

    if table.num_rows > SHEET_ROWS:
        raise UsageError(
            f"--out {path.suffix}", f"{table.num_rows} rows", f"at most {SHEET_ROWS} in a sheet",
            "Write .parquet or .csv, or narrow it with --chute, --from and --to",
        )  # fmt: skip
    # Text stays text: a label that begins with '=' must not become a formula.
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        sheet = book.add_worksheet()
        sheet.freeze_panes(1, 0)
        sheet.write_row(0, 0, table.column_names, book.add_format({"bold": True}))
        columns = [column.to_pylist() for column in as_text(table).columns]
        for number, row in enumerate(zip(*columns, strict=True), start=1):
            sheet.write_row(number, 0, row)


FORMATS: dict[str, Callable[[pa.Table, Path], None]] = {
    ".parquet": _parquet,
    ".csv": _csv,
    ".jsonl": _jsonl,
    ".xlsx": _xlsx,
}

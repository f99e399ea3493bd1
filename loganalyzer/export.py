"""A table → a file; the ending picks the format.

Times are UTC microseconds in Parquet and RFC 3339 in text. A file appears whole or not at all.

A spreadsheet takes a text that begins with `=`, `+`, `-`, `@`, a tab or a line end for a formula,
and a label in a log may be one. In CSV such a text gets an apostrophe in front, and so does one
that has apostrophes before such a beginning, so that taking one away gives the text back. Plain
numbers (a basement labelled -1) stay, as do number columns. In .xlsx a text is a text cell as it
is, marked to stay one when it is edited. Parquet and JSON lines hold texts untouched.

Source: OWASP, "CSV Injection", from memory.
"""

import os
import re
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
CELL_TEXT = 32_767  # characters of a cell (ECMA-376, as spreadsheets keep it)
CUT = " … (cut: the cell holds no more)"
# Texts that a spreadsheet may take for a formula, behind what apostrophes there are already.
FORMULA = "^('*)([=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20])"
PLAIN_NUMBER = r"^[+-]?[0-9]+([.,][0-9]+)?$"
LOOKS_LIKE_FORMULA = re.compile(FORMULA)
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


def csv_text(table: pd.DataFrame, name: str) -> str:
    """What `write` would put into a .csv file."""
    sink = pa.BufferOutputStream()
    _csv(conform(table, name), sink)
    return str(sink.getvalue().to_pybytes().decode("utf-8"))


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


def _csv(table: pa.Table, out: Path | pa.NativeFile) -> None:
    text = as_text(table)
    columns = [
        _no_formulas(column) if pa.types.is_string(column.type) else column
        for column in text.columns
    ]
    pyarrow.csv.write_csv(pa.table(columns, names=text.column_names), out)


def _no_formulas(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts that would be formulas with an apostrophe in front of them."""
    number = pc.match_substring_regex(column, PLAIN_NUMBER)
    marked = pc.replace_substring_regex(column, FORMULA, r"'\1\2", max_replacements=1)
    return pc.if_else(number, column, marked)


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
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        sheet, text = book.add_worksheet(), book.add_format({"quote_prefix": True})
        sheet.freeze_panes(1, 0)
        sheet.write_row(0, 0, table.column_names, book.add_format({"bold": True}))
        columns = [column.to_pylist() for column in as_text(table).columns]
        for number, row in enumerate(zip(*columns, strict=True), start=1):
            sheet.write_row(number, 0, [_fitting(cell) for cell in row])
            for place, cell in enumerate(row):
                if isinstance(cell, str) and LOOKS_LIKE_FORMULA.match(cell):
                    sheet.write_string(number, place, _fitting(cell), text)


def _fitting(cell: object) -> object:
    """The cell, a text cut visibly to what a cell holds."""
    long = isinstance(cell, str) and len(cell.encode("utf-16-le")) // 2 > CELL_TEXT
    return f"{str(cell)[: CELL_TEXT // 2]}{CUT}" if long else cell


FORMATS: dict[str, Callable[[pa.Table, Path], None]] = {
    ".parquet": _parquet,
    ".csv": _csv,
    ".jsonl": _jsonl,
    ".xlsx": _xlsx,
}

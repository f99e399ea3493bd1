"""The exports a draft is made from → their lines, or the rows of a sheet."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from loganalyzer.drafting.stamps import STAMP
from loganalyzer.errors import InputError
from loganalyzer.readers.blocks import blocks
from loganalyzer.readers.sheet import cell_text
from loganalyzer.readers.unpack import Export, Limits, exports
from loganalyzer.readers.workbook import open_sheet, sheet_names

# Lines that a draft looks at; the rest of a longer export is left to `inspect`.
LINES = 200_000
LOOKED_AT, SHEETS = 200, 30  # rows of each sheet, to find the one with the log
EMPTY = "an empty file"
# How other files begin. Source: ISO 32000 (PDF), W3C PNG, ISO/IEC 10918 (JPEG), GIF89a.
OTHER = {
    b"%PDF-": "a PDF", b"\x89PNG": "a picture", b"\xff\xd8\xff": "a picture", b"GIF8": "a picture",
}  # fmt: skip
WORKBOOK = b"PK\x03\x04"


@dataclass(frozen=True)
class Text:
    """One export.

    Attributes:
        name: Of the export.
        lines: Its lines; of a sheet, a text of each row.
        cells: Of a sheet, the cells of each row as text; else null.
        whole: False if the export is longer than LINES.
        sheet: The name of the sheet, null: the first.
    """

    name: str
    lines: Sequence[str]
    cells: Sequence[Sequence[str | None]] | None = None
    whole: bool = True
    sheet: str | None = None


def read_texts(
    paths: Iterable[Path], encoding: str | None = None, limits: Limits | None = None
) -> list[Text]:
    """The lines of every export.

    Args:
        paths: Files or folders; packed ones are read as they are.
        encoding: Null: as the readers find out.
        limits: How far packed files may expand; null: the defaults.

    Raises:
        InputError: One cannot be read, or is no text at all.
    """
    return [_read(found, encoding) for path in paths for found in exports(path, limits)]


def _read(found: Export | InputError, encoding: str | None) -> Text:
    if isinstance(found, InputError):
        raise no_log(found.where, "an empty file holds nothing") if EMPTY in found.found else found
    with found.open() as stream:
        head = stream.read(12)
    for begins, what in OTHER.items():
        if head.startswith(begins):
            raise no_log(found.name, f"it is {what}")
    head = head[: len(WORKBOOK)]
    return _sheet(found) if head == WORKBOOK else _lines(found, encoding)


def _lines(export: Export, encoding: str | None) -> Text:
    lines: list[str] = []
    try:
        with export.open() as stream:
            for block in blocks(stream, encoding, export.name):
                if not lines and block.numbers[:1] != [1]:
                    lines += [""] * (int(block.numbers[0]) - 1 if len(block) else 0)
                lines += block.strings().to_pylist()
                if len(lines) > LINES:
                    break
    except InputError as error:
        raise no_log(export.name, error.found) from error
    return Text(export.name, lines[:LINES], whole=len(lines) <= LINES)


def _sheet(export: Export) -> Text:
    """The sheet that holds most stamps among its first rows; mostly the first one."""
    with export.open() as stream:
        names = sheet_names(stream, export.name)
    heads = {name: _cells(export, name, LOOKED_AT) for name in names[:SHEETS]}
    best = max(heads, key=lambda name: _stamped(heads[name]), default=None)
    cells = _cells(export, best, LINES + 1)
    lines = ["\t".join(filter(None, row)) for row in cells[:LINES]]
    other = best if names and best != names[0] else None
    return Text(export.name, lines, cells[:LINES], len(cells) <= LINES, other)


def _cells(export: Export, sheet: str | None, most: int) -> list[list[str | None]]:
    with export.open() as stream:
        rows = open_sheet(stream, sheet, export.name).iter_rows()
        return [[cell_text(cell) for cell in row] for row in islice(rows, most)]


def _stamped(rows: Sequence[Sequence[str | None]]) -> int:
    return sum(any(cell and STAMP.search(cell) for cell in row) for row in rows)


def no_log(name: str, because: str) -> InputError:
    """That a file is no event log, and why."""
    return InputError(
        name, f"this is not an event log, because {because}",
        "lines or rows that each carry a time and say what happened",
        "Export the controller's event list as text, CSV, JSON or .xlsx",
    )  # fmt: skip

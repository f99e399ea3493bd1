"""Opening a workbook that may be none, or that would unpack to more than memory holds.

A workbook is a zip of XML. Its directory can lie about sizes, and two far-off cells make a table
of billions, so both are looked at before the library that reads cells gets it.
"""

import copy
import difflib
import io
import re
import zipfile
from collections.abc import Iterator
from typing import Any, BinaryIO

from loganalyzer.errors import InputError
from loganalyzer.readers.guard import DAMAGE, check_list

PACKED_LIMIT = 256 << 20  # bytes of the file
UNPACKED_LIMIT = 1 << 30  # bytes of all members together
MEMBERS_LIMIT = 1000
RATIO_LIMIT, RATIO_FROM = 250, 64 << 20  # unpacked to packed, for what is large once unpacked
CELLS_LIMIT = 11_000_000  # of a sheet, or strings; some 70 bytes each in memory
REST_LIMIT = 64 << 20  # bytes of a member that is neither
PIECE = 1 << 20
HEAVY = ("xl/worksheets/", "xl/sharedStrings")
# Where a cell or row says it stands; the library takes any letters and digits, and white space.
CELL = re.compile(rb"""\br\s{0,200}=\s{0,200}["']([A-Za-z]*)(\d+)["']""")
STRETCHED = re.compile(rb"\br\s{200}|\br\s*=\s{200}")
# Cells need not say where they stand; and a text may be shared by them. With a prefix or without.
PARTS = re.compile(rb"[<:](?:c|si)[\s>/]")
LONGEST_CELL = 512
# How many strings a table says it has, wherever it says so; the library that reads them takes
# attributes from XML that is broken too.
COUNTED = b"uniqueCount"
COUNT = re.compile(rb"""uniqueCount\s*=\s*["']([^"']*)["']""")


def sheet_names(stream: BinaryIO, name: str) -> list[str]:
    """The names of a workbook's sheets, in their order.

    Raises:
        InputError: It is no workbook, or too large once unpacked.
    """
    return list(_opened(stream, name).sheet_names)


def open_sheet(stream: BinaryIO, sheet: str | None, name: str) -> Any:
    """The sheet of a workbook.

    Args:
        stream: The workbook's bytes.
        sheet: The sheet's name; None: the first.
        name: The export's name, for messages.

    Returns:
        A sheet as python-calamine has it: `iter_rows()` gives lists of cells from row 1 on.

    Raises:
        InputError: It is no workbook, too large once unpacked, or has no such sheet.
    """
    from python_calamine import CalamineError  # not needed by other layouts

    try:
        book = _opened(stream, name)
        names = book.sheet_names
        if names and sheet in (None, *names):
            return book.get_sheet_by_name(names[0] if sheet is None else sheet)
    except CalamineError as error:
        raise _no_workbook(name, f"a workbook that cannot be read ({error})") from error
    near = difflib.get_close_matches(sheet or "", names, 1)
    listed = ", ".join(f'"{found}"' for found in names) or "at least one sheet"
    raise InputError(
        name, f'no sheet "{sheet}"' if names else "no sheet", listed,
        f'Write sheet = "{(near or names or [""])[0]}" in the profile',
    )  # fmt: skip


def _opened(stream: BinaryIO, name: str) -> Any:
    from python_calamine import CalamineError, CalamineWorkbook

    data = stream.read(PACKED_LIMIT + 1)
    if len(data) > PACKED_LIMIT:
        raise _too_large(name, f"more than {PACKED_LIMIT >> 20} MB")
    _check_sizes(data, name)
    try:
        return CalamineWorkbook.from_filelike(io.BytesIO(data))
    except CalamineError as error:
        raise _no_workbook(name, f"a workbook that cannot be read ({error})") from error


def _check_sizes(data: bytes, name: str) -> None:
    """Refuse what is no zip, or more than the limits once unpacked."""
    try:
        check_list(io.BytesIO(data), name, MEMBERS_LIMIT)
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            _check_total(sum(member.file_size for member in members), len(data), name)
            total = 0
            for member in members:
                corners, seen = _Corners(name), 0
                held = member.filename.startswith(HEAVY)
                for piece in _unpacked(archive, member):
                    total, seen = total + len(piece), seen + len(piece)
                    _check_total(total, len(data), name)
                    if held:
                        corners.counts(piece)
                        corners.add(piece)
                    elif seen > REST_LIMIT:
                        raise _too_large(name, f"more than {REST_LIMIT >> 20} MB that are no cells")
    except DAMAGE as error:
        raise _no_workbook(name, "no .xlsx workbook, or a damaged one") from error


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    """A member's bytes as they really are: the directory's size does not end them."""
    real = copy.copy(member)
    real.file_size = UNPACKED_LIMIT + PIECE
    with archive.open(real) as content:
        while piece := content.read(PIECE):
            yield piece


def _check_total(unpacked: int, packed: int, name: str) -> None:
    if unpacked > UNPACKED_LIMIT:
        raise _too_large(name, f"more than {UNPACKED_LIMIT >> 20} MB once unpacked")
    if unpacked > RATIO_FROM and unpacked > RATIO_LIMIT * packed:
        raise _too_large(name, f"more than {RATIO_LIMIT} times its size once unpacked")


class _Corners:
    """How many cells or strings there are, and the area that cells span, as XML goes by."""

    def __init__(self, name: str) -> None:
        self.name, self.tail, self.promise = name, b"", b""
        self.column, self.row, self.parts = 0, 0, 0

    def counts(self, piece: bytes) -> None:
        """Refuse a table of strings that promises too many: room is made for them beforehand."""
        text = self.promise + piece
        for said in COUNT.findall(text):
            if not (said.isdigit() and len(said) < 9 and int(said) <= CELLS_LIMIT):
                shown = said[:20].decode("ascii", "replace")
                raise _too_large(self.name, f"a table of {shown} strings")
        last = text.rfind(COUNTED)  # it may go on in the next piece
        open_still = last >= 0 and not COUNT.match(text, last)
        self.promise = text[last:] if open_still else text[-len(COUNTED) :]
        if len(self.promise) > PIECE:
            raise _too_large(self.name, f"a count of more than {PIECE:,} bytes")

    def add(self, piece: bytes) -> None:
        """Take the next bytes."""
        text = self.tail + piece
        self.parts += len(PARTS.findall(text)) - len(PARTS.findall(self.tail))
        if self.parts > CELLS_LIMIT:
            raise _too_large(self.name, f"more than {CELLS_LIMIT:,} cells or strings")
        self.tail = text[-LONGEST_CELL:]
        cells = CELL.findall(text)
        letters, digits = ({part[at] for part in cells} for at in (0, 1))
        if STRETCHED.search(text) or any(len(each) > 7 for each in letters | digits):
            raise _too_large(self.name, "a cell whose place no sheet has")
        self.column = max([self.column, *map(_column, letters)])
        self.row = max([self.row, *map(int, digits)])
        if self.column * self.row > CELLS_LIMIT:
            raise _too_large(self.name, f"a sheet of {self.row} rows and {self.column} columns")


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - ord("A") + 1
    return number


def _too_large(name: str, found: str) -> InputError:
    return InputError(
        name, found, f"a workbook of at most {UNPACKED_LIMIT >> 20} MB unpacked",
        "Export fewer days, or save the sheet as text with separators",
    )  # fmt: skip


def _no_workbook(name: str, found: str) -> InputError:
    return InputError(
        name, found, "an .xlsx workbook", "Export it again, or take another profile",
    )  # fmt: skip

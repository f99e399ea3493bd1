"""Weigh tickets: what a stream's pickup weighed, from a small CSV that somebody typed.

Three columns in any order: date, stream, kg. Comma, semicolon or tab; dates as 2026-03-01,
01.03.2026 or 01/03/2026 (day first); a comma or a point in kilograms. Each bad row is one line
that says where, what was found, what was expected and what to do; the rest is used.
"""

import csv
import io
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import pandas as pd

from loganalyzer.errors import InputError, one_line
from loganalyzer.settings.mistakes import nearest

COLUMNS = ("date", "stream", "kg")
FORMATS = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y")
# So many times the usual weight of its stream is a typing error.
# Source: common practice, no source.
ABSURD = 20
DAY, NAME, WEIGHT = "a day such as 2026-03-01", "a stream", "kilograms above 0 such as 412.5"


@dataclass(frozen=True)
class Tickets:
    """What could be used of a file.

    Attributes:
        table: `date` (midnight, no zone), `stream`, `kg`, `line`, in order of date. `kg` is
            null where only the weight is wrong: there was a pickup, and the next ticket starts
            from it.
        mistakes: One line a bad row.
    """

    table: pd.DataFrame
    mistakes: tuple[str, ...] = field(default=())


def read_tickets(path: Path, streams: Sequence[str]) -> Tickets:
    """Read weigh tickets.

    Args:
        path: The file.
        streams: The ids of the site's streams; any letter case will do.

    Raises:
        InputError: The file cannot be read, or has no columns date, stream and kg.
    """
    rows = _rows(path, _text(path))
    head = [cell.strip().casefold() for cell in rows[0][1]] if rows else []
    missing = [name for name in COLUMNS if name not in head]
    if missing:
        raise InputError(
            f"{path}: line 1", f"the columns {', '.join(head) or 'none'}",
            "date, stream and kg", f"Name a column {missing[0]}",
        )  # fmt: skip
    good: dict[tuple[date, str, float], int] = {}
    unread: dict[tuple[date, str, float], int] = {}
    mistakes: list[str] = []
    for line, cells in rows[1:]:
        values = dict(zip(head, (cell.strip() for cell in cells), strict=False))
        try:
            ticket = _ticket(values, streams)
            if ticket in good:
                raise _Wrong("the row", f"the same ticket as line {good[ticket]}",
                             "each ticket once", "Remove it, or correct it")  # fmt: skip
            good[ticket] = line
        except _Wrong as wrong:
            mistakes.append(wrong.line(path, line))
            if wrong.parts[0] == "kg":
                unread[*_day_and_stream(values, streams), float("nan")] = line
    return _sensible(path, good, unread, mistakes)


class _Wrong(Exception):
    def __init__(self, column: str, found: str, expected: str, fix: str) -> None:
        self.parts = (column, found, expected, fix)

    def line(self, path: Path, number: int) -> str:
        """The mistake as one line."""
        column, found, expected, fix = self.parts
        return one_line(
            f"{path}: line {number}, {column}: found {found}, expected {expected}. {fix}."
        )


def _text(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as problem:
        why = problem.strerror or type(problem).__name__
        raise InputError(str(path), f"a file that cannot be read ({why})", "weigh tickets as CSV",
                         "Check the path and who may read it") from None  # fmt: skip
    if b"\0" in content:
        raise InputError(str(path), "a file that is no text", "weigh tickets as CSV",
                         "Save the sheet as CSV")  # fmt: skip
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _rows(path: Path, text: str) -> list[tuple[int, list[str]]]:
    """Lines with their numbers; blank ones are left out."""
    head = text.lstrip().split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=None), delimiter=delimiter)
    try:
        return [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        raise InputError(
            f"{path}: line {reader.line_num}", f"a row that cannot be read ({error})",
            "weigh tickets as CSV", "Save the sheet as CSV",
        ) from None  # fmt: skip


def _ticket(values: dict[str, str], streams: Sequence[str]) -> tuple[date, str, float]:
    return *_day_and_stream(values, streams), _weight(values.get("kg", ""))


def _day_and_stream(values: dict[str, str], streams: Sequence[str]) -> tuple[date, str]:
    return _day(values.get("date", "")), _stream(values.get("stream", ""), streams)


def _day(text: str) -> date:
    for form in FORMATS:
        try:
            return datetime.strptime(text, form).date()  # noqa: DTZ007  # a day has no zone
        except ValueError:
            continue
    raise _Wrong("date", f"'{text}'", DAY, "Write the day so")


def _stream(text: str, streams: Sequence[str]) -> str:
    folded = {name.casefold(): name for name in streams}
    if text.casefold() in folded:
        return folded[text.casefold()]
    near = nearest(text, streams)
    fix = f"Write {near}" if near else f"Write one of {', '.join(streams)}"
    raise _Wrong("stream", f"'{text}'", f"{NAME}: {', '.join(streams)}", fix)


def _weight(text: str) -> float:
    plain = re.sub(r"\s*kg$", "", text, flags=re.IGNORECASE).replace(" ", "")
    if re.fullmatch(r"\d{1,3}(\.\d{3})+,\d+", plain):  # 1.234,5
        plain = plain.replace(".", "")
    elif re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", plain):  # 1,234 and 1,234.5
        plain = plain.replace(",", "")
    try:
        weight = float(plain.replace(",", "."))
    except ValueError:
        mended = plain.translate(str.maketrans("oOlI", "0011"))
        fix = f"Write {mended}" if re.fullmatch(r"\d+([.,]\d+)?", mended) else "Write a number"
        raise _Wrong("kg", f"'{text}'", WEIGHT, fix) from None
    if not 0 < weight < float("inf"):
        raise _Wrong("kg", f"'{text}'", WEIGHT, "Write the net weight, or remove the row")
    return weight


def _sensible(
    path: Path, good: dict[tuple[date, str, float], int],
    unread: dict[tuple[date, str, float], int], mistakes: list[str],
) -> Tickets:  # fmt: skip
    """Leave out weights that are far from the usual of their stream."""
    kept = [(pd.Timestamp(day), stream, kg, line) for (day, stream, kg), line in unread.items()]
    usual = {
        stream: statistics.median(kg for _, other, kg in good if other == stream)
        for _, stream, _ in good
    }
    for (day, stream, kg), line in good.items():
        if usual[stream] / ABSURD <= kg <= usual[stream] * ABSURD:
            kept.append((pd.Timestamp(day), stream, kg, line))
            continue
        wrong = _Wrong("kg", f"{kg:g}", f"about {usual[stream]:g} as other {stream} tickets",
                       "Look at the decimal point")  # fmt: skip
        mistakes.append(wrong.line(path, line))
        kept.append((pd.Timestamp(day), stream, float("nan"), line))
    types = {"date": "datetime64[us]", "stream": "str", "kg": "float64", "line": "int64"}
    table = pd.DataFrame(kept, columns=list(types)).astype(types)
    return Tickets(table.sort_values(["date", "line"], ignore_index=True), tuple(mistakes))

"""Stamps in another form than the profile's, read by python-dateutil but held to a date and a time.

dateutil fills what a text lacks from a default and takes bare numbers for dates. So a text is
read twice, with two defaults, and counts only if both agree on day and hour, and only if it shows
a clock (12:30, 9 pm, or the T of ISO's basic form). The order of day and month is that of the
profile's format, and never turned round to make sense of a month 13; a format that has no such
order (iso, epoch_s) leaves 05/06/2024 unread, since half of such stamps would be read wrong, but
takes 05.06.2024, with dots, day first (common practice, no source). A text that begins with a
year of four digits is year-month-day. Two-digit years are 1969 to 2068, as in strptime. An offset
or UTC, GMT, Z is honoured; other zone names are not known for sure and are passed over, so that
the stamp is the wall clock of the profile's zone.
"""

import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from dateutil import tz
from dateutil.parser import ParserError, parser, parserinfo

from loganalyzer.stamps.forms import (
    NO_YEAR,
    Reading,
    Span,
    directives,
    may_leap,
    micros,
    needs_year,
)

_CLOCK = re.compile(
    r"(?<![\d:.,])(?P<H>\d\d):(?P<M>\d\d):(?P<S>\d\d)(?:[.,](?P<f>\d{1,6}))?(?![\d:])", re.ASCII
)
_SHOWS_CLOCK = re.compile(r"\d:\d\d|\d\s*[ap]\.?m\b|^\d{8}[T ]\d{4}|\d\s*h\s*\d\d", re.I | re.ASCII)
_HALF_DAY = re.compile(r"\d\s*[ap]\.?m", re.I)
_NUMERIC = re.compile(r"(?<!\d)(\d\d?)[./-](\d\d?)[./-](\d{4}|\d\d)(?!\d)", re.ASCII)
_DOTTED = re.compile(r"(?<!\d)\d\d?\.\d\d?\.(?:\d{4}|\d\d)(?!\d)", re.ASCII)
_LONGEST = 60
_EARLY = datetime(NO_YEAR, 1, 1, 0)  # noqa: DTZ001 - written times have no zone
_LATE = datetime(NO_YEAR + 4, 2, 2, 1)  # noqa: DTZ001


class _Words(parserinfo):
    """dateutil's words, with a century that does not hang on today."""

    def convertyear(self, year: int, century_specified: bool = False) -> int:
        if year >= 100 or century_specified:
            return year
        return year + (1900 if year >= 69 else 2000)


@dataclass(frozen=True)
class LenientForm:
    """Anything with a date and a time in it that dateutil understands.

    Attributes:
        order: Of d, m and y in the profile's format; empty where that does not say.
        has_year: False where the year is to be left open.
    """

    order: str
    has_year: bool = True
    _parser: parser = field(default_factory=lambda: parser(_Words()))

    def places(self, text: str) -> tuple[Span, ...] | None:
        """Where hour, minute, second and fraction lie, if they stand as 00:00:00."""
        found = None if _HALF_DAY.search(text) else _CLOCK.search(text)
        if not found or len(text) > _LONGEST:
            return None
        return tuple((name, *found.span(name)) for name in "HMSf" if found[name] is not None)

    def read(self, text: str) -> Reading | None:
        """The stamp in µs, and its offset if it carries one."""
        if len(text) > _LONGEST or not _SHOWS_CLOCK.search(text):
            return None
        text, leap_us = _without_leap_second(text)
        early, late = self._parse(text, _EARLY), self._parse(text, _LATE)
        if early is None or late is None:
            return None
        if not self.has_year:
            early, late = _in_no_year(early), _in_no_year(late)
        if early is None or late is None or early != late or not self._in_order(text, early):
            return None
        offset = early.utcoffset()
        offset_us = None if offset is None else offset // timedelta(microseconds=1)
        return micros(early.replace(tzinfo=None)) + leap_us, offset_us

    def _parse(self, text: str, default: datetime) -> datetime | None:
        year = bool(re.match(r"\d{4}\D", text))
        order = self._order(text)
        dayfirst = order.find("d") < order.find("m") and not year
        yearfirst = year or order.startswith("y")
        try:
            found = self._parser.parse(
                text, default=default, dayfirst=dayfirst, yearfirst=yearfirst, tzinfos=_zone
            )
        except (ParserError, OverflowError, ValueError, TypeError, AttributeError, IndexError):
            return None
        return found if isinstance(found, datetime) else None

    def _order(self, text: str) -> str:
        return self.order or ("dmy" if _DOTTED.search(text) else "")

    def _in_order(self, text: str, read: datetime) -> bool:
        """Whether a date in numbers was read in the format's order, or in the only possible."""
        found = _NUMERIC.search(text)
        if not found:
            return True
        one, two, order = int(found[1]), int(found[2]), self._order(text)
        if order.startswith("y") and len(found[3]) == 2:
            return read.day == int(found[3])
        if "d" in order and "m" in order:
            dayfirst = order.index("d") < order.index("m")
            return read.day == (one if dayfirst else two)
        return len(found[3]) == 4 and (max(one, two) > 12 or one == two)


def lenient(time_format: str) -> LenientForm:
    """The lenient form beside a profile's format."""
    if time_format == "iso":
        return LenientForm("")
    letters = {"d": "d", "m": "m", "b": "m", "B": "m", "y": "y", "Y": "y", "G": "y"}
    order = "".join(letters[name] for name in directives(time_format) if name in letters)
    return LenientForm(order, not needs_year(time_format))


def _zone(name: str | None, offset_s: int | None) -> tzinfo | None:
    if offset_s is not None:
        if abs(offset_s) >= 86_400:
            raise ValueError(offset_s)
        return tz.tzoffset(None, offset_s)
    return tz.UTC if name in ("UTC", "GMT", "Z", "z") else None


def _in_no_year(found: datetime) -> datetime | None:
    """The stamp in the leap year that stands for none."""
    return found.replace(year=NO_YEAR)


def _without_leap_second(text: str) -> tuple[str, int]:
    found = _CLOCK.search(text)
    if not found or found["S"] != "60" or not may_leap(int(found["M"])):
        return text, 0
    first, last = found.span("S")
    return f"{text[:first]}59{text[last:]}", 1_000_000

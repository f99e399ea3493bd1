"""One stamp → written time, strictly by the profile's format, and where its clock digits lie.

A leap second (:60) is read as the following second. `iso` takes T, t or a blank between date and
time, seconds or none, a fraction after a point or a comma (cut to microseconds), and Z, z, +hh,
+hhmm or +hh:mm. -00:00 says that the local offset is unknown but the time is UTC: as Z.
Month names may be English, German, French, Spanish or Portuguese, whatever the locale (months.py).
Formats without a year are read in the leap year 2000; `stampyears` puts the true one in.
"""

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from loganalyzer.errors import ProfileError
from loganalyzer.stamps.months import in_english

NO_YEAR = 2000
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - written times have no zone
_MICROSECOND = timedelta(microseconds=1)

Span = tuple[str, int, int]  # directive H, I, M, S or f; first place, place after the last
Reading = tuple[int, int | None]  # written µs, offset µs if the stamp carries one

_ISO = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ](?P<H>\d\d):(?P<M>\d\d)(?::(?P<S>\d\d)(?:[.,](?P<f>\d+))?)?"
    r"(?P<z>[Zz]| ?[+-]\d\d(?::?\d\d)?)?",
    re.ASCII,
)
# As strptime itself divides a text; a directive that is not here has no fixed places.
_DIRECTIVES = {
    "Y": r"\d{4}", "y": r"\d\d", "m": r"(?:1[0-2]|0[1-9]|[1-9])",
    "d": r"(?:3[01]|[12]\d|0[1-9]|[1-9]| [1-9])", "j": r"\d{1,3}",
    "H": r"(?P<H>2[0-3]|[01]\d|\d)", "I": r"(?P<I>1[0-2]|0[1-9]|[1-9])",
    "M": r"(?P<M>[0-5]\d|\d)", "S": r"(?P<S>6[01]|[0-5]\d|\d)", "f": r"(?P<f>\d{1,6})",
    "b": r"[^\W\d_]+\.?", "B": r"[^\W\d_]+\.?", "a": r"[^\W\d_]+", "A": r"[^\W\d_]+",
    "p": r"[^\W\d_]+",
    "z": r"(?:[+-]\d\d:?[0-5]\d(?::?[0-5]\d(?:\.\d{1,6})?)?|[Zz])", "%": "%",
}  # fmt: skip


class Form(Protocol):
    """What the column reader needs to know of a way to write stamps."""

    def places(self, text: str) -> tuple[Span, ...] | None:
        """Where the clock's digits lie, or None where the text is not of this form."""

    def read(self, text: str) -> Reading | None:
        """The stamp, or None where it cannot be read."""


@dataclass(frozen=True)
class IsoForm:
    """ISO 8601 as RFC 3339 profiles it, and a little more (see above)."""

    def places(self, text: str) -> tuple[Span, ...] | None:
        """Where hour, minute, second and fraction lie."""
        return _spans(_ISO.fullmatch(text))

    def read(self, text: str) -> Reading | None:
        """The stamp in µs, and its offset if it carries one."""
        found = _ISO.fullmatch(text)
        if not found:
            return None
        try:
            second = int(found["S"] or 0)
            clock = (int(found["H"]), int(found["M"]), min(second, 59))
            day = (int(text[:4]), int(text[5:7]), int(text[8:10]))
            written = datetime(*day, *clock)  # noqa: DTZ001 - the offset is kept beside it
            offset = _iso_offset(found["z"])
        except ValueError:
            return None
        if second > 60 or (second == 60 and not may_leap(clock[1])):
            return None
        fraction = int(((found["f"] or "") + "000000")[:6])
        return micros(written) + (second == 60) * 1_000_000 + fraction, offset


@dataclass(frozen=True)
class StrptimeForm:
    """A format of strptime's; `month` is b or B where it has a month's name, in any language."""

    text: str
    has_year: bool
    pattern: re.Pattern[str] | None
    month: str | None = None

    def places(self, text: str) -> tuple[Span, ...] | None:
        """Where hour, minute, second and fraction lie."""
        return _spans(self.pattern.fullmatch(text)) if self.pattern else None

    def read(self, text: str) -> Reading | None:
        """The stamp in µs, and its offset if it carries one."""
        text, leap_us = self._without_leap_second(text)
        found = self._parsed(text)
        if found is None and self.month is not None:
            found = self._parsed(in_english(text, wide=self.month == "B"))
        if found is None:
            return None
        offset = found.utcoffset()
        offset_us = None if offset is None else offset // _MICROSECOND
        return micros(found.replace(tzinfo=None)) + leap_us, offset_us

    def _parsed(self, text: str) -> datetime | None:
        try:
            if self.has_year:
                return datetime.strptime(text, self.text)  # noqa: DTZ007 - zone applied later
            return datetime.strptime(f"{NO_YEAR} {text}", f"%Y {self.text}")  # noqa: DTZ007
        except (ValueError, OverflowError):
            return None

    def _without_leap_second(self, text: str) -> tuple[str, int]:
        found = self.pattern.fullmatch(text) if "60" in text and self.pattern else None
        parts = found.groupdict() if found else {}
        if not found or parts.get("S") != "60" or not may_leap(int(parts.get("M") or 0)):
            return text, 0
        first, last = found.span("S")
        return f"{text[:first]}59{text[last:]}", 1_000_000


def form(time_format: str) -> IsoForm | StrptimeForm:
    """The form of a profile's format, "iso" or strptime's.

    Raises:
        ProfileError: strptime does not know the format, or it holds no day or no hour.
    """
    if time_format == "iso":
        return IsoForm()
    problem = format_problem(time_format)
    if problem:
        raise ProfileError(
            "[time] format", f"{time_format!r} ({problem})",
            "iso, epoch_s, epoch_ms, uptime_s or a strptime format with day and hour",
            'Write for example format = "%d.%m.%Y %H:%M:%S"',
        )  # fmt: skip
    month = next((name for name in directives(time_format) if name in "bB"), None)
    return StrptimeForm(time_format, not needs_year(time_format), _pattern(time_format), month)


def format_problem(time_format: str) -> str | None:
    """What is wrong with a strptime format, or None."""
    try:
        datetime.strptime("", time_format)  # noqa: DTZ007 - never matches; only asks
    except (ValueError, re.error, KeyError, IndexError) as error:
        if "does not match" not in str(error):
            return str(error)
    names = set(directives(time_format))
    if not names & set("djcx") and not (names & set("UWV") and names & set("aAwu")):
        return "no day in it"
    return None if names & set("HIcX") else "no hour in it"


def needs_year(time_format: str) -> bool:
    """Whether stamps of this format hold no year, so that YearFinder must look first."""
    if time_format in ("iso", "epoch_s", "epoch_ms", "uptime_s"):
        return False
    return not set(directives(time_format)) & set("YyGcx")


def directives(time_format: str) -> list[str]:
    """The letters after each % of a strptime format, in order."""
    return re.findall(r"%(.)", time_format)


def may_leap(minute: int) -> bool:
    """Whether a leap second can end this minute: 23:59:60 UTC, in any zone of today."""
    return minute % 15 == 14


def micros(written: datetime) -> int:
    """A wall clock → µs since 1970-01-01 00:00."""
    return (written - _EPOCH) // _MICROSECOND


def _pattern(time_format: str) -> re.Pattern[str] | None:
    parts = []
    for text in re.findall(r"%.|\s+|[^%\s]+", time_format):
        if text[0] == "%":
            if text[1] not in _DIRECTIVES:
                return None
            parts.append(_DIRECTIVES[text[1]])
        else:
            parts.append(r"\s+" if text.isspace() else re.escape(text))
    try:
        return re.compile("".join(parts), re.IGNORECASE)
    except re.error:  # a directive twice: strptime refuses that itself
        return None


def _spans(found: re.Match[str] | None) -> tuple[Span, ...] | None:
    if not found:
        return None
    names = [name for name in "HIMSf" if name in found.re.groupindex]
    return tuple((name, *found.span(name)) for name in names if found[name] is not None)


def _iso_offset(text: str | None) -> int | None:
    if not text:
        return None
    digits = re.sub(r"\D", "", text)
    if not digits:
        return 0
    hours, minutes = int(digits[:2]), int(digits[2:] or 0)
    if hours > 23 or minutes > 59:
        raise ValueError(text)
    return (-1 if "-" in text else 1) * (hours * 60 + minutes) * 60_000_000

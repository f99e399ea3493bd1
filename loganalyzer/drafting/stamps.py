r"""How stamps are written: where they stand in a text, and the format that reads all of them.

Which of 03/04/2026 is the day is settled over the whole file, never by one line: a number above
12 shows it; else the order in which the days run and whether they follow one another. Where
neither shows it, the guess is a question.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa

from loganalyzer.stamps import Stamps
from loganalyzer.stamps.columns import ColumnReader
from loganalyzer.stamps.forms import form as form_of
from loganalyzer.stamps.months import SHOWN
from loganalyzer.stamps.offsets import NO_OFFSET

MONTH = rf"(?:{'|'.join(sorted(SHOWN, key=len, reverse=True))})\b\.?"
CLOCK = r"\d{1,2}[:.h]\d\d(?:[:.m]\d\d(?:[.,]\d{1,6})?)?s?(?: ?[AaPp]\.?[Mm]\b\.?)?"
DATE = (
    rf"(?:\d{{1,4}}[./-]\d{{1,2}}[./-]\d{{1,4}}"
    rf"|\d{{1,2}}\.?[ -](?:de )?(?i:{MONTH})[ -](?:de )?\d{{2,4}}"
    rf"|(?i:{MONTH}) +\d{{1,2}},? \d{{4}})"
)
ISO = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:[Zz]|[+-]\d\d:?\d\d)?(?!\d)"
STAMP = re.compile(
    rf"(?<!\d)(?P<stamp>{ISO}|{DATE}[ T,;_-]{{1,3}}{CLOCK}|{CLOCK} {DATE}"
    rf"|\d{{8}}[ T_-]?\d{{6}}(?!\d)|\d{{7}} \d{{6}}(?!\d)|\d{{13}}(?!\d)|1\d{{9}}(?:\.\d+)?(?!\d))"
)
DATE_ONLY = re.compile(rf"{DATE}|\d{{8}}")
CLOCK_ONLY = re.compile(rf"{CLOCK}|\d{{6}}")
ENOUGH = 0.98


@dataclass(frozen=True)
class Written:
    """How stamps are written.

    Attributes:
        format: As a profile says it.
        zone: Likewise.
        seconds: Written time of each stamp, seconds since 1970; NaN where not read.
        evidence: Why this format.
        question: What the file cannot settle; empty if nothing.
    """

    format: str
    zone: str
    seconds: np.ndarray
    evidence: str
    question: str = ""


def find_format(stamps: Sequence[str | None], zone: str) -> Written | None:
    """The format that reads all stamps of a column.

    Args:
        stamps: As written, in file order, null where there is none.
        zone: The site's zone: an American one writes the month first, where nothing shows it.

    Returns:
        Null where no format reads nearly all of them.
    """
    filled = [stamp.strip() for stamp in stamps if stamp]
    if len(filled) < 0.9 * len(stamps) or not filled:
        return None
    tried = [
        (form, read) for form in candidates(filled) if (read := read_as(form, stamps)) is not None
    ]
    if not tried:
        return None
    if len(tried) == 1:
        form, (seconds, zone_word) = tried[0]
        return Written(form, zone_word, seconds, f"reads all {len(filled):,} stamps")
    return _settled(tried, zone, len(filled))


UPTIME = re.compile(r"\d{1,9}(?:[.,]\d{1,6})?")


def is_uptime(stamps: Sequence[str | None]) -> bool:
    """Whether numbers can be seconds since the power-on: they run on, and begin anew at times."""
    filled = [stamp for stamp in stamps if stamp]
    if len(filled) < max(10, 0.9 * len(stamps)):
        return False
    if not all(UPTIME.fullmatch(stamp) for stamp in filled):
        return False
    steps = np.diff(np.array([float(stamp.replace(",", ".")) for stamp in filled]))
    counter = np.mean(steps == 1) > 0.5
    return bool(not counter and np.mean(steps < 0) < 0.02 and np.mean(steps == 0) < 0.8)


def find_uptime(stamps: Sequence[str | None]) -> Written | None:
    """Seconds since the power-on as stamps, laid one behind the other; null if they are none."""
    if not is_uptime(stamps):
        return None
    numbers = [float(stamp.replace(",", ".")) if stamp else np.nan for stamp in stamps]
    seconds = np.array(numbers)
    known = np.flatnonzero(~np.isnan(seconds))
    steps = np.diff(seconds[known], prepend=seconds[known[0]])
    anew = int(np.count_nonzero(steps < 0))
    seconds[known] = np.cumsum(np.where(steps < 0, seconds[known] + 60, steps))
    said = f"numbers that run on and begin anew {anew} times, as seconds since the power-on do"
    return Written("uptime_s", "site", seconds, said)


def _settled(tried: list[tuple[str, tuple[np.ndarray, str]]], zone: str, count: int) -> Written:
    """Of several formats that read every stamp, the one under which the days run on."""
    order = sorted(tried, key=lambda one: _roughness(one[1][0]))
    best, other = (_roughness(one[1][0]) for one in order[:2])
    form, (seconds, word) = order[0]
    if best < 0.5 * other:
        said = f"under {order[1][0]} the days would jump or run backwards"
        return Written(form, word, seconds, f"reads all {count:,} stamps; {said}")
    first = "%m" if zone.startswith(("America/", "US/")) else "%d"
    order.sort(key=lambda one: not re.sub("[^%a-zA-Z]", "", one[0]).startswith(first))
    form, (seconds, word) = order[0]
    asked = f"which comes first, the day or the month? {order[1][0]} reads every stamp as well"
    return Written(form, word, seconds, "a guess by the site's part of the world", asked)


def _roughness(seconds: np.ndarray) -> float:
    """How much the days run backwards or leave out others."""
    days = seconds[~np.isnan(seconds)] // 86_400
    steps = np.diff(days)
    return float(np.abs(steps[(steps < 0) | (steps > 1)]).sum())


def candidates(stamps: Sequence[str]) -> list[str]:
    """Formats that fit the shape of the stamps, by a sample of them."""
    picked = stamps[:: max(1, len(stamps) // 400)]
    if all(re.fullmatch(ISO, stamp) for stamp in picked):
        return ["iso"]
    if all(re.fullmatch(r"\d{13}", stamp) for stamp in picked):
        return ["epoch_ms"]
    if all(re.fullmatch(r"1\d{9}([.,]\d+)?", stamp) for stamp in picked):
        return ["epoch_s"]
    return list(dict.fromkeys(form for stamp in picked[:3] for form in _forms(stamp, stamps)))


def _forms(stamp: str, stamps: Sequence[str]) -> list[str]:
    """Formats for one stamp; which number is the day is left to all of them."""
    clock = _clock(stamp, stamps)
    if clock is None:
        return []
    text, form = clock
    rest = stamp.replace(text, "\0", 1) if text else stamp
    return [date.replace("\0", form) for date in _dates(rest)]


def _clock(stamp: str, stamps: Sequence[str]) -> tuple[str, str] | None:
    """The clock in a stamp, and its format."""
    packed = re.search(r"(?:(?<=\d{7})|(?<=\d{8})|(?<=\d{7}[ T_-])|(?<=\d{8}[ T_-]))\d{6}$", stamp)
    if packed:
        return packed[0], "%H%M%S"
    found = None
    for mark in (":", "h", r"\."):  # 02.02.26 01:00:00 has its clock behind the colons
        clocks = re.finditer(
            rf"(?<![\d.:h])(\d{{1,2}})(?P<a>{mark})(\d\d)"
            r"(?:(?P<b>[:m.])(\d\d)(?P<f>[.,]\d{1,6})?)?(?P<s>s?)(?P<p> ?[AaPp][Mm])?(?![\d.])",
            stamp,
        )
        found = next(clocks, None) if found is None else found
    if found is None:
        return None
    half = found["p"]
    form = ("%I" if half else "%H") + found["a"] + "%M"
    form += (found["b"] or "") + ("%S" if found["b"] else "")
    form += (found["f"][0] + "%f") if found["f"] else ""
    form += found["s"]
    if half:
        form += (" " if half[0] == " " else "") + "%p"
    return found[0], form


def _dates(rest: str) -> list[str]:
    """Formats of a stamp whose clock stands as NUL."""
    if found := re.search(r"\d{8}", rest):
        return [rest.replace(found[0], form) for form in ("%Y%m%d", "%d%m%Y", "%m%d%Y")]
    if found := re.search(r"\d{7}", rest):
        return [rest.replace(found[0], "%Y%j")]
    if found := re.search(MONTH, rest, re.IGNORECASE):
        rest = rest.replace(found[0], "%b")
        rest = re.sub(r"\d{4}", "%Y", rest)
        rest = re.sub(r"(?<!%)\b\d{1,2}\b", "%d", rest, count=1)
        return [re.sub(r"\b\d\d\b", "%y", rest)]
    found = re.search(r"(\d{1,4})([./-])(\d{1,2})([./-])(\d{1,4})", rest)
    if not found:
        return []
    one, two = found[2], found[4]
    year = "%Y" if 4 in (len(found[1]), len(found[5])) else "%y"
    orders = (
        [(year, "%m", "%d")] if len(found[1]) == 4 else [("%d", "%m", year), ("%m", "%d", year)]
    )
    orders += [(year, "%m", "%d")] if year == "%y" else []
    return [rest.replace(found[0], f"{a}{one}{b}{two}{c}") for a, b, c in orders]


def read_as(form: str, stamps: Sequence[str | None]) -> tuple[np.ndarray, str] | None:
    """Seconds of each stamp and the zone's word, or null where the format does not read them."""
    zone = "utc" if form.startswith("epoch") else "site"
    texts = pa.array(stamps, pa.string())
    filled = len(texts) - texts.null_count
    if "%" in form:  # the form itself, and no lenient reading, fits
        strict = ColumnReader(form_of(form)).read(texts.fill_null(""))
        if np.count_nonzero(strict.ok) < ENOUGH * filled:
            return None
    parsed = Stamps(_Rule(form, zone), datetime(2079, 1, 1, tzinfo=UTC)).parse(texts)
    if np.count_nonzero(parsed.ok) < ENOUGH * filled:
        return None
    seconds = np.where(parsed.ok, parsed.written / 1e6, np.nan)
    if form == "iso" and parsed.offset_us is not None:
        carried = np.count_nonzero(parsed.offset_us != NO_OFFSET)
        if carried >= ENOUGH * filled:
            zone = "offset"
            seconds = seconds - np.where(parsed.offset_us == NO_OFFSET, 0, parsed.offset_us) / 1e6
    return seconds, zone


@dataclass(frozen=True)
class _Rule:
    format: str
    zone: str

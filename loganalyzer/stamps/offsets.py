"""When a zone's offset from UTC changes, found by asking zoneinfo.

zoneinfo has no list of changes, so each day of a year is asked and a change between two days
is closed in on by halves, to the second. No zone changes twice within a day (a test asks all of
them). Years before 1901 and after 2100 keep the offset of the nearest year that is asked.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from loganalyzer.errors import SettingsError

# Stands in a column of offsets where a stamp carries none of its own.
NO_OFFSET: Final = int(np.iinfo(np.int64).min)
SECOND_US = 1_000_000
DAY_S = 86_400
FIRST_YEAR, LAST_YEAR = 1901, 2100
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Change:
    """One change of offset: UTC µs, offset before and after (local - UTC, µs)."""

    utc: int
    before: int
    after: int

    @property
    def start(self) -> int:
        """First local time (µs) that is written twice, or never."""
        return self.utc + min(self.before, self.after)

    @property
    def end(self) -> int:
        """The local time (µs) after the last that is written twice, or never."""
        return self.utc + max(self.before, self.after)

    @property
    def repeats(self) -> bool:
        """Whether the clock goes back, so that the local hour comes twice."""
        return self.after < self.before


@dataclass(frozen=True)
class Offsets:
    """The offsets of a zone over some years.

    Attributes:
        changes: In order of time.
        starts: Local µs from which `offset` of the same place + 1 holds; a repeated hour counts
            as before its change, a missing one too, which moves it forward by the gap.
        offset: µs, one more than `starts`.
    """

    changes: tuple[Change, ...]
    starts: NDArray[np.int64]
    offset: NDArray[np.int64]


@lru_cache(maxsize=256)
def offsets(zone: str, first_year: int, last_year: int) -> Offsets:
    """The offsets of an IANA zone from the first to the last year, both included.

    Raises:
        SettingsError: The zone does not exist.
    """
    info = _zone_info(zone)
    changes = tuple(
        change
        for year in range(max(first_year, FIRST_YEAR), min(last_year, LAST_YEAR) + 1)
        for change in _changes(zone, year)
    )
    begin = _seconds(min(max(first_year, FIRST_YEAR), LAST_YEAR))
    first = changes[0].before if changes else _offset_s(info, begin) * SECOND_US
    return Offsets(
        changes,
        np.array([change.end for change in changes], np.int64),
        np.array([first, *(change.after for change in changes)], np.int64),
    )


def offsets_at(zone: str, utc: NDArray[np.int64]) -> NDArray[np.int64]:
    """The zone's offset at instants, µs; 0 for the zones "utc" and "offset".

    Args:
        zone: As for ZoneClock.
        utc: µs UTC.
    """
    if zone in ("utc", "offset") or not len(utc):
        return np.zeros(len(utc), np.int64)
    first, last = (_year(int(end)) for end in (utc.min(), utc.max()))
    known = offsets(zone, first - 1, last + 1)
    changes = np.array([change.utc for change in known.changes], np.int64)
    return known.offset[np.searchsorted(changes, utc, "right")]


def _year(utc: int) -> int:
    days = min(max(utc // (DAY_S * SECOND_US), -700_000), 2_900_000)
    return (_EPOCH + timedelta(days=days)).year


@lru_cache(maxsize=4096)
def _changes(zone: str, year: int) -> tuple[Change, ...]:
    info = _zone_info(zone)
    days = range(_seconds(year), _seconds(year + 1) + 1, DAY_S)
    asked = [_offset_s(info, day) for day in days]
    return tuple(
        _close_in(info, day, day + DAY_S)
        for day, before, after in zip(days, asked, asked[1:], strict=False)
        if before != after
    )


def _close_in(info: ZoneInfo, low: int, high: int) -> Change:
    before, after = _offset_s(info, low), _offset_s(info, high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _offset_s(info, middle) == before else (low, middle)
    return Change(high * SECOND_US, before * SECOND_US, after * SECOND_US)


def _seconds(year: int) -> int:
    return (datetime(year, 1, 1, tzinfo=UTC) - _EPOCH).days * DAY_S


def _offset_s(info: ZoneInfo, second: int) -> int:
    offset = (_EPOCH + timedelta(seconds=second)).astimezone(info).utcoffset()
    assert offset is not None  # an aware time has one
    return int(offset.total_seconds())


def _zone_info(zone: str) -> ZoneInfo:
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise SettingsError(
            "time zone", repr(zone), "an IANA name such as Europe/Lisbon", "Correct the zone"
        ) from error

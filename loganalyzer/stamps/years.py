"""The year of stamps that are written without one, by the order of the lines.

A new year begins where January follows December, and at any other fall of more than half a year.
Decided here: December after January is the old year again (lines out of turn at midnight); a fall
to 1 January from any month but December is a clock that lost its date, not a new year.
The leap year NO_YEAR stands for the unknown one, so that 29 February can be written.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from loganalyzer.stamps.forms import NO_YEAR, micros

Int64s = NDArray[np.int64]

_DAY_US = 86_400_000_000
_START_US = micros(datetime(NO_YEAR, 1, 1))  # noqa: DTZ001 - written times have no zone
_FEBRUARY_29 = 59  # days since 1 January
_DECEMBER, _FEBRUARY = 335, 31  # first days, in a leap year
_HALF = 183 * _DAY_US
_TRIED = 12  # years tried back for one in which every 29 February of the file exists


@dataclass
class YearRoll:
    """How many years the sequence has moved on, and its last stamp within the year."""

    years: int = 0
    last: int | None = None

    def add(self, written: Int64s) -> Int64s:
        """Years since the first stamp for the next stamps (µs in NO_YEAR), in file order."""
        if not len(written):
            return np.zeros(0, np.int64)
        within = written - _START_US
        before = np.concatenate([[within[0] if self.last is None else self.last], within[:-1]])
        years = self.years + np.cumsum(_turns(before, within))
        self.years, self.last = int(years[-1]), int(within[-1])
        return years


def _turns(before: Int64s, now: Int64s) -> Int64s:
    old, new = before // _DAY_US, now // _DAY_US
    december, january = old >= _DECEMBER, new < _FEBRUARY
    onward = (december & january) | ((before - now > _HALF) & (new > 0))
    back = (old < _FEBRUARY) & (new >= _DECEMBER)
    return onward.astype(np.int64) - back


def in_year(written: Int64s, years: Int64s) -> tuple[Int64s, NDArray[np.bool_]]:
    """Put each stamp (µs in NO_YEAR) into its year.

    Returns:
        Written time in µs, and False where that year has no 29 February.
    """
    within = written - _START_US
    day = within // _DAY_US
    leap = is_leap(years)
    start = (years - 1970).astype("datetime64[Y]").astype("datetime64[us]").astype(np.int64)
    return start + within - _DAY_US * ((day > _FEBRUARY_29) & ~leap), (day != _FEBRUARY_29) | leap


def is_leap(years: Int64s) -> NDArray[np.bool_]:
    """Which years have a 29 February."""
    leap: NDArray[np.bool_] = (years % 4 == 0) & ((years % 100 != 0) | (years % 400 == 0))
    return leap


def leap_days(written: Int64s, years: Int64s) -> set[int]:
    """In which years (since the first stamp) a 29 February is written."""
    days = (written - _START_US) // _DAY_US
    return set(np.unique(years[days == _FEBRUARY_29]).tolist())


def latest_first_year(last: int, years: int, leaps: set[int], received: datetime) -> int:
    """The first year, so that the last stamp is not later than received + 1 day.

    Args:
        last: The last stamp within its year (µs since its 1 January, in a leap year).
        years: How many years after the first stamp it lies.
        leaps: In which years since the first stamp a 29 February is written.
        received: When the export came.
    """
    latest = micros(received.replace(tzinfo=None) + timedelta(days=1))
    newest = received.year + 1
    tried = [newest - back for back in range(_TRIED)]
    stamp = np.full(_TRIED, last + _START_US)
    fits = in_year(stamp, np.array(tried))[0] <= latest
    possible = [year - years for year, fit in zip(tried, fits, strict=True) if fit]
    leap = [
        first for first in possible if all(is_leap(np.array([first + at])).all() for at in leaps)
    ]
    return (leap or possible)[0]

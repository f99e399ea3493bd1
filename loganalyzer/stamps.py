"""Stamp text → written time: by column where the format allows, else by python-dateutil."""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


class TimeRule(Protocol):
    """The `[time]` table of a profile."""

    @property
    def format(self) -> str:
        """A strptime format, or "iso", "epoch_s", "epoch_ms", "uptime_s"."""

    @property
    def zone(self) -> str:
        """Either "site", "utc", "offset" or an IANA name."""


@dataclass(frozen=True)
class Parsed:
    """Stamps of one block, read.

    Attributes:
        written: Wall clock as written, µs since 1970-01-01 00:00 (UTC for epoch formats; for
            uptime_s µs since the power-on); 0 where not ok.
        offset_us: The offset that the stamps carry (local - UTC, µs; `zones.NO_OFFSET` where a
            stamp carries none), or None where no stamp of the block carries one. All 0 for
            epoch formats. Hand it on to `ZoneClock.to_utc`.
        ok: False → reject "unreadable time".
        by_dateutil: How many rows only python-dateutil could read.
    """

    written: NDArray[np.int64]
    offset_us: NDArray[np.int64] | None
    ok: NDArray[np.bool_]
    by_dateutil: int


class Stamps:
    """Reads the stamps of one export in file order; the year of year-less formats rolls on."""

    def __init__(self, rule: TimeRule, received: datetime, first_year: int | None = None) -> None:
        """Take the rule, when the export was received and, from YearFinder, the first year."""
        self._rule, self._received, self._first_year = rule, received, first_year

    def parse(self, stamps: pa.Array | pa.ChunkedArray) -> Parsed:
        """Read the next block of stamps (string, or dictionary of string)."""
        raise NotImplementedError


class YearFinder:
    """Learns the year of the first stamp from a first pass over a file without years."""

    def __init__(self, rule: TimeRule) -> None:
        """Take the same rule as Stamps."""
        self._rule = rule

    def add(self, stamps: pa.Array | pa.ChunkedArray) -> None:
        """Take the next block of stamps, in file order."""
        raise NotImplementedError

    def first_year(self, received: datetime) -> int | None:
        """The first stamp's year; the last gets the latest year not after received + 1 day.

        None where no stamp could be read.
        """
        raise NotImplementedError


def needs_year(time_format: str) -> bool:
    """Whether stamps of this format hold no year, so that YearFinder must look first."""
    raise NotImplementedError


def is_uptime(time_format: str) -> bool:
    """Whether stamps count from the power-on: no zone applies, `utc` is null."""
    return time_format == "uptime_s"

"""The controller's clock: what it believes the time to be.

It drifts, is set, and after some power cuts starts again at 2000-01-01 (local). Instants are
UTC microseconds; a wall clock is the same number read as if it were UTC.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Segment:
    """From `start` (true UTC µs) on the clock shows `shows` and gains `rate` s a second."""

    start: int
    shows: int
    rate: float


def segments(
    start: int, rate: float, sets: list[int], restarts: list[int], zone: str
) -> list[Segment]:
    """The clock's history from its starts, sets and restarts (true UTC µs)."""
    anew = int(datetime(2000, 1, 1, tzinfo=ZoneInfo(zone)).astimezone(UTC).timestamp()) * 1_000_000
    moments = sorted([(at, at) for at in sets] + [(at, anew) for at in restarts])
    return [Segment(at, shows, rate) for at, shows in [(start, start), *moments]]


def believed(
    time: np.ndarray, restart_or_set: np.ndarray, history: list[Segment]
) -> tuple[np.ndarray, np.ndarray]:
    """What the clock shows at each event, and how much was added to it at each set.

    Args:
        time: True UTC µs of the events, in log order.
        restart_or_set: True at the events that begin a segment (a clock set, a power-on at
            which the clock restarts); the first segment begins before all events.
        history: As `segments` gives it.

    Returns:
        Shown instants (UTC µs), and µs added at the events that are sets (0 elsewhere).
    """
    at = np.cumsum(restart_or_set)
    begin = np.array([segment.start for segment in history])
    shows = np.array([segment.shows for segment in history])
    rate = np.array([segment.rate for segment in history])

    def show(which: np.ndarray) -> np.ndarray:
        passed = time - begin[which]
        return shows[which] + passed + np.rint(passed * rate[which]).astype(np.int64)

    before = np.maximum(at - 1, 0)
    return show(at), np.where(restart_or_set, show(at) - show(before), 0)


def wall(instants: np.ndarray, zone: str) -> np.ndarray:
    """Instants (UTC µs) as wall clock µs in a zone."""
    if zone == "UTC":
        return instants
    index = pd.DatetimeIndex(instants.astype("datetime64[us]")).tz_localize("UTC")
    return index.tz_convert(zone).tz_localize(None).as_unit("us").asi8

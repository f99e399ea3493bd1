"""Where a strip's axis has its ticks: at whole local times, as many as can be read."""

import numpy as np
import pandas as pd
from babel.dates import format_skeleton

from loganalyzer.language import LANGUAGES

# How a day is named in other languages: skeletons of Unicode CLDR.
SKELETONS = {"%b %Y": "yMMM", "%d %b": "MMMd", "%a %d %b": "MMMEd"}
EPOCH = pd.Timestamp(0, tz="UTC")
MONDAY = pd.Timestamp("1970-01-05")
MOST = 8  # ticks in view
SECOND, MINUTE, HOUR, DAY = 1, 60, 3600, 86_400
STEPS = (
    1, 2, 5, 10, 15, 30, MINUTE, 2 * MINUTE, 5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE,
    HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY,
)  # fmt: skip
MONTHS = ((1, 31 * DAY), (3, 92 * DAY), (6, 184 * DAY), (12, 366 * DAY), (60, 5 * 366 * DAY))


def ticks(
    begin: int, until: int, wide: int, zone: str, language: str = LANGUAGES[0]
) -> list[tuple[int, str]]:
    """Ticks of an axis.

    Args:
        begin: First microsecond of the axis, UTC.
        until: The last.
        wide: Microseconds of it that are in view at a time.
        zone: IANA name of the site's time zone.
        language: Of the names of days and months.

    Returns:
        Each tick's time in microseconds, UTC, and its label in local time.
    """
    first, last = (pd.Timestamp(us, unit="us", tz="UTC").tz_convert(zone) for us in (begin, until))
    step = next((one for one in STEPS if wide / 1e6 / one <= MOST), None)
    if step is None:
        months = next((n for n, s in MONTHS if wide / 1e6 / s <= MOST), MONTHS[-1][0])
        start = pd.Timestamp(first.year, 1, 1)
        days = pd.date_range(start, last.tz_localize(None), freq=f"{months}MS")
        times, form = _local(days, zone), "%Y" if months >= 12 else "%b %Y"
    elif step >= HOUR:
        freq = f"{step // HOUR}h" if step < DAY else f"{step // DAY}D"
        start = first.tz_localize(None).normalize()
        if step >= DAY:  # the same days wherever the axis begins: weeks begin on Mondays
            start -= pd.Timedelta(days=(start - MONDAY).days % (step // DAY))
        walls = pd.date_range(start, last.tz_localize(None), freq=freq)
        times, form = _local(walls, zone), "%H:%M" if step < DAY else "%d %b"
    else:
        # Shorter steps divide every zone's offset, so that whole local times are whole in UTC.
        whole = first.tz_convert("UTC").floor(f"{step}s")
        times = pd.date_range(whole, last.tz_convert("UTC"), freq=f"{step}s")
        times, form = times.tz_convert(zone), "%H:%M:%S" if step < MINUTE else "%H:%M"
    inside = times[(times >= first) & (times <= last)]
    return [(micros(at), _label(at, form, language)) for at in inside]


def micros(at: pd.Timestamp) -> int:
    """An instant as microseconds since 1970, UTC."""
    return int((at - EPOCH) // pd.Timedelta(microseconds=1))


def _local(walls: pd.DatetimeIndex, zone: str) -> pd.DatetimeIndex:
    """Wall clock times as instants; an hour that spring leaves out moves on."""
    summer = np.ones(len(walls), dtype=bool)  # of a wall time that autumn has twice, the first
    return walls.tz_localize(zone, ambiguous=summer, nonexistent="shift_forward").unique()


def _label(at: pd.Timestamp, form: str, language: str) -> str:
    midnight = at.hour == at.minute == at.second == 0
    form = "%a %d %b" if midnight and form.startswith("%H") else form
    if form in SKELETONS and language != LANGUAGES[0]:
        return str(format_skeleton(SKELETONS[form], at, locale=language))
    return f"{at:{form}}"

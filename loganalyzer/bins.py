"""The containers under a chute, the streams that land in each, and when each should be collected.

A pickup rule has no first date, and RFC 5545 needs one. So, where the rule itself brings no
DTSTART line, it starts on Monday 1 January 2001 at 07:00 in the site's time: the hour where it
names none, the week from which "every second week" counts, and COUNT counts from there. Times
are the site's wall clock, in winter and summer alike; an UNTIL in UTC holds as such.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from dateutil.rrule import rrule
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, plain
from loganalyzer.site import Site, recurrence

Times = NDArray[np.int64]
FIRST = datetime(2001, 1, 1, 7)  # noqa: DTZ001  # the site's wall clock
FASTER_THAN_DAILY = 4  # dateutil's numbers of the frequencies grow from YEARLY 0 to SECONDLY 6
LONGEST_RULE = 20_000  # pickups; more than hourly for two years is no pickup rule
SORTED = ("recycling", "organics")  # kinds that are kept from disposal
DISPOSED = "refuse"
BIN = [*CHUTE, "container"]


def bins(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Every stream of each chute of the timeline and the container that it lands in.

    Returns:
        One row a `site`, `chute`, `stream`, those of the site file first: `container` (its name;
        the stream's own where none is given), `kind`, `container_l`, `full_at`,
        `density_kg_m3`, `pickup` (null where not given; a shared container has what any of its
        streams gives), `first` (the first stream of the container).
    """
    seen = timeline.loc[timeline["stream"].notna(), [*CHUTE, "stream"]].drop_duplicates()
    seen = plain(seen, *CHUTE, "stream").sort_values([*CHUTE, "stream"])
    chutes = timeline[CHUTE].drop_duplicates()
    listed = pd.DataFrame(
        [
            (site.id, chute.id, s.id, s.container or s.id, s.kind, s.container_l, s.full_at,
             s.density_kg_m3, s.pickup)
            for site in sites.values() for chute in site.chutes for s in chute.streams
        ],
        columns=COLUMNS,
    ).astype(TYPES)  # fmt: skip
    table = pd.concat([listed.merge(plain(chutes, *CHUTE), on=CHUTE), seen], ignore_index=True)
    table = table.drop_duplicates([*CHUTE, "stream"]).astype(TYPES)
    table["container"] = table["container"].fillna(table["stream"])
    shared = table.groupby(BIN, sort=False)
    for column in ("container_l", "full_at", "pickup"):
        table[column] = table[column].fillna(shared[column].transform("first"))
    return table.assign(first=shared["stream"].transform("first")).reset_index(drop=True)


COLUMNS = [
    *CHUTE, "stream", "container", "kind", "container_l", "full_at", "density_kg_m3", "pickup",
]  # fmt: skip
TYPES = dict.fromkeys([*CHUTE, "stream", "container", "kind", "pickup"], "str") | dict.fromkeys(
    ["container_l", "full_at", "density_kg_m3"], "float64"
)


def rows_of(held: pd.DataFrame) -> Iterator[Any]:
    """The containers of what `bins` returns, one row each, columns as attributes."""
    return iter(held.drop_duplicates(BIN).itertuples())


def collections(rule: str | None, zone: str, start: pd.Timestamp, end: pd.Timestamp) -> Times:
    """When a rule brings a pickup.

    Args:
        rule: RFC 5545; null brings none.
        zone: The site's IANA name.
        start: From this time on (UTC).
        end: Up to this time, itself included.

    Returns:
        UTC µs since 1970, ascending. A local time that does not exist moves on by the gap, one
        that exists twice is its first.

    Source: RFC 5545 sections 3.3.10, 3.8.5.3 as read by dateutil; the start is ours, see above.
    """
    if rule is None:
        return np.zeros(0, np.int64)
    tz = ZoneInfo(zone)
    lasts = [moment.tz_convert(tz).to_pydatetime() for moment in (start, end)]
    found = _started(rule, tz, lasts[0]).xafter(lasts[0], count=LONGEST_RULE, inc=True)
    times: list[int] = []
    for moment in found:
        if moment > lasts[1]:
            break
        times.append(round(moment.timestamp() * 1_000_000))
    return np.unique(np.array(times, np.int64))


def _started(rule: str, tz: ZoneInfo, start: datetime) -> rrule:
    """The rule with a beginning."""
    first = FIRST.replace(tzinfo=tz)
    begun = recurrence(rule, first)
    often = begun._freq >= FASTER_THAN_DAILY  # type: ignore[attr-defined]  # has no public name
    if often and not any(word in rule.upper() for word in ("INTERVAL", "COUNT", "DTSTART")):
        # Twenty years of hours would take seconds to count through, and change nothing.
        near = (start - timedelta(days=1)).replace(hour=7, minute=0, second=0, microsecond=0)
        return begun.replace(dtstart=near)
    return begun

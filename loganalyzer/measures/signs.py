"""Signs that a part is failing: what recurs more often than it should, and what has shifted.

Each sign is about one part at one place, with the chance that a sound one shows it. What recurs
is compared with the chute's other doors, use for use, and with what a sound part is allowed
(`ALLOWED_DAYS`). It began some time before the first of the many: `beginning` says when.

Source: the rules and the days allowed are ours, common practice, no source; formulas: `burst`,
`beginning`.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.localtime import wall_clock, zone_of
from loganalyzer.reliability import beginning, burst, rayleigh
from loganalyzer.site import Site
from loganalyzer.spans import Cover, micros
from loganalyzer.stats import Numbers
from loganalyzer.tables import require

PLACE = [*DOOR, "component"]
DATES = ["since", "since_low", "since_high", "first", "last"]
SIGN = [*PLACE, "sign", "n", "size", "p", *DATES, "hour", "by_hour_p", "lines"]
CODE, AT_ONCE = "fault code", "several doors at once"
# A sound part does each of these once in so many days, at most.
ALLOWED_DAYS = {
    CODE: 180, "long openings": 60, "late unlocking": 30, "slow travel": 30, "bounce": 30,
    "open while locked": 60, "too fast": 30, "impossible": 30, "steady presses": 90,
    "false full": 60, "restart": 60, AT_ONCE: 365,
}  # fmt: skip
# Of fault codes: a fire shutter has no reason to fall, an unknown code may only be news.
ALLOWED_CODES = {"fire": 365, "other": 30}
LEAST_DAYS, FEW = 7.0, 3
DAY_US = 86_400_000_000
LINES_SHOWN = 10
PART_OF = {"open_s": "door", "unlock_s": "latch", "positioning_s": "sorter", "clear_s": "control"}
SLOWER = {
    "open_s": "longer openings", "unlock_s": "later unlocking", "positioning_s": "longer travel",
    "clear_s": "longer clearing",
}  # fmt: skip


def signs(
    troubles: pd.DataFrame, cycles: pd.DataFrame, coverage: pd.DataFrame, drift: pd.DataFrame,
    coincidences: pd.DataFrame, sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """Every sign, sure or not.

    Args:
        troubles: What `troubles.troubles` returns.
        cycles: The table of that name.
        coverage: The table of that name.
        drift: The table of that name.
        coincidences: What `together.together` returns.
        sites: Their time zones.

    Returns:
        One row a `site`, `chute`, `floor` (null: no door's), `component` and `sign`: `n`
        occurrences (uses, for a shift), `size` (a day since it began; seconds, for a shift),
        `p` that a sound part shows it, `since` (`since_low` to `since_high`, 95 %), the `first`
        of the many, the `last` (all UTC), their mean local `hour`, `by_hour_p` (that it comes at
        any hour as uses do), `lines` (up to ten `source:line`, the latest first).
    """
    require(troubles, *PLACE, "sign", "time", "source", "line")
    rows = [
        *_recurring(troubles, cycles, coverage, sites), *_together(coverage, coincidences),
        *_shifts(drift, coverage, sites),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=SIGN)
    times = dict.fromkeys(DATES, "datetime64[us, UTC]")
    numbers = dict.fromkeys(("size", "p", "hour", "by_hour_p"), "float64")
    return table.astype(dict.fromkeys([*PLACE, "sign"], "str") | times | numbers)


def _recurring(
    events: pd.DataFrame, cycles: pd.DataFrame, coverage: pd.DataFrame, sites: Mapping[str, Site]
) -> Iterator[tuple[object, ...]]:
    opened = cycles[[*DOOR, "opened"]].dropna(subset="opened").rename(columns={"opened": "time"})
    uses = plain(opened, *DOOR)
    usual = {
        key: np.sort(hours.to_numpy())
        for key, hours in _hours(uses, sites).groupby([uses[c] for c in CHUTE])
    }
    watched, expected = _watched(coverage), _expected(events, uses)
    at_hour = _hours(events, sites)
    for key, part in events.groupby([*PLACE, "sign"], dropna=False):
        chute = (str(key[0]), str(key[1]))
        if chute not in watched or len(part) < FEW:
            continue
        cover = watched[chute]
        ages, days = cover.until(micros(part["time"])) / DAY_US, _days(cover)
        rate = 1 / _allowed(str(key[3]), str(key[4])) + expected.get(key, 0.0) / max(days, 1.0)
        first, p = burst(ages, days, rate, LEAST_DAYS)
        hours = at_hour.loc[part.index].to_numpy()
        yield (
            *key, len(part), *_begun(part["time"], ages, days, rate, first, p), _mean_hour(hours),
            _odd_hours(hours, usual.get(chute, np.empty(0))), _lines(part),
        )  # fmt: skip


def _allowed(component: str, sign: str) -> float:
    """The days in which a sound part does it once."""
    days = ALLOWED_DAYS[sign]
    return ALLOWED_CODES.get(component, days) if sign == CODE else days


def _expected(events: pd.DataFrame, uses: pd.DataFrame) -> dict[Any, float]:
    """How many each door would have, used as it is, if it were like the chute's other doors."""
    shares = uses.groupby(DOOR).size() / uses.groupby(CHUTE).size()
    at_doors = events[events["floor"].notna()]
    totals = at_doors.groupby([*CHUTE, "component", "sign"]).size()
    found: dict[Any, float] = {}
    for key, part in at_doors.groupby([*PLACE, "sign"]):
        site, chute, floor, component, sign = key
        share = float(shares.get((site, chute, floor), 0.5))
        others = float(totals.get((site, chute, component, sign), 0)) - len(part)
        found[key] = others * share / max(1 - share, 0.05)
    return found


def _begun(
    times: pd.Series, ages: Numbers, days: float, rate: float, first: int, p: float
) -> tuple[object, ...]:
    """How often since it began, how sure that is, since when, the first and the last."""
    began, found = beginning(ages, days, rate, first), times.iloc[first]
    since = [
        found - pd.Timedelta(days=float(ages[first] - at))
        for at in (began.at, began.low, began.high)
    ]
    size = (len(times) - first) / max(days - began.at, 1.0)
    return (size, p, *since, found, times.iloc[-1])


def _days(cover: Cover) -> float:
    return float((cover.end - cover.start).sum()) / DAY_US


def _watched(coverage: pd.DataFrame) -> dict[tuple[str, str], Cover]:
    """What the log of each chute covers."""
    held = coverage[coverage["covered"].astype(bool)]
    return {
        (str(site), str(chute)): Cover.of(micros(part["start"]), micros(part["end"]))
        for (site, chute), part in held.groupby(CHUTE, observed=True)
    }


def _hours(table: pd.DataFrame, sites: Mapping[str, Site]) -> pd.Series:
    """The local hour of day of each row, with its fraction."""
    wall = wall_clock(table, sites, "time")
    hours: pd.Series = wall.dt.hour + wall.dt.minute / 60 + wall.dt.second / 3600
    return hours


def _mean_hour(hours: Numbers) -> float:
    return rayleigh(hours / 24 * 2 * np.pi).mean * 24 / (2 * np.pi)


def _odd_hours(hours: Numbers, usual: Numbers) -> float:
    """The chance that events at these hours come as the chute's uses do.

    On a clock that runs as fast as the chute is used, such events come evenly.
    """
    if len(usual) < FEW:
        return float("nan")
    turns = np.searchsorted(usual, hours) / len(usual)
    return rayleigh(turns * 2 * np.pi).p


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return iter(table.itertuples())


def _lines(part: pd.DataFrame) -> list[str]:
    last = part.tail(LINES_SHOWN)[::-1].dropna(subset="line")
    lines: list[str] = (last["source"] + ":" + last["line"].astype("Int64").astype("str")).tolist()
    return lines


def _together(coverage: pd.DataFrame, coincidences: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """Troubles at several doors at once: the wiring's, at no one door."""
    watched = _watched(coverage)
    for row in _rows(coincidences[coincidences["sure"].astype(bool)]):
        cover, times = watched[row.site, row.chute], pd.Series(sorted(row.moments))
        ages, days = cover.until(micros(times)) / DAY_US, _days(cover)
        rate = 1 / ALLOWED_DAYS[AT_ONCE] + row.expected / max(days, 1.0)
        yield (
            row.site, row.chute, None, "wiring", AT_ONCE, len(times),
            *_begun(times, ages, days, rate, 0, row.p), np.nan, np.nan,
            json.loads(row.evidence)[::-1],
        )  # fmt: skip


def _shifts(
    drift: pd.DataFrame, coverage: pd.DataFrame, sites: Mapping[str, Site]
) -> Iterator[tuple[object, ...]]:
    """Timings that have become longer."""
    shifted = drift["slower"].fillna(False).astype(bool) & drift["pair"].isna()
    ends = coverage.groupby(CHUTE, observed=True)["end"].max()
    for row in _rows(drift[shifted]):
        zone = zone_of(sites, row.site)
        since = [
            day.tz_localize(zone, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")
            for day in (row.since, row.since_low, row.since_high)
        ]
        yield (
            row.site, row.chute, row.floor, PART_OF[row.what], SLOWER[row.what], row.n,
            row.shift_s, row.q, *since, since[0], ends[row.site, row.chute], np.nan, np.nan,
            json.loads(row.evidence),
        )  # fmt: skip

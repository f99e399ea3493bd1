"""What the present pickup rule of each container does, and what others with no more pickups would.

Looked at are all choices of weekdays with the same number of pickups a week or fewer, at the
present rule's hour, and one pickup every second week. Best at a number of pickups is the rule
with the fewest uses refused, then the fewest hours full; of those that are alike the present one,
then the one least likely to find it full, then the one whose pickups lie the most evenly. A
pickup comes at a whole hour.

Source: the criterion is ours; RFC 5545 for the rules.
"""

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import collections, rows_of
from loganalyzer.facts import why
from loganalyzer.lifetimes import UNKNOWN, Weibull
from loganalyzer.localtime import zone_of
from loganalyzer.pickups.demand import Demand, Demands
from loganalyzer.pickups.simulation import FILLS, SEED, WORLDS, Drawn, draw, estimate
from loganalyzer.site import Site

Numbers = NDArray[np.float64]
DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
WEEK, FORTNIGHT = 168, 336
HOUR, MOST_WITHOUT_RULE = 7, 3  # where there is no present rule
LONGEST = 8 * WEEK  # hours that a simulation follows one fill
AHEAD = pd.Timedelta(weeks=52)
NO_MODEL = "no fill model: see fill_model"
NO_DEMAND = "less than two weeks of log"
NEVER_AGAIN = "the rule brings no pickup in the year after the log"
Lives = Mapping[tuple[str, str, str], tuple[Weibull, str]]
# Hours of the week at which a fill begins, and how many hours later it is collected.
Fills = list[tuple[float, int]]


def pickups(
    held: pd.DataFrame, known: Lives, demands: Demands, ends: pd.DataFrame,
    sites: Mapping[str, Site], seed: int = SEED,
) -> pd.DataFrame:  # fmt: skip
    """The present rule and its alternatives, container by container.

    Args:
        held: What `bins.bins` returns.
        known: What `fill.lives` returns.
        demands: Their demand.
        ends: `facts.ends`: the present rule is played over the year after the log's end.
        sites: Their time zones.
        seed: Of the draws.

    Returns:
        One row a container and rule: `site`, `chute`, `stream` (the first of the container),
        `container`, `rule`, `present`, `best` (at its number of pickups), `pickups_a_week`,
        `chance_full` (that it is full before the next pickup) with its 95 % interval
        `chance_low` to `chance_high` and the simulation's `error`, `hours_full_a_week`,
        `refused_a_week` (uses that would come while it is full) and `under_half` (share of
        pickups made at under half full), each with low and high, `uses_a_week`, `worlds`,
        `fills`, `seed`, `reason` (why nothing can be told: one row for the container).
    """
    tables = []
    for row in rows_of(held):
        key = (row.site, row.chute, row.container)
        rule = None if pd.isna(row.pickup) else str(row.pickup)
        end = ends.loc[ends["site"].eq(key[0]) & ends["chute"].eq(key[1]), "log_end"]
        if len(end):
            found = _container(rule, end.iloc[0], zone_of(sites, key[0]), known.get(key),
                               demands.of(key), seed)  # fmt: skip
            tables.append(found.assign(site=key[0], chute=key[1], container=key[2],
                                       stream=row.first))  # fmt: skip
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=PICKUPS)
    return table.reindex(columns=PICKUPS)


MEASURES = ("chance_full", "hours_full_a_week", "refused_a_week", "under_half")
PICKUPS = [
    "site", "chute", "stream", "container", "rule", "present", "best", "pickups_a_week",
    "chance_full", "chance_low", "chance_high", "error", "hours_full_a_week", "hours_low",
    "hours_high", "refused_a_week", "refused_low", "refused_high", "under_half", "under_low",
    "under_high", "uses_a_week", "worlds", "fills", "seed", "reason",
]  # fmt: skip


def _container(
    rule: str | None, end: pd.Timestamp, zone: str, fitted: tuple[Weibull, str] | None,
    demand: Demand | None, seed: int,
) -> pd.DataFrame:  # fmt: skip
    life = fitted[0] if fitted else UNKNOWN
    times = collections(rule, zone, end, end + AHEAD)
    reason = NO_MODEL if not life.known else NO_DEMAND if demand is None else None
    if reason is None and rule is not None and len(times) < 2:
        reason = NEVER_AGAIN
    if reason or demand is None:
        return pd.DataFrame({"rule": [rule], "present": [rule is not None], "reason": [reason]})
    drawn = draw(life, demand, seed=seed)
    local = pd.to_datetime(times, unit="us", utc=True).tz_convert(zone)
    now = float(len(times) / (AHEAD.days / 7)) if rule else float(MOST_WITHOUT_RULE)
    hour = int(pd.Series(local.hour).mode().iloc[0]) if len(local) else HOUR
    played = Played(drawn, demand)
    rows = [_row(name, fills, weeks, played) for name, fills, weeks in _weekly(now, hour)]
    table = pd.DataFrame(rows).assign(present=False)
    if rule is not None:
        row = _row(rule, _fills_of(local), (times[-1] - times[0]) / 1e6 / 3600 / WEEK, played)
        table = _with_present(table, row)
    # Differences below what a person would act on leave the present rule the best.
    rank = np.lexsort((
        table["uneven"], table["chance_full"].round(3), ~table["present"],
        table["hours_full_a_week"].round(1), table["refused_a_week"].round(1),
    ))  # fmt: skip
    first = table.iloc[rank].groupby(table["pickups_a_week"].round(2)).head(1).index
    return table.assign(
        best=table.index.isin(first), uses_a_week=float(demand.rate.sum()), worlds=WORLDS,
        fills=FILLS, seed=seed, reason=why((np.zeros(len(table), bool), "")),
    )  # fmt: skip


def _with_present(table: pd.DataFrame, row: dict[str, object]) -> pd.DataFrame:
    """The present rule first, in place of the alternative that is the same."""
    same = (
        (table["pickups_a_week"] - float(str(row["pickups_a_week"]))).abs().lt(0.05)
        & (table["chance_full"] - float(str(row["chance_full"]))).abs().lt(1e-9)
        & (table["hours_full_a_week"] - float(str(row["hours_full_a_week"]))).abs().lt(1e-6)
    )
    # A year of a weekly rule does not begin and end on the same weekday.
    number = float(str(row["pickups_a_week"]))
    near = round(2 * number) / 2
    row["pickups_a_week"] = near if abs(near - number) < 0.05 else round(number, 2)
    present = pd.DataFrame([row]).assign(present=True)
    return pd.concat([present, table[~same]], ignore_index=True)


class Played:
    """Fills that begin at an hour of the week, followed hour by hour; each hour once."""

    def __init__(self, drawn: Drawn, demand: Demand) -> None:
        """Take what was drawn and the demand."""
        self._drawn, self._demand = drawn, demand
        self._kept: dict[tuple[float, int], tuple[Numbers, Numbers, Numbers, Numbers]] = {}

    def fill(self, start: float, hours: int) -> Numbers:
        """`MEASURES` of one fill in each world, shape (4, worlds)."""
        hours = min(hours, LONGEST)
        full, shut, refused, half = self._followed(start, hours)
        return np.array([full[:, hours], shut[:, hours], refused[:, hours], 1 - half[:, hours]])

    def _followed(self, start: float, hours: int) -> tuple[Numbers, Numbers, Numbers, Numbers]:
        length = WEEK if hours <= WEEK else FORTNIGHT if hours <= FORTNIGHT else LONGEST
        key = (start, length)
        if key not in self._kept:
            demand = self._demand.after(start, length)
            full = self._drawn.chances(demand)
            middle = (full[:, 1:] + full[:, :-1]) / 2
            zero = np.zeros((len(full), 1))
            shut = np.hstack([zero, np.cumsum(middle, axis=1)])
            refused = np.hstack([zero, np.cumsum(middle * np.diff(demand), axis=1)])
            self._kept[key] = (full, shut, refused, self._drawn.half_chances(demand))
        return self._kept[key]


def _row(rule: str, fills: Fills, weeks: float, played: Played) -> dict[str, object]:
    """One rule's figures."""
    parts: dict[tuple[float, int], int] = {}
    for fill in fills:
        parts[fill] = parts.get(fill, 0) + 1
    figures = np.array([number * played.fill(*fill) for fill, number in parts.items()])
    total = figures.sum(axis=0)
    by = [total[0] / len(fills), total[1] / weeks, total[2] / weeks, total[3] / len(fills)]
    uneven = sum(hours**2 for _, hours in fills) / weeks
    row: dict[str, object] = {
        "rule": rule, "pickups_a_week": len(fills) / weeks, "uneven": uneven,
    }  # fmt: skip
    for name, values in zip(MEASURES, by, strict=True):
        found, short = estimate(values), name.partition("_")[0]
        row |= {name: found.value, f"{short}_low": found.low, f"{short}_high": found.high}
        if name == "chance_full":
            row["error"] = found.error
    return row


def _fills_of(local: pd.DatetimeIndex) -> Fills:
    """The fills between pickups at these local times, to the hour."""
    start = [
        float(day * 24 + hour) for day, hour in zip(local.day_of_week, local.hour, strict=True)
    ]
    hours = np.round(np.diff(local.tz_localize(None)) / np.timedelta64(1, "h")).astype(int)
    return [(float(at), max(int(length), 1)) for at, length in zip(start, hours, strict=False)]


def _weekly(most: float, hour: int) -> Iterator[tuple[str, Fills, float]]:
    """Rules with up to so many pickups a week: text, fills, weeks that they span."""
    for day, name in enumerate(DAYS):
        start = float(day * 24 + hour)
        yield f"FREQ=WEEKLY;INTERVAL=2;BYDAY={name};BYHOUR={hour}", [(start, FORTNIGHT)], 2.0
    for number in range(1, min(int(most + 0.05), 7) + 1):
        for days in combinations(range(7), number):
            starts = [float(day * 24 + hour) for day in days]
            nexts = [*starts[1:], starts[0] + WEEK]
            fills = [(a, int(b - a)) for a, b in zip(starts, nexts, strict=True)]
            names = ",".join(DAYS[day] for day in days)
            yield f"FREQ=WEEKLY;BYDAY={names};BYHOUR={hour}", fills, 1.0

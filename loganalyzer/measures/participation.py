"""How often each stream is used, by floor and building, week and month, and by how many floors.

Set-out and participation are municipal measures of households: the share of households that put
something out on one collection, and the share that did so at least once in a stated number of
collections. A log sees doors, not households: here a floor stands for the household and a local
week for the collection, and a small number of diligent homes makes a floor "participate".

A share from few uses says little. Each comes with Wilson's interval, and, for the whole period,
shrunk towards the floors of its chute (`shares.shrunken_shares`): the floors' shares have a beta
distribution, and each floor's is what its uses and what is known of that distribution make likely.

Source: definitions: "Relationships between set-out rate, participation rate and set-out quantity
in recycling programs", Resources, Conservation and Recycling 1997; their carrying over to floors
is ours. How much of a week must be covered: common practice, no source.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, plain, tally, why
from loganalyzer.localtime import local_parts
from loganalyzer.shares import shrunken_shares
from loganalyzer.site import Site
from loganalyzer.stats import benjamini_hochberg, poisson_interval, theil_sen, wilson
from loganalyzer.tables import require

WINDOW_WEEKS = 4
COVERED_DAYS = 6  # of seven, so that a week counts as covered
TREND_WEEKS = 8
KEY = [*DOOR, "stream"]
NO_OPEN, NO_STREAM = NOT_RECORDED["open"], NOT_RECORDED["stream"]
NO_CHUTE = "a chute of the building has no log in this period"
NO_COVER = "no log in this period"
NO_UNITS = "units not in the site file"
NO_USES = "no uses"


def streams(
    used: pd.DataFrame, hours: pd.DataFrame, held: pd.DataFrame, facts: Facts,
    sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """Uses of each stream by door, chute and building, in the whole log, by month and by week.

    Args:
        used: What `uses.uses` returns.
        hours: What `localtime.exposure` returns.
        held: What `bins.bins` returns: the streams of each chute.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        One row a period and stream: `site`, `chute` (null: the whole building), `floor` (null: the
        whole chute), `stream`, `period` ("all", "month", "week"), `start` (its first local day),
        `covered_days` (of a building: the least of its chutes), `units`, `uses`,
        `uses_per_unit_week` with its exact 95 % Poisson interval `rate_low` to `rate_high`, `share`
        of all uses there with Wilson's interval `low` to `high`, `reason` (why any of these is
        null).
    """
    require(used, *KEY, "opened")
    local = local_parts(used, sites, "opened")
    counted = used.assign(day=local["day"])
    grids = [_grid(period, hours, held, facts) for period in PERIODS]
    parts = []
    for period, grid in zip(PERIODS, grids, strict=True):
        start = PERIODS[period](counted["day"]) if period != "all" else counted["day"]
        rows = counted.assign(start=start)
        if period == "all":
            rows = rows.assign(start=rows.groupby(CHUTE)["day"].transform("min"))
            first = grid.groupby(CHUTE)["start"].transform("min")
            grid = grid.assign(start=first)
            rows = rows.drop(columns="start").merge(
                grid[[*CHUTE, "start"]].drop_duplicates(), on=CHUTE
            )
        parts.append(_counted(grid, rows).assign(period=period))
    counted = _shown(pd.concat(parts, ignore_index=True), facts)
    return _shares(pd.concat([counted, _buildings(counted)], ignore_index=True))[STREAMS]


STREAMS = [
    *KEY, "period", "start", "covered_days", "units", "uses", "uses_per_unit_week", "rate_low",
    "rate_high", "share", "low", "high", "reason",
]  # fmt: skip


def _week(days: pd.Series) -> pd.Series:
    """The Monday of each day's week."""
    monday: pd.Series = days - pd.to_timedelta(days.dt.day_of_week, unit="D").dt.as_unit("us")
    return monday


def _month(days: pd.Series) -> pd.Series:
    """The first day of each day's month."""
    first: pd.Series = days - pd.to_timedelta(days.dt.day - 1, unit="D").dt.as_unit("us")
    return first


PERIODS = {"all": lambda days: days, "month": _month, "week": _week}


def _grid(period: str, hours: pd.DataFrame, held: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Every door (and chute), stream and period of the log, with the days covered."""
    days = plain(hours, *CHUTE)
    start = (
        days.groupby(CHUTE)["day"].transform("min")
        if period == "all"
        else (PERIODS[period](days["day"]))
    )
    covered = days.assign(start=start).groupby([*CHUTE, "start"])["seconds"].sum() / 86400
    spans = covered.rename("covered_days").reset_index()
    doors = facts.doors[[*DOOR, "units"]]
    by_chute = doors.groupby(CHUTE)["units"]
    units = by_chute.sum().where(by_chute.count().eq(by_chute.size()))
    whole = units.astype("Int64").reset_index().assign(floor=np.nan)
    places = pd.concat([whole.astype({"floor": "str"}), doors], ignore_index=True)
    grid = places.merge(spans, on=CHUTE).merge(held[[*CHUTE, "stream"]], on=CHUTE)
    return grid


def _counted(grid: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """The uses of each row of the grid, and of all streams there."""
    doors = tally(rows, [*KEY, "start"], "uses")
    chutes = doors.groupby([*CHUTE, "stream", "start"], as_index=False)["uses"].sum()
    found = pd.concat([doors, chutes.assign(floor=np.nan).astype({"floor": "str"})])
    both = grid.merge(found, on=[*KEY, "start"], how="left")
    both["uses"] = both["uses"].fillna(0).astype("Int64")
    every = both.groupby([*DOOR, "start"], dropna=False)["uses"].transform("sum")
    return both.assign(trials=every)


def _shown(table: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Uses where the log can show them, and for how many units and weeks."""
    recorded = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")
    units, covered = table["units"].astype("float64"), table["covered_days"]
    shown = recorded["open"].to_numpy() & recorded["stream"].to_numpy()
    return table.assign(
        uses=table["uses"].where(shown), trials=table["trials"].where(shown),
        unit_weeks=(units * covered / 7).where(shown & (units > 0) & (covered > 0)),
        unseen=why((~recorded["open"], NO_OPEN), (~recorded["stream"], NO_STREAM)),
    )  # fmt: skip


def _buildings(table: pd.DataFrame) -> pd.DataFrame:
    """The chutes of each site together; what one of them does not tell, the building does not."""
    chutes = table[table["floor"].isna()]
    whole = chutes["period"].eq("all")
    first = chutes.groupby(["site", "period"])["start"].transform("min")
    chutes = chutes.assign(start=chutes["start"].mask(whole, first))
    keys = ["site", "period", "start"]
    every = chutes.drop_duplicates([*keys, "chute"]).groupby(keys)
    places = every.agg(
        covered_days=("covered_days", "min"), units=("units", _all_or_none),
        trials=("trials", _all_or_none), unit_weeks=("unit_weeks", _all_or_none),
        unseen=("unseen", "first"), told=("chute", "nunique"),
    ).reset_index()  # fmt: skip
    there = places["site"].map(chutes.groupby("site")["chute"].nunique())
    part = places["told"].astype("float64") < there.astype("float64")  # without a row both are text
    places["unseen"] = places["unseen"].mask(part & places["unseen"].isna(), NO_CHUTE)
    places[["trials", "unit_weeks"]] = places[["trials", "unit_weeks"]].mask(part)
    uses = chutes.groupby([*keys, "stream"])["uses"].agg(_all_or_none).reset_index()
    found = uses.merge(places, on=keys).assign(chute=np.nan, floor=np.nan)
    found["uses"] = found["uses"].where(found["unseen"].isna())
    types = {"chute": "str", "floor": "str", "uses": "Int64", "trials": "Int64", "units": "Int64"}
    return found.astype(types)


def _all_or_none(numbers: pd.Series) -> float | None:
    """The sum; null where one of them is."""
    return None if numbers.isna().any() else float(numbers.sum())


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    uses, trials, unit_weeks = table["uses"], table["trials"], table["unit_weeks"]
    low, high = poisson_interval(uses)
    share_low, share_high = wilson(uses, trials)
    every = trials.astype("float64")
    seen = table["unseen"].isna()
    return table.assign(
        uses_per_unit_week=uses.astype("float64") / unit_weeks,
        rate_low=low / unit_weeks, rate_high=high / unit_weeks,
        share=uses.astype("float64") / every.where(every > 0), low=share_low, high=share_high,
        reason=table["unseen"].fillna(why(
            (table["covered_days"] <= 0, NO_COVER), ((trials <= 0).fillna(False), NO_USES),
            (seen & table["units"].isna(), NO_UNITS),
        )),
    )  # fmt: skip


def participation(table: pd.DataFrame) -> pd.DataFrame:
    """How regularly each door, chute and building uses a stream, and whether its share changes.

    Args:
        table: What `streams` returns.

    Returns:
        One row a door and stream, a chute and stream (`floor` null), a building and stream (`chute`
        null too): `site`, `chute`, `floor`, `stream`, `weeks_covered` (local weeks from Monday of
        which at least six days are covered), `weeks_active` (of these, with a use), `share_active`
        with Wilson's interval `active_low` to `active_high`, `uses`, `trials` (uses of all streams
        in the whole log), `share`, `low`, `high`, `shrunken` with its interval `shrunken_low` to
        `shrunken_high` (doors only), `against` (the chute's share), `trend` (change of the weekly
        share in percentage points a year) with `trend_low` to `trend_high`, its `p` (Kendall) and
        `q` (adjusted for the doors and streams of the site), `reason`.
    """
    require(table, *KEY, "period", "start", "uses", "share")
    weekly, whole = _weeks(table), table[table["period"].eq("all")]
    against = whole[whole["floor"].isna() & whole["chute"].notna()]
    against = against[[*CHUTE, "stream", "share"]].rename(columns={"share": "against"})
    table = whole[[*KEY, "uses", "share", "low", "high", "reason"]].reset_index(drop=True)
    trials = table.groupby(DOOR, sort=False, dropna=False)["uses"].transform("sum")
    table = table.assign(trials=trials).merge(against, on=[*CHUTE, "stream"], how="left")
    table = table.merge(_active(weekly), on=KEY, how="left")
    table = table.merge(_trends(weekly), on=KEY, how="left")
    table["q"] = table.groupby("site")["p"].transform(lambda p: benjamini_hochberg(p))
    low, high = wilson(table["weeks_active"], table["weeks_covered"])
    covered = table["weeks_covered"].astype("float64")
    table = table.assign(
        share_active=table["weeks_active"].astype("float64") / covered.where(covered > 0),
        active_low=low, active_high=high,
    )  # fmt: skip
    return table.join(_shrunken(table))[PARTICIPATION]


PARTICIPATION = [
    *KEY, "weeks_covered", "weeks_active", "share_active", "active_low", "active_high", "uses",
    "trials", "share", "low", "high", "shrunken", "shrunken_low", "shrunken_high", "against",
    "trend", "trend_low", "trend_high", "p", "q", "reason",
]  # fmt: skip


def covered_weeks(table: pd.DataFrame) -> pd.DataFrame:
    """Uses of each door and stream in the weeks that count as covered.

    Args:
        table: What `streams` returns.

    Returns:
        Rows of it with `trials`, the uses of all streams there.
    """
    return _weeks(table[table["floor"].notna()])


def _weeks(table: pd.DataFrame) -> pd.DataFrame:
    """As `covered_weeks`, of doors, chutes and buildings."""
    weeks = table[table["period"].eq("week") & table["uses"].notna()]
    weeks = weeks[weeks["covered_days"].ge(COVERED_DAYS)]
    trials = weeks.groupby([*DOOR, "start"], dropna=False)["uses"].transform("sum")
    return weeks.assign(trials=trials)


def _active(weekly: pd.DataFrame) -> pd.DataFrame:
    weeks = weekly.assign(active=weekly["uses"].gt(0)).groupby(KEY, dropna=False)["active"]
    table = weeks.agg(weeks_covered="size", weeks_active="sum").reset_index()
    return table.astype({"weeks_covered": "Int64", "weeks_active": "Int64"})


def _trends(weekly: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for key, part in weekly[weekly["trials"] > 0].groupby(KEY, dropna=False):
        if len(part) < TREND_WEEKS:
            continue
        years = (part["start"] - part["start"].min()).dt.total_seconds() / (365.25 * 86400)
        share = 100 * part["uses"].astype("float64") / part["trials"].astype("float64")
        line = theil_sen(years, share)
        rows.append((*key, line.slope, line.low, line.high, line.p))
    table = pd.DataFrame(rows, columns=[*KEY, "trend", "trend_low", "trend_high", "p"])
    return table.astype(dict.fromkeys(KEY, "str") | dict.fromkeys(table.columns[4:], "float64"))


def _shrunken(table: pd.DataFrame) -> pd.DataFrame:
    """Each floor's share of a stream, given those of its chute's other floors."""
    columns = pd.DataFrame(
        np.nan, table.index, ["shrunken", "shrunken_low", "shrunken_high"], dtype="float64"
    )
    for _, part in table[table["floor"].notna()].groupby([*CHUTE, "stream"]):
        hits, trials = (part[name].astype("float64") for name in ("uses", "trials"))
        told = shrunken_shares(hits, trials)
        columns.loc[part.index] = np.column_stack([told.mean, told.low, told.high])
    return columns


def rates(table: pd.DataFrame, window: int = WINDOW_WEEKS) -> pd.DataFrame:
    """Set-out and participation of a chute's floors, stream by stream.

    Args:
        table: What `streams` returns.
        window: Weeks in which a floor must have used the stream once to take part.

    Returns:
        One row a `site`, `chute`, `stream`: `floors`, `weeks` (covered), `set_out` (mean share of
        floors that used it in a week) with `set_out_low` to `set_out_high` (Wilson's, of as many
        trials as floors, since the weeks of a floor are alike), `participation` (share that used it
        at least once in the last `window` covered weeks) with Wilson's interval `low` to `high`,
        `window_weeks`, `note` (that floors stand for households), `reason`.
    """
    rows = []
    for key, part in covered_weeks(table).groupby([*CHUTE, "stream"]):
        used = part.assign(used=part["uses"].gt(0))
        active = used.pivot(index="floor", columns="start", values="used")
        took = active.to_numpy(dtype=bool)
        rows.append((*key, *took.shape, set_out(took).mean(), part_taken(took, window)))
    named = [*CHUTE, "stream", "floors", "weeks", "set_out", "participation"]
    found = pd.DataFrame(rows, columns=named)
    found = found.astype({"site": "str", "chute": "str", "stream": "str"})
    chutes = table.loc[table["chute"].notna(), [*CHUTE, "stream"]]
    table = chutes.drop_duplicates().merge(found, how="left")
    taken = table["participation"] * table["floors"]
    low, high = wilson(taken.round(), table["floors"])
    out_low, out_high = wilson(table["set_out"] * table["floors"], table["floors"])
    short = table["weeks"].fillna(0) < window
    return table.assign(
        set_out_low=out_low, set_out_high=out_high,
        participation=table["participation"].where(~short), low=np.where(short, np.nan, low),
        high=np.where(short, np.nan, high), window_weeks=window,
        note="floors stand for households, weeks for collections: a log sees doors",
        reason=why((short, f"fewer than {window} covered weeks")),
    )  # fmt: skip


def set_out(active: ArrayLike) -> NDArray[np.float64]:
    """The share of households that set out on each collection.

    Args:
        active: Whether each set out, shape (households, collections).

    Returns:
        Shape (collections,).
    """
    return np.asarray(np.asarray(active, bool).mean(axis=0), dtype=np.float64)


def part_taken(active: ArrayLike, window: int) -> float:
    """The share of households that set out at least once in the last `window` collections.

    Args:
        active: Whether each set out, shape (households, collections).
        window: Collections looked at; fewer where there are fewer.
    """
    return float(np.asarray(active, bool)[:, -window:].any(axis=1).mean())

"""The chance that each container is full by the end of each coming day.

It starts from the uses already in it and says what happens if nobody collects it; days after the
next pickup of the rule are marked. Made later than the log ends, it takes the container to have
been used as usual since then, and to have been emptied by each pickup of its rule in between.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.bins import BIN, collections, rows_of
from loganalyzer.lifetimes import UNKNOWN, Weibull
from loganalyzer.localtime import zone_of
from loganalyzer.pickups.demand import Demands
from loganalyzer.pickups.search import NO_DEMAND, NO_MODEL, Lives
from loganalyzer.pickups.simulation import SEED, draw, estimate
from loganalyzer.site import Site

DAYS_AHEAD = 7
FULL_NOW = "full now"
FORECAST = [
    "site", "chute", "stream", "container", "at", "uses_so_far", "day", "chance_full", "low",
    "high", "error", "next_pickup", "after_pickup", "reason",
]  # fmt: skip


def forecast(
    held: pd.DataFrame, known: Lives, demands: Demands, containers: pd.DataFrame,
    ends: pd.DataFrame, sites: Mapping[str, Site], now: pd.Timestamp | None = None,
    seed: int = SEED,
) -> pd.DataFrame:  # fmt: skip
    """The coming week, container by container.

    Args:
        held: What `bins.bins` returns.
        known: What `fill.lives` returns.
        demands: Their demand.
        containers: The table of that name.
        ends: `facts.ends`.
        sites: Their time zones.
        now: When the forecast is made (UTC); null, or before it: the end of each chute's log.
        seed: Of the draws.

    Returns:
        One row a container and local day: `site`, `chute`, `stream`, `container`, `at` (when
        the forecast is made), `uses_so_far` (since it was emptied, as far as the log goes; null
        where a pickup after the log is taken to have emptied it), `day` (local), `chance_full` by
        its end with its 95 % interval `low` to `high` and the simulation's `error`,
        `next_pickup` (UTC), `after_pickup` (the day ends after it),
        `reason` (why there is no chance, or "full now").
    """
    tables = []
    for row in rows_of(held):
        key = (row.site, row.chute, row.container)
        end = ends.loc[ends["site"].eq(key[0]) & ends["chute"].eq(key[1]), "log_end"]
        last = containers[(containers[BIN].astype("str") == pd.Series(key, BIN)).all(axis=1)]
        last = last[last["emptied_by"].eq("log end")]
        if len(end) and len(last):
            rule = None if pd.isna(row.pickup) else str(row.pickup)
            life = known.get(key, (UNKNOWN, ""))[0]
            one = _container(key, rule, last.iloc[-1], end.iloc[0], now, life, demands, sites, seed)
            tables.append(one.assign(stream=row.first))
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=FORECAST)
    return table.reindex(columns=FORECAST)


def _container(
    key: tuple[str, str, str], rule: str | None, fill: pd.Series, end: pd.Timestamp,
    now: pd.Timestamp | None, life: Weibull, demands: Demands, sites: Mapping[str, Site],
    seed: int,
) -> pd.DataFrame:  # fmt: skip
    zone = zone_of(sites, key[0])
    at = max(now, end) if now is not None else end
    coming = collections(rule, zone, at + pd.Timedelta(microseconds=1), at + pd.Timedelta(weeks=9))
    until = pd.Timestamp(int(coming[0]), unit="us", tz="UTC") if len(coming) else pd.NaT
    # The latest pickup since the log's end is taken to have come.
    passed = collections(rule, zone, end + pd.Timedelta(microseconds=1), at)
    since = pd.Timestamp(int(passed[-1]), unit="us", tz="UTC") if len(passed) else end
    used = None if len(passed) else float(fill["drops"])
    local = at.tz_convert(zone)
    days = pd.date_range(local.normalize(), periods=DAYS_AHEAD, freq="D")
    closes = (days + pd.DateOffset(days=1)).tz_convert("UTC").as_unit("us")
    table = pd.DataFrame({
        "at": at, "uses_so_far": pd.NA if used is None else fill["drops"],
        "day": days.tz_localize(None).as_unit("us"),
        "next_pickup": until,
        "after_pickup": closes > until if isinstance(until, pd.Timestamp) else False,
    }).assign(site=key[0], chute=key[1], container=key[2])  # fmt: skip
    demand = demands.of(key)
    full = used is not None and fill["state"] == "full" and pd.isna(fill["full_to"])
    reason = (
        FULL_NOW if full else NO_MODEL if not life.known
        else NO_DEMAND if demand is None else fill["reason"] if used is not None else None
    )  # fmt: skip
    if full:
        return table.assign(chance_full=1.0, low=1.0, high=1.0, error=0.0, reason=reason)
    if isinstance(reason, str) or demand is None:
        return table.assign(reason=reason)
    drawn = draw(life, demand, used=used or 0.0, seed=seed)
    begin = since.tz_convert(zone)
    start = begin.day_of_week * 24 + begin.hour + begin.minute / 60
    ahead = ((closes - since) / pd.Timedelta(hours=1)).to_numpy()
    course = demand.after(start, int(np.ceil(ahead.max())))
    worlds = drawn.chances(np.interp(ahead, np.arange(len(course)), course))
    figures = [estimate(worlds[:, place]) for place in range(len(days))]
    return table.assign(
        chance_full=[f.value for f in figures], low=[f.low for f in figures],
        high=[f.high for f in figures], error=[f.error for f in figures], reason=None,
    )  # fmt: skip

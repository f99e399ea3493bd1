"""Did the repair hold? Each trouble before and after each service or piece of work.

A repair is a service period of the log or an entry `[[work]]` of the site file. Before goes back
to the repair before it, after goes on to the next one, both in days that the log covers.

Source: the rules are ours; formulas: `poisson_ratio`, `kaplan_meier`.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.rates import poisson_ratio
from loganalyzer.site import Site
from loganalyzer.spans import Cover, Places, micros
from loganalyzer.stats import kaplan_meier, survival_quantile
from loganalyzer.tables import empty, require

TROUBLE = [*DOOR, "component", "code"]
DAY_US = 86_400_000_000
# So many have to be expected after, at the rate before, for their absence to mean something.
ENOUGH = 3.0
EARLY = "too early to say"
REPAIR = [*CHUTE, "by", "start", "end", "floor", "component", "note"]
NUMBERS = ["before", "before_days", "after", "after_days", "back_days", "came_back"]


def repairs(
    troubles: pd.DataFrame, intervals: pd.DataFrame, coverage: pd.DataFrame,
    sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """The table `repairs`: a row each trouble and each repair that may have been meant for it.

    Args:
        troubles: One row an episode: `site`, `chute`, `floor`, `component`, `code`, `start`.
        intervals: The table of that name: service.
        coverage: The table of that name.
        sites: Time zones and `[[work]]`.

    Returns:
        `by` ("service" or "work") from `start` to `end` (a day's work: that local day), `note`;
        `before` episodes in `before_days`, `after` in `after_days`; the exact `ratio` of the
        rates after and before with its 95 % interval `low` to `high` and `p`; `back_days` until
        it `came_back`, else until the next repair or the end of the log; `back_median_days`
        over all repairs of this trouble (Kaplan-Meier); `verdict`: "held" (none came back, and
        that is no chance), "better", "no better", "worse" or "too early to say". Troubles that
        had not occurred before a repair are left out.
    """
    require(troubles, *TROUBLE, "start")
    done = pd.concat([_services(intervals), _work(sites)], ignore_index=True)
    parts = []
    for (site, chute), part in troubles.groupby(CHUTE):
        mine = done[done["site"].eq(str(site)) & done["chute"].isin([str(chute), ""])]
        log = coverage[coverage["site"].eq(str(site)) & coverage["chute"].eq(str(chute))]
        log = log[log["covered"].astype(bool)]
        cover = Cover.of(micros(log["start"]), micros(log["end"]) + 1)
        if len(mine) and len(log):
            for key, rows in part.groupby(TROUBLE, dropna=False):
                meant = mine[_meant_for(mine, *key[2:4])]
                parts.append(_compared(key, micros(rows["start"]), meant, cover))
    parts = [part for part in parts if len(part)]
    if not parts:
        return empty("repairs")
    return _judged(pd.concat(parts, ignore_index=True))


def _services(intervals: pd.DataFrame) -> pd.DataFrame:
    known = intervals["signal"].eq("service") & intervals["start_known"].astype(bool)
    rows = plain(intervals.loc[known & intervals["ended_by"].ne("repeat")], *CHUTE)
    rows = rows.assign(by="service", floor=None, component=None, note="")
    return rows[REPAIR].astype({"floor": "str", "component": "str"})


def _work(sites: Mapping[str, Site]) -> pd.DataFrame:
    rows = []
    for site in sites.values():
        for work in site.work:
            day = pd.Timestamp(work.date)
            edges = (day, day + pd.Timedelta(days=1))
            start, end = (e.tz_localize(site.time_zone).tz_convert("UTC") for e in edges)
            rows.append(
                (
                    site.id,
                    work.chute or "",
                    "work",
                    start,
                    end,
                    work.floor,
                    work.component,
                    work.note,
                )
            )
    table = pd.DataFrame(rows, columns=REPAIR)
    times = dict.fromkeys(("start", "end"), "datetime64[us, UTC]")
    return table.astype(dict.fromkeys((*CHUTE, "floor", "component"), "str") | times)


def _meant_for(done: pd.DataFrame, floor: Any, component: Any) -> pd.Series:
    """Which repairs may have been meant for a trouble: those that name no other place or part."""
    place = done["floor"].isna() | done["floor"].eq(str(floor))
    return place & (done["component"].isna() | done["component"].eq(str(component)))


def _compared(key: Any, at: Places, done: pd.DataFrame, cover: Cover) -> pd.DataFrame:
    at, done = np.sort(at), done.sort_values("start")
    start, end = micros(done["start"]), micros(done["end"])
    first, last = int(cover.start[0]), int(cover.end[-1])
    since = np.append(first, end)[:-1]
    until = np.append(start, last)[1:]
    before = np.searchsorted(at, start) - np.searchsorted(at, since)
    place = np.searchsorted(at, end)
    after = np.searchsorted(at, np.maximum(until, end)) - place
    back = np.append(at, last)[place]
    came = (place < len(at)) & (back < until)
    table = done.assign(
        **dict(zip(TROUBLE, key, strict=True)), before=before, after=after, came_back=came,
        before_days=cover.within(since, start) / DAY_US,
        after_days=cover.within(end, until) / DAY_US,
        back_days=cover.within(end, np.where(came, back, np.maximum(until, end))) / DAY_US,
    )  # fmt: skip
    curve = kaplan_meier(table["back_days"], table["came_back"])
    table["back_median_days"] = survival_quantile(curve, 0.5)
    table = table[(table["before"] > 0) & (table["before_days"] > 0) & (table["after_days"] > 0)]
    return table.astype(dict.fromkeys(TROUBLE, "str"))


def _judged(table: pd.DataFrame) -> pd.DataFrame:
    compared = poisson_ratio(
        table["after"], table["after_days"], table["before"], table["before_days"]
    )
    expected = table["before"] / table["before_days"] * table["after_days"]
    low, high = pd.Series(compared.low, table.index), pd.Series(compared.high, table.index)
    cases = [high < 1, low > 1, expected >= ENOUGH]
    held = np.where(table["after"] > 0, "better", "held")
    verdict = np.select(cases, [held, "worse", "no better"], default=EARLY)
    return table.assign(
        ratio=compared.ratio, low=low, high=high, p=compared.p, verdict=verdict
    ).reset_index(drop=True)  # fmt: skip

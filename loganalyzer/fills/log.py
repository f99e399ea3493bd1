"""What a log holds of one container: uses, level readings, pickups of its rule, refusals, gaps."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import Times, collections
from loganalyzer.facts import Facts
from loganalyzer.localtime import zone_of
from loganalyzer.site import Site
from loganalyzer.spans import micros

LEVEL_DROP, COARSEST, SPIKE_BACK = 20.0, 25.0, 5.0  # per cent
SPIKE_S = 600.0


@dataclass(frozen=True)
class Log:
    """What the log holds of one container; times in µs."""

    key: tuple[str, str, str]
    first: str
    streams: tuple[str, ...]
    start: int
    end: int
    uses: pd.DataFrame
    at: Times
    levels: Times
    level: NDArray[np.float64]
    level_lines: NDArray[np.object_]
    rule: Times
    services: pd.DataFrame
    gaps: pd.DataFrame
    refusals: pd.DataFrame
    visits: pd.DataFrame
    refusals_held: bool

    def used(self, start: Times, end: Times) -> Times:
        """How many uses fall after each start and up to each end."""
        low = np.searchsorted(self.at, start, side="right")
        found = np.searchsorted(self.at, end, side="right") - low
        return np.asarray(np.maximum(found, 0), dtype=np.int64)

    @property
    def far(self) -> float:
        """By how much a level must fall: one that wavers between two steps is no emptying."""
        step = float(np.diff(np.unique(self.level)).min(initial=COARSEST))
        return max(LEVEL_DROP, 1.5 * step)

    @property
    def fell(self) -> Times:
        """When a level was read far below the one before."""
        fall = -np.diff(self.level, prepend=self.level[:1])
        return self.levels[fall >= self.far]


def container_log(
    key: tuple[str, str, str], part: pd.DataFrame, timeline: pd.DataFrame, intervals: pd.DataFrame,
    visits: pd.DataFrame, used: pd.DataFrame, coverage: pd.DataFrame, facts: Facts,
    sites: Mapping[str, Site],
) -> Log | None:  # fmt: skip
    """Everything of one container; null where its chute has no log.

    Args:
        key: Its site, chute and container.
        part: Its rows of `held`.
        timeline: Levels and refusals with code `full`, anchored.
        intervals: full and service.
        visits: Those with a refusal that got no door.
        used: What `uses.uses` returns.
        coverage: The table of that name.
        facts: What is known of the chutes.
        sites: Their time zones.
    """
    site, chute, container = key
    ends = facts.ends[facts.ends["site"].eq(site) & facts.ends["chute"].eq(chute)]
    if ends.empty:
        return None
    start, end = ends.iloc[0]["log_start"], ends.iloc[0]["log_end"]
    streams = tuple(part["stream"])
    mine = used[of_chute(used, site, chute) & used["stream"].isin(streams)]
    told = timeline[of_chute(timeline, site, chute)]
    level = told[told["signal"].eq("level") & told["stream"].isin(streams)]
    level = _without_spikes(level[level["value"].notna()])
    refusals = told[told["signal"].eq("refusal")]
    turned = visits[of_chute(visits, site, chute) & visits["stream"].isin(streams)]
    service = intervals[of_chute(intervals, site, chute) & intervals["signal"].eq("service")]
    gaps = coverage[of_chute(coverage, site, chute) & ~coverage["covered"].astype(bool)]
    recorded = facts.recorded[facts.recorded["site"].eq(site) & facts.recorded["chute"].eq(chute)]
    return Log(
        key=(site, chute, container), first=part["first"].iloc[0], streams=streams,
        start=int(micros(pd.Series([start]))[0]), end=int(micros(pd.Series([end]))[0]),
        uses=mine, at=micros(mine["time"]), levels=micros(level["time"]),
        level=level["value"].to_numpy(dtype="float64"), level_lines=lines(level),
        rule=collections(
            part["pickup"].dropna().iloc[0] if part["pickup"].notna().any() else None,
            zone_of(sites, site), start, end,
        ),
        services=service, gaps=gaps[gaps["reason"].ne("power off")],
        refusals=refusals, visits=turned, refusals_held=bool(recorded["refusal"].iloc[0]),
    )  # fmt: skip


def _without_spikes(level: pd.DataFrame) -> pd.DataFrame:
    """Readings without the one that stands far above both its neighbours, minutes apart."""
    value = level["value"]
    back = (value.shift(-1) >= value.shift(1) - SPIKE_BACK).to_numpy()
    above = (value - value.shift(1)).ge(LEVEL_DROP) & (value - value.shift(-1)).ge(LEVEL_DROP)
    near = (level["time"].shift(-1) - level["time"].shift(1)) <= pd.Timedelta(seconds=SPIKE_S)
    return level[~(above & near & back)]


def lines(rows: pd.DataFrame) -> NDArray[np.object_]:
    """`source:line` of each row."""
    text = rows["source"].astype("str") + ":" + rows["line"].astype("str")
    return np.asarray(text.to_numpy(object))


def of_chute(table: pd.DataFrame, site: str, chute: str) -> pd.Series:
    """Which rows are of that chute."""
    mine: pd.Series = table["site"].eq(site) & table["chute"].eq(chute)
    return mine


def any_within(times: Times, start: Times, end: Times) -> NDArray[np.bool_]:
    """Whether any of these (ascending) lies in each span, ends included."""
    low = np.searchsorted(times, start, side="left")
    return np.asarray(np.searchsorted(times, end, side="right") > low, dtype=bool)

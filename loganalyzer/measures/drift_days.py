"""Day by day: how long doors stand open, latches take to draw, the sorter travels, waste falls.

Each series is one timing of one door, or of the sorter (all its travels put on one footing, and
each pair of streams by itself), or of the chute. A day's level is a mean whose outliers are
pulled in, since a clock of whole seconds makes medians jump. From a door's level is taken what
the other doors of the chute did on that day, so that season and load are not drift.

Source: the rules are ours; charts: `ewma`, `cusum` with the constants stated here.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.changes import noise_of
from loganalyzer.facts import CHUTE, DOOR, anchored, plain
from loganalyzer.localtime import local_parts
from loganalyzer.reliability import cusum, ewma
from loganalyzer.site import Site
from loganalyzer.tables import require

SERIES = [*DOOR, "what", "pair"]
# Values further from the median of their series than so many median distances (a half of the
# median at least, and the precision of the log) are pulled in: a few long ones say no more.
PULLED_IN, AT_LEAST = 6.0, 0.5
OTHERS = 3  # doors with uses on a day, for a comparison
# EWMA: weight and width; CUSUM: slack and limit in standard deviations of a day's level.
# Source: NIST/SEMATECH e-Handbook, sections 6.3.2.3 and 6.3.2.4.
WEIGHT, WIDTH, SLACK, LIMIT = 0.2, 3.0, 0.5, 5.0
# The days that charts take as normal: the first third, within these bounds.
LEARN_DAYS = (7, 28)
DAYS = [
    *SERIES, "day", "n", "median_s", "p90_s", "level_s", "ewma", "ewma_low", "ewma_high",
    "cusum", "cusum_limit",
]  # fmt: skip


def timings(cycles: pd.DataFrame, timeline: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Every timing of every use.

    Args:
        cycles: The table of that name.
        timeline: Tells which times can be trusted.
        limits: What `facts.limits` returns. Openings and travels over their limits are
            troubles of their own and are marked so.

    Returns:
        `site`, `chute`, `floor` (null for the sorter and the chute), `what` ("open_s",
        "unlock_s": in place or pressed to unlocked, "positioning_s", "clear_s"), `pair` (travel
        "from > to", null for all travels), `time`, `seconds`, `over` (beyond its limit),
        `source`, `line`. A travel of the series of all is scaled to the typical length of its
        pair.
    """
    require(cycles, *DOOR, "stream", "wait_s", "positioning_s", "open_s", "clear_s")
    sound = cycles[anchored(cycles, timeline)]
    moment = sound["opened"].fillna(sound["unlocked"]).fillna(sound["pressed"])
    sound = plain(sound.assign(time=moment), *DOOR, "stream", "source").dropna(subset="time")
    sound = sound.merge(limits, on=CHUTE, how="left")
    travel = sound["positioning_s"]
    turns = travel.notna().groupby([sound[c] for c in CHUTE]).transform("any")
    before = sound.groupby(CHUTE)["stream"].shift()
    sound = sound.assign(
        unlock_s=(sound["wait_s"] - travel.fillna(0.0)).where(turns),
        from_to=(before + " > " + sound["stream"]).where(before.ne(sound["stream"])),
    )
    opens = _of(sound, "open_s").assign(over=sound["open_s"] > sound["open_limit_s"])
    unlocks = _of(sound, "unlock_s").assign(over=False)
    over = travel > sound["positioning_limit_s"]
    travels = _of(sound, "positioning_s").assign(floor=None, pair=sound["from_to"], over=over)
    clears = _of(sound, "clear_s").assign(floor=None, over=False)
    parts = [opens, unlocks, travels.dropna(subset="pair"), _as_one(travels), clears]
    found = pd.concat([part for part in parts if len(part)] or [opens], ignore_index=True)
    found = found[found["seconds"].ge(0)]
    return found.astype({"floor": "str", "pair": "str", "what": "str"}).reset_index(drop=True)


def _of(cycles: pd.DataFrame, what: str) -> pd.DataFrame:
    rows = cycles[[*DOOR, "time", what, "source", "line"]].rename(columns={what: "seconds"})
    return rows.assign(what=what, pair=None)[rows["seconds"].notna()]


def _as_one(travels: pd.DataFrame) -> pd.DataFrame:
    """All travels as one series: each over the median of its pair, times the median of all."""
    known = travels.dropna(subset="pair")
    if known.empty:
        return travels.assign(pair=None)
    usual = known.groupby([*CHUTE, "pair"])["seconds"].transform("median")
    typical = known.groupby(CHUTE)["seconds"].transform("median")
    scaled = known["seconds"] / usual.where(usual > 0) * typical
    return known.assign(seconds=scaled, pair=None).dropna(subset="seconds")


def drift_days(
    timed: pd.DataFrame, precision: pd.DataFrame, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """The daily levels of each series, and its charts.

    Args:
        timed: What `timings` returns.
        precision: What `facts.precision` returns.
        sites: Their time zones.

    Returns:
        The table `drift_days`: one row a series (`site`, `chute`, `floor`, `what`, `pair`) and
        local `day` with uses, sorted: `n`, `median_s`, `p90_s` (of all uses), `level_s` (of
        those within their limit, less what the chute's other doors did), `ewma` with its limits
        `ewma_low` to `ewma_high`, `cusum` (upper sum, seconds) with `cusum_limit`; charts are
        null until the days that they learn from are over.
    """
    timed = timed.assign(day=local_parts(timed, sites, "time")["day"])
    by = timed.groupby([*SERIES, "day"], dropna=False)
    table = pd.DataFrame(
        {"median_s": by["seconds"].median(), "n": by.size(), "p90_s": by["seconds"].quantile(0.9)}
    )
    inside = timed[~timed["over"].astype(bool)]
    inside = inside.assign(level=_pulled_in(inside, precision))
    table["level_s"] = inside.groupby([*SERIES, "day"], dropna=False)["level"].mean()
    table = table.reset_index().dropna(subset="level_s")
    table["level_s"] -= _others(table)
    return table.join(_charts(table)).reset_index(drop=True)[DAYS]


def _pulled_in(timed: pd.DataFrame, precision: pd.DataFrame) -> pd.Series:
    by = [timed[c] for c in SERIES]
    middle = timed.groupby(SERIES, dropna=False)["seconds"].transform("median")
    away = (timed["seconds"] - middle).abs().groupby(by, dropna=False).transform("median")
    step = timed[CHUTE].merge(precision, on=CHUTE, how="left")["precision_s"].to_numpy()
    reach = (
        (PULLED_IN * away).clip(lower=AT_LEAST * middle).clip(lower=pd.Series(step, timed.index))
    )
    return timed["seconds"].clip(middle - reach, middle + reach)


def _others(table: pd.DataFrame) -> pd.Series:
    """How far the other doors of the chute were from their own usual level on each day."""
    common = pd.Series(0.0, index=table.index)
    doors = table[table["floor"].notna()]
    usual = doors.groupby(SERIES, dropna=False)["level_s"].transform("median")
    away = doors.assign(away=doors["level_s"] - usual)
    for _, part in away.groupby([*CHUTE, "what"]):
        grid = part.pivot(index="day", columns="floor", values="away")
        for floor in grid.columns.astype("str"):
            rest = grid.drop(columns=floor)
            middle = rest.median(axis=1).where(rest.notna().sum(axis=1) >= OTHERS, 0.0)
            mine = part[part["floor"].eq(floor)]
            common.loc[mine.index] = middle.reindex(mine["day"]).to_numpy()
    return common


def _charts(table: pd.DataFrame) -> pd.DataFrame:
    names = ["ewma", "ewma_low", "ewma_high", "cusum", "cusum_limit"]
    charts = pd.DataFrame(np.nan, index=table.index, columns=names)
    for _, part in table.groupby(SERIES, dropna=False):
        level = part["level_s"].to_numpy()
        least, most = LEARN_DAYS
        learn = min(max(len(level) // 3, least), most)
        if len(level) <= learn:
            continue
        target, sigma = float(np.median(level[:learn])), float(np.sqrt(noise_of(level[:learn])))
        moving = ewma(level[learn:], target, sigma, WEIGHT, WIDTH)
        sums = cusum(level[learn:], target, SLACK * sigma, LIMIT * sigma)
        lines = (moving.line, moving.low, moving.high, sums.line, sums.high)
        charts.loc[part.index[learn:]] = np.column_stack(lines)
    return charts

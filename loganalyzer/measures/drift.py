"""What has become slower before any fault code: doors, latches, the sorter, clearing.

A broken line through the daily levels of a series tells since when it moves, by how much, and
how sure that is. Many series are tried, so the p-values of a chute are adjusted together. A
shift counts when it is sure, and large enough for somebody to act on it.

Source: the rules are ours; formulas: `onset`, `change_points`, `theil_sen`,
`benjamini_hochberg`.
"""

import json

import numpy as np
import pandas as pd

from loganalyzer.changes import Onset, change_points, noise_of, onset
from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, plain, why
from loganalyzer.stats import benjamini_hochberg, theil_sen

SERIES = [*DOOR, "what", "pair"]
SURE = 0.001
# A shift is worth telling from so many seconds on, and from this share of the typical time on.
WORTH_S = {"open_s": 0.3, "unlock_s": 0.03, "positioning_s": 0.3, "clear_s": 0.5}
WORTH_SHARE = 0.05
PLACE = {what: place for place, what in enumerate(WORTH_S)}
LIMIT_OF = {"open_s": "open_limit_s", "positioning_s": "positioning_limit_s"}
RECENT_DAYS, LATEST_DAYS, FAR_DAYS = 28, 7, 730
LINES_SHOWN = 10
TOO_SHORT = "too few uses or days to tell a change"
NEEDS = {"open_s": "open", "unlock_s": "unlocked", "positioning_s": "positioning",
         "clear_s": "clearing"}  # fmt: skip
MEASURED = [
    "typical_s", "p90_s", "shift_s", "low_s", "high_s", "since", "since_low", "since_high",
    "ramp_days", "p", "steps", "ewma_since", "cusum_since", "slope", "slope_low", "slope_high",
    "now_s", "last_day",
]  # fmt: skip
COLUMNS = [
    *SERIES, "n", "days", "typical_s", "p90_s", "shift_s", "low_s", "high_s", "since",
    "since_low", "since_high", "ramp_days", "p", "q", "slower", "lower_quartile_s",
    "upper_decile_s", "steps", "ewma_since", "cusum_since", "limit_s", "meets_limit",
    "meets_low", "meets_high", "evidence", "reason",
]  # fmt: skip


def drift(
    days: pd.DataFrame, timed: pd.DataFrame, exports: pd.DataFrame, facts: Facts
) -> pd.DataFrame:
    """The table `drift`: a row each timing of each door, of the sorter and of the chute.

    Args:
        days: What `drift_days.drift_days` returns.
        timed: What `drift_days.timings` returns.
        exports: What `facts.precision` returns of each chute and `source`. Where exports tell
            the time more and less finely, a shift of less than half of the coarsest step may
            be theirs and does not count.
        facts: What is known of the chutes.

    Returns:
        As tables.py says. `n` uses on `days` days; `typical_s` (median), `p90_s`; `shift_s`
        (`low_s` to `high_s`) that the level moved from `since` (`since_low` to `since_high`) on,
        over `ramp_days` at most; `p`, `q`; `slower`: q at most 0.001, the shift upwards and large
        enough (`WORTH_S`, 5 % of typical). `lower_quartile_s`, `upper_decile_s`: how far these
        moved (a weak closer moves all openings, propping only the long ones). `steps` (JSON:
        days at which the level steps), `ewma_since`, `cusum_since` (first day out of limits).
        `limit_s` of the site and when the level meets it at its slope of the last 28 days,
        `meets_limit` (`meets_low` to `meets_high`; null: not in two years). `evidence` (JSON:
        the lines of the latest uses), `reason`.
    """
    rows = [(*key, *_measured(part)) for key, part in days.groupby(SERIES, dropna=False)]
    table = pd.DataFrame(rows, columns=[*SERIES, *MEASURED])
    days_of = ("since", "since_low", "since_high", "ewma_since", "cusum_since", "last_day")
    numbers = [name for name in MEASURED if name not in (*days_of, "steps")]
    types = dict.fromkeys(SERIES, "str") | dict.fromkeys(numbers, "float64")
    table = table.astype(types | dict.fromkeys(days_of, "datetime64[us]"))
    sizes = days.groupby(SERIES, dropna=False)["n"].agg(n="sum", days="size").reset_index()
    table = _wanted(facts).merge(table, on=SERIES, how="outer")
    table = table.merge(sizes, on=SERIES, how="left")
    table["q"] = table.groupby(CHUTE)["p"].transform(lambda p: benjamini_hochberg(p))
    least: pd.Series = table["what"].map(WORTH_S)
    worth = least.clip(lower=(WORTH_SHARE * table["typical_s"]).fillna(0.0))
    worth = worth.clip(lower=_unlike(exports, table))
    slower = table["q"].le(SURE) & table["low_s"].gt(0) & table["shift_s"].ge(worth)
    table = table.assign(slower=slower.astype("boolean").where(table["p"].notna()))
    table = _projected(table, facts)
    table = table.join(_quantiles(table, timed))
    table = table.assign(reason=_reason(table, facts))
    for name in ("n", "days"):
        table[name] = table[name].astype("Int64")
    table = table.assign(single=table["pair"].notna(), place=table["what"].map(PLACE))
    table = table.sort_values([*CHUTE, "place", "single", "floor", "pair"], ignore_index=True)
    return table[COLUMNS]


def _unlike(exports: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """Half of the coarsest step of a chute's exports where they differ in it, else 0."""
    steps = plain(exports, *CHUTE).groupby(CHUTE)["precision_s"].agg(["min", "max"])
    half = (steps["max"] / 2).where(steps["max"] > steps["min"], 0.0).rename("half")
    found: pd.Series = table[CHUTE].merge(half.reset_index(), on=CHUTE, how="left")["half"]
    return found.fillna(0.0).set_axis(table.index)


def _wanted(facts: Facts) -> pd.DataFrame:
    """The series that every chute should have, whether or not its log shows them."""
    doors = [facts.doors[DOOR].assign(what=what) for what in ("open_s", "unlock_s")]
    chutes = [facts.recorded[CHUTE].assign(floor=np.nan, what=w) for w in WORTH_S][2:]
    wanted = pd.concat([*doors, *chutes], ignore_index=True).assign(pair=np.nan)
    return wanted.astype(dict.fromkeys(SERIES, "str"))


def _measured(part: pd.DataFrame) -> tuple[object, ...]:
    """What one series shows; nulls where it is too short."""
    day = (part["day"] - part["day"].iloc[0]).dt.days.to_numpy(dtype=float)
    level = part["level_s"].to_numpy()
    found = onset(day, level, part["n"].to_numpy(dtype=float))
    typical = float(np.average(part["median_s"], weights=part["n"]))
    p90 = float(np.average(part["p90_s"], weights=part["n"]))
    if np.isnan(found.p):
        return (typical, p90, *[np.nan] * 3, *[pd.NaT] * 3, np.nan, np.nan, "[]", pd.NaT, pd.NaT,
                *[np.nan] * 4, part["day"].iloc[-1])  # fmt: skip
    first = part["day"].iloc[0]
    ends = (round(found.at), found.at_low, found.at_high)
    dates = [first + pd.Timedelta(days=at) for at in ends]
    steps = [f"{part['day'].iloc[at]:%Y-%m-%d}" for at in change_points(level, noise_of(level))]
    out = [part.loc[part[line] > part[top], "day"] for line, top in CHARTS]
    recent = day > day[-1] - RECENT_DAYS
    slope = theil_sen(day[recent], level[recent])
    now = float(np.median(level[day > day[-1] - LATEST_DAYS]))
    return (
        typical, p90, found.shift, found.low, found.high, *dates, _ramp(found, day[-1]), found.p,
        json.dumps(steps), *(days.min() if len(days) else pd.NaT for days in out), slope.slope,
        slope.low, slope.high, now, part["day"].iloc[-1],
    )  # fmt: skip


CHARTS = (("ewma", "ewma_high"), ("cusum", "cusum_limit"))


def _ramp(found: Onset, end: float) -> float:
    return min(found.ramp, end - found.at)


def _projected(table: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """When each slower series meets its limit if it goes on as in the last weeks."""
    limits = table[CHUTE].merge(facts.limits, on=CHUTE, how="left")
    limit = pd.Series(np.nan, index=table.index)
    for what, name in LIMIT_OF.items():
        limit = limit.where(table["what"].ne(what), limits[name].set_axis(table.index))
    left = limit - table["now_s"]

    def when(slope: pd.Series) -> pd.Series:
        days = (left / slope.where(slope > 0)).clip(lower=0)
        days = days.where(days.le(FAR_DAYS) & table["slower"].fillna(False).astype(bool))
        return table["last_day"] + pd.to_timedelta(days.round(), unit="D")

    return table.assign(
        limit_s=limit, meets_limit=when(table["slope"]), meets_low=when(table["slope_high"]),
        meets_high=when(table["slope_low"]),
    )  # fmt: skip


def _quantiles(table: pd.DataFrame, timed: pd.DataFrame) -> pd.DataFrame:
    """Of series that moved: how far the quartile and the decile did, and the latest lines."""
    moved = table[table["q"].le(SURE)]
    found = pd.DataFrame(
        {"lower_quartile_s": np.nan, "upper_decile_s": np.nan, "evidence": "[]"}, index=table.index
    )
    uses = timed.groupby(SERIES, dropna=False)
    for place, row in moved.iterrows():
        part = uses.get_group(tuple(row[SERIES]))
        begun = row["since"].tz_localize("UTC")
        risen = begun + (part["time"].max() - begun) / 2
        old, new = part[part["time"] < begun], part[part["time"] >= risen]
        change = new["seconds"].quantile([0.25, 0.9]) - old["seconds"].quantile([0.25, 0.9])
        last = part.sort_values("time").tail(LINES_SHOWN)[::-1]
        lines = last["source"].astype("str") + ":" + last["line"].astype("str")
        found.loc[place] = [*change, json.dumps(lines.tolist())]
    return found


def _reason(table: pd.DataFrame, facts: Facts) -> pd.Series:
    shown = plain(table[CHUTE], *CHUTE).merge(facts.recorded, on=CHUTE, how="left")
    cases = [
        ((table["what"].eq(what) & ~shown[signal].set_axis(table.index)), NOT_RECORDED[signal])
        for what, signal in NEEDS.items()
    ]
    untold = table["what"].eq("unlock_s") & ~shown["positioning"].set_axis(table.index)
    return why(
        *cases, (untold, NOT_RECORDED["positioning"]), (table["p"].isna(), TOO_SHORT)
    ).set_axis(table.index)

"""What has become slower: doors that close later, diverters that travel longer.

A first look: the log is cut into weeks (pieces of two days where it is shorter than ten weeks),
and a straight trend is laid through the medians of the pieces. Pieces with fewer than five uses
are left out. Many doors are tested at once, so the p-values of all doors of a chute and its
diverter are adjusted together.

Source: the cutting is ours; trend, interval and adjustment: `theil_sen`, `benjamini_hochberg`.
"""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, plain, why
from loganalyzer.stats import Trend, benjamini_hochberg, theil_sen
from loganalyzer.tables import require

WEEK_S = 7 * 86400
SHORT_LOG_WEEKS, SHORT_PIECE_S = 10, 2 * 86400
USES_A_PIECE, PIECES = 5, 5
# A change has to be sure and large enough for somebody to act on it.
SURE, WORTH_S, WORTH_SHARE = 0.05, 0.3, 0.1
TOO_SHORT = "too few uses or days for a trend"


def slowing(cycles: pd.DataFrame, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Trends of opening times by door and of positioning times by chute.

    Args:
        cycles: The table of that name.
        timeline: Tells which cycles begin at a time that can be trusted.
        facts: What is known of the chutes.

    Returns:
        One row a door (`what` = "open_s") and a chute (`what` = "positioning_s", `floor`
        null): `site`, `chute`, `floor`, `what`, `n` (uses), `weeks` (from the first piece to
        the last), `typical_s` (median), `change_s` (slope over those weeks) with its 95 %
        interval `low_s` to `high_s`, `p`, `q`, `slower` (q at most 0.05, and by 0.3 s and a
        tenth of the typical time at least), `reason` (why these are null, else null).
    """
    require(cycles, *DOOR, "opened", "open_s", "positioning_s", "source", "line")
    sound = cycles[anchored(cycles, timeline)]
    moment = sound["opened"].fillna(sound["unlocked"]).fillna(sound["pressed"])
    sound = sound.assign(time=moment).dropna(subset="time")
    doors = _trends(sound, "open_s", DOOR, facts.doors[DOOR])
    sorters = _trends(sound, "positioning_s", CHUTE, facts.recorded[CHUTE])
    table = pd.concat([doors, sorters.assign(floor=np.nan)], ignore_index=True)
    table["q"] = table.groupby(CHUTE)["p"].transform(lambda p: benjamini_hochberg(p))
    worth = np.maximum(WORTH_S, WORTH_SHARE * table["typical_s"])
    slower = (table["q"] <= SURE) & (table["low_s"] > 0) & (table["change_s"] >= worth)
    table = table.assign(slower=slower.astype("boolean").where(table["p"].notna()))
    columns = [*DOOR, "what", "n", "weeks", "typical_s", "change_s", "low_s", "high_s", "p", "q"]
    return table[[*columns, "slower"]].assign(reason=_reason(table, facts))


def _trends(uses: pd.DataFrame, what: str, by: list[str], keys: pd.DataFrame) -> pd.DataFrame:
    known = uses.loc[uses[what].notna(), [*by, "time", what]]
    first = known.groupby(CHUTE, observed=True)["time"].transform("min")
    age = (known["time"] - first).dt.total_seconds()
    length = age.groupby([known[c] for c in CHUTE], observed=True).transform("max")
    piece = np.where(length >= SHORT_LOG_WEEKS * WEEK_S, WEEK_S, SHORT_PIECE_S)
    known = known.assign(week=(age // piece + 0.5) * piece / WEEK_S)
    grouped = known.groupby([*by, "week"], observed=True)[what]
    pieces = plain(grouped.agg(["median", "size"]).reset_index(), *by)
    pieces = pieces[pieces["size"] >= USES_A_PIECE]
    rows = [(*key, *_line(part)) for key, part in pieces.groupby(by)[["week", "median"]]]
    names = [*by, "weeks", "change_s", "low_s", "high_s", "p"]
    found = pd.DataFrame(rows, columns=names).astype(dict.fromkeys(by, "str"))
    uses_of = known.groupby(by, observed=True)[what]
    sizes = plain(uses_of.agg(n="size", typical_s="median").reset_index(), *by)
    table = keys.merge(sizes, on=by, how="left").merge(found, on=by, how="left")
    return table.assign(what=what, n=counts(table["n"], True))


def _line(pieces: pd.DataFrame) -> tuple[float, ...]:
    """Weeks, change over them with its limits, and p; NaN where the pieces are too few."""
    if len(pieces) < PIECES:
        return (np.nan,) * 5
    weeks = float(np.ptp(pieces["week"]))
    trend: Trend = theil_sen(pieces["week"], pieces["median"])
    return weeks, trend.slope * weeks, trend.low * weeks, trend.high * weeks, trend.p


def _reason(table: pd.DataFrame, facts: Facts) -> pd.Series:
    shown = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")
    door = table["what"].eq("open_s")
    return why(
        (door & ~shown["open"], NOT_RECORDED["open"]),
        (~door & ~shown["positioning"], NOT_RECORDED["positioning"]),
        (table["p"].isna(), TOO_SHORT),
    )

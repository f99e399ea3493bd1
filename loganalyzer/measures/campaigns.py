"""Whether a campaign changed how people sort: the floors it was for against those it was not for.

Before and after alone would take a season, a holiday or a drift of the whole building for an
effect. So each week the floors of the campaign are compared with the floors without it, on the
logarithm of odds (for the share) or of counts (for uses), and the change of that difference is
the effect: what moves all floors alike drops out. Its error comes from how much the difference
moves from week to week, which holds everything that comes in bunches.

Compared are the weeks since the campaign before and until the campaign after at the same floors,
with floors that no campaign of the site file names; one for all floors moves both alike. A week
in which one side used nothing has no share. Without floors to compare with, before and after are
told and no effect is: null and why.

Source: difference in differences; common practice. Error: two-sample t interval of B. L. Welch,
Biometrika 34 (1947) 28-35.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit, stdtr, stdtrit

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.site import Campaign, Site
from loganalyzer.tables import require

FEWEST_WEEKS = 4
ALL_FLOORS = "all floors had the campaign: a season cannot be told from its effect"
TOO_SHORT = f"fewer than {FEWEST_WEEKS} covered weeks before or after"
ALL_NAMED = "every other floor had a campaign of its own: none is left to compare with"
NO_FLOOR = "no uses at the campaign's floors in the log"
KEY = [*DOOR, "stream"]


def campaigns(weekly: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """The effect of each campaign of the site files on each stream.

    Args:
        weekly: What `participation.covered_weeks` returns.
        sites: Their campaigns.

    Returns:
        One row a campaign, chute, stream and `measure` ("share" of the floor's uses, "uses" a
        week): `date`, `floors` (joined by a comma), `note`, `weeks_before`, `weeks_after`,
        `before`, `after` (of the campaign's floors), `others_before`, `others_after`,
        `expected` (after, had they changed as the others did), `ratio` (of odds, or of uses:
        1 is no effect) with its 95 % interval `low` to `high`, `p`, `reason`. A chute without
        any of the campaign's floors has no row, unless none has any.
    """
    require(weekly, *KEY, "start", "uses")
    doors = weekly.assign(uses=weekly["uses"].astype("float64"))
    rows = []
    for site in sites.values():
        for campaign in site.campaigns:
            for (chute, stream), part in _of(doors, site, campaign).groupby(["chute", "stream"]):
                every = doors[doors["site"].eq(site.id) & doors["chute"].eq(str(chute))]
                for measure in ("share", "uses"):
                    effect = _effect(part, every, campaign, site.campaigns, measure)
                    rows.append({
                        "site": site.id, "chute": chute, "stream": stream,
                        "date": pd.Timestamp(campaign.date), "note": campaign.note,
                        "floors": ", ".join(campaign.floors), "measure": measure, **effect,
                    })  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS).astype(TYPES)


COLUMNS = [
    *CHUTE, "stream", "date", "floors", "note", "measure", "weeks_before", "weeks_after", "before",
    "after", "others_before", "others_after", "expected", "ratio", "low", "high", "p", "reason",
]  # fmt: skip
TYPES = dict.fromkeys(COLUMNS[9:17], "float64") | {
    "date": "datetime64[us]", "weeks_before": "Int64", "weeks_after": "Int64",
    **dict.fromkeys([*CHUTE, "stream", "floors", "note", "measure", "reason"], "str"),
}  # fmt: skip


def _of(doors: pd.DataFrame, site: Site, campaign: Campaign) -> pd.DataFrame:
    """The chutes of the site that have a floor of the campaign."""
    mine = doors[doors["site"].eq(site.id)]
    there = mine.loc[mine["floor"].isin(campaign.floors), "chute"]
    return mine[mine["chute"].isin(there)] if len(there) else mine


def _effect(
    part: pd.DataFrame, every: pd.DataFrame, campaign: Campaign, others: Sequence[Campaign],
    measure: str,
) -> dict[str, object]:  # fmt: skip
    """One campaign's effect on one stream of one chute."""
    named = {floor for other in others for floor in other.floors}
    mine = part["floor"].isin(campaign.floors) if campaign.floors else part["floor"].notna()
    free = ~mine & ~part["floor"].isin(named)
    weeks = sorted(part["start"].unique())
    treated, without = _series(part[mine], every, weeks), _series(part[free], every, weeks)
    before, after = _windows(pd.Series(weeks), campaign, others)
    told: dict[str, object] = {
        "weeks_before": int(before.sum()), "weeks_after": int(after.sum()),
        "before": _level(treated, before, measure), "after": _level(treated, after, measure),
        "others_before": _level(without, before, measure),
        "others_after": _level(without, after, measure), "reason": None,
    }  # fmt: skip
    used = ((treated["trials"] > 0) & (without["trials"] > 0)).to_numpy()
    reason = (
        NO_FLOOR if not mine.any()
        else ALL_FLOORS if mine.all()
        else ALL_NAMED if not free.any()
        else TOO_SHORT if min((before & used).sum(), (after & used).sum()) < FEWEST_WEEKS
        else None
    )  # fmt: skip
    if reason:
        return {**told, "reason": reason}
    gap = _logs(treated, measure) - _logs(without, measure)
    change, half, p = _welch(gap[after & used], gap[before & used])
    moved = _logs_of(told["others_after"], measure) - _logs_of(told["others_before"], measure)
    back = _logs_of(told["before"], measure) + moved
    return {
        **told, "expected": float(expit(back) if measure == "share" else np.exp(back)),
        "ratio": float(np.exp(change)), "low": float(np.exp(change - half)),
        "high": float(np.exp(change + half)), "p": p,
    }  # fmt: skip


def _windows(
    start: pd.Series, campaign: Campaign, others: Sequence[Campaign]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which weeks lie before and which after, up to the next campaign at the same floors.

    The week of a campaign's day is neither.
    """
    floors = set(campaign.floors)
    same = [other.date for other in others if floors & set(other.floors) and other is not campaign]
    first = max((day for day in same if day < campaign.date), default=date.min)
    last = min((day for day in same if day > campaign.date), default=date.max)
    begins, ends = start.dt.date, (start + pd.Timedelta(days=7)).dt.date
    before = (begins >= first) & (ends <= campaign.date)
    after = (begins >= campaign.date) & (ends <= last)
    return before.to_numpy(dtype=bool), after.to_numpy(dtype=bool)


def _series(part: pd.DataFrame, every: pd.DataFrame, weeks: list[Any]) -> pd.DataFrame:
    """Uses of the stream and of all streams at these floors, week by week."""
    hits = part.groupby("start")["uses"].sum()
    there = every[every["floor"].isin(part["floor"])]
    trials = there.groupby("start")["uses"].sum()
    return pd.DataFrame({"hits": hits, "trials": trials}).reindex(weeks).fillna(0.0)


def _level(series: pd.DataFrame, rows: np.ndarray, measure: str) -> float:
    """Share, or uses a week, over some weeks."""
    some = series[rows]
    if some.empty or not some["trials"].sum():
        return float("nan")
    total = some["trials"].sum() if measure == "share" else len(some)
    return float(some["hits"].sum() / total)


def _logs(series: pd.DataFrame, measure: str) -> np.ndarray:
    """Log odds or log counts, week by week; half a use keeps a week without any finite."""
    hits, misses = series["hits"] + 0.5, series["trials"] - series["hits"] + 0.5
    logs = np.log(hits / misses) if measure == "share" else np.log(hits)
    return np.asarray(logs, dtype=np.float64)


def _logs_of(level: object, measure: str) -> float:
    value = float(level)  # type: ignore[arg-type]  # a float among texts
    return float(logit(value) if measure == "share" else np.log(value) if value > 0 else np.nan)


def _welch(later: np.ndarray, earlier: np.ndarray) -> tuple[float, float, float]:
    """Difference of two means, half its 95 % interval, and that there is none (p)."""
    parts = [values.var(ddof=1) / len(values) for values in (later, earlier)]
    se = float(np.sqrt(sum(parts)))
    free = sum(parts) ** 2 / sum(
        part**2 / (len(v) - 1) for part, v in zip(parts, (later, earlier), strict=True)
    )
    change = float(later.mean() - earlier.mean())
    if se == 0:
        return change, 0.0, float("nan")
    return change, float(stdtrit(free, 0.975)) * se, float(2 * stdtr(free, -abs(change) / se))

"""Whether a floor's lockouts become more or fewer: month by month, and as a trend with a test.

The clock of the trend is not the calendar but the floor's own visits while its door was in
service: a gap in the log, a maintenance, a summer with half the residents away then make no
trend. Laplace's test asks whether the episodes stand early or late among the visits, divided by
how far they come in bunches: the variance over mean of their counts in blocks of about a week's
visits, the earlier and the later half each about a rate of its own, 1 at least. (Lewis and
Robinson's unevenness of the gaps was turned down: a step up makes gaps uneven too and hides
itself.) Many floors are tested at once, so the p-values of a site are adjusted together.

Source: `laplace`, `dispersion`, `poisson_ratio`, `benjamini_hochberg`; how much log a trend
needs is ours, common practice, no source.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, tally, why
from loganalyzer.localtime import exposure, wall_clock
from loganalyzer.rates import dispersion, laplace, poisson_ratio
from loganalyzer.sentences import between, door, figure, things
from loganalyzer.service import inside
from loganalyzer.site import Site
from loganalyzer.spans import micros
from loganalyzer.stats import benjamini_hochberg, poisson_interval
from loganalyzer.tables import require

Counts = NDArray[np.int64]
SURE = 0.05
EPISODES, DAYS = 5, 60
NO_SERVICE = "no log of the door in service in this month"
NO_VISITS = "no visits"
TOO_FEW = f"fewer than {EPISODES} episodes: too few for a trend"
TOO_SHORT = f"less than {DAYS} days of log: too short for a trend"


def monthly(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame, service: pd.DataFrame,
    facts: Facts, sites: Mapping[str, Site],
) -> pd.DataFrame:  # fmt: skip
    """Visits and lockout episodes of each door and local month.

    Args:
        timeline: Tells which visits begin at a time that can be trusted.
        visits: The table of that name.
        locked: What `lockouts.lockouts` returns.
        service: What `service.in_service` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        One row a door and month, from the first to the last month of its chute's log: `site`,
        `chute`, `floor`, `month` (its first local day, without zone), `exposure_days` (covered
        and in service), `visits`, `episodes` (counts, in service), `episodes_per_100_visits`
        with its exact 95 % Poisson interval `low` to `high`, `reason` (why these are null).
    """
    require(visits, *DOOR, "start", "source", "line")
    table = facts.doors[DOOR].merge(_months(service, sites), on=CHUTE)
    table = table.merge(facts.recorded, on=CHUTE, how="left")
    signals = {"visits": table["press"], "episodes": table["press"] | table["lockout"]}
    for name, rows in _held(timeline, visits, locked, service).items():
        month = _month(wall_clock(rows, sites, "start"))
        found = tally(rows.assign(month=month), [*DOOR, "month"], "n")
        number = table[[*DOOR, "month"]].merge(found, on=[*DOOR, "month"], how="left")["n"]
        table[name] = counts(number, signals[name] & (table["exposure_days"] > 0))
    hundreds = table["visits"].astype("float64") / 100
    hundreds = hundreds.where(hundreds > 0)
    low, high = poisson_interval(table["episodes"])
    table = table.assign(
        episodes_per_100_visits=table["episodes"].astype("float64") / hundreds,
        low=low / hundreds, high=high / hundreds,
        reason=why(
            (~table["press"], NOT_RECORDED["press"]),
            (table["exposure_days"].eq(0), NO_SERVICE),
            (table["visits"].eq(0).fillna(False), NO_VISITS),
        ),
    )  # fmt: skip
    return table[MONTHLY]


MONTHLY = [
    *DOOR, "month", "exposure_days", "visits", "episodes", "episodes_per_100_visits", "low",
    "high", "reason",
]  # fmt: skip


def trends(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame, service: pd.DataFrame,
    facts: Facts,
) -> pd.DataFrame:  # fmt: skip
    """Whether the rate of episodes rises or falls, door by door.

    Args:
        timeline: As `monthly`; so are the others.
        visits: The table of that name.
        locked: What `lockouts.lockouts` returns.
        service: What `service.in_service` returns.
        facts: What is known of the chutes.

    Returns:
        One row a door of `facts.doors`, in its order: `site`, `chute`, `floor`, `days` (from
        the first to the last day in service), `visits`, `episodes` (counts, in service),
        `earlier`, `later` (episodes per 100 visits in the first and the second half of the
        visits), `times_earlier` (later over earlier; null where there was none earlier) with
        its 95 % interval `low` to `high`, `z`, `p`, `q`, `change` ("rising", "falling", "none
        shown"), `sentence`, `reason` (why all from `earlier` on but the sentence are null).
    """
    require(visits, *DOOR, "start", "source", "line")
    held = _held(timeline, visits, locked, service)
    ends = service.groupby(CHUTE).agg(first=("start", "min"), last=("end", "max"))
    ends = ends.assign(days=(ends["last"] - ends["first"]).dt.total_seconds() / 86400)
    table = facts.doors[DOOR].merge(facts.recorded, on=CHUTE, how="left")
    table = table.merge(ends["days"].reset_index(), on=CHUTE, how="left")
    table["days"] = table["days"].fillna(0.0)
    for name, rows in held.items():
        number = table[DOOR].merge(tally(rows, DOOR, "n"), on=DOOR, how="left")["n"]
        table[name] = counts(number, table["press"])
    reason = why(
        (~table["press"], NOT_RECORDED["press"]),
        (table["days"] < DAYS, TOO_SHORT),
        ((table["episodes"] < EPISODES).fillna(True), TOO_FEW),
    )
    lines = _lines(held["visits"], held["episodes"])
    table = table.merge(lines, on=DOOR, how="left")
    measured = [c for c in lines.columns if c not in DOOR]
    table[measured] = table[measured].where(reason.isna(), axis=0)
    table["q"] = table.groupby("site")["p"].transform(lambda p: benjamini_hochberg(p))
    table = table.assign(change=_change(table), reason=reason)
    said = [_said(row) for row in table.itertuples(index=False)]
    return table.assign(sentence=pd.Series(said, dtype="str"))[TRENDS]


TRENDS = [
    *DOOR, "days", "visits", "episodes", "earlier", "later", "times_earlier", "low", "high", "z",
    "p", "q", "change", "sentence", "reason",
]  # fmt: skip


def _held(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame, service: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Visits and episodes that begin while the door was in service."""
    episodes = locked[locked["in_episode"].eq(1)]
    return {
        "visits": visits[anchored(visits, timeline) & inside(visits, "start", service)],
        "episodes": episodes[inside(episodes, "start", service)],
    }


def _months(service: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Every local month of each chute's log with the days in service."""
    hours = exposure(service, sites)
    days = hours.assign(month=_month(hours["day"])).groupby([*CHUTE, "month"])["seconds"].sum()
    parts = []
    for key, part in days.reset_index().groupby(CHUTE):
        every = pd.date_range(part["month"].min(), part["month"].max(), freq="MS", unit="us")
        spent = part.set_index("month")["seconds"].reindex(every, fill_value=0.0) / 86400
        row = {"month": every, "exposure_days": spent.to_numpy()}
        parts.append(pd.DataFrame({"site": key[0], "chute": key[1], **row}))
    types = {"site": "str", "chute": "str", "month": "datetime64[us]", "exposure_days": "float64"}
    blank = pd.DataFrame(columns=list(types))
    return (pd.concat(parts, ignore_index=True) if parts else blank).astype(types)


def _month(days: pd.Series) -> pd.Series:
    """The first day of each one's month."""
    first: pd.Series = days.dt.normalize() - pd.to_timedelta(days.dt.day - 1, unit="D")
    fine: pd.Series = first.dt.as_unit("us")
    return fine


def _lines(visits: pd.DataFrame, episodes: pd.DataFrame) -> pd.DataFrame:
    """Test, halves and their ratio for each door with visits and episodes."""
    starts = visits.groupby(DOOR, observed=True)["start"]
    tried = {key: np.sort(micros(times)) for key, times in starts}
    rows = []
    for key, times in episodes.groupby(DOOR, observed=True)["start"]:
        if key in tried:
            mine = tried[key]
            at = np.searchsorted(mine, np.sort(micros(times)), side="left")
            rows.append((*key, *_line(at, len(mine), (mine[-1] - mine[0]) / 86400e6)))
    names = ["earlier", "later", "times_earlier", "low", "high", "z", "p"]
    types = dict.fromkeys(DOOR, "str") | dict.fromkeys(names, "float64")
    return pd.DataFrame(rows, columns=[*DOOR, *names]).astype(types)


def _line(at: Counts, visits: int, days: float) -> tuple[float, ...]:
    """As `_lines`, for one door; `at`: how many visits came before each episode."""
    half = visits / 2
    late = int((at >= half).sum())
    early = len(at) - late
    spread = _bunches(at, visits, days)
    ratio = poisson_ratio(late, half, early, half, spread)
    test = laplace(at + 0.5, visits, spread)
    bounds = [float(v) if np.isfinite(v) else np.nan for v in (ratio.ratio, ratio.low, ratio.high)]
    return 100 * early / half, 100 * late / half, *bounds, test.z, test.p


def _bunches(at: Counts, visits: int, days: float) -> float:
    """Dispersion of the episodes in blocks of a week's visits, each half about its own rate."""
    blocks = max(2, round(days / 14))
    counted, _ = np.histogram(at, bins=2 * blocks, range=(0, visits))
    found = dispersion(counted.reshape(2, blocks), np.ones((2, blocks)))
    return float(np.fmax(found, 1.0))


def _change(table: pd.DataFrame) -> pd.Series:
    towards = np.where(table["z"] > 0, "rising", "falling")
    change = pd.Series(np.where(table["q"] > SURE, "none shown", towards), dtype="str")
    return change.where(table["q"].notna())


SAID = {
    "rising": "lockouts become more",
    "falling": "lockouts become fewer",
    "none shown": "no trend is shown",
}


def _said(row: Any) -> str:
    """The trend of one door as a sentence."""
    head = door(row.chute, row.floor)
    if isinstance(row.reason, str):
        return f"{head}: no trend can be told ({row.reason})."
    known = pd.notna(row.times_earlier) and pd.notna(row.high)
    times = f", {figure(row.times_earlier)} times {between(row.low, row.high)}" if known else ""
    return (
        f"{head}: {SAID[row.change]}: {things(row.episodes, 'lockout episode', 'lockout episodes')}"
        f", {figure(row.later)} per 100 visits in the later half of its visits, "
        f"{figure(row.earlier)} in the earlier{times}."
    )

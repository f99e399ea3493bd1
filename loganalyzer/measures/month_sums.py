"""What happened in each month, in sums that stay when the detail is removed.

Long, so that sums of two parts of a log can be added: one row for each thing counted, month,
floor and stream. An event belongs to the month in which it begins, by the site's time.
"""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.facts import CHUTE, Facts, anchored, plain
from loganalyzer.localtime import wall_clock
from loganalyzer.site import Site
from loganalyzer.tables import TABLES, require

# Each thing counted: the signals of which a chute must record one in each group, and what to
# say where it does not.
COUNTED = {
    "presses": ((("press",),), "presses not in the log"),
    "refusals": ((("refusal",),), "refusals not in the log"),
    "uses": ((("unlocked", "open"),), "neither unlocking nor door contacts in the log"),
    "visits": ((("press",),), "presses not in the log"),
    "served": ((("press",), ("unlocked", "open")), "presses or doors not in the log"),
    "gave_up": ((("press",), ("unlocked", "open")), "presses or doors not in the log"),
    "lockouts": ((("lockout", "press"),), "neither lockouts nor presses in the log"),
    "lockout_episodes": ((("lockout", "press"),), "neither lockouts nor presses in the log"),
    "faults": ((("fault",),), "no fault in the log"),
    "fulls": ((("full",),), "full containers not in the log"),
    "covered_s": ((), ""),
}
MONTH = ["site", "chute", "month"]
KEY = [*MONTH, "floor", "stream", "what"]


def month_sums(
    timeline: pd.DataFrame,
    cycles: pd.DataFrame,
    visits: pd.DataFrame,
    locked: pd.DataFrame,
    hours: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
) -> pd.DataFrame:
    """The sums of a log.

    Args:
        timeline: The table of that name.
        cycles: The table of that name.
        visits: The table of that name.
        locked: What `lockouts.lockouts` returns.
        hours: What `localtime.exposure` returns.
        facts: What is known of the chutes.
        sites: Their time zones.

    Returns:
        Sorted rows `site`, `chute`, `month` (its first day), `floor`, `stream` (null where the
        thing belongs to none), `what` (a key of `COUNTED`; `covered_s` is the seconds with
        log), `value`, `reason` (why it is null). A month in which a thing that is recorded did
        not happen has one row of 0 for it. What has no time that can be trusted is left out.
    """
    require(cycles, *CHUTE, "pressed", "unlocked", "opened", "source", "line")
    sound = timeline[timeline["clock"].ne("unanchored")]
    began = cycles["pressed"].fillna(cycles["unlocked"]).fillna(cycles["opened"])
    used = cycles.assign(time=began)[anchored(cycles, timeline)]
    tried = visits.assign(time=visits["start"])[anchored(visits, timeline)]
    locks = locked.assign(time=locked["start"], stream=None)
    begins = sound["edge"].ne("off")
    rows = {
        "presses": sound[sound["signal"].eq("press")],
        "refusals": sound[sound["signal"].eq("refusal")],
        "uses": used,
        "visits": tried,
        "served": tried[tried["result"].eq("served")],
        "gave_up": tried[tried["result"].eq("gave_up")],
        "lockouts": locks,
        "lockout_episodes": locks[locks["in_episode"].eq(1)],
        "faults": sound[sound["signal"].eq("fault") & begins],
        "fulls": sound[sound["signal"].eq("full") & begins],
    }
    parts = [_counts(part, sites).assign(what=what) for what, part in rows.items()]
    found = pd.concat([*parts, _covered(hours)])
    return _ordered(_filled(found, facts))


def together(kept: pd.DataFrame, present: pd.DataFrame) -> pd.DataFrame:
    """The sums of removed detail and of what is there, as one: the table `month_sums`.

    Args:
        kept: Sums as `month_sums` returns them, of what was removed.
        present: Of what is there.

    Returns:
        The columns of `month_sums`; `removed` is how much of `value` comes from `kept`.
    """
    both = pd.concat([kept.assign(removed=kept["value"]), present.assign(removed=0.0)])
    sums = both.groupby(KEY, dropna=False)[["value", "removed"]].sum(min_count=1)
    reasons = both.groupby(KEY, dropna=False)["reason"].first()
    return _ordered(sums.join(reasons).reset_index())


def difference(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """The sums of what is in the one log and no longer in the other.

    Args:
        before: As `month_sums` returns them.
        after: Likewise, of the same log with some of it removed.

    Returns:
        Such that `together(difference, after)` tells what `before` tells.
    """
    both = before.merge(after.drop(columns="reason"), on=KEY, how="outer", suffixes=("", "_left"),
                        indicator=True)  # fmt: skip
    left = both["_merge"].eq("left_only")
    apart = both["value"].fillna(0.0) - both["value_left"].fillna(0.0)
    known = both["value"].notna() | both["value_left"].notna()
    value = apart.round(3).where(known)
    gone = left | value.fillna(0.0).ne(0.0)
    return both.assign(value=value)[gone][[*KEY, "value", "reason"]].reset_index(drop=True)


def _counts(rows: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    rows = rows.loc[rows["time"].notna(), [*CHUTE, "floor", "stream", "time"]]
    month = _month(wall_clock(rows, sites, "time"))
    keys = [*MONTH, "floor", "stream"]
    flat = plain(rows, *CHUTE).assign(
        month=month, floor=rows["floor"].astype("object"), stream=rows["stream"].astype("object")
    )
    return flat.groupby(keys, dropna=False).size().rename("value").reset_index()


def _covered(hours: pd.DataFrame) -> pd.DataFrame:
    months = plain(hours, *CHUTE).assign(month=_month(hours["day"]))
    covered = months.groupby(MONTH)["seconds"].sum().rename("value").reset_index()
    return covered.assign(floor=None, stream=None, what="covered_s")


def _month(days: pd.Series) -> pd.Series:
    """The first day of each one's month."""
    first: pd.Series = days.dt.normalize() - pd.to_timedelta(days.dt.day - 1, unit="D")
    return first.astype("datetime64[us]")


def _filled(found: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """With a row of 0, or of null and why, for what a month with log has nothing of."""
    months = found[MONTH].drop_duplicates().merge(facts.recorded, on=CHUTE, how="left")
    parts = [found.assign(value=found["value"].astype("float64"), reason=None)]
    for what, (groups, reason) in COUNTED.items():
        shown = pd.Series(True, index=months.index)
        for signals in groups:
            shown &= months[list(signals)].any(axis=1)
        blank = months[MONTH].assign(floor=None, stream=None, what=what)
        value = shown.map({True: 0.0, False: float("nan")})
        parts.append(blank.assign(value=value, reason=shown.map({True: None, False: reason})))
    return pd.concat(parts, ignore_index=True)


def _ordered(rows: pd.DataFrame) -> pd.DataFrame:
    """Sorted; a row of 0 or null stands only where nothing else is told of the thing."""
    rows = rows.astype({"value": "float64"})
    told = rows["value"].fillna(0.0).ne(0.0)
    things = [rows[name] for name in (*MONTH, "what")]
    some = told.groupby(things).transform("any")
    known = rows["value"].notna().groupby(things).transform("any")
    rows = rows[told | ~some & (rows["value"].notna() | ~known)]
    rows = rows.assign(order=pd.Categorical(rows["what"], list(COUNTED)))
    rows = rows.sort_values([*MONTH, "order", "floor", "stream"], ignore_index=True)
    names = [name for name in TABLES["month_sums"].names if name in rows]
    return rows.drop_duplicates(KEY, ignore_index=True)[names]

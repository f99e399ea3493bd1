"""How often and how long units were without their door: the indices of IEEE 1366 for chutes.

A unit is interrupted when the door of its floor cannot be used for longer than the site's
threshold (`[chute.limits] interruption_s`, 5 minutes unless set). What takes a door out of use:

- container: a container is full; it shuts all doors, whatever stream is asked for.
- service, power: the whole chute is out of use.
- sorter: its fault stands; the whole chute is out of use.
- door: a door stands open beyond its limit. One door at a time: while it is open no other floor
  can be served, so it interrupts every floor of the chute, from its opening on. A latch whose
  fault stands interrupts its own floor only.

An abuse lockout is the user's doing and no interruption. Faults of other parts and stretches
without log are none either: nobody knows whether the doors could be used.

Spans that overlap or touch are one interruption, counted once, by the cause that began first
(at one time: by the order above of `CAUSES`). It counts in the month in which it began; its
minutes count where they fell. Only time that the log knows of counts: with log, or without power.

Units: those of the site file. Where no floor of a chute has any, each door counts as one unit and
`reason` says so; where some have, the others are left out and named.

Source: IEEE Std 1366, SAIFI, SAIDI, CAIDI, ASAI, cited from memory; sustained interruptions are
those of more than 5 minutes there.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, Facts, plain
from loganalyzer.localtime import zone_of
from loganalyzer.sentences import listed
from loganalyzer.site import Site
from loganalyzer.spans import Cover, Places, merge_close, micros
from loganalyzer.tables import require

# Cause → the kinds of incident that are it, and the signals that a log must hold to show it.
CAUSES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "power": (("power_loss",), ("power",)),
    "service": (("service",), ("service",)),
    "container": (("container_full",), ("full",)),
    "sorter": (("sorter_fault",), ("fault", "positioning")),
    "door": (("stuck_door", "latch_fault"), ("open", "fault")),
}
OWN_FLOOR = ("latch_fault",)
ALL = "all"
NO_LOG = "no log for this time"
NO_UNITS = "no units in the site file: each door counts as one"


def service_indices(
    incidents: pd.DataFrame, coverage: pd.DataFrame, facts: Facts, sites: Mapping[str, Site]
) -> pd.DataFrame:
    """Interruptions and minutes per unit, by chute, month and cause.

    Args:
        incidents: The table of that name; those whose length is known count.
        coverage: The table of that name.
        facts: Doors with their units, limits, and what each chute records.
        sites: Their time zones.

    Returns:
        One row a `site`, `chute`, `month` (`2026-10` in the site's time, or `all`), `cause` (of
        `CAUSES`, or `all`): `units`, `period_h` (hours with log or without power),
        `unit_interruptions` (units times interruptions), `unit_minutes`,
        `interruptions_per_unit`, `minutes_per_unit`, `minutes_per_interruption` (null without
        any), `availability` (1 - minutes per unit / period), `unmeasured` (incidents of that
        cause whose length is not in the log, all months), `reason` (why numbers are null, or
        what they rest on). A cause that the log cannot show is null.
    """
    require(incidents, *CHUTE, "kind", "floor", "start", "end", "seconds")
    cause_of = {kind: cause for cause, (kinds, _) in CAUSES.items() for kind in kinds}
    mine = incidents[incidents["kind"].isin(list(cause_of))]
    mine = plain(mine, *DOOR, "kind").assign(cause=mine["kind"].astype("str").map(cause_of))
    keys = list(facts.recorded[CHUTE].itertuples(index=False, name=None))
    tables = [
        _chute(mine[_of(mine, k)], coverage[_of(coverage, k)], facts, zone_of(sites, k[0]), k)
        for k in keys
    ]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=INDICES)


INDICES = [
    *CHUTE, "month", "cause", "units", "period_h", "unit_interruptions", "unit_minutes",
    "interruptions_per_unit", "minutes_per_unit", "minutes_per_interruption", "availability",
    "unmeasured", "reason",
]  # fmt: skip


def _ratios(
    interruptions: float, unit_minutes: float, served: float, period_min: float
) -> dict[str, float]:
    """The four indices: SAIFI, SAIDI, CAIDI, ASAI; NaN where nothing is served or interrupted."""
    nan = float("nan")
    known = served > 0 and period_min > 0
    per_unit = unit_minutes / served if known else nan
    return {
        "interruptions_per_unit": interruptions / served if known else nan,
        "minutes_per_unit": per_unit,
        "minutes_per_interruption": unit_minutes / interruptions if interruptions else nan,
        "availability": 1 - per_unit / period_min if known else nan,
    }


def _of(table: pd.DataFrame, key: tuple[str, str]) -> pd.Series:
    found: pd.Series = table["site"].eq(key[0]) & table["chute"].eq(key[1])
    return found


def _chute(
    incidents: pd.DataFrame, coverage: pd.DataFrame, facts: Facts, zone: str, key: tuple[str, str]
) -> pd.DataFrame:
    doors = facts.doors[_of(facts.doors, key)]
    weights, said = _weights(doors)
    limit = float(facts.limits.loc[_of(facts.limits, key), "interruption_s"].iloc[0])
    known = _known(coverage, incidents)
    months = _months(coverage, zone)
    outages = _outages(incidents, weights, known, limit)
    of = {ALL: outages, **{str(cause): part for cause, part in outages.groupby("cause")}}
    held = facts.recorded[_of(facts.recorded, key)].iloc[0]
    shown = [c for c, (_, signals) in CAUSES.items() if any(held[s] for s in signals)]
    unmeasured = incidents.loc[incidents["seconds"].isna(), "cause"].value_counts()
    rows = [
        {
            "site": key[0], "chute": key[1], "month": month, "cause": cause,
            **_row(of.get(cause), cause, span, known, float(weights.sum()), shown, said),
            "unmeasured": int(unmeasured.sum() if cause == ALL else unmeasured.get(cause, 0)),
        }
        for month, span in months.items()
        for cause in (ALL, *CAUSES)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=INDICES).astype({"reason": "str"})


def _weights(doors: pd.DataFrame) -> tuple[pd.Series, str | None]:
    """Units by floor, and what is to be said of them."""
    units = doors.set_index("floor")["units"]
    if units.isna().all():
        return pd.Series(1.0, index=units.index), NO_UNITS
    lacking = [str(floor) for floor in units.index[units.isna()]]
    said = f"floors without units are left out: {listed(lacking)}" if lacking else None
    return units.dropna().astype("float64"), said


def _known(coverage: pd.DataFrame, incidents: pd.DataFrame) -> Cover:
    """The time that the log knows of: with log, or without power."""
    counts = coverage["covered"].astype(bool) | coverage["reason"].eq("power off")
    seen = coverage[counts]
    log = Cover.of(micros(seen["start"]), micros(seen["end"]))
    cuts = incidents[incidents["kind"].eq("power_loss") & incidents["seconds"].notna()]
    return log.plus(Cover.of(micros(cuts["start"]), micros(cuts["end"])))


def _months(coverage: pd.DataFrame, zone: str) -> dict[str, tuple[int, int]]:
    """Start and end of each local month that the log touches, in UTC, and of them all."""
    if coverage.empty:
        return {ALL: (0, 0)}
    first, last = (t.tz_convert(zone) for t in (coverage["start"].min(), coverage["end"].max()))
    names = pd.period_range(first.tz_localize(None), last.tz_localize(None), freq="M")
    # Midnight of the first may not exist, or exist twice: then the earliest instant of that day.
    walls = pd.DatetimeIndex([m.start_time for m in (*names, names[-1] + 1)])
    cuts = walls.tz_localize(zone, ambiguous=np.ones(len(walls), bool), nonexistent="shift_forward")
    at = micros(cuts.tz_convert("UTC").to_series())
    spans = {str(m): (int(a), int(b)) for m, a, b in zip(names, at[:-1], at[1:], strict=True)}
    return {ALL: (int(at[0]), int(at[-1])), **spans}


def _outages(
    incidents: pd.DataFrame, weights: pd.Series, known: Cover, limit: float
) -> pd.DataFrame:
    """Every interruption of every floor: `floor`, `cause`, `start`, `end`, `units`."""
    spans = incidents[incidents["seconds"].notna()]
    rank = spans["cause"].map({cause: place for place, cause in enumerate(CAUSES)})
    own = spans["kind"].isin(OWN_FLOOR) & spans["floor"].notna()
    spans = spans[["cause", "start", "end"]].assign(rank=rank, own=spans["floor"].where(own))
    floors = pd.DataFrame({"floor": weights.index.astype("str"), "units": weights.to_numpy()})
    each = spans.merge(floors, how="cross")
    each = each[each["own"].isna() | each["own"].eq(each["floor"])].reset_index(drop=True)
    if each.empty:
        return each
    runs = each.assign(run=merge_close(each, ["floor"], 0)).sort_values(["run", "start", "rank"])
    by = runs.groupby("run")
    found = by[["floor", "cause", "units", "start"]].first().assign(end=by["end"].max())
    lasted = known.within(micros(found["start"]), micros(found["end"])) / 1e6
    return found[lasted > limit]


def _row(
    outages: pd.DataFrame | None, cause: str, span: tuple[int, int], known: Cover, served: float,
    shown: list[str], said: str | None,
) -> dict[str, object]:  # fmt: skip
    """The indices of one cause in one month."""
    period = _between(known, np.array([span[0]]), np.array([span[1]]), span).sum() / 60e6
    head = {"units": served, "period_h": period / 60}
    missing = [c for c in CAUSES if c not in shown]
    if not period or not shown or cause in missing:
        none = NO_LOG if not period else f"no {cause} trouble in the log: none, or not recorded"
        if not shown and cause == ALL:
            none = "nothing in the log that shows an interruption"
        return head | {"reason": none}
    if outages is None or outages.empty:
        counted, minutes = 0.0, 0.0
    else:
        start, end = micros(outages["start"]), micros(outages["end"])
        units = outages["units"].to_numpy(dtype="float64")
        counted = float(units[(start >= span[0]) & (start < span[1])].sum())
        minutes = float((_between(known, start, end, span) / 60e6 * units).sum())
    left = f"without {listed(missing)}: not in the log" if cause == ALL and missing else None
    reason = "; ".join(text for text in (said, left) if text) or None
    sums = {"unit_interruptions": counted, "unit_minutes": minutes}
    return head | sums | _ratios(counted, minutes, served, period) | {"reason": reason}


def _between(known: Cover, start: Places, end: Places, span: tuple[int, int]) -> Places:
    """Known time of each stretch that falls into a span, microseconds."""
    return known.within(np.clip(start, *span), np.clip(end, *span))

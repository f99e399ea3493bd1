"""The audit of small logs and of simulated buildings, for the tests of it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.audit import Audit, audit
from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.site import Chute, Floor, Limits, Site
from loganalyzer.tables import TABLES, conform
from tests.build import timeline

PRESS, REFUSAL, LOCKOUT, RELEASE = (
    ("press", "mark"), ("refusal", "mark"), ("lockout", "on"), ("lockout", "off"),
)  # fmt: skip
UNLOCK, LOCK, OPEN, SHUT = (
    ("unlocked", "on"), ("unlocked", "off"), ("open", "on"), ("open", "off"),
)  # fmt: skip
FALL, LANDED = (None, "clearing", "on"), (None, "clearing", "off")
TURN, IN_PLACE = (None, "positioning", "on"), (None, "positioning", "off")
END = (None, "note", "mark")


def site(heights: Mapping[str, float] | None = None, **limits: Any) -> dict[str, Site]:
    """The site of `tests.build`: one chute A, its doors' heights in metres, its limits."""
    floors = [Floor(label=label, elevation_m=high) for label, high in (heights or {}).items()]
    chute = Chute(id="A", profile="p", limits=Limits(**limits), floor=floors)
    return {"quay": Site("quay", "Quay", "UTC", (chute,))}


def audited(*events: tuple[Any, ...], sites: dict[str, Site] | None = None, **more: Any) -> Audit:
    """The audit of a small log."""
    return of_log(timeline(*events, **more), sites or site())


def of_log(log: pd.DataFrame, sites: dict[str, Site]) -> Audit:
    pairs = pair(log)
    return audit(log, pairs, cycles(log, pairs, sites), facts(log, sites), sites)


def outcome(found: Audit, rule: str) -> tuple[int | None, int | None, str | None]:
    """How a rule fared at the only chute: tested, broken, reason."""
    (row,) = found.audit[found.audit["rule"].eq(rule)].to_dict("records")
    return tuple(
        None if pd.isna(row[name]) else row[name] for name in ("tested", "broken", "reason")
    )


def lines(found: Audit, rule: str) -> list[int]:
    """The lines of a rule's violations."""
    mine = found.violations[found.violations["rule"].eq(rule)]
    return [int(line) for line in mine["line"]]


def log_of(events: pd.DataFrame, step_us: int = 1) -> pd.DataFrame:
    """A simulator's events as the store would give them, stamps cut to whole steps."""
    rows = events.sort_values(["site", "chute", "time"], kind="stable", ignore_index=True)
    cut = {name: rows[name].dt.floor(f"{step_us}us") for name in ("time", "device")}
    rows = rows.assign(**cut)
    rows = rows.assign(
        seq=rows.groupby(["site", "chute"], observed=True).cumcount(), source="log",
        line=np.arange(1, len(rows) + 1), clock="exact", device_time=rows["device"],
    )  # fmt: skip
    return conform(rows[[*TABLES["timeline"].names]], "timeline").to_pandas()


def site_of(plan: Any) -> dict[str, Site]:
    """A simulator's plan as a site file says it."""
    chutes = tuple(
        Chute(
            id=chute.id, profile="p", limits=Limits(**vars(chute.limits)),
            floor=[
                Floor(label=f.label, units=f.units, elevation_m=f.elevation_m) for f in chute.floors
            ],
        )
        for chute in plan.chutes
    )  # fmt: skip
    return {plan.site: Site(plan.site, plan.name, plan.time_zone, chutes)}

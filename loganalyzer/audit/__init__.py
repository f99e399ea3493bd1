"""Did the log show the controller keeping its own rules? One module a rule.

To add a rule: a function from `Ground` to `Checks`, a line in `RULES`. A log is no inspection:
nothing here is evidence that an interlock works.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.audit.clearing_holds import clearing_holds
from loganalyzer.audit.clearing_long_enough import clearing_long_enough
from loganalyzer.audit.forced_open import forced_open
from loganalyzer.audit.full_holds import full_holds
from loganalyzer.audit.ground import Checks, Ground
from loganalyzer.audit.lockout_local import lockout_local
from loganalyzer.audit.lockout_releases import lockout_releases
from loganalyzer.audit.lockout_trips import lockout_trips
from loganalyzer.audit.mismatches import mismatches
from loganalyzer.audit.one_door import one_door
from loganalyzer.audit.service_holds import service_holds
from loganalyzer.audit.sorter_still import sorter_still
from loganalyzer.facts import NOT_RECORDED, Facts
from loganalyzer.keys import Flags, Ints
from loganalyzer.site import Site
from loganalyzer.tables import TABLES, conform

# From this time on, up to before that one; null is no bound.
Span = tuple[pd.Timestamp | None, pd.Timestamp | None]


@dataclass(frozen=True)
class Rule:
    """A rule that a controller should keep.

    Attributes:
        name: As the contract names it.
        says: The rule in plain words.
        needs: Signals without which it cannot be tested: one of each group.
        check: The function that tests it.
    """

    name: str
    says: str
    needs: tuple[tuple[str, ...], ...]
    check: Callable[[Ground], Checks]


RULES = (
    Rule("one_door", "never two doors unlocked or open at once", (("unlocked", "open"),), one_door),
    Rule("forced_open", "no door opens while it is locked", (("open",), ("unlocked",)),
         forced_open),
    Rule("sorter_still", "the diverter never moves while a door is open or material falls",
         (("positioning",), ("open", "clearing")), sorter_still),
    Rule("full_holds", "no door is unlocked while a container is full",
         (("full",), ("unlocked",)), full_holds),
    Rule("service_holds", "no door is unlocked during service",
         (("service",), ("unlocked",)), service_holds),
    Rule("lockout_trips", "too many presses always bring a lockout, fewer never",
         (("press", "refusal"), ("lockout",)), lockout_trips),
    Rule("lockout_releases", "a lockout ends after the quiet time, not before",
         (("press", "refusal"), ("lockout",)), lockout_releases),
    Rule("lockout_local", "other doors are served while one is locked out",
         (("press", "refusal"), ("lockout",), ("unlocked",)), lockout_local),
    Rule("clearing_holds", "no unlocking and no travel of the diverter while material falls",
         (("clearing",), ("unlocked", "positioning")), clearing_holds),
    Rule("clearing_long_enough", "no clearing is shorter than free fall from that floor",
         (("clearing",), ("open",)), clearing_long_enough),
)  # fmt: skip

MISSING = {
    **NOT_RECORDED,
    "full": "full containers not in the log",
    "service": "service not in the log",
}
# From this step of the clock on, whole uses happen within one stamp.
COARSE_S = 10.0
TOO_COARSE = "the log tells time only in steps of {step:g} s, too coarse for this rule"
NEVER_TESTED = "never put to the test in this log"


@dataclass(frozen=True)
class Audit:
    """What the audit found.

    Attributes:
        audit: The table of that name, one row a chute and rule: `tested` and `broken` are counts,
            null with a `reason` where the log cannot show them; else `reason` tells by which
            reading it was judged, or that nothing put the rule to the test.
        violations: The table of that name, sorted by chute and time.
        mismatches: One row a setting that is not the site file's: `site`, `chute`, `floor` (null:
            the whole chute), `setting` (a field of `Limits`), `told` (the site file's value, or
            the default), `found`, `n` (how often the log shows it), `evidence` (list of
            `source:line`).
    """

    audit: pd.DataFrame
    violations: pd.DataFrame
    mismatches: pd.DataFrame


@dataclass(frozen=True)
class Examined:
    """Every rule put to a whole log: what it found, whatever period is asked for later."""

    ground: Ground
    found: tuple[tuple[Rule, list[str], Checks], ...]
    mismatches: pd.DataFrame


def audit(
    timeline: pd.DataFrame,
    intervals: pd.DataFrame,
    cycles: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
    spans: Mapping[str, Span] | None = None,
) -> Audit:
    """Test every rule on every chute of a timeline: `examine`, then `audited`."""
    return audited(examine(timeline, intervals, cycles, facts, sites), spans)


def examine(
    timeline: pd.DataFrame,
    intervals: pd.DataFrame,
    cycles: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
) -> Examined:
    """Put every rule to every chute of a timeline.

    Args:
        timeline: As `Store.timeline` gives it, whole, sorted.
        intervals: `pair(timeline)`.
        cycles: `cycles(timeline, intervals, sites)`.
        facts: `facts(timeline, sites)`.
        sites: Site files by site id, for limits and heights.

    Source: the rules are the contract's; how they are read stands in each module.
    """
    ground = Ground(timeline, intervals, cycles, facts, sites)
    found = tuple((rule, _testable(ground, rule), rule.check(ground)) for rule in RULES)
    return Examined(ground, found, mismatches(ground))


def audited(examined: Examined, spans: Mapping[str, Span] | None = None) -> Audit:
    """What of it counts in a period.

    Args:
        examined: Of the whole log.
        spans: For each site the period whose tests and violations count; null: all.
    """
    ground, found = examined.ground, examined.found
    counts = _counting(ground, spans or {})
    sums = [_sums(ground, checks, counts) for _, _, checks in found]
    rows = [
        _row(ground, chute, *one, *(int(n[chute]) for n in numbers))
        for chute in range(ground.chutes)
        for one, numbers in zip(found, sums, strict=True)
    ]
    parts = [_violations(ground, *one, counts) for one in found]
    broken = pd.concat(parts, ignore_index=True)
    broken = broken.sort_values(["chute_number", "row"], kind="stable", ignore_index=True)
    return Audit(
        _typed(pd.DataFrame(rows, columns=TABLES["audit"].names), "audit"),
        _typed(broken.drop(columns=["chute_number", "row"]), "violations"),
        examined.mismatches,
    )


def _counting(ground: Ground, spans: Mapping[str, Span]) -> Flags:
    """Whether each row of the log lies in the period."""
    counts = np.ones(len(ground.log), bool)
    for number, (site, _) in enumerate(ground.names):
        start, end = spans.get(site, (None, None))
        rows = slice(*ground.log.first[number : number + 2])
        time = ground.log.time[rows]
        if start is not None:
            counts[rows] &= time >= start.value // 1000
        if end is not None:
            counts[rows] &= time < end.value // 1000
    return counts


def _testable(ground: Ground, rule: Rule) -> list[str]:
    """Chute by chute why a rule cannot be tested; empty where it can."""
    groups = [(ground.log.has(*group), group) for group in rule.needs]
    return [
        "; ".join(
            " and ".join(MISSING[signal] for signal in group)
            for has, group in groups
            if not has[chute]
        )
        for chute in range(ground.chutes)
    ]


def _sums(ground: Ground, found: Checks, counts: Flags) -> tuple[Ints, Ints]:
    """Chute by chute how many tests and violations count."""
    tested, broken = (
        np.bincount(ground.log.chute[rows[counts[rows]]], minlength=ground.chutes)
        for rows in (found.tested, found.broken)
    )
    return tested, broken


def _row(
    ground: Ground, chute: int, rule: Rule, missing: list[str], found: Checks,
    tested: int, broken: int,
) -> tuple[object, ...]:  # fmt: skip
    site, name = ground.names[chute]
    if missing[chute]:
        return site, name, rule.name, None, None, missing[chute]
    remark = found.remarks.get(chute)
    if not tested and not broken and chute in found.untestable:
        return site, name, rule.name, None, None, found.untestable[chute]
    step = ground.coarsest(chute)
    if not tested and not broken and step >= COARSE_S:
        return site, name, rule.name, None, None, TOO_COARSE.format(step=step)
    return site, name, rule.name, tested, broken, remark or (None if tested else NEVER_TESTED)


def _violations(
    ground: Ground, rule: Rule, missing: list[str], found: Checks, counts: Flags
) -> pd.DataFrame:
    log = ground.log
    able = np.array([not why for why in missing], bool)[log.chute[found.broken]]
    i = np.flatnonzero(able & counts[found.broken])
    row = found.broken[i]
    return pd.DataFrame(
        {
            "site": log.text("site", row).astype(object),
            "chute": log.text("chute", row).astype(object),
            "rule": rule.name,
            "time": log.times(row),
            "floor": log.category("floor", found.door[i] % log.floors - 1).astype(object),
            "detail": [found.detail[place] for place in i.tolist()],
            "source": log.text("source", row).astype(object),
            "line": log.line[row],
            "chute_number": log.chute[row],
            "row": row,
        }
    )


def _typed(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """The table's columns in the order and types of `TABLES[name]`; counts may be null."""
    found = conform(table, name).select(TABLES[name].names).to_pandas()
    typed: pd.DataFrame = found.astype(dict.fromkeys({"tested", "broken"} & {*found}, "Int64"))
    return typed

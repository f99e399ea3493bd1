"""Findings of the safety audit: rules that the log shows broken, settings that are others."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.audit import NEVER_TESTED, RULES
from loganalyzer.facts import CHUTE, plain
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, door, listed, things, times
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import LINES_SHOWN, Finding, largest, per_hundred, rows, text_or_none

SAYS = {rule.name: rule.says for rule in RULES}
# Told floor by floor by another finder.
TOLD_ELSEWHERE = ("clearing_long_enough",)
NO_INSPECTION = "a log is no inspection, and what it does not show broken is not shown to work"
# How each setting is said to be another one.
SETTINGS = {
    "press_limit": "locks out after {found:g} presses (at the next one)",
    "press_window_s": "counts presses within {found:g} s towards a lockout",
    "quiet_s": "ends a lockout {found:g} s after the last press",
    "clearing_s": "clears for {found:g} s",
    "open_limit_s": "calls a door stuck after {found:g} s",
}


def broken_rules(analysis: Analysis) -> Iterator[Finding]:
    """Rules that the log shows broken: each for the technician, all of a chute for the manager."""
    table = plain(analysis.audit, *CHUTE, "rule")
    broken = table[table["broken"].fillna(0).gt(0)]
    seen = plain(analysis.violations, *CHUTE, "rule", "floor", "source")
    seen = seen.assign(local=wall_clock(seen, analysis.sites, "time"))
    for row in rows(broken[~broken["rule"].isin(TOLD_ELSEWHERE)]):
        mine = seen[seen["rule"].eq(row.rule) & seen["chute"].eq(row.chute)]
        yield _broken(row, mine[mine["site"].eq(row.site)])
    for (site, chute), part in largest(broken, CHUTE):
        mine = seen[seen["site"].eq(site) & seen["chute"].eq(chute)]
        said = [
            phrase("{rule} ({times})", rule=phrase(SAYS[row.rule]), times=times(row.broken))
            for row in rows(part)
        ]
        yield Finding(
            "manager", site, chute, None, "broken_rules",
            phrase(
                "Chute {chute}: the log shows {safety} broken: {said}; have somebody licensed "
                "look before it is relied on, since {since}.",
                chute=chute, safety=things(len(part), "safety rule", "safety rules"),
                said=listed(said), since=phrase(NO_INSPECTION),
            ),
            float(part["broken"].sum()), None, None, int(part["tested"].sum()), _lines(mine),
        )  # fmt: skip


def other_settings(analysis: Analysis) -> Iterator[Finding]:
    """Settings of a controller that are evidently not those of the site file."""
    for row in rows(analysis.mismatches):
        floor = text_or_none(row.floor)
        place = door(row.chute, floor) if floor else phrase("Chute {chute}", chute=row.chute)
        yield Finding(
            "technician", row.site, row.chute, floor, "setting",
            phrase(
                "{place} {does}, {told} (shown {times} by the log).",
                place=place, does=phrase(SETTINGS[row.setting], found=row.found),
                told=_told(analysis, row), times=times(row.n),
            ),
            row.found, None, None, int(row.n), tuple(row.evidence),
        )  # fmt: skip


def other_rules(analysis: Analysis) -> Iterator[Finding]:
    """Rules that a controller evidently reads otherwise."""
    table = analysis.audit
    read = table["tested"].notna() & table["reason"].notna() & table["reason"].ne(NEVER_TESTED)
    for row in rows(table[read]):
        yield Finding(
            "technician", row.site, row.chute, None, "reading",
            phrase(
                "Chute {chute}, rule '{rule}': {reason}.",
                chute=row.chute, rule=phrase(SAYS[row.rule]), reason=phrase(row.reason),
            ), n=int(row.tested),
        )  # fmt: skip


def _broken(row: Any, mine: pd.DataFrame) -> Finding:
    share = per_hundred(row.broken, row.tested)
    first = mine.iloc[0]
    floors = mine["floor"].dropna().unique()
    return Finding(
        "technician", row.site, row.chute, str(floors[0]) if len(floors) == 1 else None,
        "broken_rule",
        phrase(
            "Chute {chute}: the log shows a rule broken, '{rule}', {times} in {tests}; first "
            "at {local:%Y-%m-%d %H:%M:%S}, line {line}: {detail}.",
            chute=row.chute, rule=phrase(SAYS[row.rule]), times=times(row.broken),
            tests=things(row.tested, "test", "tests"), local=first["local"],
            line=count(first["line"]), detail=first["detail"],
        ),
        share.rate, share.low, share.high, int(row.tested), _lines(mine),
    )  # fmt: skip


def _lines(violations: pd.DataFrame) -> tuple[str, ...]:
    some = violations.head(LINES_SHOWN)
    return tuple(f"{s}:{n}" for s, n in zip(some["source"], some["line"], strict=True))


def _told(analysis: Analysis, row: Any) -> str:
    """What the site file says, or that it says nothing and a default stands."""
    site = analysis.sites.get(row.site)
    chutes = [chute for chute in site.chutes if chute.id == row.chute] if site else []
    told = any(row.setting in chute.limits.model_fields_set for chute in chutes)
    unit = " s" if row.setting.endswith("_s") else ""
    if told:
        return phrase("the site file says {told:g}{unit}", told=row.told, unit=unit)
    return phrase(
        "the site file says nothing and {told:g}{unit} is the default",
        told=row.told,
        unit=unit,
    )

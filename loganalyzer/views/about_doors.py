"""Findings about single doors: misuse, stuck doors, slow closers, clearings too short."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.language import phrase
from loganalyzer.sentences import between, count, door, figure, lasting, things, times
from loganalyzer.stats import poisson_interval
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import (
    Finding,
    largest,
    lines_of,
    per_hundred,
    rows,
    text_or_none,
)
from loganalyzer.views.shown import shown_to_manager


def short_clearings(analysis: Analysis) -> Iterator[Finding]:
    """Clearings shorter than free fall, floor by floor."""
    table = analysis.clearings[analysis.clearings["too_short"].fillna(0).gt(0)]
    for row in rows(table.sort_values("too_short", ascending=False)):
        share = per_hundred(row.too_short, row.clearings)
        yield Finding(
            "technician", row.site, row.chute, row.floor, "clearing_too_short",
            phrase(
                "{door}: {too_short} of {clearings} ended before anything can have fallen the "
                "{elevation_m} m (free fall takes {fall_s:.1f} s, the shortest lasted "
                "{shortest_s:.1f} s): the clearing time is provably too short.",
                door=door(row.chute, row.floor), too_short=count(row.too_short),
                clearings=things(row.clearings, "clearing", "clearings"),
                elevation_m=figure(row.elevation_m), fall_s=row.fall_s,
                shortest_s=row.shortest_s,
            ),
            share.rate, share.low, share.high, int(row.clearings),
            (row.evidence,),
        )  # fmt: skip


def stuck_doors(analysis: Analysis) -> Iterator[Finding]:
    """Doors that stood open too long, floor by floor, with the share of openings."""
    stuck = analysis.incidents[analysis.incidents["kind"].eq("stuck_door")]
    stuck = plain(stuck, *DOOR).merge(analysis.open_times[[*DOOR, "openings"]], on=DOOR, how="left")
    stuck = stuck.merge(analysis.facts.limits, on=CHUTE, how="left")
    for (site, chute, floor), part in largest(stuck, DOOR):
        n, openings = len(part), int(part["openings"].fillna(0).iloc[0])
        share = per_hundred(n, openings)
        said = phrase(", {share}", share=share.said) if share.rate else ""
        yield Finding(
            "technician", site, chute, floor, "stuck_door",
            phrase(
                "{door}: open longer than {open_limit_s:g} s {times} in {openings}{said}; the "
                "longest {seconds}.",
                door=door(chute, floor), open_limit_s=part["open_limit_s"].iloc[0],
                times=times(n), openings=things(openings, "opening", "openings"), said=said,
                seconds=lasting(part["seconds"].max()),
            ),
            share.rate, share.low, share.high, openings,
            lines_of(part.sort_values("seconds", ascending=False)["evidence"]),
        )  # fmt: skip


def misused_doors(analysis: Analysis) -> Iterator[Finding]:
    """Floors flagged for misuse, and each chute's lockouts as a whole."""
    for (site, chute), part in analysis.floors.groupby(CHUTE, observed=True):
        judged = part[part["episodes_per_100_visits"].notna()]
        if not judged["episodes_in_service"].sum():
            continue
        flagged = judged[judged["flagged"].astype(bool)]
        for row in rows(flagged.sort_values("episodes_per_100_visits", ascending=False)):
            yield _misused(row, analysis)
        yield _all_lockouts(str(site), str(chute), judged, len(flagged), analysis)


def failing_buttons(analysis: Analysis) -> Iterator[Finding]:
    """Doors whose presses look like a failing button or contact; never told as misuse."""
    table = analysis.buttons[analysis.buttons["reason"].notna()]
    for row in rows(table):
        yield Finding(
            "technician", row.site, row.chute, row.floor, "failing_button",
            phrase(
                "{door}: {reason}; its lockouts are not counted as misuse until button, "
                "contact and wiring are found sound.",
                door=door(row.chute, row.floor), reason=phrase(row.reason),
            ),
            n=None if pd.isna(row.presses) else int(row.presses), evidence=row.evidence,
        )  # fmt: skip


def changing_floors(analysis: Analysis) -> Iterator[Finding]:
    """Floors whose lockouts become more or fewer over the months."""
    table = analysis.floor_trends
    table = table[table["change"].isin(["rising", "falling"])]
    for row in rows(table.sort_values("q")):
        value, low, high = (
            None if pd.isna(v) else float(v) for v in (row.times_earlier, row.low, row.high)
        )
        yield Finding(
            "manager", row.site, row.chute, row.floor, "misuse_trend", row.sentence, value, low,
            high, int(row.episodes),
        )  # fmt: skip


def slower(analysis: Analysis) -> Iterator[Finding]:
    """Doors, latches and sorters that take longer than at first."""
    table = analysis.condition.drift
    table = table[table["slower"].fillna(False).astype(bool) & table["pair"].isna()]
    for row in rows(table.sort_values("shift_s", ascending=False)):
        kind, said = SLOWER[row.what]
        where = (
            door(row.chute, row.floor)
            if text_or_none(row.floor)
            else phrase("Chute {chute}", chute=row.chute)
        )
        limit = ""
        if not pd.isna(row.meets_limit):
            limit = phrase(
                "; at this rate it meets its limit of {limit_s:g} s about {day:%Y-%m-%d}",
                limit_s=row.limit_s, day=row.meets_limit,
            )  # fmt: skip
        yield Finding(
            "technician", row.site, row.chute, text_or_none(row.floor), kind,
            phrase(
                "{where}: {said}, by {shift_s} s {limits} since about {since:%Y-%m-%d} "
                "({since_low:%m-%d} to {since_high:%m-%d}); typical is {typical_s} s (median "
                "of {uses}){limit}.",
                where=where, said=phrase(said), shift_s=figure(row.shift_s),
                limits=between(row.low_s, row.high_s), since=row.since, since_low=row.since_low,
                since_high=row.since_high, typical_s=figure(row.typical_s),
                uses=things(row.n, "use", "uses"), limit=limit,
            ),
            row.shift_s, row.low_s, row.high_s, int(row.n), tuple(json.loads(row.evidence)),
        )  # fmt: skip


SLOWER = {
    "open_s": ("slow_closer", "the door stands open longer per use"),
    "unlock_s": ("slow_latch", "the latch takes longer to free the door"),
    "positioning_s": ("slow_diverter", "the diverter takes longer to travel"),
    "clear_s": ("slow_clearing", "clearing takes longer"),
}


def _misused(row: Any, analysis: Analysis) -> Finding:
    mine = _lockouts(analysis, row)
    rest = (
        phrase(
            "{times_rest} times {limits} the rate of the chute's other floors",
            times_rest=figure(row.times_rest),
            limits=between(row.rest_low, row.rest_high),
        )
        if pd.notna(row.times_rest)
        else phrase("where the chute's other floors have none")
    )
    return Finding(
        "manager", row.site, row.chute, row.floor, "misuse",
        phrase(
            "{door}: {lockout} in {visits}, {episodes_per_100_visits} per 100 {limits}, "
            "{rest}{inferred}.",
            door=door(row.chute, row.floor),
            lockout=things(row.episodes_in_service, "lockout episode", "lockout episodes"),
            visits=things(row.visits_in_service, "visit", "visits"),
            episodes_per_100_visits=figure(row.episodes_per_100_visits),
            limits=between(row.low, row.high), rest=rest, inferred=_inferred(mine),
        ),
        row.episodes_per_100_visits, row.low, row.high, int(row.visits_in_service),
        lines_of(mine["evidence"]),
    )  # fmt: skip


def _all_lockouts(
    site: str, chute: str, floors: pd.DataFrame, standing_out: int, analysis: Analysis
) -> Finding:
    counted = floors[["episodes_in_service", "visits_in_service"]].sum()
    episodes, visits = int(counted.iloc[0]), int(counted.iloc[1])
    (low,), (high,) = poisson_interval([episodes])
    found = analysis.incidents
    mine = found[found["kind"].eq("abuse_lockout") & found["chute"].eq(chute)]
    mine = mine[mine["site"].eq(site)]
    seen = shown_to_manager(mine, analysis.sites)
    alone = "" if standing_out else phrase("; no floor stands out")
    return Finding(
        "manager", site, chute, None, "lockouts",
        phrase(
            "Chute {chute}: {lockout} in {visits}, {visits2} per 100 {limits}{alone}{inferred}.",
            chute=chute, lockout=things(episodes, "lockout episode", "lockout episodes"),
            visits=things(visits, "visit", "visits"), visits2=figure(100 * episodes / visits),
            limits=between(100 * low / visits, 100 * high / visits), alone=alone,
            inferred=_inferred(mine),
        ),
        100 * episodes / visits, 100 * low / visits, 100 * high / visits, visits,
        lines_of(seen["evidence"]),
    )  # fmt: skip


def _lockouts(analysis: Analysis, row: Any) -> pd.DataFrame:
    found = _of_door(analysis.incidents, row)
    return found[found["kind"].eq("abuse_lockout")]


def _inferred(lockouts: pd.DataFrame) -> str:
    guessed = lockouts["inferred"].astype(bool)
    said = phrase(" (inferred from the presses: the log holds no lockouts)")
    return said if guessed.any() else ""


def _of_door(table: pd.DataFrame, row: Any) -> pd.DataFrame:
    """A table's rows of one door, or of one chute where the row names no floor."""
    mine = table["site"].eq(row.site) & table["chute"].eq(row.chute)
    if isinstance(row.floor, str):
        mine &= table["floor"].eq(row.floor)
    return table[mine]

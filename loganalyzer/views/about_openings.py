"""Findings about doors left open: who was kept waiting, and at which hour it happens."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.language import phrase
from loganalyzer.sentences import count, door, figure, lasting, things, times
from loganalyzer.stats import wilson
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import (
    LINES_SHOWN,
    Finding,
    largest,
    per_hundred,
    press_count,
    rows,
)

HOURS = 24


def propped_doors(analysis: Analysis) -> Iterator[Finding]:
    """Doors left open while people at other doors were turned away, floor by floor."""
    table = analysis.longest_openings
    left = table[table["propped"].fillna(False).astype(bool)]
    left = plain(left, *DOOR).merge(analysis.facts.limits, on=CHUTE, how="left")
    for (site, chute, floor), part in largest(left, DOOR, weight="refused_elsewhere"):
        refused = int(part["refused_elsewhere"].sum())
        lines = [line for text in part["evidence"] for line in json.loads(text)]
        yield Finding(
            "manager", site, chute, floor, "propped_door",
            phrase(
                "{door}: left open past {open_limit_s:g} s {times} while others were turned "
                "away, {presses} refused at other doors; the longest {seconds}.",
                door=door(chute, floor), open_limit_s=part["open_limit_s"].iloc[0],
                times=times(len(part)), presses=press_count(refused),
                seconds=lasting(part["seconds"].max()),
            ),
            refused, None, None, len(part), tuple(lines[:LINES_SHOWN]),
        )  # fmt: skip


def hours_of_long_openings(analysis: Analysis) -> Iterator[Finding]:
    """The hour at which a door is open too long far more often than at others."""
    table = analysis.open_hours
    for (site, chute, floor), part in largest(table, DOOR, weight="over_limit"):
        hours = part[part["over_limit"].fillna(0).gt(0)].astype({"over_limit": "float64"})
        if hours.empty:
            break  # the doors come in the order of how often
        peak = next(rows(hours.sort_values("over_limit", ascending=False)))
        others = part.drop(index=peak.Index)[["over_limit", "judged"]].sum()
        if _stands_out(peak, others):
            yield _peak(site, chute, floor, peak, others, analysis)


def _stands_out(peak: Any, others: pd.Series) -> bool:
    """Whether even the low end for one hour picked from 24 is above the share at the others."""
    (low,), _ = wilson([peak.over_limit], [peak.judged], 1 - 0.05 / HOURS)
    usual = others["over_limit"] / others["judged"] if others["judged"] else 1.0
    return bool(low > usual)


def _peak(
    site: str, chute: str, floor: str, peak: Any, others: pd.Series, analysis: Analysis
) -> Finding:
    share = per_hundred(peak.over_limit, peak.judged)
    usual = 100 * others["over_limit"] / others["judged"]
    table = analysis.longest_openings
    mine = table["site"].eq(site) & table["chute"].eq(chute) & table["floor"].eq(floor)
    lines = [json.loads(text)[:1] for text in table.loc[mine & table["over_limit"], "evidence"]]
    return Finding(
        "manager", site, chute, floor, "open_hours",
        phrase(
            "{door}: open too long most often between {hour:02}:00 and {hour2:02}:00, "
            "{over_limit} of {openings}, {share}; at other hours {usual}.",
            door=door(chute, floor), hour=peak.hour, hour2=(peak.hour + 1) % HOURS,
            over_limit=count(peak.over_limit),
            openings=things(peak.judged, "opening", "openings"), share=share.said,
            usual=figure(usual),
        ),
        share.rate, share.low, share.high, int(peak.judged),
        tuple(line for first in lines[:LINES_SHOWN] for line in first),
    )  # fmt: skip

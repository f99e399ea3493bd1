"""Findings about the equipment: which part is failing, where, since when, and what against it."""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import pandas as pd

from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import figure, listed, things
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import LINES_SHOWN, Finding, rows, text_or_none

SIGNS_TOLD = 2
SHIFTS = ("longer openings", "later unlocking", "longer travel", "longer clearing")


def suspects(analysis: Analysis) -> Iterator[Finding]:
    """Each suspect in one sentence, the highest score first."""
    table: pd.DataFrame = analysis.condition.suspects
    table = table.assign(local=wall_clock(table, analysis.sites, "since"))
    for row in rows(table):
        evidence = json.loads(row.evidence)
        signs = evidence["for"]
        against = evidence["against"]
        but = phrase("; against it: {says}", says=phrase(against[0]["says"])) if against else ""
        said = listed([sign_said(sign) for sign in signs[:SIGNS_TOLD]])
        yield Finding(
            "technician", row.site, row.chute, text_or_none(row.floor), "suspect",
            phrase(
                "Chute {chute}: suspect {place_of}, since about {local:%Y-%m-%d} (score "
                "{score:.1f}): {said}{but}.",
                chute=row.chute, place_of=place_of(row), local=row.local, score=row.score,
                said=said, but=but,
            ),
            row.score, n=signs[0]["n"], evidence=tuple(signs[0]["lines"][:LINES_SHOWN]),
        )  # fmt: skip


def place_of(row: Any) -> str:
    """A part and its place as people say it."""
    floor = text_or_none(row.floor)
    part = phrase(row.component)
    if not floor:
        return phrase("the {part}", part=part)
    return phrase("the {part} at floor {floor}", part=part, floor=floor)


def sign_said(sign: dict[str, Any]) -> str:
    """One sign with its size."""
    if sign["sign"] in SHIFTS:
        return phrase("{sign}, by {size} s", sign=phrase(sign["sign"]), size=figure(sign["size"]))
    many = things(sign["n"], "time", "times")
    return phrase(
        "{sign}, {many}, {size} a day since {since:%Y-%m-%d}",
        sign=phrase(sign["sign"]),
        many=many,
        size=figure(sign["size"]),
        since=date.fromisoformat(sign["since"][:10]),
    )


def sign_dated(sign: dict[str, Any]) -> str:
    """One sign with its size, how sure its beginning is, and its hour if it has one."""
    between = phrase(
        "began between {since_low:%Y-%m-%d} and {since_high:%Y-%m-%d}",
        since_low=date.fromisoformat(sign["since_low"][:10]),
        since_high=date.fromisoformat(sign["since_high"][:10]),
    )
    hour = (
        ""
        if sign["hour"] is None
        else phrase(
            ", mostly about {hour:.0f} h",
            hour=sign["hour"],
        )
    )
    return phrase("{sign}; {between}{hour}", sign=sign_said(sign), between=between, hour=hour)

"""Findings about the equipment: which part is failing, where, since when, and what against it."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd

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
        but = f"; against it: {against[0]['says']}" if against else ""
        said = listed([sign_said(sign) for sign in signs[:SIGNS_TOLD]])
        yield Finding(
            "technician", row.site, row.chute, text_or_none(row.floor), "suspect",
            f"Chute {row.chute}: suspect {place_of(row)}, since about {row.local:%Y-%m-%d} "
            f"(score {row.score:.1f}): {said}{but}.",
            row.score, n=signs[0]["n"], evidence=tuple(signs[0]["lines"][:LINES_SHOWN]),
        )  # fmt: skip


def place_of(row: Any) -> str:
    """A part and its place as people say it."""
    floor = text_or_none(row.floor)
    return f"the {row.component}" + (f" at floor {floor}" if floor else "")


def sign_said(sign: dict[str, Any]) -> str:
    """One sign with its size."""
    if sign["sign"] in SHIFTS:
        return f"{sign['sign']}, by {figure(sign['size'])} s"
    many = things(sign["n"], "time", "times")
    return f"{sign['sign']}, {many}, {figure(sign['size'])} a day since {sign['since'][:10]}"


def sign_dated(sign: dict[str, Any]) -> str:
    """One sign with its size, how sure its beginning is, and its hour if it has one."""
    between = f"began between {sign['since_low'][:10]} and {sign['since_high'][:10]}"
    hour = "" if sign["hour"] is None else f", mostly about {sign['hour']:.0f} h"
    return f"{sign_said(sign)}; {between}{hour}"

"""The suspects as text and as JSON: what, where, since when, why, what against it, advice."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.localtime import wall_clock
from loganalyzer.views.about_condition import place_of, sign_dated
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.pictures import of_chute
from loganalyzer.views.summary import records

NOTHING = "Nothing stands out: no part shows more than a sound one does."
SAYS = (
    "A log shows signs, not causes, and is no inspection. The score adds up how unlikely the signs "
    "are for a sound part (5: one chance in 100,000; 12 and more: beyond doubt), less what speaks "
    "against it."
)
UNMAPPED = "Fault codes that the profile does not explain, told as 'other'"
LINES_SHOWN, CODES_SHOWN = 3, 10


def suspects_dict(analysis: Analysis) -> dict[str, Any]:
    """The suspects as JSON knows them.

    Returns:
        `says`, `suspects` (rows of the table of that name, the highest score first, `evidence`
        as an object), `answer` ("Nothing stands out …" where there are none, else null),
        `unmapped` (fault codes that no profile explains: `site`, `chute`, `code`, `times`).
    """
    found = records(analysis.condition.suspects)
    for row in found:
        if isinstance(row["evidence"], str):
            row["evidence"] = json.loads(row["evidence"])
    unmapped = records(_unmapped(analysis))
    answer = None if found else NOTHING
    return {"says": SAYS, "suspects": found, "answer": answer, "unmapped": unmapped}


def suspects_text(analysis: Analysis) -> str:
    """The suspects chute by chute, in plain words."""
    table = analysis.condition.suspects
    table = table.assign(local=wall_clock(table, analysis.sites, "since"))
    unmapped, blocks = _unmapped(analysis), [SAYS]
    for site, chute in analysis.facts.recorded[CHUTE].itertuples(index=False):
        mine = of_chute(table, site, chute)
        blocks.append(f"{site}, chute {chute}" + ("" if len(mine) else f": {NOTHING}"))
        blocks += ["\n".join(_suspect(row)) for row in rows(mine)]
        codes = [f"{row.code} ({row.times:,})" for row in rows(of_chute(unmapped, site, chute))]
        if codes:
            more = f" and {len(codes) - CODES_SHOWN:,} more" if len(codes) > CODES_SHOWN else ""
            blocks.append(f"  {UNMAPPED}: {', '.join(codes[:CODES_SHOWN])}{more}.")
    return "\n\n".join(blocks)


def _unmapped(analysis: Analysis) -> pd.DataFrame:
    """Codes that no profile explains, the most frequent first."""
    faults = analysis.condition.faults
    unknown = faults[~faults["mapped"].astype(bool)]
    sums = unknown.groupby([*CHUTE, "code"])["count"].sum().rename("times").reset_index()
    return sums.sort_values([*CHUTE, "times"], ascending=[True, True, False], ignore_index=True)


def _suspect(row: Any) -> Iterator[str]:
    evidence = json.loads(row.evidence)
    misuse = " (rather somebody's doing than a fault)" if row.misuse else ""
    yield f"  {place_of(row)[4:]}, since {row.local:%Y-%m-%d}, score {row.score:.1f}{misuse}"
    for sign in evidence["for"]:
        lines = ", ".join(_short(line) for line in sign["lines"][:LINES_SHOWN])
        yield f"    + {sign_dated(sign)}{f' (lines {lines})' if lines else ''}"
    for one in evidence["against"]:
        yield f"    - {one['says']}"
    yield f"    {row.advice}"


def _short(line: str) -> str:
    source, _, number = line.rpartition(":")
    return f"{source[:8]}:{number}"

"""A portfolio as text and as JSON: the worst ten, doors alike, one among its like, the round."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.incidents.kinds import CAUTION
from loganalyzer.sentences import figure, things
from loganalyzer.views.finding import rows
from loganalyzer.views.portfolio import (
    QUESTIONS,
    Portfolio,
    alike,
    among_its_like,
    round_of_the_week,
    worst,
)
from loganalyzer.views.summary import records

SAYS = (
    "Ranked by the end of the 95 % interval that is nearer to harmless, so that few visits lead no "
    f"list by luck. Before anyone acts on the equipment: {CAUTION}."
)
SHOWN = 15
COMPARED = 12  # buildings that are compared with their like in the text
VISITED = 25  # buildings of a round in the text


def portfolio_dict(of: Portfolio, site: str | None) -> dict[str, Any]:
    """A portfolio as JSON knows it.

    Args:
        of: What `portfolio` returns.
        site: The building to compare with its like; null: each of them.

    Returns:
        `worst` (question → rows), `alike`, `among_its_like`, `round`: rows of these tables;
        `questions` (what each value is), `says`.
    """
    return {
        "questions": {each.name: {"says": each.says, "n": each.n} for each in QUESTIONS},
        "worst": {each.name: records(worst(of, each.name)) for each in QUESTIONS},
        "alike": records(alike(of)),
        "among_its_like": records(among_its_like(of, site)),
        "round": records(round_of_the_week(of)),
        "says": SAYS,
    }  # fmt: skip


def portfolio_text(of: Portfolio, site: str | None) -> str:
    """A portfolio in plain words."""
    blocks = [SAYS]
    for each in QUESTIONS:
        lines = [f"  {line}" for line in _worst(worst(of, each.name), each.n)]
        blocks.append("\n".join([f"Worst, {each.says}:", *(lines or ["  none"])]))
    blocks.append("\n".join(["Doors that fail alike:", *_alike(of)]))
    like = among_its_like(of, site)
    shown = [site] if site else sorted(set(of.sizes["site"]))
    for one in shown[:COMPARED]:
        mine = _like(like[like["site"].eq(one)])
        blocks.append("\n".join([f"{one} among its like:", *mine]))
    if len(shown) > COMPARED:
        blocks.append(f"{len(shown) - COMPARED:,} more among their like: --site ID, or --json.")
    blocks.append("\n".join(["Round for the week:", *_round(round_of_the_week(of))]))
    return "\n\n".join(blocks)


def _place(row: Any) -> str:
    floor = "" if pd.isna(row.floor) else f", floor {row.floor}"
    part = "" if pd.isna(row.part) else f", {row.part}"
    return f"{row.site} chute {row.chute}{floor}{part}"


def _worst(table: pd.DataFrame, n: str) -> Iterator[str]:
    for row in rows(table):
        bounds = "" if pd.isna(row.low) else f" ({figure(row.low)} to {figure(row.high)})"
        yield (
            f"{row.Index + 1:>2}. {figure(row.value)}{bounds}, {_place(row)}; "
            f"{row.n:,} {n}; lines {_short(row.evidence)}"
        )


def _short(evidence: list[str]) -> str:
    shown = [f"{line.rpartition(':')[0][:8]}:{line.rpartition(':')[2]}" for line in evidence[:3]]
    return ", ".join(shown) or "none"


def _alike(of: Portfolio) -> Iterator[str]:
    table = alike(of)
    for row in rows(table.head(SHOWN)):
        chance = (
            "all doors are of this family, so nothing to compare with"
            if pd.isna(row.p)
            else f"{row.others} of {row.of_others:,} elsewhere, p {row.p:.2g}, q {row.q_value:.2g}"
        )
        yield (
            f"  {row.component}, {row.sign}: {row.doors} of {row.of:,} doors of controllers that "
            f"write {row.profile} ({chance}), begun {row.since_first:%Y-%m-%d} to "
            f"{row.since_last:%Y-%m-%d}: {', '.join(row.where)}"
        )
    if table.empty:
        yield "  none: no two doors of one family of controllers show the same sign"


def _like(table: pd.DataFrame) -> Iterator[str]:
    if table.empty:
        yield "  nothing to compare"
        return
    if table["reason"].notna().all():
        yield f"  not compared: {table['reason'].iloc[0]}"
        return
    for row in rows(table[table["reason"].isna()]):
        says = next(each.says for each in QUESTIONS if each.name == row.question)
        part = "" if pd.isna(row.part) else f", {row.part}"
        yield (
            f"  chute {row.chute}{part}: {figure(row.value)} {says}; half of "
            f"{things(row.peers, 'chute', 'chutes')} like it above {figure(row.median)}; place "
            f"{int(row.rank)} of {row.peers + 1}, 1 the worst"
        )


def _round(table: pd.DataFrame) -> Iterator[str]:
    if table.empty:
        yield "  nothing stands out: no visit needed for what a log can show"
        return
    for place, tasks in table[table["place"].le(VISITED)].groupby("place"):
        yield f"  {place}. {tasks['site'].iloc[0]}"
        for row in rows(tasks):
            floor = "" if pd.isna(row.floor) else f", floor {row.floor}"
            yield f"     chute {row.chute}{floor}: {row.what}, {row.why}. First: {row.first}"
    if (left := int(table["place"].max()) - VISITED) > 0:
        yield f"  {things(left, 'more building', 'more buildings')}: --json."

"""The summary of many sites: their numbers together, and what stands out, kind by kind."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from loganalyzer.sentences import count, things
from loganalyzer.stats import wilson
from loganalyzer.tables import AUDIENCES
from loganalyzer.views.summary import QUIET, records

SUMMED = [
    "events", "cycles", "visits", "served", "gave_up", "locked_out", "refusals", "lockouts",
    "lockout_episodes", "incidents", "ongoing",
]  # fmt: skip
SHOWN = 12  # kinds a person, and sites that are named
ONE_SITE = "incidents, floors and coverage of one site: --site ID"


def worst_of_kinds(findings: pd.DataFrame, who: str) -> pd.DataFrame:
    """What stands out for one person at many sites, a row a kind.

    Args:
        findings: One row a finding: `who`, `site`, `kind`, `value`, `low`, `place` (0, 1, … in
            the order in which its site tells them); any other column is handed on.
        who: One of `tables.AUDIENCES`.

    Returns:
        The finding of each kind that weighs most, and `sites` (how many have one), `findings`
        (how many there are). What sites tell first comes first.
    """
    mine = findings[findings["who"].eq(who) & ~findings["kind"].isin(QUIET)]
    kinds = mine.groupby("kind")
    told = pd.DataFrame({
        "sites": kinds["site"].nunique(), "findings": kinds.size(), "first": kinds["place"].median()
    })  # fmt: skip
    weight = mine["low"].fillna(mine["value"]).fillna(0.0)
    heaviest = mine.assign(weight=weight).sort_values(
        ["weight", "site"], ascending=[False, True], kind="stable"
    )
    table = heaviest.drop_duplicates("kind").merge(told.reset_index(), on="kind")
    return table.sort_values(["first", "kind"], ignore_index=True)


def numbers(headline: pd.DataFrame) -> dict[str, Any]:
    """Sums over chutes: the counts of `headline`, and of the visits the share that was served.

    A chute that does not record a thing adds nothing to it; `visits_known` is how many do.
    """
    found: dict[str, Any] = {"chutes": len(headline)}
    for name in (one for one in SUMMED if one in headline):
        found[name] = None if headline[name].isna().all() else int(headline[name].sum())
    known = headline["visits"].notna()
    judged = sum(found[name] or 0 for name in ("served", "gave_up", "locked_out"))
    if judged:
        (low,), (high,) = wilson([found["served"]], [judged])
        found |= {"served_share": found["served"] / judged, "low": float(low), "high": float(high)}
    return found | {"visits_known": int(known.sum())}


def many_text(
    names: Mapping[str, str],
    headline: pd.DataFrame,
    told: Mapping[str, Sequence[tuple[str, int, int, str]]] | None,
    missing: Sequence[str],
) -> str:
    """The summary of many sites in plain words.

    Args:
        names: The name of each site that is told of.
        headline: As `views.headline`, or sums of a period in the same columns.
        told: For each person the site, the number of sites and of findings, and the sentence of
            what weighs most of each kind; null: a period, of which no findings are kept.
        missing: The sites that are not told of.
    """
    blocks = ["\n".join(_head(names, headline, missing))]
    for who in AUDIENCES if told is not None else ():
        assert told is not None
        lines = [
            f"  - {things(sites, 'site', 'sites')}, {things(found, 'finding', 'findings')}; at "
            f"{names.get(site, site)}: {sentence}"
            for site, sites, found, sentence in told[who][:SHOWN]
        ]
        if lines:
            blocks.append("\n".join([f"For the {who}, of each kind what weighs most", *lines]))
    ask = "Findings of a period need one site: --site ID." if told is None else (
        "All about one site: --site ID. The worst of everything: loganalyzer portfolio."
    )  # fmt: skip
    return "\n\n".join([*blocks, ask])


def many_dict(
    headline: pd.DataFrame,
    findings: Sequence[Mapping[str, Any]] | None,
    missing: Sequence[str],
) -> dict[str, Any]:
    """The same as JSON knows it; `findings` are rows, or null where a period has none kept."""
    return {
        "numbers": numbers(headline), "headline": records(headline), "findings": findings,
        "not_analysed": list(missing), "floors": None, "incidents": None, "coverage": None,
        "left_out": ONE_SITE if findings is not None else f"findings, {ONE_SITE}",
    }  # fmt: skip


def not_analysed(missing: Sequence[str], of: int) -> str:
    """That some sites were not worked out beforehand, and what to do."""
    some = ", ".join(missing[:SHOWN]) + (", …" if len(missing) > SHOWN else "")
    return (
        f"{len(missing):,} of {things(of, 'site', 'sites')} not analysed yet ({some}): run "
        "loganalyzer analyze"
    )


def _head(
    names: Mapping[str, str], headline: pd.DataFrame, missing: Sequence[str]
) -> Iterator[str]:
    found = numbers(headline)
    yield f"{things(len(names), 'site', 'sites')}, {things(len(headline), 'chute', 'chutes')}"
    if missing:
        yield f"  {not_analysed(missing, len(names) + len(missing))}"
    first, last = headline["first"].min(), headline["last"].max()
    if not pd.isna(first):
        yield f"  Log: {first:%Y-%m-%d} to {last:%Y-%m-%d}"
    said = [
        f"{count(found[name])} {name.replace('_', ' ')}" for name in SUMMED
        if found.get(name) is not None
    ]  # fmt: skip
    yield f"  {', '.join(said)}"
    if "served_share" in found:
        yield (
            f"  Served: {100 * found['served_share']:.2f} % of the visits whose end is known "
            f"({100 * found['low']:.2f} to {100 * found['high']:.2f})"
        )

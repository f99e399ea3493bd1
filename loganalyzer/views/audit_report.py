"""The safety audit as text and as JSON: how often each rule was tested, and what broke it."""

import json
from collections.abc import Iterator, Mapping
from operator import itemgetter
from typing import Any

import pandas as pd

from loganalyzer.audit import NEVER_TESTED, RULES
from loganalyzer.facts import CHUTE, plain
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock, zone_of
from loganalyzer.sentences import count
from loganalyzer.views.about_audit import other_settings
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import largest, rows

CAUTION = (
    "A log is no inspection. Nothing here is evidence that an interlock works or that a chute\n"
    "is safe to enter: it tells whether the log shows the controller breaking its own rules, no\n"
    "more. Before anyone acts on the equipment: lock out and tag out first; licensed people and\n"
    "local codes decide."
)
SAYS = {rule.name: rule.says for rule in RULES}
SHOWN = 20  # violations of one rule at one chute that are printed; the table has them all
# How an original line is found: (source, line) → (export's name, text).
Originals = Mapping[tuple[str, int], tuple[str, str]]


def audit_text(analysis: Analysis, originals: Originals) -> str:
    """The audit in plain words.

    Args:
        analysis: What `analyse` returns.
        originals: The lines of `shown_violations`.
    """
    blocks = [CAUTION]
    table = plain(analysis.audit, *CHUTE, "rule")
    shown = shown_violations(analysis)
    for (site, chute), part in sorted(largest(table, CHUTE), key=itemgetter(0)):
        zone = zone_of(analysis.sites, site)
        blocks.append(f"{site}, chute {chute} (times: {zone})\n" + "\n".join(_table(part)))
        settings = [
            one for one in other_settings(analysis) if (one.site, one.chute) == (site, chute)
        ]
        blocks += ["\n".join(f"  - {one.sentence}" for one in settings)] if settings else []
        mine = shown[shown["site"].eq(site) & shown["chute"].eq(chute)]
        blocks += ["\n".join(_violations(mine, part, originals))] if len(mine) else []
    return "\n\n".join([*blocks, CAUTION])


def audit_dict(analysis: Analysis) -> dict[str, Any]:
    """The audit as JSON knows it: `caution`, and the rows of the tables.

    Returns:
        `rules` (the table `audit` with `says` and `verdict`), `violations`, `settings`; columns
        as `audit.Audit` names them, times in RFC 3339.
    """
    table = plain(analysis.audit, *CHUTE, "rule")
    verdicts = [verdict(row) for row in rows(table)]
    table = table.assign(says=table["rule"].map(SAYS), verdict=verdicts)
    return {
        "caution": CAUTION.replace("\n", " "),
        "rules": _records(table),
        "violations": _records(analysis.violations),
        "settings": _records(analysis.mismatches),
    }


def shown_violations(analysis: Analysis) -> pd.DataFrame:
    """The violations that the text tells, with `local`, the site's wall clock."""
    found = plain(analysis.violations, *CHUTE, "rule", "floor", "source")
    first = found.groupby([*CHUTE, "rule"]).head(SHOWN)
    return first.assign(local=wall_clock(first, analysis.sites, "time"))


def verdict(row: Any) -> str:
    """What a row of the table `audit` means, in plain words."""
    if pd.isna(row.tested):
        return phrase("not testable from this log: {reason}", reason=phrase(str(row.reason)))
    if row.broken:
        word = phrase("broken")
    elif row.tested:
        word = phrase("the log does not show it broken")
    else:
        return phrase(NEVER_TESTED)
    if not isinstance(row.reason, str):
        return word
    return phrase("{word}; {reason}", word=word, reason=phrase(row.reason))


def _table(part: pd.DataFrame) -> Iterator[str]:
    wide = max(len(text) for text in SAYS.values())
    yield f"  {'rule':<{wide}}  {'tested':>8}  {'broken':>6}  verdict"
    for row in rows(part):
        tested, broken = (
            "-" if pd.isna(number) else count(number) for number in (row.tested, row.broken)
        )
        yield f"  {SAYS[row.rule]:<{wide}}  {tested:>8}  {broken:>6}  {verdict(row)}"


def _violations(mine: pd.DataFrame, audited: pd.DataFrame, originals: Originals) -> Iterator[str]:
    for row in rows(audited[audited["broken"].fillna(0).gt(0)]):
        part = mine[mine["rule"].eq(row.rule)]
        yield f"  Broken: {SAYS[row.rule]}"
        for one in rows(part):
            name, text = originals.get((one.source, one.line), (one.source[:12], ""))
            yield f"    {one.local:%Y-%m-%d %H:%M:%S}  {one.detail}"
            yield f"      {name} line {one.line}{': ' if text else ''}{text}"
        if row.broken > len(part):
            yield f"    and {count(row.broken - len(part))} more, in the table violations"


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    text = table.to_json(orient="records", date_format="iso", date_unit="us")
    found: list[dict[str, Any]] = json.loads(text)
    return found

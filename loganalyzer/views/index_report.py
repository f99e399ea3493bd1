"""Interruptions of units as text and as JSON."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.sentences import lasting
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.pictures import of_chute
from loganalyzer.views.summary import records

SAYS = (
    "A unit is interrupted when the door of its floor cannot be used for longer than the site's "
    "limit. A stuck door keeps every floor of its chute waiting and counts for all of them; an "
    "abuse lockout is the user's doing and does not count. After the definitions of IEEE 1366."
)
HEAD = f"  {'':<20}{'interruptions':>14}{'minutes':>10}{'minutes per':>13}{'available':>11}"
UNDER = f"  {'':<20}{'per unit':>14}{'per unit':>10}{'interruption':>13}{'':>11}"


def indices_dict(analysis: Analysis) -> dict[str, Any]:
    """The table `indices` as JSON knows it: `says`, `indices` (a list of rows)."""
    return {"says": SAYS, "indices": records(analysis.indices)}


def indices_text(analysis: Analysis) -> str:
    """The indices chute by chute: by cause over the whole log, then month by month."""
    blocks = [SAYS]
    for site, chute in analysis.facts.recorded[CHUTE].itertuples(index=False):
        table = of_chute(analysis.indices, site, chute)
        limits = of_chute(analysis.facts.limits, site, chute)
        blocks.append("\n".join(_chute(table, float(limits["interruption_s"].iloc[0]))))
    return "\n\n".join(blocks)


def _chute(table: pd.DataFrame, limit_s: float) -> Iterator[str]:
    whole, months = table[table["month"].eq("all")], table[table["month"].ne("all")]
    first = whole.iloc[0]
    yield (
        f"{first['site']}, chute {first['chute']}: {first['units']:g} units, "
        f"{lasting(3600 * first['period_h'])} of log, interrupted when out of use for more than "
        f"{lasting(limit_s)}"
    )
    yield HEAD
    yield UNDER
    for row in rows(whole):
        yield _line(row.cause if row.cause != "all" else "all causes", row)
    for row in rows(months[months["cause"].eq("all")]):
        yield _line(row.month, row)
    if first["unmeasured"]:
        yield f"  {first['unmeasured']} more whose length is not in the log are not counted."


def _line(name: str, row: Any) -> str:
    if pd.isna(row.interruptions_per_unit):
        return f"  {name:<20}{row.reason}"
    each = row.minutes_per_interruption
    said = "" if pd.isna(row.reason) else f"  ({row.reason})"
    return (
        f"  {name:<20}{row.interruptions_per_unit:>14.3f}{row.minutes_per_unit:>10.1f}"
        f"{'-' if pd.isna(each) else f'{each:.1f}':>13}{100 * row.availability:>9.3f} %{said}"
    )

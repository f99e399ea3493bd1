"""Pickups as text and as JSON: the present rule and others, the coming week, and the backtest."""

from typing import Any

import pandas as pd

from loganalyzer.language import phrase
from loganalyzer.localtime import zone_of
from loganalyzer.pickups.backtest import FIRST_WEEKS
from loganalyzer.pickups.simulation import FILLS, SEED, WORLDS
from loganalyzer.sentences import between, figure
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.streams import pickup_table
from loganalyzer.views.summary import records

NOT_TESTED = (
    f"no fill to hold back: it takes a rule and more than {FIRST_WEEKS} weeks of log with fulls"
)
ASSUMES = phrase(
    "A pickup is taken to empty the container and nobody else to; demand is that of the log. "
    "Simulated: {worlds} x {fills} fills, seed {seed}; brackets are 95 % intervals, +- is the "
    "error of the simulation. A rule without DTSTART starts on Monday 2001-01-01 at 07:00 local "
    "time: the hour where it names none, and the week from which INTERVAL counts.",
    worlds=WORLDS, fills=FILLS, seed=SEED,
)  # fmt: skip


def pickups_dict(analysis: Analysis, at: pd.Timestamp | None = None) -> dict[str, Any]:
    """Everything about pickups as JSON knows it.

    Args:
        analysis: What `analyse` returns.
        at: When the forecast is made; null: at the end of the log.

    Returns:
        `pickups` (every rule looked at), `forecast`, `backtest`, `demand` (uses an hour by
        container and hour of the week), `assumes`.
    """
    s = analysis.sorting
    return {
        "pickups": records(s.pickups), "forecast": records(s.forecast_at(at)),
        "backtest": records(s.backtest), "demand": records(demand_by_hour(analysis)),
        "assumes": ASSUMES,
    }  # fmt: skip


def demand_by_hour(analysis: Analysis) -> pd.DataFrame:
    """Uses an hour by hour of the local week: `site`, `chute`, `container`, `hour_of_week`."""
    tables = []
    keys = ["site", "chute", "container"]
    for key in analysis.sorting.bins[keys].drop_duplicates().itertuples(index=False, name=None):
        demand = analysis.sorting.demands.of(key)
        if demand is not None:
            hours = {"hour_of_week": range(168), "uses_an_hour": demand.rate}
            tables.append(pd.DataFrame({**dict(zip(keys, key, strict=True)), **hours}))
    blank = pd.DataFrame(columns=[*keys, "hour_of_week", "uses_an_hour"])
    return pd.concat(tables, ignore_index=True) if tables else blank


def pickups_text(analysis: Analysis, at: pd.Timestamp | None = None) -> str:
    """The same in plain words; arguments as `pickups_dict`."""
    s = analysis.sorting
    ahead = s.forecast_at(at)
    blocks: list[str] = [ASSUMES]
    for key, part in pickup_table(analysis).groupby(["site", "chute", "container"], sort=False):
        lines = [f"{key[0]}, chute {key[1]}, {key[2]}", *_rules(part)]
        mine = pd.DataFrame([key], columns=["site", "chute", "container"])
        lines += _coming(ahead.merge(mine), zone_of(analysis.sites, str(key[0])))
        lines += _tested(s.backtest.merge(mine)) or [f"  Backtest: {NOT_TESTED}"]
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def _rules(part: pd.DataFrame) -> list[str]:
    """The present rule, then the best at each number of pickups."""
    if part["reason"].notna().any():
        return [f"  nothing can be told: {part['reason'].iloc[0]}"]
    lines = []
    for row in rows(part):
        what = " and ".join(
            text for text, on in
            (("present", row.present), (f"best at {row.pickups_a_week:g} a week", row.best)) if on
        )  # fmt: skip
        lines.append(
            f"  {row.rule} ({what}): full before the next pickup {_percent(row.chance_full)} "
            f"{_between(row.chance_low, row.chance_high)} +-{100 * row.error:.1f}; a week "
            f"{figure(row.hours_full_a_week)} h full "
            f"{between(row.hours_low, row.hours_high)}, {figure(row.refused_a_week)} uses refused "
            f"{between(row.refused_low, row.refused_high)}; {_percent(row.under_half)} of pickups "
            "at under half full"
        )
    return lines


def _coming(ahead: pd.DataFrame, zone: str) -> list[str]:
    if ahead.empty:
        return []
    first = ahead.iloc[0]
    head = f"  Forecast of {first['at'].tz_convert(zone):%Y-%m-%d %H:%M}"
    if pd.isna(first["chance_full"]):
        return [f"{head}: {first['reason']}"]
    pickup = "no pickup known" if pd.isna(first["next_pickup"]) else (
        f"next pickup {first['next_pickup'].tz_convert(zone):%a %Y-%m-%d %H:%M}"
    )  # fmt: skip
    days = [
        f"{row.day:%a %d} {_percent(row.chance_full)}{'*' if row.after_pickup else ''}"
        for row in rows(ahead)
    ]
    star = " (* if that pickup does not come)" if ahead["after_pickup"].any() else ""
    so_far = first["uses_so_far"]
    uses = "emptied since by its rule" if pd.isna(so_far) else f"{so_far} uses in it"
    return [f"{head}, {uses}, {pickup}: full by the end of {', '.join(days)}{star}"]


def _tested(table: pd.DataFrame) -> list[str]:
    lines = []
    for row in rows(table):
        came = f"{_percent(row.came)} {_between(row.low, row.high)} came"
        if pd.notna(row.brier):
            lines.append(
                f"  Backtest on {row.fills} held-back fills: foretold {_percent(row.foretold)}, "
                f"{came}; squared miss {row.brier:.3f}, always saying the same "
                f"{row.brier_always_same:.3f}"
            )
        else:
            lines.append(
                f"    foretold {_percent(row.foretold_from)} to {_percent(row.foretold_to)}: "
                f"{row.fills} fills, {_percent(row.foretold)} on average, {came}"
            )
    return lines


def _percent(share: float) -> str:
    return f"{figure(100 * share)} %"


def _between(low: float, high: float) -> str:
    return between(100 * low, 100 * high)

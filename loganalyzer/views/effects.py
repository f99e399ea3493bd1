"""What worked: the work and the campaigns of the site files, as a table, as text and as JSON."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.incidents.kinds import CAUTION
from loganalyzer.localtime import local_parts
from loganalyzer.measures.effects import effects, entries
from loganalyzer.sentences import between, figure
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.shown import shown_to_manager
from loganalyzer.views.summary import records

ORDER = ("worked", "better, as luck alone would", "no change", "worse", "too early")
HELD = "long openings"  # the sign of that name in `troubles`
NOTHING = "The site file has no [[work]] and no [[campaign]]: write down what was done, and when."
SAYS = (
    "A ratio of 1 is no change. People act when things are at their worst, and the worst mostly "
    "gets better by itself: what luck alone would bring is told beside it. An effect in a log is "
    f"no proof that a part is sound: {CAUTION}."
)


def effects_of(analysis: Analysis) -> pd.DataFrame:
    """The table `effects` of an analysis."""
    return effects(_happened(analysis), _tried(analysis), analysis.sites)


def effects_shown(analysis: Analysis) -> pd.DataFrame:
    """The table without entries for floors that are hidden from managers, what worked first."""
    table = effects_of(analysis)
    whole = table["floors"].fillna("")
    named = table.assign(floor=whole.where(whole.ne("") & ~whole.str.contains(",")))
    kept = shown_to_manager(named, analysis.sites).drop(columns="floor")
    order = {verdict: place for place, verdict in enumerate(ORDER)}
    place = kept["verdict"].astype("str").map(order).fillna(len(order))
    return kept.assign(place=place).sort_values(
        ["place", "date"], kind="stable", ignore_index=True
    ).drop(columns="place")  # fmt: skip


def effects_dict(analysis: Analysis) -> dict[str, Any]:
    """What worked as JSON knows it: `effects` and `campaigns` (sorting), rows of these tables."""
    return {
        "effects": records(effects_shown(analysis)),
        "campaigns": records(analysis.sorting.campaigns),
        "says": SAYS,
    }  # fmt: skip


def effects_text(analysis: Analysis) -> str:
    """What worked in plain words, site by site; what worked first."""
    if not any(entries(site) for site in analysis.sites.values()):
        return NOTHING
    table, blocks = effects_shown(analysis), [SAYS]
    for site in analysis.sites:
        mine = table[table["site"].eq(site)]
        lines = [f"  {line}" for row in rows(mine) for line in _told(row)]
        lines += [f"  {line}" for line in _sorting(analysis, site)]
        blocks.append("\n".join([site, *(lines or ["  nothing was done that the log can judge"])]))
    return "\n\n".join(blocks)


def _happened(analysis: Analysis) -> pd.DataFrame:
    """Every event that something done should make rarer."""
    trouble = analysis.condition.troubles
    held = trouble[trouble["sign"].eq(HELD)]
    locked = analysis.lockouts[analysis.lockouts["in_episode"].eq(1)]
    parts = [
        trouble.assign(outcome="trouble"),
        held.assign(outcome="openings held too long"),
        locked.assign(outcome="lockout episodes", component=None, time=locked["start"]),
    ]
    columns = [*DOOR, "outcome", "component", "time", "source", "line"]
    every = pd.concat([plain(part, *DOOR)[columns] for part in parts], ignore_index=True)
    every["time"] = pd.to_datetime(every["time"], utc=True)  # a site without any has no times
    days = local_parts(every, analysis.sites, "time")["day"]
    return every.assign(day=days).drop(columns="time")


def _tried(analysis: Analysis) -> pd.DataFrame:
    """Uses and visits of every door on every local day with log."""
    days = analysis.hours[[*CHUTE, "day"]].drop_duplicates()
    doors = plain(analysis.facts.doors[DOOR], *DOOR)
    table = plain(days, *CHUTE).merge(doors, on=CHUTE)
    opened = analysis.cycles[analysis.cycles["opened"].notna()]
    for name, rows_, time in (("uses", opened, "opened"), ("visits", analysis.visits, "start")):
        day = local_parts(rows_, analysis.sites, time)["day"]
        counted = plain(rows_, *DOOR).assign(day=day).groupby([*DOOR, "day"]).size().rename(name)
        table = table.merge(counted.reset_index(), on=[*DOOR, "day"], how="left")
    return table.fillna({"uses": 0, "visits": 0})


def _told(row: Any) -> Iterator[str]:
    where = f"floor {row.floors}" if row.floors else "all floors"
    part = "" if pd.isna(row.component) else f", {row.component}"
    note = f" ({row.note})" if row.note else ""
    what = f"{row.by} of {row.date:%Y-%m-%d}, chute {row.chute}, {where}{part}{note}"
    over = "visits" if row.outcome == "lockout episodes" else "uses"
    counts = (
        f"{row.outcome} {row.before:,} in {row.uses_before:,} {over} before, {row.after:,} in "
        f"{row.uses_after:,} after"
    )
    if pd.isna(row.ratio):
        yield f"{what}: {counts}; not judged, {row.reason}."
        return
    others = "with nothing to compare with" if pd.isna(row.others) else f"against {row.others}"
    against = f"{others} {figure(row.ratio)} times {_between(row.low, row.high)}"
    luck = "" if pd.isna(row.by_luck) else f"; luck alone would bring {figure(row.by_luck)}"
    again = "" if pd.isna(row.look_again) else f", look again on {row.look_again:%Y-%m-%d}"
    reason = "" if pd.isna(row.reason) else f" ({row.reason})"
    yield f"{str(row.verdict).upper()}{again}: {what}"
    yield (
        f"  {counts}: {figure(row.plain_ratio)} times {_between(row.plain_low, row.plain_high)} "
        f"as often; {against}{luck}{reason}."
    )


def _between(low: float, high: float) -> str:
    """An interval of a ratio; beyond a thousand times the figure says nothing more."""
    return f"({figure(low)} to more than 1,000)" if high > 1000 else str(between(low, high))


def _sorting(analysis: Analysis, site: str) -> Iterator[str]:
    table = analysis.sorting.campaigns
    shares = table[table["site"].eq(site) & table["measure"].eq("share")]
    for row in rows(shares.dropna(subset=["ratio"])):
        yield (
            f"campaign of {row.date:%Y-%m-%d}, chute {row.chute}, share of {row.stream}: "
            f"{figure(100 * row.before)} % before, {figure(100 * row.after)} % after; odds "
            f"{figure(row.ratio)} times {between(row.low, row.high)} those of the other floors."
        )

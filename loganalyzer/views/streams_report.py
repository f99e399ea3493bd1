"""Streams and containers as text and as JSON."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.measures.mass import PUBLISHED
from loganalyzer.sentences import between, count, figure, lasting, things
from loganalyzer.views.about_streams import (
    campaign_effects,
    diversion,
    fills_up,
    lost_sorting,
    sensors,
    standing_out,
)
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.streams import container_totals, fill_history, lost_counts
from loganalyzer.views.summary import records

NOTE = (
    "A use is a cycle whose door opened. Floors stand for households: a log sees doors.\n"
    "Figures in brackets are 95 % intervals. Diversion by mass and by volume are different numbers."
)
SHOWN = 12


def streams_dict(analysis: Analysis) -> dict[str, Any]:
    """Everything `loganalyzer streams` knows, as JSON knows it."""
    s = analysis.sorting
    return {
        "streams": records(s.streams), "participation": records(s.participation),
        "set_out": records(s.set_out), "campaigns": records(s.campaigns),
        "lost_sorting": records(s.lost_sorting), "lost_counts": records(lost_counts(analysis)),
        "masses": records(s.masses), "weigh_tickets": records(s.weigh_tickets),
        "monthly": records(s.monthly),
        "notes": [NOTE.replace("\n", " "), f"Published densities: {PUBLISHED}, loose material."],
    }  # fmt: skip


def containers_dict(analysis: Analysis) -> dict[str, Any]:
    """Everything `loganalyzer containers` knows, as JSON knows it."""
    s = analysis.sorting
    return {
        "containers": records(s.containers), "fill_model": records(s.fill_model),
        "totals": records(container_totals(analysis)), "masses": records(s.masses),
        "weigh_tickets": records(s.weigh_tickets),
    }  # fmt: skip


def streams_text(analysis: Analysis, mistakes: tuple[str, ...] = ()) -> str:
    """How people sort, chute by chute.

    Args:
        analysis: What `analyse` returns.
        mistakes: Rows of weigh tickets that could not be used.
    """
    blocks = [NOTE, *(_chute(analysis, *key) for key in _chutes(analysis))]
    finders = (diversion, campaign_effects, lost_sorting, standing_out)
    said = [f"  - {one.sentence}" for finder in finders for one in finder(analysis)]
    blocks += ["\n".join(["What stands out", *said])] if said else []
    blocks += ["\n".join(["Month by month", *_months(analysis)])]
    blocks += ["\n".join(["Weigh tickets", *_tickets(analysis, mistakes)])] * bool(
        analysis.sorting.tickets
    )
    return "\n\n".join(blocks)


def containers_text(analysis: Analysis) -> str:
    """How containers fill, and the latest fills."""
    said = [f"  - {one.sentence}" for finder in (fills_up, sensors) for one in finder(analysis)]
    totals = [f"  {_total(row)}" for row in rows(container_totals(analysis))]
    latest = [f"  {_fill(row)}" for row in rows(fill_history(analysis).head(SHOWN))]
    blocks = [
        "\n".join(["Containers", *totals]), "\n".join(["What stands out", *said]) if said else "",
        "\n".join(["Latest fills (site's time)", *latest]),
    ]  # fmt: skip
    return "\n\n".join(block for block in blocks if block)


def _chutes(analysis: Analysis) -> Iterator[tuple[str, str]]:
    for site, chute in analysis.facts.recorded[CHUTE].itertuples(index=False):
        yield str(site), str(chute)


def _chute(analysis: Analysis, site: str, chute: str) -> str:
    s = analysis.sorting
    mine = [table[table["site"].eq(site) & table["chute"].eq(chute)] for table in
            (s.streams, s.participation, s.set_out)]  # fmt: skip
    streams, floors, rates = mine
    whole = streams[streams["period"].eq("all") & streams["floor"].isna()]
    lines = [f"{site}, chute {chute}"]
    for row in rows(whole):
        if pd.isna(row.share):
            lines.append(f"  {row.stream}: {row.reason}")
            continue
        unit = "" if pd.isna(row.uses_per_unit_week) else (
            f", {figure(row.uses_per_unit_week)} a unit and week "
            f"{between(row.rate_low, row.rate_high)}"
        )  # fmt: skip
        lines.append(
            f"  {row.stream}: {things(int(row.uses), 'use', 'uses')}, {figure(100 * row.share)} % "
            f"{between(100 * row.low, 100 * row.high)}{unit}{_taken(rates, row.stream)}"
        )
    return "\n".join([*lines, *_floors(floors)])


def _taken(rates: pd.DataFrame, stream: str) -> str:
    """Set-out and participation of a stream, with the window."""
    (row,) = rows(rates[rates["stream"].eq(stream)])
    if pd.isna(row.participation):
        return ""
    return (
        f"; floors using it in a week {figure(100 * row.set_out)} %, at least once in "
        f"{row.window_weeks} weeks {figure(100 * row.participation)} % "
        f"{between(100 * row.low, 100 * row.high)}"
    )


def _floors(table: pd.DataFrame) -> list[str]:
    """A line a floor: the shrunken share of each stream, and weeks in which it was used."""
    lines = []
    for floor, part in table.groupby("floor", sort=False):
        told = [
            f"{row.stream} {figure(100 * row.shrunken)} % "
            f"{between(100 * row.shrunken_low, 100 * row.shrunken_high)}"
            f" in {row.weeks_active} of {row.weeks_covered} weeks"
            for row in rows(part) if pd.notna(row.shrunken) and pd.notna(row.weeks_covered)
        ]  # fmt: skip
        if told:
            lines.append(f"    floor {floor}: {'; '.join(told)}")
    return ["  By floor, shrunk towards the chute:", *lines] if lines else []


def _months(analysis: Analysis) -> list[str]:
    lines = []
    table = analysis.sorting.monthly
    for (building, month), part in table.groupby(["building", "month"], sort=False):
        first = part.iloc[0]
        uses = ", ".join(f"{row.stream} {_number(row.uses)}" for row in rows(part))
        by = [
            f"{figure(100 * first[name])} % "
            f"{between(100 * first[f'{name}_low'], 100 * first[f'{name}_high'])} by {unit}"
            for name, unit in (("diversion", "mass"), ("diversion_by_volume", "volume"))
            if pd.notna(first[name])
        ]
        kept = f"kept from disposal {' and '.join(by)}" if by else f"diversion: {first['reason']}"
        lines.append(f"  {building} {month}: {uses}; {kept}")
    return lines or ["  no month in the log"]


def _number(value: Any) -> str:
    return "?" if pd.isna(value) else count(value)


def _tickets(analysis: Analysis, mistakes: tuple[str, ...]) -> list[str]:
    lines = []
    for row in rows(analysis.sorting.weigh_tickets):
        fit = (
            f"not in the fit: {row.reason}" if isinstance(row.reason, str) else
            f"{row.uses} uses, expected {row.expected_kg:.1f} kg, {row.residual_kg:+.1f} kg"
        )  # fmt: skip
        lines.append(f"  {row.date:%Y-%m-%d} {row.stream} {row.kg:g} kg: {fit}")
    return [*lines, *(f"  {line}" for line in mistakes)]


def _total(row: Any) -> str:
    head = (
        f"{row.site}, chute {row.chute}, {row.container}: {things(int(row.fills), 'fill', 'fills')}"
    )
    told = [
        f"full {things(int(row.full), 'time', 'times')}, {lasting(row.hours_full * 3600)} in all",
        f"{things(int(row.refused), 'press', 'presses')} refused",
    ]
    if row.false_full or row.stuck:
        told.append(f"{row.false_full} false, {row.stuck} stuck")
    if pd.notna(row.under_half):
        told.append(f"{row.under_half} emptied at under half full")
    model = row.reason if pd.isna(row.median) else (
        f"{count(row.mean)} uses to full {between(row.mean_low, row.mean_high)}"
    )  # fmt: skip
    return "; ".join([head, *told, model])


def _fill(row: Any) -> str:
    start = "?" if pd.isna(row.emptied_local) else f"{row.emptied_local:%Y-%m-%d %H:%M}"
    full = "" if pd.isna(row.full_from_local) else f", full {row.full_from_local:%Y-%m-%d %H:%M}"
    length = f" for {lasting(row.seconds)}" if full and pd.notna(row.seconds) else ""
    if row.state in ("false full", "stuck on"):
        return f"chute {row.chute} {row.container}: {row.state}{full}{length}"
    ends = f"{row.ends_local:%Y-%m-%d %H:%M}" if pd.notna(row.ends_local) else "?"
    return (
        f"chute {row.chute} {row.container}: {start} to {ends} ({row.emptied_by}), "
        f"{things(int(row.drops), 'use', 'uses')}{full}{length}"
    )

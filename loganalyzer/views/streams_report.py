"""Streams and containers as text and as JSON."""

import json
from collections.abc import Iterator
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.measures.mass import PUBLISHED, ticket_rates
from loganalyzer.measures.participation import WINDOW_WEEKS
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
from loganalyzer.views.finding import LINES_SHOWN, rows
from loganalyzer.views.shown import hidden_doors, shown_to_manager, without_small_doors
from loganalyzer.views.streams import (
    container_totals,
    fill_history,
    lost_counts,
    not_judged,
)
from loganalyzer.views.summary import records

NOTE = (
    "A use is a cycle whose door opened. Set-out: floors that used a stream in a week;\n"
    f"participation: at least once in the last {WINDOW_WEEKS} covered weeks. Floors stand for\n"
    "households: a log sees doors.\n"
    "Figures in brackets are 95 % intervals. Diversion by mass and by volume are different numbers."
)
SHOWN = 12
LOST_WORDS = {
    "full_then_refuse": "container full, then refuse",
    "gave_up": "gave up",
    "quick_switch": "quick switch to refuse (a mixed bag?)",
    "never_used": "stream never used at a floor",
}


def streams_dict(analysis: Analysis) -> dict[str, Any]:
    """Everything `loganalyzer streams` knows, as JSON knows it, less the hidden floors."""
    s = analysis.sorting
    streams, floors, lost, counts = (
        records(shown_to_manager(table, analysis.sites))
        for table in (s.streams, s.participation, s.lost_sorting, lost_counts(analysis))
    )
    return {
        "streams": streams, "participation": floors,
        "set_out": records(s.set_out), "campaigns": records(s.campaigns),
        "lost_sorting": lost, "lost_counts": counts,
        "masses": records(s.masses), "weigh_tickets": records(s.weigh_tickets),
        "ticket_fit": records(ticket_rates(s.weigh_tickets)), "monthly": records(s.monthly),
        "notes": [NOTE.replace("\n", " "), f"Published densities: {PUBLISHED}, loose material."],
    }  # fmt: skip


def containers_dict(analysis: Analysis) -> dict[str, Any]:
    """Everything `loganalyzer containers` knows, as JSON knows it, less the hidden floors."""
    s = analysis.sorting
    return {
        "containers": records(without_small_doors(s.containers, analysis.sites)),
        "fill_model": records(s.fill_model),
        "totals": records(container_totals(analysis)), "masses": records(s.masses),
        "weigh_tickets": records(s.weigh_tickets),
        "ticket_fit": records(ticket_rates(s.weigh_tickets)),
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
    blocks += ["\n".join(["Lost sorting, with lines", *_lost(analysis)])]
    blocks += [_weights(analysis), "\n".join(["Month by month", *_months(analysis)])]
    blocks += _tickets(analysis, mistakes)
    return "\n\n".join(blocks)


def containers_text(analysis: Analysis, mistakes: tuple[str, ...] = ()) -> str:
    """How containers fill, and the latest fills; arguments as `streams_text`."""
    said = [f"  - {one.sentence}" for finder in (fills_up, sensors) for one in finder(analysis)]
    totals = [f"  {_total(row)}" for row in rows(container_totals(analysis))]
    latest = [f"  {_fill(row)}" for row in rows(fill_history(analysis).head(SHOWN))]
    blocks = [
        "\n".join(["Containers", *totals]), "\n".join(["What stands out", *said]) if said else "",
        "\n".join(["Latest fills (site's time)", *latest]), _weights(analysis),
        *_tickets(analysis, mistakes),
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
            f"{_trend(floors, row.stream)}"
        )
    shown = shown_to_manager(floors[floors["floor"].notna()], analysis.sites)
    return "\n".join([*lines, *_floors(shown)])


def _trend(table: pd.DataFrame, stream: str) -> str:
    """How the chute's share of a stream changes, with the test."""
    mine = table[table["floor"].isna() & table["stream"].eq(stream) & table["trend"].notna()]
    if mine.empty:
        return ""
    (row,) = rows(mine)
    return (
        f"; trend {row.trend:+.1f} points a year {between(row.trend_low, row.trend_high)}, "
        f"p {row.p:.2g} (Kendall)"
    )


def _taken(rates: pd.DataFrame, stream: str) -> str:
    """Set-out and participation of a stream, with the window."""
    (row,) = rows(rates[rates["stream"].eq(stream)])
    if pd.isna(row.participation):
        return ""
    return (
        f"; floors using it in a week (set-out) {figure(100 * row.set_out)} % "
        f"{between(100 * row.set_out_low, 100 * row.set_out_high)}, at least once in "
        f"{row.window_weeks} weeks (participation) {figure(100 * row.participation)} % "
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


def _lost(analysis: Analysis) -> list[str]:
    """Counts of each kind on each chute, and the lines behind the first of them."""
    lines = []
    small = hidden_doors(analysis)
    for (site, chute, kind), part in analysis.sorting.lost_sorting.groupby(
        [*CHUTE, "kind"], sort=False
    ):
        shown = [row for row in rows(part) if (row.site, row.chute, row.floor) not in small]
        first = [f"floor {row.floor} {row.stream} {_short(json.loads(row.evidence)[0])}"
                 for row in shown[:LINES_SHOWN]]  # fmt: skip
        lines.append(f"  {site}, chute {chute}, {LOST_WORDS[str(kind)]}: {len(part)}"
                     f"{': ' if first else ''}{', '.join(first)}"
                     f"{', …' if len(part) > len(first) else ''}")  # fmt: skip
    more = "  every one with all its lines: loganalyzer export lost_sorting --store DIR --out FILE"
    lines += [more] if lines else []
    lines += [f"  {sentence}" for sentence in not_judged(analysis)]
    return lines or ["  none found"]


def _short(line: str) -> str:
    """`source:line` with the first twelve digits of the source, as many as tell exports apart."""
    source, _, number = line.rpartition(":")
    return f"{source[:12]}:{number}"


def _weights(analysis: Analysis) -> str:
    """Litres and kilograms a use of each stream, and what they rest on."""
    lines = ["What a use weighs"]
    for row in rows(analysis.sorting.masses):
        head = f"  {row.site}, chute {row.chute}, {row.stream}: "
        if pd.isna(row.kg_a_use):
            lines.append(f"{head}not known: {row.reason}")
            continue
        density = "" if pd.isna(row.litres_a_use) or row.method == "weigh tickets" else (
            f" ({figure(row.litres_a_use)} litres at {figure(row.density_kg_m3)} kg/m3)"
        )  # fmt: skip
        source = f" - {row.source}" if isinstance(row.source, str) else ""
        lines.append(f"{head}{figure(row.kg_a_use)} kg{density}, by {row.method}{source}")
    return "\n".join(lines)


def _tickets(analysis: Analysis, mistakes: tuple[str, ...]) -> list[str]:
    """The fit to weigh tickets, and each ticket in it: one block, or none without tickets."""
    if not analysis.sorting.tickets:
        return []
    fit = analysis.sorting.weigh_tickets
    lines = [
        f"  {row.stream}: {figure(row.kg_a_ticket_use)} kg a use "
        f"{between(row.kg_ticket_low, row.kg_ticket_high)} by {row.tickets:.0f} tickets"
        for row in rows(ticket_rates(fit))
    ]
    for row in rows(fit):
        weight = "?" if pd.isna(row.kg) else f"{row.kg:g}"
        told = (
            f"not in the fit: {row.reason}" if isinstance(row.reason, str) else
            f"{row.uses} uses, expected {row.expected_kg:.1f} kg, {row.residual_kg:+.1f} kg"
        )  # fmt: skip
        lines.append(f"  {row.date:%Y-%m-%d} {row.stream} {weight} kg: {told}")
    return ["\n".join(["Weigh tickets", *lines, *(f"  {line}" for line in mistakes)])]


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
        f"{count(row.mean)} uses to full {between(row.mean_low, row.mean_high)} on average "
        f"(Weibull, {row.method}){_seen(row)}"
    )  # fmt: skip
    return "; ".join([head, *told, model])


def _seen(row: Any) -> str:
    """The median of the Kaplan-Meier curve, where it comes down to one half."""
    if pd.isna(row.median_seen):
        return ""
    low, high = (f"{end:.0f}" if pd.notna(end) else "?" for end in
                 (row.median_seen_low, row.median_seen_high))  # fmt: skip
    return f", median {row.median_seen:.0f} ({low} to {high}) as seen (Kaplan-Meier)"


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

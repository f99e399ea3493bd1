"""Findings for the coordinator: participation, campaigns, lost sorting, containers, diversion."""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.language import phrase
from loganalyzer.sentences import between, count, door, figure, lasting, listed, things, times
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import LINES_SHOWN, Finding, rows, text_or_none
from loganalyzer.views.shown import hidden_doors
from loganalyzer.views.streams import LOST_KINDS

FEW = 0.05  # a chance of full that a rule with fewer pickups may have
LOST = {
    "full_then_refuse": (
        "use turned to refuse within two minutes because the container was full",
        "uses turned to refuse within two minutes because the container was full",
    ),
    "gave_up": ("visit for a sorted stream gave up", "visits for sorted streams gave up"),
    "quick_switch": (
        "switch to refuse before the door opened (a mixed bag?)",
        "quick switches to refuse before the door opened (mixed bags?)",
    ),
}


def diversion(analysis: Analysis) -> Iterator[Finding]:
    """Diversion of the last whole month, by mass and by volume apart."""
    table = analysis.sorting.monthly
    table = table[table["diversion"].notna() | table["diversion_by_volume"].notna()]
    for site, part in table.groupby("site", sort=False):
        whole = part[part["covered_days"].ge(27)]
        last = (whole if len(whole) else part).sort_values("month").iloc[-1]
        by = "diversion" if pd.notna(last["diversion"]) else "diversion_by_volume"
        unit = "mass" if by == "diversion" else "volume"
        value, low, high = (100 * last[f"{by}{end}"] for end in ("", "_low", "_high"))
        yield Finding(
            "coordinator", str(site), None, None, "diversion",
            phrase(
                "In {month:%Y-%m} {value} % {limits} by {unit} was kept from disposal.",
                month=date.fromisoformat(f"{last['month']}-01"), value=figure(value),
                limits=between(low, high), unit=phrase(unit),
            ),
            value, low, high, int(part.loc[part["month"].eq(last["month"]), "uses"].sum()),
        )  # fmt: skip


def standing_out(analysis: Analysis) -> Iterator[Finding]:
    """Floors whose shrunken share of a sorted stream is surely above or below the chute's.

    Floors with so few units that this would tell of one home are left out.
    """
    table = analysis.sorting.participation
    kinds = analysis.sorting.bins
    table = table.merge(kinds[[*CHUTE, "stream", "kind"]], on=[*CHUTE, "stream"])
    table = table[table["kind"].isin(["recycling", "organics"]) & table["shrunken"].notna()]
    # Wide enough for the number of floors compared to leave luck out.
    low, high = table["shrunken_low"], table["shrunken_high"]
    out = table[(low > 1.15 * table["against"]) | (high < 0.85 * table["against"])]
    small = hidden_doors(analysis)
    for row in rows(out):
        if (row.site, row.chute, row.floor) in small:
            continue
        word = "more" if row.shrunken > row.against else "less"
        yield Finding(
            "coordinator", row.site, row.chute, row.floor, "participation",
            phrase(
                "{door}: {shrunken} % of uses {limits} are {stream}, {word} than the chute's "
                "{against} %.",
                door=door(row.chute, row.floor), shrunken=figure(100 * row.shrunken),
                limits=between(100 * row.shrunken_low, 100 * row.shrunken_high),
                stream=row.stream, word=phrase(word), against=figure(100 * row.against),
            ),
            100 * row.shrunken, 100 * row.shrunken_low, 100 * row.shrunken_high, int(row.trials),
        )  # fmt: skip


def campaign_effects(analysis: Analysis) -> Iterator[Finding]:
    """What each campaign did to the share of each stream, against the floors without it."""
    table = analysis.sorting.campaigns
    for row in rows(table[table["measure"].eq("share")]):
        what = phrase(" ({note})", note=row.note) if row.note else ""
        head = phrase(
            "Campaign of {date:%Y-%m-%d}{what}, chute {chute}, {stream}: ",
            date=row.date,
            what=what,
            chute=row.chute,
            stream=row.stream,
        )
        if pd.isna(row.ratio):
            yield Finding("coordinator", row.site, row.chute, None, "campaign",
                          phrase(
                              "{head}no effect can be told: {reason}.",
                              head=head, reason=phrase(row.reason),
                          ))  # fmt: skip
            continue
        sure = row.low > 1 or row.high < 1
        yield Finding(
            "coordinator", row.site, row.chute, None, "campaign",
            phrase(
                "{head}the odds of its use are {ratio} times {limits} what the other floors' "
                "change would have made them, from {before} to {after} %{sure}.",
                head=head, ratio=figure(row.ratio), limits=between(row.low, row.high),
                before=figure(100 * row.before), after=figure(100 * row.after),
                sure="" if sure else phrase("; no effect is shown"),
            ),
            row.ratio, row.low, row.high, int(row.weeks_before + row.weeks_after),
        )  # fmt: skip


def lost_sorting(analysis: Analysis) -> Iterator[Finding]:
    """How many uses were lost to sorting, chute by chute, and streams that a floor never uses."""
    lost = analysis.sorting.lost_sorting
    for (site, chute), part in lost.groupby(CHUTE, sort=False):
        numbers = part["kind"].value_counts()
        said = [things(int(numbers[k]), *LOST[k]) for k in LOST_KINDS if k in LOST and k in numbers]
        if said:
            lines = [json.loads(text) for text in part["evidence"].head(LINES_SHOWN)]
            yield Finding(
                "coordinator", str(site), str(chute), None, "lost_sorting",
                phrase("Chute {chute}: {said}.", chute=chute, said=listed(said)),
                n=int(numbers.drop("never_used", errors="ignore").sum()),
                evidence=tuple(one[0] for one in lines if one),
            )  # fmt: skip
    small = hidden_doors(analysis)
    for row in rows(lost[lost["kind"].eq("never_used")]):
        if (row.site, row.chute, row.floor) in small:
            continue
        yield Finding(
            "coordinator", row.site, row.chute, text_or_none(row.floor), "never_used",
            phrase("{door}: {stream} {detail}.", door=door(row.chute, row.floor),
                   stream=row.stream, detail=phrase(row.detail)),
        )  # fmt: skip


def sensors(analysis: Analysis) -> Iterator[Finding]:
    """False full signals and sensors that were stuck on."""
    fills = analysis.sorting.containers
    odd = fills[fills["state"].isin(["false full", "stuck on"])]
    for (site, chute, stream, state), part in odd.groupby(
        [*CHUTE, "stream", "state"], observed=True, sort=False
    ):
        seconds = part["seconds"].sum()
        what = (
            "told full and clear again within minutes, without a pickup"
            if state == "false full" else "told full for days: stuck on, or never emptied"
        )  # fmt: skip
        refused = int(part["refused"].fillna(0).sum())
        yield Finding(
            "technician", str(site), str(chute), None, str(state).replace(" ", "_"),
            phrase(
                "Chute {chute}: the {stream} container was {what} {times}, {seconds} in all; "
                "{presses} refused for it.",
                chute=chute, stream=stream, what=phrase(what), times=times(len(part)),
                seconds=lasting(seconds), presses=things(refused, "press", "presses"),
            ),
            float(seconds), None, None, len(part),
            tuple(text for text in part["evidence"].head(LINES_SHOWN) if text),
        )  # fmt: skip


def fills_up(analysis: Analysis) -> Iterator[Finding]:
    """How many uses fill each container."""
    for row in rows(analysis.sorting.fill_model):
        if pd.isna(row.median):
            continue
        litres = "" if pd.isna(row.litres_a_use) else (
            phrase(
                ", {litres_a_use} litres a use {limits}",
                litres_a_use=figure(row.litres_a_use),
                limits=between(row.litres_low, row.litres_high),
            )
        )  # fmt: skip
        yield Finding(
            "coordinator", row.site, row.chute, None, "uses_to_full",
            phrase(
                "Chute {chute}: {mean} uses {limits} on average fill the {container} "
                "container{litres} ({method}, {fills}).",
                chute=row.chute, mean=count(row.mean),
                limits=between(row.mean_low, row.mean_high), container=row.container,
                litres=litres, method=phrase(row.method),
                fills=things(int(row.fills), "fill", "fills"),
            ),
            row.mean, row.mean_low, row.mean_high, int(row.fills),
        )  # fmt: skip


def pickup_rules(analysis: Analysis) -> Iterator[Finding]:
    """Containers that another rule with no more pickups would serve better, or fewer would do."""
    table = analysis.sorting.pickups
    table = table[table["chance_full"].notna()]
    for key, part in table.groupby([*CHUTE, "container"], sort=False):
        now = part[part["present"].eq(True)]
        if now.empty:
            continue
        (present,), best = rows(now), part[part["best"].eq(True) & ~part["present"].eq(True)]
        fewer = best["pickups_a_week"].lt(present.pickups_a_week) & best["chance_full"].lt(FEW)
        better = best["pickups_a_week"].le(present.pickups_a_week) & best["refused_high"].lt(
            present.refused_low
        )
        found = best[fewer] if fewer.any() else best[better]
        if found.empty:
            continue
        (row,) = rows(found.sort_values("pickups_a_week").head(1))
        yield Finding(
            "coordinator", str(key[0]), str(key[1]), None, "pickups",
            phrase(
                "Chute {chute}: collecting the {container} container by {rule} instead of {rule2} "
                "would take {pickups}, with {refused_a_week} uses refused a week {limits} "
                "instead of {refused_a_week2} {limits2}.",
                chute=key[1], container=key[2], rule=row.rule, rule2=present.rule,
                pickups=_pickups(row, present), refused_a_week=figure(row.refused_a_week),
                limits=between(row.refused_low, row.refused_high),
                refused_a_week2=figure(present.refused_a_week),
                limits2=between(present.refused_low, present.refused_high),
            ),
            row.refused_a_week, row.refused_low, row.refused_high,
        )  # fmt: skip


def _pickups(row: Any, present: Any) -> str:
    """How many pickups a rule takes, against the present one."""
    number, now = f"{row.pickups_a_week:g}", f"{present.pickups_a_week:g}"
    if number == now:
        return phrase("as many pickups")
    return phrase(
        "{number:g} pickups a week instead of {now:g}",
        number=row.pickups_a_week, now=present.pickups_a_week,
    )  # fmt: skip

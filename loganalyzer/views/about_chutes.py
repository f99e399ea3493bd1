"""Findings about whole chutes: containers, faults, power, refusals, waiting, what is missing."""

from collections.abc import Iterator

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.incidents.kinds import KIND
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, door, figure, lasting, listed, things, times
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import (
    Finding,
    largest,
    lines_of,
    per_hundred,
    press_count,
    rows,
    text_or_none,
    visits_lost,
)

# How a kind of incident is said: of one that goes on, of one, of many.
NAMES = {
    "stuck_door": ("open", "stuck door", "stuck doors"),
    "container_full": ("a container is full", "full container", "full containers"),
    "abuse_lockout": ("locked out", "lockout", "lockouts"),
    "sorter_fault": ("the sorter is in trouble", "sorter fault", "sorter faults"),
    "latch_fault": ("the latch has a fault", "latch fault", "latch faults"),
    "contact_chatter": ("the contact chatters", "burst of contact chatter",
                        "bursts of contact chatter"),
    "common_cause": ("several doors are in trouble", "trouble at several doors at once",
                     "times trouble at several doors at once"),
    "interlock_breach": ("the interlock does not hold", "breach of the interlock",
                         "breaches of the interlock"),
    "compactor_jam": ("the compactor is jammed", "compactor jam", "compactor jams"),
    "power_loss": ("without power", "power cut", "power cuts"),
    "service": ("out of use for service", "service", "services"),
    "log_gap": ("without log", "stretch without log", "stretches without log"),
    "other_fault": ("a fault stands", "other fault", "other faults"),
}  # fmt: skip
COUNTED = (
    "common_cause", "sorter_fault", "compactor_jam", "latch_fault", "power_loss", "log_gap",
    "contact_chatter", "other_fault", "service",
)  # fmt: skip
CANNOT_TELL = (
    ("press", ("presses", "misuse and waiting")),
    ("refusal", ("refusals", "why people are turned away")),
    ("open", ("door contacts", "how long doors stand open")),
    ("positioning", ("positioning", "how fast the diverter is")),
    ("clearing", ("clearing", "whether material has time to fall")),
    ("full", ("full containers", "when containers are full")),
)


def still_going_on(analysis: Analysis) -> Iterator[Finding]:
    """Incidents that had not ended when the log did."""
    found = analysis.incidents[analysis.incidents["ongoing"].astype(bool)]
    found = found[found["kind"].ne("abuse_lockout") & found["seconds"].notna()]
    found = found.assign(since=wall_clock(found, analysis.sites, "start"))
    for row in rows(found):
        floor = text_or_none(row.floor)
        place = door(row.chute, floor) if floor else phrase("Chute {chute}", chute=row.chute)
        yield Finding(
            KIND[row.kind].audience, row.site, row.chute, floor, row.kind,
            phrase(
                "{place}: {what} since {since:%Y-%m-%d %H:%M}, and still so when the log ends "
                "{seconds} later.",
                place=place, what=phrase(NAMES[row.kind][0]), since=row.since,
                seconds=lasting(row.seconds),
            ),
            value=row.seconds, n=1, evidence=lines_of([row.evidence]),
        )  # fmt: skip


def full_containers(analysis: Analysis) -> Iterator[Finding]:
    """How often and how long each stream's container was full, and what that cost."""
    full = analysis.incidents[analysis.incidents["kind"].eq("container_full")]
    stretches = plain(analysis.coverage[analysis.coverage["covered"].astype(bool)], *CHUTE)
    covered = stretches.groupby(CHUTE)["seconds"].sum()
    full = full.assign(stream=full["stream"].astype("str").fillna("?"))
    for (site, chute, stream), part in largest(full, [*CHUTE, "stream"], weight="seconds"):
        hours, log = part["seconds"].sum(), covered.get((site, chute), 0.0)
        refused = part["refused"].sum(min_count=1)
        share = (
            phrase(" ({share} % of the time with log)", share=figure(100 * hours / log))
            if hours and log
            else ""
        )
        cost = (
            ""
            if pd.isna(refused)
            else phrase(
                "; {presses} refused for it",
                presses=press_count(int(refused)),
            )
        )
        name = (
            phrase("a container")
            if stream == "?"
            else phrase("the {stream} container", stream=stream)
        )
        yield Finding(
            "coordinator", site, chute, None, "container_full",
            phrase(
                "Chute {chute}: {name} was full {times}{hours}{share}{cost}{visits_lost}.",
                chute=chute, name=name, times=times(len(part)),
                hours=phrase(", {hours} in all", hours=lasting(hours)) if hours
                else phrase(", how long is not logged"),
                share=share, cost=cost, visits_lost=visits_lost(part),
            ),
            hours / 3600 if hours else None, None, None, len(part),
            lines_of(part.sort_values("seconds", ascending=False)["evidence"]),
        )  # fmt: skip


def troubles(analysis: Analysis) -> Iterator[Finding]:
    """Faults, chatter, power cuts, services and gaps, chute by chute."""
    for kind in COUNTED:
        found = analysis.incidents[analysis.incidents["kind"].eq(kind)]
        found = found[found["part_of"].isna()]
        by = DOOR if kind in ("contact_chatter", "latch_fault") else CHUTE
        if kind == "other_fault":
            by = [*CHUTE, "code"]
        texts = {c: found[c].astype("str").fillna("?") for c in by if c not in CHUTE}
        for key, part in largest(found.assign(**texts), by):
            yield _trouble(kind, by, key, part)


def refusals(analysis: Analysis) -> Iterator[Finding]:
    """The share of presses refused at each chute, and why."""
    for (site, chute), part in largest(analysis.refusals, CHUTE, weight="refusals"):
        total = part["refusals"].sum()
        if not total or part["share"].isna().all():
            continue
        presses = int(part["presses"].iloc[0])
        share = per_hundred(total, presses)
        most = part.head(4)
        reasons = [
            phrase("{code} {share} %", code=code, share=figure(100 * n / total))
            for code, n in zip(most["code"], most["refusals"], strict=True)
        ]
        yield Finding(
            "manager", site, chute, None, "refusals",
            phrase(
                "Chute {chute}: {total} of {presses} refused, {share}: {reasons}.",
                chute=chute, total=count(total), presses=press_count(presses), share=share.said,
                reasons=listed(reasons),
            ),
            share.rate, share.low, share.high, presses,
        )  # fmt: skip


def waiting(analysis: Analysis) -> Iterator[Finding]:
    """How long people wait for an open door, and how many give up."""
    waits = analysis.waits
    for row in rows(waits[waits["wait"].eq("press_to_open") & waits["median_s"].notna()]):
        yield Finding(
            "manager", row.site, row.chute, None, "waiting",
            phrase(
                "Chute {chute}: half of {served} had an open door within {median_s} of the "
                "first press, nine in ten within {p90_s}.",
                chute=row.chute, served=things(row.n, "served visit", "served visits"),
                median_s=lasting(row.median_s), p90_s=lasting(row.p90_s),
            ),
            row.median_s, None, None, int(row.n),
        )  # fmt: skip
    visits = analysis.visits[analysis.visits["result"].isin(["served", "gave_up", "locked_out"])]
    for (site, chute), part in visits.groupby(CHUTE, observed=True):
        left = int(part["result"].eq("gave_up").sum())
        share = per_hundred(left, len(part))
        if left:
            yield Finding(
                "manager", str(site), str(chute), None, "gave_up",
                phrase(
                    "Chute {chute}: {left} of {visits} ended without an open door, {share}.",
                    chute=chute, left=count(left), visits=things(len(part), "visit", "visits"),
                    share=share.said,
                ),
                share.rate, share.low, share.high, len(part),
            )  # fmt: skip


def not_shown(analysis: Analysis) -> Iterator[Finding]:
    """What a chute's log cannot show."""
    for row in analysis.facts.recorded.to_dict("records"):
        missing = [text for signal, text in CANNOT_TELL if not row[signal]]
        if missing:
            yield Finding(
                "manager", row["site"], row["chute"], None, "not_recorded",
                phrase(
                    "Chute {chute}: the log holds no {missing}, so it cannot tell {unknown}.",
                    chute=row["chute"], missing=listed([phrase(m[0]) for m in missing]),
                    unknown=listed([phrase(m[1]) for m in missing]),
                ),
            )  # fmt: skip


def unlisted_floors(analysis: Analysis) -> Iterator[Finding]:
    """Floors of the log that the site file does not list."""
    for site in analysis.sites.values():
        for chute in site.chutes:
            listed_here = [floor.label for floor in chute.floors]
            doors = analysis.facts.doors
            mine = doors[doors["site"].eq(site.id) & doors["chute"].eq(chute.id)]
            extra = [f for f in mine["floor"] if f not in listed_here]
            if listed_here and extra:
                yield Finding(
                    "technician", site.id, chute.id, None, "unlisted_floors",
                    phrase(
                        "Chute {chute}: {extra} in the log, not in the site file; check the "
                        "labels in the profile.",
                        chute=chute.id, extra=listed(extra),
                    ),
                    n=len(extra),
                )  # fmt: skip


def _trouble(kind: str, by: list[str], key: tuple[str, ...], part: pd.DataFrame) -> Finding:
    seconds = part["seconds"].sum(min_count=1)
    refused = int(part["refused"].fillna(0).sum())
    named = dict(zip(by, key, strict=True))
    head = (
        door(key[1], key[2])
        if by == DOOR and key[2] != "?"
        else phrase("Chute {chute}", chute=key[1])
    )
    code = phrase(" with code {code}", code=named["code"]) if named.get("code", "?") != "?" else ""
    lasted = ""
    if not pd.isna(seconds):
        how_long = ", {lasted} in all" if len(part) > 1 else ", {lasted}"
        lasted = phrase(how_long, lasted=lasting(seconds))
    cost = phrase("; {presses} refused meanwhile", presses=press_count(refused)) if refused else ""
    return Finding(
        KIND[kind].audience, key[0], key[1], key[2] if by == DOOR and key[2] != "?" else None,
        kind,
        phrase(
            "{head}: {incidents}{code}{lasted}{cost}{lost}.", head=head, code=code, lasted=lasted,
            incidents=things(len(part), *NAMES[kind][1:]), cost=cost, lost=visits_lost(part),
        ),
        None if pd.isna(seconds) else float(seconds), None, None, len(part),
        lines_of(part["evidence"]),
    )  # fmt: skip

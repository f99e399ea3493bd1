"""Waiting at each chute as text and as JSON, and what another clearing time would do."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.errors import UsageError
from loganalyzer.facts import CHUTE, NOT_RECORDED, plain
from loganalyzer.language import phrase
from loganalyzer.measures.replay import Change, Plays, replayed, what_if
from loganalyzer.occupied import ChuteKey, occupied
from loganalyzer.presses import pressed
from loganalyzer.sentences import between, count, figure, lasting, listed, things
from loganalyzer.stats import free_fall_s
from loganalyzer.views.about_waits import PART_NAMES
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import per_hundred, rows
from loganalyzer.views.pictures import of_chute
from loganalyzer.views.summary import records

CLEARING_CAUTION = (
    "A clearing time is a safety setting: nothing falls faster than freely, and a bag in a chute "
    "slides and bounces, so free fall is only a lower bound. A log is no inspection; the maker, "
    "licensed people and local codes decide."
)
NO_HEIGHTS = (
    "The site file gives no elevation_m, so nobody has checked this setting against free fall."
)
ASSUMES = (
    "Erlang's formula takes it that people come independently of one another and that whoever is "
    "refused is gone"
)


def clearing_what_if(analysis: Analysis, clearing_s: float, seed: int = 0) -> pd.DataFrame:
    """What `replay.what_if` says of another clearing time.

    Args:
        analysis: What `analyse` returns.
        clearing_s: The other clearing time, seconds.
        seed: Of its draws.

    Raises:
        UsageError: Material from the highest floor cannot have fallen in that time.
    """
    refuse_too_short(analysis, clearing_s)
    return what_if(replay(analysis, Change(clearing_s=clearing_s), seed))


def replay(analysis: Analysis, change: Change, seed: int = 0) -> Mapping[ChuteKey, Plays | str]:
    """What `measures.replay.replayed` says of other settings, for every chute."""
    taken = occupied(analysis.intervals, analysis.cycles, analysis.timeline)
    return replayed(
        pressed(analysis.timeline), analysis.visits, taken, analysis.lockouts, analysis.facts,
        change, seed,
    )  # fmt: skip


def waiting_dict(analysis: Analysis, played: pd.DataFrame | None) -> dict[str, Any]:
    """Everything about waiting as JSON knows it.

    Returns:
        `waits`, `parts` (the table `wait_split`), `served_within`, `results` (visits by how they
        ended), `refusals` (by reason), `queue` (with the `meaning` of its difference), `hours`
        (the table `week_waits`), `what_if` (null where no other clearing time was asked for),
        `caution`; each a list of rows.
    """
    return {
        "waits": records(analysis.waits),
        "parts": records(analysis.wait_split),
        "served_within": records(analysis.served_within),
        "results": records(_results(analysis.visits)),
        "refusals": records(analysis.refusals),
        "queue": [
            told | {"meaning": _meant(row)}
            for told, row in zip(records(analysis.queue), rows(analysis.queue), strict=True)
        ],
        "hours": records(analysis.week_waits),
        "what_if": None if played is None else records(played),
        "caution": CLEARING_CAUTION,
    }


def waiting_text(analysis: Analysis, played: pd.DataFrame | None) -> str:
    """Everything about waiting in plain words, chute by chute."""
    blocks = []
    for site, chute in analysis.facts.recorded[CHUTE].itertuples(index=False):
        lines = [f"{site}, chute {chute}"]
        for tell in (_times, _within, _parts, _ends, _refused, _server, _busiest):
            lines += [f"  {line}" for line in tell(analysis, site, chute)]
        if played is not None:
            lines += [f"  {line}" for line in _other(of_chute(played, site, chute))]
        blocks.append("\n".join(lines))
    if played is not None:
        blocks.append(clearing_caution(analysis))
    return "\n\n".join(blocks)


def clearing_caution(analysis: Analysis) -> str:
    """What must be said beside another clearing time."""
    unknown = analysis.facts.doors["elevation_m"].isna().all()
    return f"{NO_HEIGHTS} {CLEARING_CAUTION}" if unknown else CLEARING_CAUTION


def refuse_too_short(analysis: Analysis, clearing_s: float, where: str = "--clearing") -> None:
    """Refuse a clearing time in which nothing can have fallen.

    Raises:
        UsageError: It is no time, or below free fall from the highest floor.
    """
    if not 0 < clearing_s < np.inf:
        raise UsageError(
            where, f"'{clearing_s:g}'", "a number of seconds above 0", "Write --clearing 10"
        )
    doors = analysis.facts.doors
    falls = free_fall_s(doors["elevation_m"])
    if np.isnan(falls).all() or clearing_s >= np.nanmax(falls):
        return
    highest = doors.iloc[int(np.nanargmax(falls))]
    raise UsageError(
        where, f"{clearing_s:g} s",
        f"at least {np.nanmax(falls):.2f} s: free fall from floor {highest['floor']} of chute "
        f"{highest['chute']}, {highest['elevation_m']:g} m, takes as long, and material in a "
        "chute is slower than that",
        "No answer is given for a setting under which a door may open while material falls past "
        "it; ask the maker before any change",
    )  # fmt: skip


def _results(visits: pd.DataFrame) -> pd.DataFrame:
    found = visits.groupby([*CHUTE, "result"], observed=True).size().rename("visits")
    return plain(found.reset_index(), *CHUTE, "result")


def _times(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    (row,) = rows(of_chute(analysis.waits[analysis.waits["wait"].eq("press_to_open")], site, chute))
    if pd.isna(row.mean_s):
        yield f"First press to open door: not known, {row.reason}."
        return
    yield (
        f"First press to open door: {lasting(row.mean_s)} on average, half within "
        f"{lasting(row.median_s)}, nine in ten within {lasting(row.p90_s)}, 99 of 100 within "
        f"{lasting(row.p99_s)} ({things(row.n, 'visit', 'visits')})."
    )


def _within(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    table = of_chute(analysis.served_within, site, chute).dropna(subset=["share"])
    said = [
        f"{row.within_s} s {figure(100 * row.share)} % {between(100 * row.low, 100 * row.high)}"
        for row in rows(table)
    ]
    if said:
        tried = things(table["visits"].iloc[0], "visit", "visits")
        yield f"Of {tried}, those who gave up included, served within {listed(said)}."


def _parts(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    table = of_chute(analysis.wait_split, site, chute)
    known = table[table["n"].gt(0)]
    if known.empty:
        return
    yield "What they wait for, on average a visit:"
    for row in rows(known):
        if row.part != "unsplit" or row.mean_s > 0:
            share = f"{figure(100 * row.share)} %" if not pd.isna(row.share) else "-"
            yield f"  {PART_NAMES[row.part]:<29} {row.mean_s:6.2f} s  {share:>6}"
    for row in rows(table[table["n"].eq(0)]):
        yield f"  {PART_NAMES[row.part]:<29} not known: {row.reason}"


def _ends(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    table = of_chute(_results(analysis.visits), site, chute).set_index("result")["visits"]
    known = int(table.drop("unknown", errors="ignore").sum())
    (held,) = rows(of_chute(analysis.facts.recorded, site, chute))
    told = held.lockout or held.refusal  # what shows that a visit was locked out
    for result, words in (("gave_up", "ended without an open door"), ("locked_out", "locked out")):
        number = int(table.get(result, 0))
        if known and result == "locked_out" and not told:
            yield f"Locked out: not known, {NOT_RECORDED['lockout']}."
        elif known:
            yield (
                f"{words.capitalize()}: {count(number)} of {things(known, 'visit', 'visits')}, "
                f"{per_hundred(number, known)}."
            )


def _refused(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    table = of_chute(analysis.refusals, site, chute)
    if table["refusals"].isna().all():
        yield f"Refusals: not known, {table['reason'].iloc[0]}."
        return
    said = [f"{row.code} {count(row.refusals)}" for row in rows(table) if row.refusals]
    yield f"Refused presses by reason: {listed(said) or 'none'}."


def _server(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    (row,) = rows(of_chute(analysis.queue, site, chute))
    if not pd.isna(row.utilisation):
        yield (
            f"Taken {figure(100 * row.utilisation)} % of {row.covered_h:,.0f} h with log, "
            f"{lasting(row.service_s)} a use from press to landed "
            f"({things(row.uses, 'use', 'uses')})."
        )
    if pd.isna(row.busy_share) or pd.isna(row.erlang_b):
        yield f"Against the formula: not known, {row.reason}."
        return
    share, low, high = (100 * v for v in (row.busy_share, row.low, row.high))
    yield (
        f"Found it busy at the first press: {figure(share)} % of "
        f"{things(row.visits, 'visit', 'visits')} {between(low, high)}; of all presses, second "
        f"tries included, {figure(100 * row.presses_busy_share)} %."
    )
    yield (
        f"Erlang's formula at a load of {row.offered_load:.4f}: {figure(100 * row.erlang_b)} %, "
        f"with the load of each hour of the week {figure(100 * row.erlang_b_by_hour)} %, of it at "
        f"other doors {figure(100 * row.expected)} %"
        + ("" if pd.isna(row.engset) else f", for so many units {figure(100 * row.engset)} %")
        + f". {meaning(row)}"
    )


def _meant(row: Any) -> str | None:
    return None if pd.isna(row.difference) else meaning(row)


def meaning(row: Any) -> str:
    """What the difference between the observed and the formula's share says, in a sentence.

    Args:
        row: One row of the table `queue`.
    """
    expected = row.expected
    points, assumes = 100 * row.difference, phrase(ASSUMES)
    if row.low > expected:
        return phrase(
            "More are refused than the formula says ({points:+.1f} points): {assumes}; here they "
            "come in bunches, or second tries keep the chute busier.",
            points=points, assumes=assumes,
        )  # fmt: skip
    if row.high < expected:
        return phrase(
            "Fewer are refused than the formula says ({points:+.1f} points): {assumes}; here they "
            "come spread out, or wait until the chute is free.",
            points=points, assumes=assumes,
        )  # fmt: skip
    return phrase(
        "That is what was seen: people come as the formula takes it. {assumes}.", assumes=assumes
    )


def _busiest(analysis: Analysis, site: str, chute: str) -> Iterator[str]:
    table = of_chute(analysis.week_waits, site, chute).dropna(subset=["mean_s"])
    table = table[table["served"].ge(FEWEST)]
    if table.empty:
        return
    worst = next(rows(table.sort_values("mean_s", ascending=False)))
    day, hour = divmod(worst.hour_of_week, 24)
    yield (
        f"Longest wait of the week: {DAYS[day]} {hour:02d}:00 to {hour + 1:02d}:00, "
        f"{lasting(worst.mean_s)} on average ({things(worst.served, 'visit', 'visits')})."
    )


DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
FEWEST = 20  # visits that an hour of the week needs before it is called the longest


def _other(table: pd.DataFrame) -> Iterator[str]:
    by = {row.setting: row for row in rows(table)}
    if not pd.isna(by["logged"].reason):
        yield f"With another clearing time: not known, {by['logged'].reason}."
        return
    yield (
        f"With a clearing of {by['other'].clearing_s:g} s instead of "
        f"{by['present'].clearing_s:.1f} s (the logged visits, played again):"
    )
    yield f"  {'':<22}{'mean wait':>10}{'9 in 10':>10}{'refused':>10}{'gave up':>10}"
    names = {"logged": "as logged", "present": "replayed as it is", "other": "replayed with it"}
    for setting, name in names.items():
        row = by[setting]
        yield (
            f"  {name:<22}{row.mean_s:>8.2f} s{row.p90_s:>8.1f} s"
            f"{100 * row.refused_share:>8.1f} %{count(row.gave_up):>10}"
        )
    error, share = (
        by["present"].mean_s - by["logged"].mean_s,
        by["present"].refused_share - by["logged"].refused_share,
    )
    yield (
        f"  The replay misses what was logged by {error:+.2f} s and {100 * share:+.1f} points of "
        "refusals; differences smaller than that say nothing."
    )

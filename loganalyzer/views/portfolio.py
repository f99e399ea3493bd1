"""Many buildings side by side: the worst of everything, doors that fail alike, one among its like.

Buildings are looked at one after another, and only their small tables are kept. Ranks go by the
end of the interval that is nearer to harmless, so that a door with three visits does not lead a
list by luck; where a measure has no interval, by the value itself.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import fisher_exact

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.site import Site
from loganalyzer.stats import benjamini_hochberg, poisson_interval, wilson
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.shown import shown_to_manager

LINES_SHOWN = 5
MONTH_D = 30


@dataclass(frozen=True)
class Question:
    """One thing that chutes or doors are ranked by, the largest value the worst.

    Attributes:
        name: A word for it.
        says: What the value is, with its unit.
        n: What `n` counts.
    """

    name: str
    says: str
    n: str


QUESTIONS = (
    Question("rules_broken", "% of the tests of a safety rule that the log shows broken", "tests"),
    Question("suspect", "score of the part (5: one chance in 100,000)", "signs"),
    Question("held_open", "% of openings longer than the site's limit", "openings"),
    Question("misuse", "lockout episodes per 100 visits", "visits"),
    Question("found_busy", "% of visits that found the chute busy", "visits"),
    Question("out_of_use", "minutes without a door, per unit and 30 days", "interruptions"),
    Question("full", "times full, per 30 days", "times full"),
    Question("lost_sorting", "uses lost to sorting, per 100 uses", "uses"),
)
STANDING = [*DOOR, "question", "part", "value", "low", "high", "n", "evidence"]
SIZES = [*CHUTE, "kinds", "units"]


@dataclass(frozen=True)
class Portfolio:
    """What is kept of every building.

    Attributes:
        standings: One row a chute or door and question: `part` (rule, component, container;
            null where the question has none), `value`, 95 % interval `low` to `high` (null where
            there is none), `n`, `evidence` (list of `source:line`).
        suspects: The table of that name, all buildings.
        doors: One row a door: `site`, `chute`, `floor`, `profile` (how its controller writes).
        sizes: One row a chute of the site files: `site`, `chute`, `kinds` (of its streams, a
            sorted list), `units` (behind all its doors, null where one is not told).
    """

    standings: pd.DataFrame
    suspects: pd.DataFrame
    doors: pd.DataFrame
    sizes: pd.DataFrame


def portfolio(analyses: Iterable[Analysis]) -> Portfolio:
    """Look at buildings one after another.

    Args:
        analyses: Each of one or more sites; best made when asked for, so that one is held at a
            time.
    """
    standings, suspects, doors, sizes = [], [], [], []
    for one in analyses:
        standings += [row for rank in RANKS for row in rank(one)]
        suspects.append(plain(one.condition.suspects, *DOOR, "component"))
        known = plain(one.facts.doors[DOOR], *DOOR)
        profiles = pd.DataFrame(
            [(s.id, c.id, c.profile) for s in one.sites.values() for c in s.chutes],
            columns=[*CHUTE, "profile"],
        )
        doors.append(known.merge(profiles, on=CHUTE, how="left"))
        sizes += [size for site in one.sites.values() for size in _sizes(site)]
    return Portfolio(
        pd.DataFrame(standings, columns=STANDING),
        pd.concat(suspects, ignore_index=True) if suspects else pd.DataFrame(),
        pd.concat(doors, ignore_index=True) if doors else pd.DataFrame(columns=[*DOOR, "profile"]),
        pd.DataFrame(sizes, columns=SIZES).astype({"units": "Int64"}),
    )


def worst(of: Portfolio, question: str, number: int = 10) -> pd.DataFrame:
    """The worst of a question, the worst first; a value of 0 is nobody's worst."""
    mine = of.standings[of.standings["question"].eq(question) & of.standings["value"].gt(0)]
    sure = mine["low"].fillna(mine["value"])
    order = mine.assign(sure=sure).sort_values(
        ["sure", "value", *DOOR], ascending=[False, False, True, True, True]
    )
    return order.drop(columns="sure").head(number).reset_index(drop=True)


def _standing(
    row: Any, question: str, value: float, low: float | None, high: float | None, n: float,
    evidence: Sequence[str], part: str | None = None, floor: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    return {
        "site": row.site, "chute": row.chute, "floor": floor, "question": question, "part": part,
        "value": value, "low": low, "high": high, "n": int(n),
        "evidence": list(evidence)[:LINES_SHOWN],
    }  # fmt: skip


def _rules(of: Analysis) -> Iterator[dict[str, Any]]:
    tested = of.audit[of.audit["tested"].gt(0)]
    low, high = wilson(tested["broken"], tested["tested"])
    for row, under, over in zip(rows(tested), low, high, strict=True):
        seen = of.violations[
            of.violations["site"].eq(row.site)
            & of.violations["chute"].eq(row.chute)
            & of.violations["rule"].eq(row.rule)
        ]
        yield _standing(
            row, "rules_broken", 100 * row.broken / row.tested, 100 * under, 100 * over,
            row.tested, _lines(seen), str(row.rule),
        )  # fmt: skip


def _suspects(of: Analysis) -> Iterator[dict[str, Any]]:
    for row in rows(of.condition.suspects):
        signs = json.loads(row.evidence)["for"]
        lines = [line for sign in signs for line in sign["lines"][:2]]
        yield _standing(
            row, "suspect", row.score, None, None, len(signs), lines, str(row.component),
            _word(row.floor),
        )  # fmt: skip


def _open(of: Analysis) -> Iterator[dict[str, Any]]:
    longest = of.longest_openings[of.longest_openings["over_limit"].eq(True)]
    for row in rows(of.open_doors.dropna(subset=["share"])):
        mine = longest[_same_door(longest, row)]
        lines = [json.loads(text)[0] for text in mine["evidence"] if text and text != "[]"]
        yield _standing(
            row, "held_open", 100 * row.share, 100 * row.low, 100 * row.high, row.judged, lines,
            floor=_word(row.floor),
        )  # fmt: skip


def _misuse(of: Analysis) -> Iterator[dict[str, Any]]:
    """Left out: doors whose hardware is to be checked first, and floors hidden from managers."""
    told = shown_to_manager(of.floors, of.sites)
    for row in rows(told.dropna(subset=["episodes_per_100_visits"])):
        if isinstance(row.reason, str) and "hardware" in row.reason:
            continue
        mine = of.lockouts[_same_door(of.lockouts, row)]
        yield _standing(
            row, "misuse", row.episodes_per_100_visits, row.low, row.high, row.visits,
            _lines(mine), floor=_word(row.floor),
        )  # fmt: skip


def _busy(of: Analysis) -> Iterator[dict[str, Any]]:
    busy = of.timeline[of.timeline["signal"].eq("refusal") & of.timeline["code"].eq("busy")]
    for row in rows(of.queue.dropna(subset=["busy_share"])):
        mine = busy[busy["site"].eq(row.site) & busy["chute"].eq(row.chute)].tail(LINES_SHOWN)
        yield _standing(
            row, "found_busy", 100 * row.busy_share, 100 * row.low, 100 * row.high, row.visits,
            _lines(mine),
        )  # fmt: skip


def _out(of: Analysis) -> Iterator[dict[str, Any]]:
    every = of.indices[of.indices["cause"].eq("all") & of.indices["month"].eq("all")]
    for row in rows(every.dropna(subset=["minutes_per_unit"])):
        causes = of.incidents[
            of.incidents["site"].eq(row.site) & of.incidents["chute"].eq(row.chute)
        ].sort_values("seconds", ascending=False)
        lines = [line for text in causes["evidence"].head(3) for line in json.loads(text)[:1]]
        a_month = MONTH_D * 24 / row.period_h
        yield _standing(
            row, "out_of_use", row.minutes_per_unit * a_month, None, None,
            row.unit_interruptions, lines,
        )  # fmt: skip


def _full(of: Analysis) -> Iterator[dict[str, Any]]:
    table = of.sorting.containers
    full = table[table["state"].eq("full")]
    hours = of.coverage[of.coverage["covered"].astype(bool)]
    days = hours.groupby(CHUTE, observed=True)["seconds"].sum() / 86_400
    for (site, chute, container), mine in full.groupby(
        [*CHUTE, "container"], observed=True, sort=True
    ):
        covered = float(days.get((site, chute), 0.0))
        if not covered:
            continue
        low, high = (float(end[0]) for end in poisson_interval([len(mine)]))
        lines = [text for text in mine["evidence"].astype("str") if text]
        first = next(rows(mine))
        times = MONTH_D / covered
        yield _standing(
            first, "full", len(mine) * times, low * times, high * times, len(mine), lines,
            str(container),
        )  # fmt: skip


def _lost(of: Analysis) -> Iterator[dict[str, Any]]:
    lost = of.sorting.lost_sorting
    used = of.cycles[of.cycles["opened"].notna()].groupby(CHUTE, observed=True).size()
    for (site, chute), mine in lost.groupby(CHUTE, observed=True, sort=True):
        uses = int(used.get((site, chute), 0))
        if not uses:
            continue
        low, high = (float(end[0]) for end in poisson_interval([len(mine)]))
        lines = [line for text in mine["evidence"] for line in json.loads(text or "[]")[:1]]
        yield _standing(
            next(rows(mine)), "lost_sorting", 100 * len(mine) / uses, 100 * low / uses,
            100 * high / uses, uses, lines,
        )  # fmt: skip


RANKS = (_rules, _suspects, _open, _misuse, _busy, _out, _full, _lost)


def _lines(table: pd.DataFrame) -> list[str]:
    known = table.dropna(subset=["source", "line"]).tail(LINES_SHOWN)
    return [
        f"{source}:{int(line)}"
        for source, line in zip(known["source"].astype("str"), known["line"], strict=True)
    ]


def _same_door(table: pd.DataFrame, row: Any) -> pd.Series:
    return table["site"].eq(row.site) & table["chute"].eq(row.chute) & table["floor"].eq(row.floor)


def _word(value: Any) -> str | None:
    return None if pd.isna(value) else str(value)


ALIKE = ["component", "sign", "profile", "doors", "of", "sites", "others", "of_others", "p",
         "q_value", "since_first", "since_last", "where"]  # fmt: skip
CLOSE_D = 60


def alike(of: Portfolio) -> pd.DataFrame:
    """Doors that show the same sign, more often than doors of other controllers do.

    A log names no batch of hardware; what it has is the profile, the controller's way of writing,
    which doors that were built together mostly share.

    Returns:
        One row a component, sign and profile with at least two places: `doors` (places of that
        profile with the sign) `of` (its doors), `others` and `of_others` (the same for all other
        profiles), `p` (Fisher's exact test, one-sided; null where all doors share one profile),
        `q_value` (Benjamini-Hochberg over the rows), `since_first`, `since_last` (when the signs
        began), `where` (list of places), the least likely first.
    """
    found = _signs(of)
    if found.empty:
        return pd.DataFrame(columns=ALIKE)
    all_doors = of.doors.groupby("profile").size()
    table = []
    for (component, sign), mine in found.groupby(["component", "sign"]):
        for profile, part in mine.groupby("profile"):
            if len(part) < 2:
                continue
            doors, others = int(all_doors[profile]), int(all_doors.drop(profile).sum())
            elsewhere = len(mine) - len(part)
            p = None
            if others:
                square = [[len(part), max(doors - len(part), 0)],
                          [elsewhere, max(others - elsewhere, 0)]]  # fmt: skip
                p = float(fisher_exact(square, alternative="greater").pvalue)
            table.append({
                "component": component, "sign": sign, "profile": profile, "doors": len(part),
                "of": doors, "sites": part["site"].nunique(), "others": elsewhere,
                "of_others": others, "p": p, "since_first": part["since"].min(),
                "since_last": part["since"].max(), "where": sorted(part["place"]),
            })  # fmt: skip
    rated = pd.DataFrame(table, columns=[name for name in ALIKE if name != "q_value"])
    p_values = rated["p"].astype(float)
    rated["q_value"] = np.nan
    known = p_values.notna()
    rated.loc[known, "q_value"] = benjamini_hochberg(p_values[known])
    return rated[ALIKE].sort_values(
        ["p", "doors", "component", "sign"], ascending=[True, False, True, True], ignore_index=True
    )


def _signs(of: Portfolio) -> pd.DataFrame:
    """One row a sign of a suspect, with its place and the controller's profile."""
    known = of.doors[[*CHUTE, "profile"]].itertuples(index=False, name=None)
    profiles = {(site, chute): profile for site, chute, profile in known}
    found = [
        {
            "component": row.component, "sign": sign["sign"], "site": row.site,
            "profile": profiles.get((row.site, row.chute)), "since": row.since,
            "place": f"{row.site} {row.chute}" + ("" if pd.isna(row.floor) else f" {row.floor}"),
        }
        for row in rows(of.suspects)
        for sign in json.loads(row.evidence)["for"]
    ]  # fmt: skip
    columns = ["component", "sign", "site", "profile", "since", "place"]
    return pd.DataFrame(found, columns=columns).dropna(subset=["profile"]).drop_duplicates(
        ["component", "sign", "place"]
    )  # fmt: skip


LIKE = [*CHUTE, "question", "part", "value", "low", "high", "peers", "median", "rank", "reason"]
FEWEST_PEERS = 3
TOO_FEW = (
    f"fewer than {FEWEST_PEERS} chutes like it (same kinds of streams, half to twice the units)"
)


def among_its_like(of: Portfolio, site: str | None = None) -> pd.DataFrame:
    """Buildings' chutes against the chutes of others that are like them.

    Args:
        of: The portfolio.
        site: Only this building.

    Returns:
        One row a chute and question about whole chutes: `value` with its interval, `peers` (how
        many are like it), their `median`, `rank` among them and itself (1: the worst), `reason`
        (why there is no comparison, else null). In the order of the buildings.
    """
    whole = of.standings[of.standings["floor"].isna() & of.standings["question"].ne("suspect")]
    mine = whole if site is None else whole[whole["site"].eq(site)]
    place, by_kinds = _places(of.sizes), _by_kinds(of.sizes)
    places = [place.get(key) for key in whole[CHUTE].itertuples(index=False, name=None)]
    asked = whole.assign(place=pd.array(places, "Int64"), part=whole["part"].fillna(""))
    asked = asked[asked["place"].notna()]
    values = {
        key: pd.Series(part["value"].to_numpy(), part["place"].to_numpy(int)).to_dict()
        for key, part in asked.groupby(["question", "part"])
    }
    table = []
    for row in rows(mine):
        own = place.get((row.site, row.chute))
        if own is None:
            continue
        held = values[row.question, "" if pd.isna(row.part) else row.part]
        near = _near(of.sizes, by_kinds, own)
        others = np.array([held[other] for other in near if other in held])
        enough = len(others) >= FEWEST_PEERS
        table.append({
            "site": row.site, "chute": row.chute, "question": row.question, "part": row.part,
            "value": row.value, "low": row.low, "high": row.high, "peers": len(others),
            "median": float(np.median(others)) if enough else None,
            "rank": int((others > row.value).sum()) + 1 if enough else None,
            "reason": None if enough else TOO_FEW,
        })  # fmt: skip
    return pd.DataFrame(table, columns=LIKE)


def _sizes(site: Site) -> Iterator[tuple[str, str, list[str], int | None]]:
    for chute in site.chutes:
        told = [floor.units for floor in chute.floors if floor.units is not None]
        units = sum(told) if told and len(told) == len(chute.floors) else None
        yield site.id, chute.id, sorted({s.kind for s in chute.streams}), units


def _places(sizes: pd.DataFrame) -> dict[tuple[str, str], int]:
    keys = sizes[CHUTE].itertuples(index=False, name=None)
    return {(site, chute): number for number, (site, chute) in enumerate(keys)}


def _by_kinds(sizes: pd.DataFrame) -> dict[tuple[str, ...], list[int]]:
    """The chutes of the same kinds of streams, by their places, those of known size."""
    found: dict[tuple[str, ...], list[int]] = {}
    for number, (kinds, units) in enumerate(zip(sizes["kinds"], sizes["units"], strict=True)):
        if not pd.isna(units):
            found.setdefault(tuple(kinds), []).append(number)
    return found


def _near(
    sizes: pd.DataFrame, by_kinds: Mapping[tuple[str, ...], list[int]], own: int
) -> list[int]:
    """The chutes of the same kinds and of half to twice the size, itself left out."""
    units = sizes["units"].iloc[own]
    if pd.isna(units):
        return []
    same = np.array(by_kinds[tuple(sizes["kinds"].iloc[own])])
    size = sizes["units"].iloc[same].to_numpy(float)
    return [int(n) for n in same[(units <= 2 * size) & (size <= 2 * units)] if n != own]


ROUND = ["place", "site", "chute", "floor", "what", "urgency", "why", "first", "evidence"]
URGENT = {"rules_broken": 3, "suspect": 2, "held_open": 1}
BESIDE = 5  # tasks of one visit


def round_of_the_week(of: Portfolio) -> pd.DataFrame:
    """Where a technician should go, in which order, and what for.

    Safety first: a rule that the log shows broken, then suspects by their score, then doors held
    open. A building is visited once, as early as its most urgent task asks.

    Returns:
        One row a task: `place` (of the building in the round, from 1), `site`, `chute`, `floor`,
        `what` (rule, component or "door"), `urgency` (3 the highest), `why` (a sentence), `first`
        (what to check first), `evidence` (list of `source:line`).
    """
    tasks = [task for question in URGENT for task in _tasks(of, question)]
    if not tasks:
        return pd.DataFrame(columns=ROUND)
    table = pd.DataFrame(tasks).sort_values(
        ["urgency", "size", "site"], ascending=[False, False, True], ignore_index=True
    )
    place = {site: number for number, site in enumerate(dict.fromkeys(table["site"]), start=1)}
    table["place"] = table["site"].map(place)
    kept = table.sort_values("place", kind="stable").groupby("place").head(BESIDE)
    return kept[ROUND].reset_index(drop=True)


def _tasks(of: Portfolio, question: str) -> Iterator[dict[str, Any]]:
    says = next(each.says for each in QUESTIONS if each.name == question)
    suspected = {(r.site, r.chute, _word(r.floor), r.component): r for r in rows(of.suspects)}
    for row in rows(worst(of, question, len(of.standings))):
        suspect = suspected.get((row.site, row.chute, _word(row.floor), _word(row.part) or "door"))
        if _no_task(question, row, suspect):
            continue
        interval = "" if pd.isna(row.low) else f" ({row.low:.2g} to {row.high:.2g})"
        figure = f"{row.value:.3g}{interval}"
        yield {
            "site": row.site, "chute": row.chute, "floor": row.floor,
            "what": "door" if pd.isna(row.part) else row.part, "urgency": URGENT[question],
            "size": row.low if not pd.isna(row.low) else row.value,
            "why": f"score {figure}" if question == "suspect" else f"{figure} {says}",
            "first": _first(question, suspect),
            "evidence": row.evidence,
        }  # fmt: skip


def _no_task(question: str, row: Any, suspect: Any) -> bool:
    """Doors held open now and then, or suspects already; parts that rather people harm."""
    if question == "held_open":
        return row.low < HELD_OPEN_LOW or suspect is not None
    return question == "suspect" and bool(suspect.misuse)


HELD_OPEN_LOW = 1.0  # % of openings: below it a door is held open now and then, as doors are


def _first(question: str, suspect: Any) -> str:
    if question == "rules_broken":
        return "Take the chute out of use until licensed people have tested the interlock"
    if question == "suspect":
        return str(suspect.advice)
    return "Whether something holds the leaf open, then the closer and the latch"

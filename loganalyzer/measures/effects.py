"""What worked: each piece of work and each campaign of the site file, judged by the log.

What was counted before and after is compared at the doors that it was for with the other doors of
the chute, and where there are none with the site's other chutes: difference in differences on log
rates, so that a season, a holiday or a drift of the whole building drops out. Rates are per use or
visit, so that a door that is used more is not called worse.

Two things that look like success are spoken of. People act when things are at their worst, and
things at their worst mostly get better by themselves (regression to the mean): `by_luck` is the
ratio that this alone would bring. And few events tell little: where half as many could not yet be
told from as many, it is too early, and `look_again` is the day from which it can be told with a
chance of four in five, at the present use.

Source: the rules are ours; formulas: `poisson_ratio`, `ratio_of_ratios`, `exposure_to_tell`,
`gamma_poisson` (shrinkage: B. Efron, C. Morris, Scientific American 236 (1977) 119, from memory).
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.rates import (
    dispersion,
    exposure_to_tell,
    gamma_poisson,
    poisson_ratio,
    ratio_of_ratios,
)
from loganalyzer.site import Site
from loganalyzer.tables import conform, require

HALF = 0.5  # the change that must be tellable before the absence of one means anything
FEWEST_DAYS = 7
LINES_SHOWN = 5  # before, and after
NO_OTHERS = "nothing to compare with: a season cannot be told from an effect"
NOTHING_BEFORE = "nothing of the kind before: nothing to make better"
NO_USE = "no use before or after in the log"
SHORT = f"fewer than {FEWEST_DAYS} days of log before or after"
NEVER = "too few before for any wait to tell"


@dataclass(frozen=True)
class Entry:
    """Something that was done: on `day`, at `floors` of `chute` (none: at all), to a component."""

    by: str
    day: pd.Timestamp
    chute: str | None
    floors: tuple[str, ...]
    component: str | None
    note: str


def entries(site: Site) -> list[Entry]:
    """What the site file says was done, in the order of the days."""
    work = [
        Entry("work", pd.Timestamp(one.date), one.chute, (one.floor,) if one.floor else (),
              one.component, one.note)
        for one in site.work
    ]  # fmt: skip
    campaigns = [
        Entry("campaign", pd.Timestamp(one.date), None, one.floors, None, one.note)
        for one in site.campaigns
    ]
    return sorted([*work, *campaigns], key=lambda entry: entry.day)


def effects(happened: pd.DataFrame, tried: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """The table `effects`.

    Args:
        happened: One row an event that should become rarer: `site`, `chute`, `floor` (null: no
            one door's), `outcome` (a word), `component` (null where it is nobody's), `day`
            (midnight of the local day, without zone), `source`, `line`.
        tried: One row a door and local day that the log covers: `site`, `chute`, `floor`, `day`,
            `uses`, `visits`.
        sites: What was done, and where.

    Returns:
        One row an entry, chute and outcome, in the order of the days: `by` ("work" or
        "campaign"), `date`, `floors` (joined by a comma), `component`, `note`, `outcome`;
        `before` and `after` (events), `uses_before` and `uses_after` (uses; visits for lockout
        episodes); the exact `plain_ratio` of the rates with `plain_low` to `plain_high`; `others`
        (who was compared with), `ratio` (against them) with `low` to `high`; `by_luck`;
        `verdict`: "worked", "better, as luck alone would", "no change", "worse", "too early" or
        null; `look_again` (a day, where it is too early and a wait helps); `reason` (what cannot be
        told); `evidence` (JSON list of `source:line`: the last events before and after).
    """
    require(happened, *DOOR, "outcome", "component", "day", "source", "line")
    require(tried, *DOOR, "day", "uses", "visits")
    rows = [
        {"site": site.id, **row}
        for site in sites.values()
        for entry in entries(site)
        for row in _judged(entry, site, happened, tried)
    ]
    table = pd.DataFrame(rows, columns=COLUMNS)
    words = dict.fromkeys(("component", "others", "verdict", "reason"), "str")
    days = table.astype(dict.fromkeys(("date", "look_again"), "datetime64[us]") | words)
    told: pd.DataFrame = conform(days, "effects").to_pandas()
    return told


COLUMNS = [
    *CHUTE, "by", "date", "floors", "component", "note", "outcome", "before", "after",
    "uses_before", "uses_after", "plain_ratio", "plain_low", "plain_high", "others", "ratio",
    "low", "high", "by_luck", "verdict", "look_again", "reason", "evidence",
]  # fmt: skip
# outcome → what it is counted over.
OVER = {"lockout episodes": "visits", "trouble": "uses", "openings held too long": "uses"}


def _judged(
    entry: Entry, site: Site, happened: pd.DataFrame, tried: pd.DataFrame
) -> Iterator[dict[str, Any]]:
    """One entry at each chute that it was for."""
    outcomes = ["trouble"] if entry.by == "work" else ["lockout episodes", "openings held too long"]
    mine = tried[tried["site"].eq(site.id)]
    for chute in sorted(mine["chute"].unique()):
        doors = mine[mine["chute"].eq(chute)]
        if entry.chute not in (None, chute):
            continue
        if entry.floors and not doors["floor"].isin(entry.floors).any():
            continue
        for outcome in outcomes:
            events = happened[happened["site"].eq(site.id) & happened["outcome"].eq(outcome)]
            if entry.component is not None:
                events = events[events["component"].eq(entry.component)]
            yield {
                "chute": chute, "by": entry.by, "date": entry.day,
                "floors": ", ".join(entry.floors), "component": entry.component,
                "note": entry.note, "outcome": outcome,
                **_compared(entry, site, str(chute), events, mine, OVER[outcome]),
            }  # fmt: skip


@dataclass(frozen=True)
class Counts:
    """Events and what they are counted over, before and after, of one group of doors."""

    before: float
    uses_before: float
    after: float
    uses_after: float

    @property
    def useful(self) -> bool:
        """Whether there was anything to count over on both sides."""
        return min(self.uses_before, self.uses_after) > 0


def _compared(
    entry: Entry, site: Site, chute: str, events: pd.DataFrame, tried: pd.DataFrame, over: str
) -> dict[str, Any]:  # fmt: skip
    first, last = _window(entry, site, tried)
    days = _days(tried, first, last)
    here = _group(entry, chute, events, days)
    mine, ground = _counts(entry.day, *here, over)
    told: dict[str, Any] = {
        "before": int(mine.before), "after": int(mine.after),
        "uses_before": int(mine.uses_before), "uses_after": int(mine.uses_after),
        "evidence": _evidence(entry.day, here[0]),
    }  # fmt: skip
    lengths = (ground["day"].lt(entry.day), ground["day"].gt(entry.day))
    short = min(ground.loc[part, "day"].nunique() for part in lengths) < FEWEST_DAYS
    reason = (
        SHORT if short else NO_USE if not mine.useful else NOTHING_BEFORE if not mine.before
        else None
    )  # fmt: skip
    if reason:
        return {**told, "reason": reason}
    spread = _spread(entry.day, here, over)
    exact = poisson_ratio(
        mine.after, mine.uses_after, mine.before, mine.uses_before, dispersion=spread
    )
    told |= {"plain_ratio": float(exact.ratio), "plain_low": float(exact.low),
             "plain_high": float(exact.high)}  # fmt: skip
    name, others = _others(entry, chute, events, days, over)
    beside = None if others is None else (
        others.after, others.uses_after, others.before, others.uses_before
    )  # fmt: skip
    effect = ratio_of_ratios(
        mine.after, mine.uses_after, mine.before, mine.uses_before, beside, spread
    )
    luck = _by_luck(entry, chute, events, days, over)
    told |= {"others": name, "ratio": effect.ratio, "low": effect.low, "high": effect.high,
             "by_luck": luck, "reason": None if name else NO_OTHERS}  # fmt: skip
    return told | _verdict(entry, mine, others, effect, luck, spread, ground)


def _evidence(day: pd.Timestamp, events: pd.DataFrame) -> str:
    parts = [events[events["day"].lt(day)], events[events["day"].gt(day)]]
    return json.dumps([
        f"{source}:{line}"
        for part in parts
        for source, line in part[["source", "line"]].tail(LINES_SHOWN).itertuples(index=False)
    ])  # fmt: skip


def _verdict(
    entry: Entry, mine: Counts, others: Counts | None, effect: Any, luck: float, spread: float,
    ground: pd.DataFrame,
) -> dict[str, Any]:  # fmt: skip
    if effect.high < 1:
        known = np.isnan(luck) or effect.ratio < luck
        return {"verdict": "worked" if known else "better, as luck alone would"}
    if effect.low > 1:
        return {"verdict": "worse"}
    rate = mine.before / mine.uses_before
    noise = 0.0 if others is None else 1 / (others.before + 0.5) + 1 / (others.after + 0.5)
    needed = exposure_to_tell(rate, mine.before, HALF, others=noise, dispersion=spread)
    if mine.uses_after >= needed:
        return {"verdict": "no change"}
    if not np.isfinite(needed):
        return {"verdict": "too early", "reason": NEVER}
    later = ground.loc[ground["day"].gt(entry.day), "day"]
    a_day = mine.uses_after / max(later.nunique(), 1)
    wait = int(np.ceil((needed - mine.uses_after) / a_day))
    return {"verdict": "too early", "look_again": later.max() + pd.Timedelta(days=wait)}


def _window(entry: Entry, site: Site, tried: pd.DataFrame) -> tuple[pd.Timestamp, pd.Timestamp]:
    """From the entry before it at the same place to the one after it, else the whole log."""
    same = [
        other.day
        for other in entries(site)
        if other.by == entry.by and other != entry and _overlap(entry, other)
    ]
    first = max((day for day in same if day < entry.day), default=tried["day"].min())
    last = min((day for day in same if day > entry.day), default=tried["day"].max())
    return first, last


def _overlap(one: Entry, other: Entry) -> bool:
    floors = not one.floors or not other.floors or bool({*one.floors} & {*other.floors})
    chute = None in (one.chute, other.chute) or one.chute == other.chute
    part = None in (one.component, other.component) or one.component == other.component
    return floors and chute and part


def _days(table: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp) -> pd.DataFrame:
    return table[table["day"].ge(first) & table["day"].le(last)]


Group = tuple[pd.DataFrame, pd.DataFrame]


def _group(entry: Entry, chute: str, events: pd.DataFrame, tried: pd.DataFrame) -> Group:
    """The events and days of the doors that it was for."""
    events = events[events["chute"].eq(chute)]
    tried = tried[tried["chute"].eq(chute)]
    if not entry.floors:
        return events, tried
    return events[events["floor"].isin(entry.floors)], tried[tried["floor"].isin(entry.floors)]


def _counts(
    day: pd.Timestamp, events: pd.DataFrame, tried: pd.DataFrame, over: str
) -> tuple[Counts, pd.DataFrame]:
    """Counts before and after a day, which belongs to neither, on days that the log covers."""
    covered = events[events["day"].isin(tried["day"])]
    parts = [
        (int(covered["day"].lt(day).sum()), float(tried.loc[tried["day"].lt(day), over].sum())),
        (int(covered["day"].gt(day).sum()), float(tried.loc[tried["day"].gt(day), over].sum())),
    ]
    return Counts(*parts[0], *parts[1]), tried


def _others(
    entry: Entry, chute: str, events: pd.DataFrame, tried: pd.DataFrame, over: str
) -> tuple[str | None, Counts | None]:
    """The doors to compare with: the chute's other doors, else the site's other chutes."""
    if entry.floors:
        rest = ~tried["floor"].isin(entry.floors) & tried["chute"].eq(chute)
        away = ~events["floor"].isin(entry.floors) & events["chute"].eq(chute)
        away &= events["floor"].notna()
        name = "the chute's other doors"
    elif entry.chute is not None:
        rest, away = tried["chute"].ne(chute), events["chute"].ne(chute)
        name = "the site's other chutes"
    else:
        return None, None
    counts, _ = _counts(entry.day, events[away], tried[rest], over)
    enough = counts.useful and counts.before + counts.after > 0
    return (name, counts) if enough else (None, None)


def _spread(day: pd.Timestamp, group: Group, over: str) -> float:
    """How much more the counts of a week vary than chance would have it, at least 1.

    Before and after each about a rate of their own, so that an effect is no spread.
    """
    events, tried = (part.assign(week=(part["day"] - day).dt.days // 7) for part in group)
    uses = tried.groupby("week")[over].sum()
    count = events.groupby("week").size().reindex(uses.index, fill_value=0)
    later = uses.index.to_numpy() >= 0
    found = dispersion(
        np.stack([count.where(~later, 0), count.where(later, 0)]),
        np.stack([uses.where(~later, 0), uses.where(later, 0)]),
    )
    return float(np.nanmax([1.0, found]))


def _by_luck(
    entry: Entry, chute: str, events: pd.DataFrame, tried: pd.DataFrame, over: str
) -> float:
    """The ratio that regression to the mean alone would bring; NaN where it cannot be told."""
    if not entry.floors:
        return float("nan")
    days = tried[tried["chute"].eq(chute) & tried["day"].lt(entry.day)]
    uses = days.groupby("floor", observed=True)[over].sum()
    uses = uses[uses > 0]
    mine = events[events["chute"].eq(chute) & events["day"].isin(days["day"])]
    counts = mine.groupby("floor", observed=True).size().reindex(uses.index, fill_value=0)
    if len(uses) < 3 or not counts.sum():
        return float("nan")
    spread = gamma_poisson(counts.to_numpy(float), uses.to_numpy(float))
    here = uses.index.isin(entry.floors)
    shrunk = spread.shrink(counts.to_numpy(float), uses.to_numpy(float))
    seen = counts[here].sum() / uses[here].sum()
    expected = (shrunk[here] * uses[here]).sum() / uses[here].sum()
    return float(expected / seen) if seen else float("nan")

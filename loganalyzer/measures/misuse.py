"""Which floors lock themselves out more often than the others, and whether that can be chance.

Only what can be held against anybody is judged: visits, and episodes that begin, while the
log covers the time and the door was in service.

The test. Given how many episodes a chute's floors had together, a floor's share of them is
compared with its share of the visits: the exact conditional test of two Poisson rates, one-sided
since only an excess is looked for. That test alone would accuse too many: one person makes
several episodes in a few days, and floors differ a little without anybody misusing anything. So
all counts are first divided by their dispersion, the largest of

- 1 (Poisson),
- variance over mean of the floors' counts in blocks of a day, each floor about its own rate,
- the same in blocks of a week, where the log has four, for what goes on for days,
- how far the totals of the *other* floors spread about their common rate, where there are five
  or more of them; the outermost fifth at each end is pulled in to the next, and the variance
  corrected for it, so that two or three misused floors do not hide one another.

A plain negative binomial regression was turned down: with some ten floors and a few episodes
each its dispersion cannot be told apart from the floor that is sought. `tests.benchmarks.misuse`
prints how often the test accuses wrongly and how often it finds.

Doors that look broken (`buttons`) take no part: they are neither flagged nor compared with.

Source: the test: `poisson_ratio`; pulling in the outermost values: D. J. Spiegelhalter, Stat.
Med. 24 (2005) 1185-1202 (from memory); the thresholds are ours, common practice, no source.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, anchored, counts, plain, tally, why
from loganalyzer.rates import Ratio, dispersion, gamma_poisson, poisson_ratio
from loganalyzer.sentences import things
from loganalyzer.service import inside
from loganalyzer.spans import micros
from loganalyzer.stats import benjamini_hochberg, poisson_interval
from loganalyzer.tables import require

Cells = NDArray[np.float64]

DAY_S = 86400
# A floor is flagged where chance is this unlikely, the rate so many times the others', and the
# episodes fall on several days: one bad afternoon accuses nobody.
SURE, TIMES_THE_REST, DAYS_WITH_EPISODES = 0.05, 1.5, 3
# Below these a floor is not judged.
VISITS, DAYS = 30, 7
FLOORS_TO_SPREAD, OUTERMOST, WEEKS = 5, 0.2, 4

NO_VISITS = "no visits"
NOT_IN_SERVICE = "never in service while the log covers it"
NO_UNITS = "units not in the site file"


def misuse(
    timeline: pd.DataFrame, visits: pd.DataFrame, locked: pd.DataFrame, service: pd.DataFrame,
    broken: pd.Series, facts: Facts,
) -> pd.DataFrame:  # fmt: skip
    """Judge every door against the other doors of its chute.

    Args:
        timeline: Tells which visits begin at a time that can be trusted.
        visits: The table of that name.
        locked: What `lockouts.lockouts` returns.
        service: What `service.in_service` returns.
        broken: By the index of `facts.doors`: why to look at the hardware first, else null.
        facts: What is known of the chutes.

    Returns:
        One row a door of `facts.doors`, in its order: `site`, `chute`, `floor`, `exposure_days`
        (covered and in service), `visits_in_service`, `episodes_in_service` (counts),
        `episodes_per_100_visits` with its exact 95 % Poisson interval `low` to `high`,
        `episodes_per_unit_30d` with `unit_low` to `unit_high`, `shrunken` (per 100 visits,
        shrunk over all floors of the site), `dispersion`, `times_rest` (the rate over that of
        the chute's other floors; null where those had no episode) with `rest_low` to
        `rest_high`, `p_value`, `q_value` (over the site's judged floors), `flagged`, `reason`
        (why some of these are null, or the door is not judged, else null).
    """
    require(visits, *DOOR, "start", "source", "line")
    held = visits[anchored(visits, timeline) & inside(visits, "start", service)]
    episodes = locked[locked["in_episode"].eq(1)]
    episodes = episodes[inside(episodes, "start", service)]
    table = _counted(held, episodes, service, facts)
    table = table.assign(**_rates(table), **_per_unit(table), days_hit=_days_hit(episodes, facts))
    table["hardware"] = broken.to_numpy()
    reasons = _reasons(table, facts)
    judged = reasons["judged"]
    table = table.assign(**_compared(table, judged, held, episodes, service))
    table["q_value"] = table.groupby("site")["p_value"].transform(lambda p: benjamini_hochberg(p))
    flagged = stands_out(table["q_value"], table["excess"], table["days_hit"])
    shrunken = _shrunken(table)
    return table.assign(flagged=flagged, shrunken=shrunken, reason=reasons["text"])[COLUMNS]


COLUMNS = [
    *DOOR, "exposure_days", "visits_in_service", "episodes_in_service", "episodes_per_100_visits",
    "low", "high", "episodes_per_unit_30d", "unit_low", "unit_high", "shrunken", "dispersion",
    "times_rest", "rest_low", "rest_high", "p_value", "q_value", "flagged", "reason",
]  # fmt: skip


def compare(episodes: Cells, visits: Cells) -> tuple[Ratio, Cells]:
    """Each floor of a chute against the others together, as the module's docstring says.

    Args:
        episodes: Counts, shape (floors, days); two floors or more.
        visits: Counts, shape (floors, days).

    Returns:
        The ratios, and each floor's dispersion, shape (floors,).
    """
    mine, tried = episodes.sum(axis=1), visits.sum(axis=1)
    spread = np.fmax(_within(episodes, visits), _between(mine, tried))
    others = (mine.sum() - mine, tried.sum() - tried)
    return poisson_ratio(mine, tried, *others, spread), spread


def stands_out(q_value: ArrayLike, times_rest: ArrayLike, days: ArrayLike) -> NDArray[np.bool_]:
    """Whether a floor is flagged; a null q or rate never is.

    Args:
        q_value: Adjusted over all floors that are judged together.
        times_rest: The rate over that of the other floors, infinite where those have none.
        days: On how many days the floor had an episode.
    """
    q, times, hit = (np.asarray(values, np.float64) for values in (q_value, times_rest, days))
    return (q <= SURE) & (times >= TIMES_THE_REST) & (hit >= DAYS_WITH_EPISODES)


def _within(episodes: Cells, visits: Cells) -> float:
    """Dispersion of the floors' counts from day to day and from week to week, at least 1."""
    weeks = visits.shape[1] // 7
    found = [1.0, dispersion(episodes, visits)]
    if weeks >= WEEKS:
        shape = (len(visits), weeks, 7)
        weekly = (cells[:, : weeks * 7].reshape(shape).sum(axis=2) for cells in (episodes, visits))
        found.append(dispersion(*weekly))
    return float(np.nanmax(found))


def _between(episodes: Cells, visits: Cells) -> Cells:
    """For each floor, how far the totals of the others spread about their common rate."""
    spread = np.ones(len(episodes))
    if len(episodes) <= FLOORS_TO_SPREAD:
        return spread
    cut = max(1, round(OUTERMOST * (len(episodes) - 1)))
    for floor in range(len(spread)):
        mine, tried = np.delete(episodes, floor), np.delete(visits, floor)
        tried = np.fmax(tried, 1.0)
        kept = np.argsort(mine / tried, kind="stable")[cut:-cut]
        expected = np.fmax(tried * mine[kept].sum() / tried[kept].sum(), 1e-9)
        z = (mine - expected) / np.sqrt(expected)
        z = np.clip(z, z[kept].min(), z[kept].max())
        spread[floor] = np.mean(z**2) / _pulled_in(cut / len(z))
    return spread


def _pulled_in(share: float) -> float:
    """The variance left of a standard normal when that share is pulled in at each end."""
    edge = -ndtri(share)
    density = np.exp(-(edge**2) / 2) / np.sqrt(2 * np.pi)
    return float(1 - 2 * share - 2 * edge * density + 2 * share * edge**2)


def _counted(
    visits: pd.DataFrame, episodes: pd.DataFrame, service: pd.DataFrame, facts: Facts
) -> pd.DataFrame:
    """The doors with their counts and the time they were in service."""
    table = facts.doors[[*DOOR, "units"]].merge(facts.recorded, on=CHUTE, how="left")
    seconds = service.groupby(CHUTE)["seconds"].sum().rename("exposure").reset_index()
    table = table.merge(seconds, on=CHUTE, how="left")
    for name, rows in (("visits_in_service", visits), ("episodes_in_service", episodes)):
        table = table.merge(tally(rows, DOOR, name), on=DOOR, how="left")
    lockouts = table["press"] | table["lockout"]
    return table.assign(
        exposure_days=table["exposure"].fillna(0.0) / DAY_S,
        visits_in_service=counts(table["visits_in_service"], table["press"]),
        episodes_in_service=counts(table["episodes_in_service"], lockouts),
    )


def _rates(table: pd.DataFrame) -> dict[str, pd.Series]:
    """Episodes per 100 visits, with the exact interval over the visits made."""
    visits = table["visits_in_service"].astype("float64")
    return dict(
        zip(
            ("episodes_per_100_visits", "low", "high"),
            _per(table["episodes_in_service"], visits / 100),
            strict=True,
        )
    )


def _per_unit(table: pd.DataFrame) -> dict[str, pd.Series]:
    """Episodes per unit and 30 days in service, with the exact interval."""
    exposure = table["units"].astype("float64") * table["exposure_days"] / 30
    return dict(
        zip(
            ("episodes_per_unit_30d", "unit_low", "unit_high"),
            _per(table["episodes_in_service"], exposure),
            strict=True,
        )
    )


def _per(number: pd.Series, exposure: pd.Series) -> tuple[pd.Series, pd.Series, pd.Series]:
    known = exposure.where(exposure > 0)
    low, high = poisson_interval(number)
    return (
        number.astype("float64") / known,
        pd.Series(low, index=known.index) / known,
        pd.Series(high, index=known.index) / known,
    )


def _days_hit(episodes: pd.DataFrame, facts: Facts) -> pd.Series:
    """On how many days each door had an episode."""
    days = plain(episodes[DOOR], *DOOR).assign(day=micros(episodes["start"]) // (DAY_S * 10**6))
    found = tally(days.drop_duplicates(), DOOR, "n")
    return facts.doors[DOOR].merge(found, on=DOOR, how="left")["n"].fillna(0)


def _compared(
    table: pd.DataFrame, judged: pd.Series, visits: pd.DataFrame, episodes: pd.DataFrame,
    service: pd.DataFrame,
) -> dict[str, pd.Series]:  # fmt: skip
    """The test of every judged door; null for the others."""
    names = ("dispersion", "times_rest", "rest_low", "rest_high", "p_value", "excess")
    found = pd.DataFrame(np.nan, index=table.index, columns=list(names))
    for _, part in table[table["hardware"].isna() & table["press"]].groupby(CHUTE):
        which = judged[part.index]
        if not which.any() or len(part) < 2:
            continue
        of_chute = service[service["site"].eq(part["site"].iloc[0])]
        of_chute = of_chute[of_chute["chute"].eq(part["chute"].iloc[0])]
        cells = (_cells(rows, part, of_chute) for rows in (episodes, visits))
        ratio, spread = compare(*cells)
        bounded = (
            np.where(np.isfinite(v), v, np.nan) for v in (ratio.ratio, ratio.low, ratio.high)
        )
        columns = [spread, *bounded, ratio.p_more, ratio.ratio]
        found.loc[part.index[which]] = np.column_stack(columns)[which]
    return {name: found[name] for name in names}


def _cells(rows: pd.DataFrame, doors: pd.DataFrame, service: pd.DataFrame) -> Cells:
    """Counts of one chute by door and day (of 24 hours from where its service begins)."""
    first, last = micros(service["start"]).min(), micros(service["end"]).max()
    site, chute = doors["site"].iloc[0], doors["chute"].iloc[0]
    own = rows[rows["site"].eq(site) & rows["chute"].eq(chute)]
    place = pd.Index(doors["floor"]).get_indexer(pd.Index(own["floor"].astype("str")))
    day = (micros(own["start"]) - first) // (DAY_S * 10**6)
    days = int((last - first) // (DAY_S * 10**6)) + 1
    known = place >= 0
    cells = np.bincount(place[known] * days + day[known], minlength=len(doors) * days)
    return cells.reshape(len(doors), days).astype(np.float64)


def _shrunken(table: pd.DataFrame) -> pd.Series:
    """Episodes per 100 visits, shrunk to the site's floors; broken doors do not set the mark."""
    found = pd.Series(np.nan, index=table.index)
    for _, part in table[table["visits_in_service"].fillna(0) > 0].groupby("site"):
        episodes = part["episodes_in_service"].astype("float64")
        hundreds = part["visits_in_service"].astype("float64") / 100
        sound = part["hardware"].isna()
        prior = gamma_poisson(episodes[sound], hundreds[sound])
        shrunk = prior.shrink(episodes, hundreds)
        if sound.sum() > 1 and episodes[sound].sum() == 0:
            shrunk = np.where(sound, 0.0, np.nan)  # nothing to fit: the common rate is 0
        found.loc[part.index] = shrunk
    return found


def _reasons(table: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Why a door is not judged or something is null: `text`; and whether it is `judged`."""
    visits = table["visits_in_service"].astype("float64").fillna(0.0)
    in_play = visits.where(table["hardware"].isna() & table["press"], 0.0)
    others = in_play.groupby([table[c] for c in CHUTE]).transform("sum") - in_play
    days = table["exposure_days"]
    told = [
        f"too few visits or days to judge: {things(int(number), 'visit', 'visits')} in "
        f"{time:.1f} days"
        for number, time in zip(visits, days, strict=True)
    ]
    few = pd.Series(told, index=table.index, dtype="str")
    not_judged = why(
        (~table["press"].astype(bool), NOT_RECORDED["press"]),
        (days.eq(0), NOT_IN_SERVICE),
        (visits.eq(0), NO_VISITS),
        (table["hardware"].notna(), "hardware"),
        ((visits < VISITS) | (days < DAYS), "few"),
        (others < VISITS, "no other floors to compare with"),
    ).set_axis(table.index)
    not_judged = not_judged.mask(not_judged.eq("few"), few)
    not_judged = not_judged.mask(not_judged.eq("hardware"), table["hardware"])
    units = why((table["units"].isna(), NO_UNITS)).set_axis(table.index)
    both = zip(not_judged, units, strict=True)
    said = ["; ".join(text for text in row if isinstance(text, str)) or None for row in both]
    text = pd.Series(said, index=table.index, dtype="str")
    return pd.DataFrame({"judged": not_judged.isna(), "text": text})

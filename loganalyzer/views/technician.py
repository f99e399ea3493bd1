"""The tables behind the technician's page: hot spots, the chart of a timing, each occurrence."""

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.measures.suspect_advice import FIRE_DOOR, ISOLATE, RATED, steps_of
from loganalyzer.measures.troubles import CODE
from loganalyzer.tables import COMPONENTS
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.pictures import of_chute

CHUTE_WIDE = "chute"  # the column of parts that belong to no one door
SPOT = [*CHUTE, "component", "floor", "faults", "glitches", "others", "score", "suspect"]
CHART = [
    "day", "n", "median_s", "p90_s", "level_s", "ewma", "ewma_low", "ewma_high", "cusum",
    "cusum_limit", "limit_s", "shift_from", "out",
]  # fmt: skip
OCCURRENCE = [*DOOR, "component", "what", "time", "local", "seconds", "source", "line"]


def hot_spots(analysis: Analysis, site: str, chute: str) -> pd.DataFrame:
    """How much trouble each part has at each door.

    Returns:
        One row a component (in the order of `tables.COMPONENTS`) and floor (top door last, as in
        `facts.doors`; "chute" for what belongs to no one door): `site`, `chute`, `component`,
        `floor`, `faults` (occurrences of fault codes), `glitches`, `others` (long openings, slow
        moves, false fulls, restarts), `score` (of the suspect, 0 where it is none), `suspect`
        (yes/no).
    """
    floors = [*of_chute(analysis.facts.doors, site, chute)["floor"], CHUTE_WIDE]
    grid = pd.MultiIndex.from_product([COMPONENTS, floors], names=["component", "floor"])
    state = analysis.condition
    columns = {
        "faults": _summed(of_chute(state.faults, site, chute), "count"),
        "glitches": _summed(of_chute(state.glitches, site, chute), "count"),
        "others": _summed(of_chute(_others(analysis).assign(count=1), site, chute), "count"),
        "score": _summed(of_chute(state.suspects, site, chute), "score"),
    }
    table = pd.DataFrame({name: found.reindex(grid) for name, found in columns.items()})
    counts = dict.fromkeys(("faults", "glitches", "others"), "int64")
    table = table.fillna(0).astype(counts).reset_index()
    return table.assign(site=site, chute=chute, suspect=table["score"] > 0)[SPOT]


def drift_chart(
    analysis: Analysis, site: str, chute: str, what: str, floor: str | None = None,
    pair: str | None = None,
) -> pd.DataFrame:  # fmt: skip
    """One timing day by day with its control limits.

    Args:
        analysis: What `analyse` returns.
        site: Site id.
        chute: Chute id.
        what: "open_s", "unlock_s", "positioning_s" or "clear_s".
        floor: The door, null for the sorter and clearing.
        pair: Of travels "from > to", null for all travels.

    Returns:
        One row a local `day`: `n` uses, `median_s`, `p90_s`, `level_s` (against the other
        doors), `ewma`, `ewma_low`, `ewma_high`, `cusum`, `cusum_limit` (seconds), `limit_s` (the
        site's, null where it has none), `shift_from` (on or after the day from which it shifted,
        if it is slower), `out` (above a control limit). Empty where the log shows none.
    """
    days = _series(of_chute(analysis.condition.drift_days, site, chute), what, floor, pair)
    judged = _series(of_chute(analysis.condition.drift, site, chute), what, floor, pair)
    moved = judged[judged["slower"].fillna(False).astype(bool)]
    since = moved["since"].min()
    limit = judged["limit_s"].iloc[0] if len(judged) else None
    out = days["ewma"].gt(days["ewma_high"]) | days["cusum"].gt(days["cusum_limit"])
    shifted = days["day"].ge(since) if len(moved) else pd.Series(False, index=days.index)
    table = days.assign(limit_s=limit, shift_from=shifted, out=out)
    return table[CHART].reset_index(drop=True)


def occurrences(
    analysis: Analysis, site: str, chute: str, component: str, floor: str | None = None
) -> pd.DataFrame:  # fmt: skip
    """Each single trouble of a part, the latest first, for the strip and the raw lines.

    Args:
        analysis: What `analyse` returns.
        site: Site id.
        chute: Chute id.
        component: One of `tables.COMPONENTS`.
        floor: Only this door's; null is all of the chute.

    Returns:
        `site`, `chute`, `floor`, `component`, `what` (fault code, kind of glitch, or which other
        trouble), `time`, `local` (the site's wall clock), `seconds` (of faults; else null),
        `source`, `line`.
    """
    state = analysis.condition
    faults = state.episodes.assign(what=state.episodes["code"], time=state.episodes["start"])
    odd = state.oddities.assign(what=state.oddities["kind"], seconds=float("nan"))
    columns = [name for name in OCCURRENCE if name != "local"]
    others = _others(analysis).assign(seconds=float("nan"))
    parts = [part[columns] for part in (faults, odd, others) if len(part)] or [odd[columns]]
    found = of_chute(pd.concat(parts, ignore_index=True), site, chute)
    found = found[found["component"].eq(component)]
    found = found if floor is None else found[found["floor"].eq(floor)]
    found = found.sort_values("time", ascending=False, kind="stable", ignore_index=True)
    return found.assign(local=wall_clock(found, analysis.sites, "time"))[OCCURRENCE]


def surroundings(
    analysis: Analysis, site: str, chute: str, at: pd.Timestamp, seconds: float = 60.0
) -> pd.DataFrame:  # fmt: skip
    """The events of a chute around a moment.

    Returns:
        Rows of `timeline` at most so many seconds away, in their order, and `after_s` (seconds
        after the moment, below 0 before it).
    """
    rows = of_chute(analysis.timeline, site, chute)
    after = (rows["time"] - at).dt.total_seconds()
    near = after.abs() <= seconds
    return rows[near].assign(after_s=after[near]).reset_index(drop=True)


def _others(analysis: Analysis) -> pd.DataFrame:
    """Troubles that are neither fault codes nor glitches."""
    state = analysis.condition
    told = {CODE, *state.oddities["kind"]}
    found = state.troubles[~state.troubles["sign"].isin(told)]
    return found.assign(what=found["sign"])


def _summed(table: pd.DataFrame, number: str) -> pd.Series:
    """A number by component and floor."""
    keys = [table["component"].astype("str"), table["floor"].astype("str").fillna(CHUTE_WIDE)]
    sums: pd.Series = table[number].groupby(keys).sum()
    return sums


def _series(table: pd.DataFrame, what: str, floor: str | None, pair: str | None) -> pd.DataFrame:
    mine = table["what"].eq(what)
    for name, value in (("floor", floor), ("pair", pair)):
        mine &= table[name].isna() if value is None else table[name].eq(value)
    return table[mine]


def advised(suspect: Mapping[Any, Any]) -> list[str]:
    """The advice for a suspect as phrases: the caution, the steps, what holds of rated parts.

    The last is empty where the part is no part of a fire door.
    """
    part, evidence = str(suspect["component"]), json.loads(suspect["evidence"])
    steps = steps_of(part, evidence, bool(suspect["misuse"]))
    rated = phrase(FIRE_DOOR) if part in RATED else ""
    return [phrase(ISOLATE), *(phrase("{step:C}.", step=phrase(step)) for step in steps), rated]

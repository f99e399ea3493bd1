"""The rows behind a number: visits, cycles, presses, refusals, lockouts, one by one."""

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from loganalyzer.localtime import local_parts, wall_clock
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.shown import shown_to_manager

COLUMNS = [
    "time", "local", "chute", "floor", "stream", "seconds", "presses", "refusals", "result",
    "source", "line",
]  # fmt: skip


@dataclass(frozen=True)
class Wanted:
    """Which rows: none named is all.

    Attributes:
        floors: Floor labels.
        stream: A stream.
        result: How visits ended, cycles' outcome, a refusal's code.
        hour: Hour of the local week, 0 is Monday from midnight.
        day: A local day, 2026-10-05.
    """

    floors: frozenset[str] = frozenset()
    stream: str | None = None
    result: str | None = None
    hour: int | None = None
    day: str | None = None


def behind(analysis: Analysis, what: str, wanted: Wanted) -> pd.DataFrame:
    """The rows that a number counts.

    Args:
        analysis: Of one site.
        what: A key of `KINDS`.
        wanted: Which of them.

    Returns:
        One row each, by time: `time` (UTC), `local` (the site's wall clock), `chute`, `floor`,
        `stream`, `seconds` (the wait of a visit, how long a cycle's door stood open, a lockout
        lasted), `presses`, `refusals`, `result`, `source`, `line` (where it begins in the
        export). Floors of few units are left out.
    """
    rows = KINDS[what](analysis)
    rows = rows.reindex(columns=["site", *(c for c in COLUMNS if c != "local")])
    for column, value in (("stream", wanted.stream), ("result", wanted.result)):
        if value is not None:
            rows = rows[rows[column].eq(value)]
    if wanted.floors:
        rows = rows[rows["floor"].isin(list(wanted.floors))]
    rows = shown_to_manager(rows, analysis.sites)
    parts = local_parts(rows, analysis.sites, "time")
    if wanted.hour is not None:
        rows = rows[parts["hour_of_week"].eq(wanted.hour)]
    if wanted.day is not None:
        rows = rows[parts["day"].eq(pd.Timestamp(wanted.day)).reindex(rows.index)]
    rows = rows.sort_values("time", kind="stable", ignore_index=True)
    return rows.assign(local=wall_clock(rows, analysis.sites, "time"))[COLUMNS]


def _visits(analysis: Analysis) -> pd.DataFrame:
    return analysis.visits.rename(columns={"start": "time", "wait_s": "seconds"})


def _cycles(analysis: Analysis) -> pd.DataFrame:
    found = analysis.cycles
    began = found["pressed"].fillna(found["unlocked"]).fillna(found["opened"])
    return found.assign(time=began, seconds=found["open_s"], result=found["outcome"])


def _lockouts(analysis: Analysis) -> pd.DataFrame:
    found = analysis.lockouts
    said = found["inferred"].astype(bool).map({True: "inferred from presses", False: "logged"})
    return found.assign(time=found["start"], result=said)


def _episodes(analysis: Analysis) -> pd.DataFrame:
    found = _lockouts(analysis)
    return found[found["in_episode"].eq(1)]


def _events(signal: str) -> Callable[[Analysis], pd.DataFrame]:
    def found(analysis: Analysis) -> pd.DataFrame:
        rows = analysis.timeline[analysis.timeline["signal"].eq(signal)]
        return rows.assign(result=rows["code"])

    return found


# By the word that the address uses.
KINDS: dict[str, Callable[[Analysis], pd.DataFrame]] = {
    "visits": _visits,
    "cycles": _cycles,
    "refusals": _events("refusal"),
    "presses": _events("press"),
    "lockouts": _lockouts,
    "episodes": _episodes,
}

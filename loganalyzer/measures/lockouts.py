"""Abuse lockouts: those the controller logged, and those its presses imply.

Where a chute logs presses and no lockout, a lockout is inferred from the site's limits: it
begins at the press that is more than `press_limit` within `press_window_s` (a press exactly
that long after another is inside), ends `quiet_s` after the last press, is prolonged by presses
before that, and the count then begins anew; a press at the very end is the first of the new
count. Presses whose time cannot be trusted count for nothing.

Lockouts at one door are one episode while each begins within 10 minutes of the end of those
before: one child makes many lockouts.

Source: common practice, no source.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, DOOR, Facts, anchored, plain
from loganalyzer.spans import merge_close, micros
from loganalyzer.tables import require

EPISODE_GAP_S = 600


def lockouts(timeline: pd.DataFrame, intervals: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Every lockout with a time that can be trusted, and the episode it belongs to.

    Returns:
        One row a lockout, sorted by door and start: `site`, `chute`, `floor`, `start`, `end`,
        `seconds` (null where an end is not known), `start_known`, `end_known`, `ongoing` (at
        the end of the log), `inferred`, `source`, `line` (the event that begins it), `episode`
        (a number), `in_episode` (1, 2, …), `episode_size`, `episode_start`.
    """
    require(timeline, *DOOR, "signal", "time", "clock", "source", "line")
    require(intervals, *DOOR, "signal", "start", "end", "seconds", "end_known", "ended_by")
    found = pd.concat([_logged(timeline, intervals), _inferred(timeline, facts)])
    found = found.sort_values([*DOOR, "start"], ignore_index=True)
    found["episode"] = merge_close(found, DOOR, EPISODE_GAP_S)
    episodes = found.groupby("episode")
    return found.assign(
        in_episode=episodes.cumcount() + 1,
        episode_size=episodes["start"].transform("size"),
        episode_start=episodes["start"].transform("min"),
    )


def infer(times: NDArray[np.int64], limit: int, window: int, quiet: int) -> list[tuple[int, int]]:
    """The lockouts that the presses at one door imply.

    Jumps from lockout to lockout, so that the many presses that lead to none cost nothing.

    Args:
        times: Sorted, shape (n,), any unit.
        limit: More presses than this within `window` bring a lockout.
        window: In the unit of `times`.
        quiet: A lockout ends this long after the last press; in the unit of `times`.

    Returns:
        For each lockout the places of the press that begins it and of the last press in it.
    """
    trips = np.flatnonzero(times[limit:] - times[:-limit] <= window)  # first press of the count
    rests = np.append(np.flatnonzero(np.diff(times) >= quiet), len(times) - 1)
    found, anew = [], 0
    while (trip := int(np.searchsorted(trips, anew))) < len(trips):
        begins = int(trips[trip]) + limit
        last = int(rests[np.searchsorted(rests, begins)])
        found.append((begins, last))
        anew = last + 1
    return found


def _logged(timeline: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    locked = intervals[intervals["signal"].eq("lockout")]
    locked = plain(locked[anchored(locked, timeline)], *DOOR, "source")
    ongoing = locked["ended_by"].eq("log_end")
    columns = [*DOOR, "start", "end", "seconds", "start_known", "end_known", "source", "line"]
    return locked[columns].assign(ongoing=ongoing.astype(bool), inferred=False)


def _inferred(timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    silent = facts.recorded[facts.recorded["press"] & ~facts.recorded["lockout"]]
    if silent.empty:
        return pd.DataFrame()
    presses = timeline.loc[
        timeline["signal"].eq("press") & timeline["clock"].ne("unanchored"),
        [*DOOR, "time", "source", "line"],
    ]
    presses = plain(presses, *DOOR, "source").merge(silent[CHUTE], on=CHUTE)
    presses = presses.sort_values([*DOOR, "time"], kind="stable", ignore_index=True)
    presses = presses.merge(facts.limits, on=CHUTE, how="left")
    begins, last = _places(presses)
    first, final = presses.iloc[begins].reset_index(), presses.iloc[last].reset_index()
    over = final["time"] + pd.to_timedelta(final["quiet_s"], unit="s").dt.as_unit("us")
    log_end = first[CHUTE].merge(facts.ends, on=CHUTE, how="left")["log_end"]
    known = over <= log_end
    end = over.where(known, log_end)
    spent = (end - first["time"]).dt.total_seconds()
    return first[[*DOOR, "source", "line"]].assign(
        start=first["time"], end=end, seconds=spent.where(known), start_known=True,
        end_known=known, ongoing=~known, inferred=True,
    )  # fmt: skip


def _places(presses: pd.DataFrame) -> tuple[list[int], list[int]]:
    """Rows of the presses that begin a lockout and of the last press in each."""
    begins: list[int] = []
    last: list[int] = []
    times = micros(presses["time"])
    limits = (
        presses["press_limit"].to_numpy("int64"),
        presses["press_window_s"].to_numpy("float64") * 1e6,
        presses["quiet_s"].to_numpy("float64") * 1e6,
    )
    for rows in presses.groupby(DOOR, sort=False).indices.values():
        limit, window, quiet = (int(column[rows[0]]) for column in limits)
        for start, stop in infer(times[rows], limit, window, quiet):
            begins.append(int(rows[start]))
            last.append(int(rows[stop]))
    return begins, last

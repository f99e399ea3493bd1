"""A stretch of time as a strip: what every lane shows, the incidents, the lines behind it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.spans import micros
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.lanes import Lanes
from loganalyzer.views.shown import shown_to_manager
from loganalyzer.views.thinning import thinned

SHOWN = ["incident", "kind", "chute", "floor", "stream", "code", "begin", "until", "ongoing", "for"]
LINE = ["time", "chute", "floor", "signal", "edge", "stream", "code", "source", "line"]
AROUND = 0.25  # of an incident's length, shown before and after it
SHORTEST_S = 120.0  # shown around an incident without length
FINEST_US = 1_000_000  # the closest look: a second


@dataclass(frozen=True)
class Stretch:
    """What lies between two times.

    Attributes:
        marks: As `thinning.thinned`, of the lanes wanted, and `whole`: the log shows both ends
            of a single span.
        incidents: Every incident that touches the stretch, however short, by start: the columns
            of `SHOWN`; `begin` and `until` in microseconds.
        gaps: Where the log covers nothing: `chute`, `begin`, `until`.
    """

    marks: pd.DataFrame
    incidents: pd.DataFrame
    gaps: pd.DataFrame


def stretch(
    analysis: Analysis, lanes: Lanes, begin: int, until: int, pixels: int,
    floors: frozenset[str] = frozenset(),
) -> Stretch:  # fmt: skip
    """Cut a stretch out of the lanes.

    Args:
        analysis: Of one site.
        lanes: Its lanes.
        begin: First microsecond in view.
        until: First microsecond past it.
        pixels: Width of the view.
        floors: Only these doors, and what belongs to no door; all where empty. Incidents of
            other doors are left out too.
    """
    marks = thinned(lanes.spans, begin, until, pixels)
    if floors:
        there = lanes.names[lanes.names["floor"].isin([*floors, ""])]
        marks = marks[marks["lane"].isin(there["lane"])].reset_index(drop=True)
    row = marks["row"].to_numpy()
    whole = np.where(row >= 0, lanes.whole[row] if len(lanes.whole) else True, True)
    missing = analysis.coverage[~analysis.coverage["covered"].astype(bool)]
    gaps = pd.DataFrame({
        "chute": missing["chute"].astype("str"), "begin": micros(missing["start"]),
        "until": micros(missing["end"]),
    })  # fmt: skip
    return Stretch(
        marks.assign(whole=whole.astype(bool)),
        _touching(placed_incidents(analysis, floors), begin, until),
        _touching(gaps, begin, until),
    )


def placed_incidents(analysis: Analysis, floors: frozenset[str] = frozenset()) -> pd.DataFrame:
    """The incidents in order of time: the columns of `SHOWN`.

    Those of a manager at floors of few units are left out, as everywhere.
    """
    found = shown_to_manager(analysis.incidents, analysis.sites)
    if floors:
        found = found[found["floor"].isna() | found["floor"].isin(list(floors))]
    until = found["end"].fillna(found["start"])
    placed = found.assign(begin=micros(found["start"]), until=micros(until))
    return placed[SHOWN].sort_values(["begin", "incident"], kind="stable", ignore_index=True)


def around(begin: int, until: int) -> tuple[int, int]:
    """The stretch that shows something with a little of what was before and after it."""
    room = int(max(AROUND * (until - begin), SHORTEST_S * 1e6 / 2))
    return begin - room, until + room


def neighbours(incidents: pd.DataFrame, at: int, chosen: str | None) -> tuple[int, int]:
    """The places, in `placed_incidents`, of the incident before and of the one after; -1 is none.

    Args:
        incidents: As `placed_incidents` gives them.
        at: Where one stands, microseconds.
        chosen: The incident one stands on, if any.
    """
    here = np.flatnonzero(incidents["incident"].to_numpy(object) == chosen)
    begins = incidents["begin"].to_numpy("int64")
    before = int(here[0]) - 1 if len(here) else int(np.searchsorted(begins, at, side="left")) - 1
    after = int(here[0]) + 1 if len(here) else int(np.searchsorted(begins, at, side="right"))
    return before, after if after < len(begins) else -1


def lines_near(
    analysis: Analysis, begin: int, until: int, at: int, most: int,
    floors: frozenset[str] = frozenset(),
) -> tuple[int, pd.DataFrame]:  # fmt: skip
    """The events of a stretch that lie nearest to a moment, in the order of the log.

    Returns:
        How many events the stretch has, and at most `most` of them: the columns of `LINE`.
    """
    log = analysis.timeline
    time = micros(log["time"])
    there = (time >= begin) & (time < until)
    if floors:
        there &= (log["floor"].isna() | log["floor"].isin(list(floors))).to_numpy(bool)
    places = np.flatnonzero(there)
    if len(places) > most:
        away = np.abs(time[places] - at)
        places = np.sort(places[np.argpartition(away, most)[:most]])
    found = log.iloc[places][LINE]
    return int(there.sum()), found.sort_values("time", kind="stable", ignore_index=True)


def _touching(rows: pd.DataFrame, begin: int, until: int) -> pd.DataFrame:
    return rows[(rows["begin"] < until) & (rows["until"] >= begin)].reset_index(drop=True)

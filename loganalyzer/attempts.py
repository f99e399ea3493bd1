"""The attempts at one chute: who pressed when, and how long the chute was theirs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.occupied import Occupied, door_numbers, door_times
from loganalyzer.spans import NEVER, Places, micros

Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Attempts:
    """The attempts at one chute, by the time of their first press; times are seconds.

    Attributes:
        first: The place of each attempt's first press in `time`, and the end of the last's.
        time: Presses, attempt by attempt, ascending within each.
        barred: For each press, whether it was refused for another reason than busy.
        locked: For each press, whether that reason was an abuse lockout of the door.
        granted: For each attempt, whether the log's last press of it was granted.
        hold: From the press acted upon to the door locked again; NaN if not granted.
        clear: From there until the chute was free.
        open: From the press acted upon to the open door; NaN if it was not opened.
        more: Presses after the one acted upon, before the door was open: all are refused.
        later: For each attempt, seconds from the press acted upon to each further press of its
            visit until the door was locked again, refused or not.
        door: The door of each attempt: equal numbers, equal doors; -1 where nobody pressed.
        own: Whether nobody pressed: the use began without, and takes the chute anyhow.
    """

    first: Places
    time: Numbers
    barred: Flags
    locked: Flags
    granted: Flags
    hold: Numbers
    clear: Numbers
    open: Numbers
    more: Places
    later: tuple[tuple[float, ...], ...]
    door: Places
    own: Flags


def attempts(pressed: pd.DataFrame, visits: pd.DataFrame, taken: Occupied) -> Attempts:
    """The attempts at one chute, from its log.

    Args:
        pressed: Its presses: `floor`, `time`, `code` (why it was refused; "" where it was not).
        visits: Its visits.
        taken: When it was taken, and by which cycle.

    Returns:
        Each visit is an attempt; one that was granted, not opened and tried again is several.
    """
    known = taken.begin != NEVER
    cycles = taken.cycles[known]
    begin, free = taken.begin[known], taken.free[known]
    shut = np.where(taken.shut[known] == NEVER, begin, taken.shut[known])
    presses = _by_visit(pressed, visits)
    presses["grant"] = _grants(presses, cycles, visits["floor"])
    before = _granted_before(presses)
    again = (before >= 0) & (presses["time"].to_numpy() <= np.append(shut, NEVER)[before])
    more = np.bincount(before[again & presses["busy"].to_numpy()], minlength=len(cycles))
    later = _later(before[again], presses["time"].to_numpy()[again], begin)
    alone = np.setdiff1d(np.flatnonzero(cycles["pressed"].isna()), presses["grant"])
    rows = pd.concat([presses[~again], _unasked(begin, alone)], ignore_index=True)
    use = Uses(begin, shut, np.maximum(free, shut), micros(cycles["opened"]), more, later)
    return _stacked(rows, use)


@dataclass(frozen=True)
class Uses:
    """Times of the chute's cycles, microseconds, and the further presses that each brought."""

    begin: Places
    shut: Places
    free: Places
    opened: Places
    more: Places
    later: list[tuple[float, ...]]


def _later(cycle: Places, time: Places, begin: Places) -> list[tuple[float, ...]]:
    """For each cycle the seconds from its press to each further one, ascending."""
    found: list[list[float]] = [[] for _ in begin]
    for at, seconds in zip(cycle.tolist(), ((time - begin[cycle]) / 1e6).tolist(), strict=True):
        found[at].append(seconds)
    return [tuple(sorted(each)) for each in found]


def _by_visit(pressed: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """The presses with the number of their `visit`, visit by visit."""
    floors = visits["floor"]
    starts, keys = door_times(visits, "start", floors), door_times(pressed, "time", floors)
    order = np.argsort(starts, kind="stable")
    at = np.append(order, -1)[np.searchsorted(starts[order], keys, side="right") - 1]
    codes = pressed["code"].astype("str")
    presses = pd.DataFrame({
        "visit": at, "key": keys, "time": micros(pressed["time"]), "own": False,
        "busy": codes.eq("busy").to_numpy(), "barred": ~codes.isin(["", "busy"]).to_numpy(),
        "locked": codes.eq("lockout").to_numpy(), "door": door_numbers(pressed, floors),
    })  # fmt: skip
    return presses[at >= 0].sort_values(["visit", "time"], kind="stable", ignore_index=True)


def _grants(presses: pd.DataFrame, cycles: pd.DataFrame, floors: pd.Series) -> Places:
    """For each press the place of the cycle that answers it, or -1."""
    asked = np.flatnonzero(cycles["pressed"].notna())
    keys = door_times(cycles.iloc[asked], "pressed", floors)
    order = np.argsort(keys, kind="stable")
    at = np.searchsorted(keys[order], presses["key"])
    found = np.append(keys[order], NEVER)[at] == presses["key"]
    open_to = (found & ~presses["busy"] & ~presses["barred"]).to_numpy()
    # Of several presses of a door at one time, the first that was not refused.
    open_to = open_to & ~pd.Series(at).where(open_to).duplicated().to_numpy()
    return np.where(open_to, np.append(asked[order], -1)[at], -1)


def _granted_before(presses: pd.DataFrame) -> Places:
    """For each press the last cycle that its visit was granted before, or -1."""
    place = np.arange(len(presses))
    granted = np.maximum.accumulate(np.where(presses["grant"] >= 0, place, -1))
    last = np.append(-1, granted)[: len(place)]
    mine = (last >= 0) & (presses["visit"].to_numpy()[last] == presses["visit"].to_numpy())
    return np.where(mine, presses["grant"].to_numpy()[last], -1)


def _unasked(begin: Places, places: Places) -> pd.DataFrame:
    """Uses that nobody pressed for, each as a press of its own."""
    return pd.DataFrame({
        "visit": -1 - np.arange(len(places)), "time": begin[places], "grant": places, "own": True,
        "busy": False, "barred": False, "locked": False, "door": -1,
    })  # fmt: skip


def _stacked(presses: pd.DataFrame, uses: Uses) -> Attempts:
    """Presses, visit by visit, as attempts: a granted press ends one."""
    visit, grant = presses["visit"].to_numpy(), presses["grant"].to_numpy(dtype=np.int64)
    begins = np.append(True, (visit[1:] != visit[:-1]) | (grant[:-1] >= 0))[: len(visit)]
    first = np.append(np.flatnonzero(begins), len(visit))
    use = grant[first[1:] - 1] if len(visit) else grant
    granted, start = use >= 0, np.append(uses.begin, 0)[use]

    def after(times: Places) -> Numbers:
        known = granted & (np.append(times, NEVER)[use] != NEVER)
        return np.where(known, (np.append(times, 0)[use] - start) / 1e6, np.nan)

    hold, own = after(uses.shut), presses["own"].to_numpy(bool)[first[:-1]]
    return Attempts(
        first=first.astype(np.int64), time=presses["time"].to_numpy() / 1e6,
        barred=presses["barred"].to_numpy(bool), locked=presses["locked"].to_numpy(bool),
        granted=granted, hold=hold,
        clear=after(uses.free) - hold,
        open=np.where(own, np.nan, after(uses.opened)),  # nobody waited for it
        more=np.where(granted, np.append(uses.more, 0)[use], 0),
        later=tuple(uses.later[at] if at >= 0 else () for at in use.tolist()),
        door=presses["door"].to_numpy(np.int64)[first[:-1]],
        own=own,
    )  # fmt: skip

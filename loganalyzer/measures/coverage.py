"""When there is log, and when there is none and why.

A chute's time from its first to its last event is cut into stretches with and without log:

- "power off": from a power-off to the next power-on, however short.
- "clock not set": from the last event whose time can be trusted to the next one, where events
  of a restarted clock that nobody set lie between them.
- "no lines": a silence longer than 12 hours and than three times the 99.9 % quantile of the
  chute's own silences. The quantile is one that occurs, the next lower, so that in a short log
  the longest silence is not its own judge.

Source: the rule is ours; the factor and the 12 hours are common practice, no source.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, by_key
from loganalyzer.spans import micros
from loganalyzer.tables import empty, require

SILENCE_S = 12 * 3600
SILENCE_FACTOR = 3
SILENCE_QUANTILE = 0.999

COVERED, POWER_OFF, CLOCK_NOT_SET, NO_LINES = range(4)
REASONS = np.array([None, "power off", "clock not set", "no lines"], dtype=object)


def coverage(timeline: pd.DataFrame) -> pd.DataFrame:
    """Stretches with and without log, chute by chute.

    Args:
        timeline: Sorted by site, chute, seq.

    Returns:
        The table `coverage`. The stretches of a chute touch one another; `source` and `line`
        are those of the last event before a stretch without log, of the first event of a
        stretch with. `events` counts the events from start to end, the one that ends a stretch
        counted in the next.

    Raises:
        TableError: A column is missing.
    """
    require(timeline, *CHUTE, "time", "signal", "edge", "clock", "source", "line")
    parts = [_chute(part) for _, part in by_key(timeline, CHUTE)]
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else empty("coverage")


def _chute(events: pd.DataFrame) -> pd.DataFrame:
    sound = events["clock"].ne("unanchored").to_numpy()
    lost_before = np.cumsum(~sound)[sound]
    known = events if sound.all() else events[sound]
    if known.empty:
        return known.iloc[:0]
    # A clock that ran back a little makes no negative silence.
    time = np.maximum.accumulate(micros(known["time"]))
    reason = _reasons(known, np.diff(time) / 1e6, np.diff(lost_before) > 0)
    return _stretches(known, time, reason)


def _reasons(
    events: pd.DataFrame, silence: NDArray[np.float64], clock_lost: NDArray[np.bool_]
) -> NDArray[np.int8]:
    """Why the time between each event and the next is without log, as a place in `REASONS`."""
    off = _power_is_off(events)[:-1]
    own = silence[~off & ~clock_lost]
    usual = np.quantile(own, SILENCE_QUANTILE, method="lower") if len(own) else 0.0
    reason = np.full(len(silence), COVERED, np.int8)
    reason[silence > max(SILENCE_S, SILENCE_FACTOR * usual)] = NO_LINES
    reason[clock_lost] = CLOCK_NOT_SET
    reason[off] = POWER_OFF
    return reason


def _power_is_off(events: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether power is off after each event: the last power event was an off."""
    is_power = events["signal"].eq("power").to_numpy()
    off = (is_power & events["edge"].eq("off").to_numpy()).astype("int64")
    last = np.maximum.accumulate(np.where(is_power, np.arange(len(off)), 0))
    return off[last].astype(bool)


def _stretches(
    events: pd.DataFrame, time: NDArray[np.int64], reason: NDArray[np.int8]
) -> pd.DataFrame:
    """Join neighbouring times of one reason into stretches."""
    if len(time) == 1:
        starts, ends, why = np.array([0]), np.array([0]), np.array([COVERED])
    else:
        cut = np.flatnonzero(np.append(True, reason[1:] != reason[:-1]))
        starts, ends, why = cut, np.append(cut[1:], len(reason)), reason[cut]
    counted = np.diff(np.append(starts, len(time)))
    first = events.iloc[starts]
    return pd.DataFrame(
        {
            "site": first["site"].astype("str").to_numpy(),
            "chute": first["chute"].astype("str").to_numpy(),
            "start": pd.to_datetime(time[starts], unit="us", utc=True).as_unit("us"),
            "end": pd.to_datetime(time[ends], unit="us", utc=True).as_unit("us"),
            "seconds": (time[ends] - time[starts]) / 1e6,
            "covered": why == COVERED,
            "events": counted,
            "reason": pd.Series(REASONS[why], dtype="str"),
            "source": first["source"].astype("str").to_numpy(),
            "line": first["line"].to_numpy(),
        }
    )

"""Thinning out: what is drawn of many spans where a pixel can show one.

Nothing that lies in view is left out: spans that share no pixel with another of their lane stay
as they are, the rest become stretches of pixels that say how many there are and how much of the
time they fill.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# Share of a pixel's time from which the levels 2, 3 and 4 begin; for moments, how many of them.
SHARES, NUMBERS = (0.1, 0.3, 0.6), (2, 4, 8)
COLUMNS = ["lane", "start", "end", "n", "level", "single", "row"]


@dataclass(frozen=True)
class Spans:
    """Spans of time in numbered lanes, sorted by lane, then start.

    Attributes:
        lane: Numbers from 0.
        start: Microseconds since 1970, UTC.
        end: The same, never before `start`; a moment ends where it begins.
    """

    lane: Ints
    start: Ints
    end: Ints


def thinned(spans: Spans, begin: int, until: int, pixels: int) -> pd.DataFrame:
    """What to draw of spans between two times on so many pixels.

    Args:
        spans: Any number of them.
        begin: First microsecond in view.
        until: First microsecond past it.
        pixels: Width of the view, at least 1.

    Returns:
        One row a mark, sorted by `lane` and `start`: `lane`, `start`, `end` (microseconds, cut
        at the view), `n` (spans that it stands for; over a lane they add up to the spans in
        view), `level` (1 to 4: how much of the time is filled, or how many moments there are),
        `single` (it is one span, drawn as it is), `row` (its place in `spans`; -1 for several).
        Every span that touches the view lies within the marks of its lane, and no mark reaches
        further than one pixel beyond the spans that it stands for.

    Source: ours; the levels are a choice of what the eye tells apart.
    """
    there = np.flatnonzero((spans.start < until) & (spans.end >= begin))
    lane, start = spans.lane[there], np.maximum(spans.start[there], begin)
    end = np.minimum(spans.end[there], until)
    first, last = (_pixel(time, begin, until, pixels) for time in (start, end))
    alone = _alone(lane * pixels + first, lane * pixels + last)
    single = pd.DataFrame({
        "lane": lane[alone], "start": start[alone], "end": end[alone], "n": 1, "level": 4,
        "single": True, "row": there[alone],
    })  # fmt: skip
    crowd = np.flatnonzero(~alone)
    dense = _dense(lane[crowd], start[crowd], end[crowd], begin, until, pixels)
    both = pd.concat([single, dense], ignore_index=True)[COLUMNS]
    return both.sort_values(["lane", "start"], kind="stable", ignore_index=True)


def _pixel(time: Ints, begin: int, until: int, pixels: int) -> Ints:
    found = ((time - begin) * (pixels / (until - begin))).astype(np.int64)
    return np.clip(found, 0, pixels - 1)


def _alone(first: Ints, last: Ints) -> NDArray[np.bool_]:
    """Whether no other span reaches the pixels of each; pixels are numbered through all lanes."""
    reached = np.maximum.accumulate(last)
    opens = np.ones(len(first), bool)
    opens[1:] = first[1:] > reached[:-1]
    closes = np.append(opens[1:], True)[: len(first)]
    alone: NDArray[np.bool_] = opens & closes
    return alone


def _dense(lane: Ints, start: Ints, end: Ints, begin: int, until: int, pixels: int) -> pd.DataFrame:
    """Crowded spans as stretches of neighbouring pixels with the same level."""
    lanes = int(lane.max(initial=-1)) + 1
    size, width = lanes * pixels, (until - begin) / pixels
    first, last = (_pixel(time, begin, until, pixels) for time in (start, end))
    here, there = lane * pixels + first, lane * pixels + last
    steps = np.bincount(here, minlength=size + 1) - np.bincount(there + 1, minlength=size + 1)
    touched = np.cumsum(steps)[:size]
    number = np.bincount(here, minlength=size)[:size]
    level = _levels(_filled(here, there, start, end, first, last, begin, width, size), number)
    cells = np.flatnonzero(touched > 0)
    if not len(cells):
        return pd.DataFrame({name: [] for name in COLUMNS}).astype(
            dict.fromkeys(COLUMNS, "int64") | {"single": "bool"}
        )
    fresh = np.ones(len(cells), bool)
    fresh[1:] = (np.diff(cells) > 1) | (np.diff(level[cells]) != 0) | (cells[1:] % pixels == 0)
    begins = np.flatnonzero(fresh)
    ends = np.append(begins[1:], len(cells)) - 1
    edge = begin + np.arange(pixels + 1) * (until - begin) // pixels
    return pd.DataFrame({
        "lane": cells[begins] // pixels, "start": edge[cells[begins] % pixels],
        "end": edge[cells[ends] % pixels + 1], "n": np.add.reduceat(number[cells], begins),
        "level": level[cells[begins]], "single": False, "row": -1,
    })  # fmt: skip


def _filled(
    here: Ints, there: Ints, start: Ints, end: Ints, first: Ints, last: Ints, begin: int,
    width: float, size: int,
) -> Floats:  # fmt: skip
    """The share of each pixel's time that spans fill, those that overlap counted each."""
    head = np.minimum(end, begin + (first + 1) * width) - start
    tail = np.where(there > here, end - (begin + last * width), 0.0)
    sums = np.bincount(here, head, size) + np.bincount(there, tail, size)
    long = there > here + 1
    steps = np.bincount(here[long] + 1, minlength=size + 1)
    steps = steps - np.bincount(there[long], minlength=size + 1)
    share: Floats = sums / width + np.cumsum(steps)[:size]
    return share


def _levels(share: Floats, number: Ints) -> Ints:
    """1 to 4; moments fill nothing and are told by their number."""
    by_share = 1 + np.searchsorted(SHARES, share, side="right")
    by_number = 1 + np.searchsorted(NUMBERS, number, side="right")
    return np.where(share > 0, by_share, by_number).astype(np.int64)

"""A setting by which a controller evidently works, where the site file says another.

The site file's value must be contradicted at least three times, and another value must explain at
least nine in ten of those. It is looked for over a whole chute first, then door by door. Rules
about that setting are then judged by the value found, so that one wrong line in a site file does
not make hundreds of violations.

Source: the thresholds are ours; common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from loganalyzer.audit.ground import Ground
from loganalyzer.keys import Flags, Floats, Ints, Rows

FEWEST = 3
EXPLAINED = 0.9
ROUND_S = (60.0, 30.0, 15.0, 10.0, 5.0, 1.0)
LINES_SHOWN = 10


@dataclass(frozen=True)
class Mismatch:
    """A setting as the log shows it.

    Attributes:
        door: Number of chute and floor, see `Log.doors`; with floor part 0 the whole chute.
        setting: A field of `site.Limits`.
        told: The site file's value.
        found: The value that the log shows.
        n: How many lockouts, releases, clearings or faults show it.
        rows: Rows of some of them.
    """

    door: int
    setting: str
    told: float
    found: float
    n: int
    rows: Rows


@dataclass(frozen=True)
class Timed:
    """How long a timer ran, time after time.

    Attributes:
        row: The row at which it ended.
        door: Number of chute and floor of each.
        low, high: Seconds that it ran at least and at most; NaN where nothing is certain.
    """

    row: Rows
    door: Ints
    low: Floats
    high: Floats

    def take(self, which: Rows | Flags) -> "Timed":
        """Some of them."""
        return Timed(self.row[which], self.door[which], self.low[which], self.high[which])


def timer_mismatches(
    ground: Ground, timed: Timed, setting: str, early_s: float, late_s: float
) -> Iterator[Mismatch]:
    """Find the chutes or doors at which a timer runs for another time than the site file says.

    Args:
        ground: The log.
        timed: Times of one timer.
        setting: The field of `Limits` that it is about.
        early_s: How much shorter than set a time may be, seconds.
        late_s: How much longer.
    """
    known = timed.take(~np.isnan(timed.low))
    told = ground.limit(setting, known.row)
    wrong = contradicts(known, told, early_s, late_s)
    for part in groups(ground, known.door, wrong):
        mine, value = known.take(part), float(told[part][0])
        found = typical(mine)
        against = int(contradicts(mine, found, early_s, late_s).sum())
        if found != value and explains(against, int(wrong[part].sum())):
            door = common_door(ground, mine.door)
            told_by = np.flatnonzero(contradicts(mine, value, early_s, late_s))
            rows = mine.row[told_by][:LINES_SHOWN]
            yield Mismatch(door, setting, value, found, len(mine.row) - against, rows)
            wrong[part] = False  # a chute that is explained is not looked at door by door


def contradicts(timed: Timed, value: float | Floats, early_s: float, late_s: float) -> Flags:
    """Whether each time is certainly not that of a timer set to a value, in seconds."""
    wrong: Flags = (timed.high < value - early_s) | (timed.low > value + late_s)
    return wrong


def explains(against: int, told: int) -> bool:
    """Whether a value with so many contradictions does for one with `told` of them."""
    return told >= FEWEST and against <= (1 - EXPLAINED) * told


def typical(timed: Timed) -> float:
    """The value that most times agree with: their median, made round within what is certain."""
    middle = float(np.median((timed.low + timed.high) / 2))
    return roundest(middle, float(np.median(timed.high - timed.low) / 2))


def roundest(value: float, doubt: float) -> float:
    """The roundest number of seconds that a value may be."""
    for step in ROUND_S:
        near = round(value / step) * step
        if near > 0 and abs(near - value) <= doubt:
            return near
    return round(value, 3)


def groups(ground: Ground, door: Ints, wrong: Flags) -> Iterator[Rows]:
    """Places to look at together: each chute, then its doors, as long as enough is wrong there."""
    for number in (door // ground.log.floors, door):
        for one in np.unique(number[wrong]).tolist():
            part = np.flatnonzero(number == one)
            if wrong[part].sum() >= FEWEST:
                yield part


def common_door(ground: Ground, door: Ints) -> int:
    """The one door of all, or else the number of their chute."""
    first = int(door[0])
    return first if (door == first).all() else first // ground.log.floors * ground.log.floors

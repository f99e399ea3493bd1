"""The records of an export as arrays, and what can be measured of each kind of event."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
NOBODY = -1


@dataclass(frozen=True)
class Seen:
    """Records in file order; a place in a list or NOBODY.

    Attributes:
        time: Seconds, written.
        kind: Which kind of text; count: how many kinds there are.
        floor, stream, code: Which label.
        value: Number, NaN where there is none.
        at: Place of each record among the layout's.
        streams, codes: The labels, by their place.
    """

    time: Floats
    kind: Ints
    floor: Ints
    stream: Ints
    code: Ints
    value: Floats
    at: Ints
    count: int
    streams: Sequence[str] = ()
    codes: Sequence[str] = ()

    @cached_property
    def rows(self) -> list[Ints]:
        """The rows of each kind."""
        return [np.flatnonzero(self.kind == kind) for kind in range(self.count)]

    @cached_property
    def times(self) -> Ints:
        """How many records each kind has."""
        return np.array([len(rows) for rows in self.rows], np.int64)

    def regular(self, kind: int) -> bool:
        """Whether a kind comes by the clock, whatever else happens."""
        gaps = np.diff(self.time[self.rows[kind]])
        return len(gaps) > 20 and self.share(kind, self.floor) < 0.1 and spread(gaps) < 0.02

    def share(self, kind: int, column: Ints) -> float:
        """The share of a kind's records that carry a label."""
        rows = self.rows[kind]
        return float(np.mean(column[rows] >= 0)) if len(rows) else 0.0

    def until(self, first: int, then: int) -> Floats:
        """Seconds from each record of one kind to the next of another; NaN at the end."""
        rows, others = self.rows[first], self.rows[then]
        place = np.searchsorted(others, rows, "right")
        late = np.append(self.time[others], np.nan)
        return np.asarray(late[place] - self.time[rows])

    def alternates(self, one: int, two: int, scope: Ints | None) -> float:
        """How regularly two kinds take turns within each label of a scope; 1 is always."""
        rows = np.sort(np.concatenate([self.rows[one], self.rows[two]]))
        if len(rows) < 4:
            return 0.5 if len(rows) >= 2 and self.kind[rows[0]] != self.kind[rows[-1]] else 0.0
        if scope is not None:
            rows = rows[np.argsort(scope[rows], kind="stable")]
        same = np.ones(len(rows) - 1, np.bool_) if scope is None else np.diff(scope[rows]) == 0
        turns = np.diff(self.kind[rows]) != 0
        return float(np.mean(turns[same])) if same.any() else 0.0

    def lasting(self, on: int, off: int, scope: Ints | None) -> Floats:
        """Seconds from each `on` to the `off` that follows it directly, within a scope."""
        rows = np.sort(np.concatenate([self.rows[on], self.rows[off]]))
        if scope is not None:
            rows = rows[np.argsort(scope[rows], kind="stable")]
        here, then = rows[:-1], rows[1:]
        pairs = (self.kind[here] == on) & (self.kind[then] == off)
        if scope is not None:
            pairs &= scope[here] == scope[then]
        return np.asarray(self.time[then[pairs]] - self.time[here[pairs]])


def spread(seconds: Floats) -> float:
    """Width of the middle half over the middle; 0 for what always lasts the same."""
    seconds = seconds[~np.isnan(seconds)]
    if len(seconds) < 3:
        return np.inf
    low, middle, high = np.quantile(seconds, [0.25, 0.5, 0.75])
    return float((high - low) / middle) if middle > 0 else np.inf


def middle(seconds: Sequence[float] | Floats) -> float:
    """The median, NaN of nothing."""
    known = np.asarray(seconds, float)
    known = known[~np.isnan(known)]
    return float(np.median(known)) if len(known) else np.nan

"""A finding: one sentence and what it rests on."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from loganalyzer.language import phrase
from loganalyzer.sentences import between, figure, things
from loganalyzer.stats import wilson

LINES_SHOWN = 10


@dataclass(frozen=True)
class Finding:
    """One sentence and what it rests on.

    Attributes:
        who: One of `tables.AUDIENCES`.
        site: Site id.
        chute: Chute id, None where it is about the whole site.
        floor: Floor label, None where it is not about one door.
        kind: A word for the question, or a kind of incident.
        sentence: Plain text.
        value: The figure in the sentence, None where it has none.
        low: Lower end of its 95 % interval, None where it has none.
        high: Upper end of it.
        n: How many observations the figure rests on.
        evidence: Up to ten `source:line`.
    """

    who: Literal["manager", "technician", "coordinator"]
    site: str
    chute: str | None
    floor: str | None
    kind: str
    sentence: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    n: int | None = None
    evidence: tuple[str, ...] = ()


def rows(table: pd.DataFrame) -> Iterator[Any]:
    """The rows of a small table, columns as attributes, `Index` its index."""
    return iter(table.itertuples())


def largest(
    table: pd.DataFrame, by: list[str], weight: str | None = None
) -> list[tuple[tuple[str, ...], pd.DataFrame]]:
    """The groups of a table with their keys as text, the heaviest first.

    Args:
        table: Any table.
        by: What makes a group; null is none.
        weight: The column whose sum weighs, else the number of rows.
    """
    groups = [
        (tuple(str(part) for part in key), group) for key, group in table.groupby(by, observed=True)
    ]
    return sorted(groups, key=lambda g: -(g[1][weight].sum() if weight else len(g[1])))


@dataclass(frozen=True)
class Share:
    """A share and its 95 % interval, per 100; all None where fewer were tried than hit."""

    rate: float | None = None
    low: float | None = None
    high: float | None = None

    def __str__(self) -> str:
        """As `said`."""
        return self.said

    @property
    def said(self) -> str:
        """The figure and its interval, or nothing."""
        if self.rate is None or self.low is None or self.high is None:
            return ""
        return phrase(
            "{rate} per 100 {limits}",
            rate=figure(self.rate),
            limits=between(self.low, self.high),
        )


def per_hundred(hits: float, trials: float) -> Share:
    """The share of trials that were hits."""
    if not 0 < trials >= hits:
        return Share()
    (low,), (high,) = wilson([hits], [trials])
    return Share(100 * hits / trials, 100 * float(low), 100 * float(high))


def visits_lost(incidents: pd.DataFrame) -> str:
    """About how many visits incidents cost together, with the interval; nothing if perhaps none.

    The limits of single incidents add up as independent errors do, downwards by the larger of
    the two: where next to nobody comes, the lower limit of a single incident is no error at all.
    """
    known = incidents[incidents["visits_lost"].notna()]
    up = known["lost_high"] - known["visits_lost"]
    down = np.maximum(known["visits_lost"] - known["lost_low"], up)
    lost = known["visits_lost"].sum()
    low, high = lost - (down**2).sum() ** 0.5, lost + (up**2).sum() ** 0.5
    if not low > 0:
        return ""
    return phrase(
        "; about {lost} visits lost {limits} against other weeks",
        lost=figure(lost),
        limits=between(low, high),
    )


def lines_of(evidence: Iterable[str]) -> tuple[str, ...]:
    """The first line of each of the first incidents; of a single one, its lines."""
    lists = [json.loads(text) for text in list(evidence)[:LINES_SHOWN]]
    if len(lists) == 1:
        return tuple(lists[0][:LINES_SHOWN])
    return tuple(lines[0] for lines in lists if lines)


def text_or_none(value: Any) -> str | None:
    """A label, or None where it is null."""
    return None if pd.isna(value) else str(value)


def press_count(number: int) -> str:
    """So many presses."""
    return things(number, "press", "presses")

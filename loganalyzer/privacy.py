"""What an export can leave out for the sake of the people behind the doors: floors, exact times.

Sums over a chute still count the floors that are left out, and durations stay exact: what goes is
whose door it was, and when. Texts that a floor or a time of day might stand in go with them, and
so do the ids of incidents, which are made from floor and time and could be guessed back.
"""

import json
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import timedelta

import pandas as pd

from loganalyzer.errors import UsageError

DAY_S = 86_400
UNITS = {"s": 1, "min": 60, "h": 3600}
TEXTS = ("detail", "sentence", "note", "advice", "goes_with", "reason")
CLOCK = re.compile(r"\b\d{1,2}[:.]\d\d([:.]\d\d)?\b|T\d{6}")
NOTHING: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Discretion:
    """What to leave out: these floors, and times within `step` (null: times as they are)."""

    floors: frozenset[str] = NOTHING
    step: timedelta | None = None


def read_step(text: str) -> timedelta:
    """A length such as 15min that a day is a whole number of.

    Raises:
        UsageError: It is none.
    """
    found = re.fullmatch(r"(\d{1,5})(s|min|h)", text)
    seconds = int(found[1]) * UNITS[found[2]] if found else 0
    if not seconds or DAY_S % seconds:
        raise UsageError(
            "--round-times", f"'{text}'", "a part of a day such as 15min, 1h or 24h",
            "Write --round-times 15min",
        )  # fmt: skip
    return timedelta(seconds=seconds)


def read_floors(text: str, known: Collection[str]) -> frozenset[str]:
    """Floor labels with commas between; one that nobody knows is a mistake, not nothing.

    Raises:
        UsageError: A label is none of `known`.
    """
    labels = frozenset(label.strip() for label in text.split(",") if label.strip())
    wrong = sorted(labels - set(known))
    if wrong or not labels:
        raise UsageError(
            "--without-floors", f"'{', '.join(wrong) or text}'",
            f"floors: {', '.join(sorted(known)) or 'none is known'}", "Write labels of these",
        )  # fmt: skip
    return labels


def discreet(table: pd.DataFrame, leave: Discretion) -> pd.DataFrame:
    """The table with less of the people in it.

    Args:
        table: Any table of tables.py.
        leave: Rows with `floor` in `leave.floors`, or one of them in `floors`, go; so do these
            keys of `drops_by_floor`. Times are rounded down, in UTC, to whole `leave.step`.
    """
    if not leave.floors and leave.step is None:
        return table
    left = _without_floors(table, leave.floors) if leave.floors else table.copy()
    if leave.step is not None:
        for name in left.columns[[_is_time(kind) for kind in left.dtypes]]:
            left[name] = left[name].dt.floor(leave.step)
    return _without_texts(left, leave)


def _without_floors(table: pd.DataFrame, floors: frozenset[str]) -> pd.DataFrame:
    left = table
    if "floor" in left:
        left = left[~left["floor"].isin(list(floors))]
    if "floors" in left:
        left = left[[floors.isdisjoint(_listed(text)) for text in left["floors"]]]
    left = left.reset_index(drop=True)
    if "drops_by_floor" in left:
        counted = left["drops_by_floor"].astype("object")
        left["drops_by_floor"] = counted.map(lambda text: _without_keys(text, floors))
    return left


def _listed(text: object) -> list[str]:
    """The labels in a list of floors, as JSON or with commas between."""
    if not isinstance(text, str):
        return []
    try:
        found = json.loads(text)
    except ValueError:
        found = text.split(",")
    return [str(label).strip() for label in (found if isinstance(found, list) else [found])]


def _without_keys(text: object, floors: frozenset[str]) -> object:
    if not isinstance(text, str):
        return text
    counts: Mapping[str, int] = json.loads(text)
    return json.dumps({floor: n for floor, n in counts.items() if floor not in floors})


def _without_texts(table: pd.DataFrame, leave: Discretion) -> pd.DataFrame:
    left = table
    for name in ("incident", "text"):
        if name in left:
            left[name] = None
    for name in TEXTS:
        if name in left:
            telling = left[name].astype("str").map(lambda text: _tells(text, leave))
            left[name] = left[name].astype("object").mask(telling.astype(bool), None)
    return left


def _tells(text: object, leave: Discretion) -> bool:
    """Whether one of the floors, or a time of day, may stand in a text."""
    if not isinstance(text, str):
        return False
    floor = any(re.search(rf"(?<!\w){re.escape(f)}(?!\w)", text) for f in leave.floors)
    return floor or (leave.step is not None and CLOCK.search(text) is not None)


def _is_time(kind: object) -> bool:
    return isinstance(kind, pd.DatetimeTZDtype) or str(kind).startswith("datetime64")

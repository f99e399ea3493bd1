"""Small tables for tests, written as tuples.

    timeline(
        (0, "7", "press", "mark", {"stream": "refuse"}),
        (4, "7", "unlocked", "on"),
        ("2025-03-03T08:00:09Z", "7", "open", "on"),
        (9, None, "power", "off", {"chute": "B"}),
    )

The first part of a tuple is when: seconds after `START`, or a time. It may be left out: the
event then comes one second after the one before it in the list.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd

from loganalyzer.tables import SIGNALS, TABLES, conform

START = pd.Timestamp("2025-03-03T08:00:00Z")  # a Monday

DEFAULTS: Mapping[str, Any] = {
    "site": "quay", "chute": "A", "stream": None, "code": None, "value": None,
    "clock": "exact", "source": "log",
}  # fmt: skip


def timeline(*events: tuple[Any, ...], **defaults: Any) -> pd.DataFrame:
    """A timeline as `Store.timeline` gives it, from (when, floor, signal, edge, {…}) tuples.

    Args:
        events: In the order of the log; rows of one chute keep it, whatever their times. The
            last part, a dict, sets any other column of the row.
        defaults: Columns for all rows, such as `chute="B"`; a row's dict stands above them.

    Returns:
        All columns of `TABLES["timeline"]` in their types, sorted by site, chute and seq. `seq`
        counts from 0 in each chute, `line` from 1 through the whole list, `device_time` is the
        time without its zone.
    """
    rows: list[dict[str, Any]] = []
    for number, event in enumerate(events, start=1):
        before = rows[-1]["time"] if rows else START - pd.Timedelta(seconds=1)
        rows.append({**DEFAULTS, "line": number, **defaults, **_row(event, before)})
    frame = pd.DataFrame(rows, columns=[*TABLES["timeline"].names])
    frame = frame.sort_values(["site", "chute"], kind="stable", ignore_index=True)
    count = frame.groupby(["site", "chute"]).cumcount()
    frame["seq"] = frame["seq"].fillna(count).astype("int64")
    wall = pd.to_datetime(frame["time"], utc=True).dt.tz_localize(None)
    frame["device_time"] = pd.to_datetime(frame["device_time"]).astype(wall.dtype).fillna(wall)
    return categories(conform(frame, "timeline").to_pandas())


def at(when: float | str | datetime) -> pd.Timestamp:
    """A time: seconds after `START`, or anything that pandas reads as a UTC time."""
    if isinstance(when, int | float):
        return START + pd.Timedelta(microseconds=round(when * 1_000_000))
    return pd.Timestamp(when)


def categories(table: pd.DataFrame) -> pd.DataFrame:
    """The same table, with text categories also where a column is null throughout."""
    text = [name for name in table if isinstance(table[name].dtype, pd.CategoricalDtype)]
    empty = [name for name in text if len(table[name].cat.categories) == 0]
    blank = pd.CategoricalDtype(pd.Index([], dtype="str"))
    return table.astype(dict.fromkeys(empty, blank))


def _row(event: tuple[Any, ...], before: pd.Timestamp) -> dict[str, Any]:
    """One tuple as columns."""
    parts = event if event[1] not in SIGNALS else (before + pd.Timedelta(seconds=1), *event)
    when, floor, signal, edge, *rest = parts
    named = {"time": at(when), "floor": floor, "signal": signal, "edge": edge}
    return named | (rest[0] if rest else {})

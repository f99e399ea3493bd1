"""Ways in which controllers write their logs; all of them our own invention.

Each module holds one `DIALECT`; the profile of that name reads what it writes.
"""

from datetime import datetime
from io import BytesIO

import pandas as pd

from tests.tools.simulator.dialects import (
    bracket_lines,
    door_counter,
    fixed_columns,
    json_events,
    scan_samples,
    semicolon_text,
    sheet_log,
    syslog_events,
    tafel_protokoll,
)
from tests.tools.simulator.dialects.dialect import Dialect
from tests.tools.simulator.dialects.rows import Rows, rows_of, zone_name
from tests.tools.simulator.truth import Truth

DIALECTS: dict[str, Dialect] = {
    module.DIALECT.name: module.DIALECT
    for module in (
        semicolon_text, bracket_lines, syslog_events, json_events, fixed_columns, scan_samples,
        sheet_log, tafel_protokoll, door_counter,
    )
}  # fmt: skip


def rows_between(
    truth: Truth, chute: str, dialect: Dialect, start: datetime | None = None,
    end: datetime | None = None,
) -> Rows:  # fmt: skip
    """The lines of one chute as a dialect stamps them, between true UTC times (end not)."""
    zone = zone_name(dialect.zone, truth.plan.time_zone)
    events, alive = (_of(frame, chute) for frame in (truth.events, truth.alive))
    (planned,) = (one for one in truth.plan.chutes if one.id == chute)
    rows = rows_of(planned, events, alive, zone, dialect.resolution_us)
    low, high = _limits(start, end)
    here = (rows.time >= low) & (rows.time < high)
    return rows.take(here)


def render(
    truth: Truth, chute: str, name: str, start: datetime | None = None,
    end: datetime | None = None,
) -> bytes:  # fmt: skip
    """One export: a chute's lines in a dialect, as the bytes of a file."""
    out = BytesIO()
    DIALECTS[name].write(rows_between(truth, chute, DIALECTS[name], start, end), out)
    return out.getvalue()


def _of(frame: pd.DataFrame, chute: str) -> pd.DataFrame:
    return frame[frame["chute"] == chute]


def _limits(start: datetime | None, end: datetime | None) -> tuple[int, int]:
    """Times as UTC microseconds; None is open."""
    low, high = (None if at is None else round(at.timestamp() * 1_000_000) for at in (start, end))
    return (-(2**62) if low is None else low, 2**62 if high is None else high)

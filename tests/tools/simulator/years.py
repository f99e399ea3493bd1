"""Years of lines for benchmarks: some weeks are simulated and laid end to end with new dates.

The seams are clean: the simulated weeks end with all doors shut and no container full. A file is
one building with one chute; its site file lies beside it.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

import numpy as np

from tests.tools.simulator.dialects import DIALECTS, rows_between
from tests.tools.simulator.dialects.dialect import Dialect
from tests.tools.simulator.dialects.rows import Rows, together
from tests.tools.simulator.plan import Fault, Misuse, Plan, plain_chute
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import simulate

ROOT = Path(__file__).parents[3]
WEEKS = 8  # simulated; the rest is laid on
WEEK_US = 7 * 86_400_000_000
FIRST = datetime(2002, 1, 7)  # noqa: DTZ001  # a Monday, local; a zone without summer time


def write_years(
    folder: Path, dialect: str, *, years: float = 1.0, buildings: int = 1,
    lines: int | None = None, seed: int = 1,
) -> int:  # fmt: skip
    """Write an export and a site file a building into a folder.

    Args:
        folder: Is made if it is not there.
        dialect: A key of `DIALECTS`.
        years: Of log a building; `lines`, if given, overrules it.
        buildings: Each with a seed of its own.
        lines: Events and signs of life a building, about.
        seed: Of the first building.

    Returns:
        How many rows were written in all.
    """
    folder.mkdir(parents=True, exist_ok=True)
    return sum(
        _building(folder, DIALECTS[dialect], years, lines, seed + number)
        for number in range(buildings)
    )


def year_plan(seed: int, weeks: int = WEEKS) -> Plan:
    """Some weeks of a building with a misused door and a worn one; UTC, no clock sets.

    Weeks laid on later must fit: so nothing in it grows over time, and no hour repeats.
    """
    chute = plain_chute(
        floors=13,
        faults=(Fault("bouncing_contact", "contact", floor="5", ramp_days=0, strength=0.5),),
        misuse=(Misuse("4", 0.1),),
    )
    end = FIRST + timedelta(weeks=weeks)
    return Plan(f"tower-{seed}", f"Tower {seed}", "UTC", FIRST, end, (chute,), seed)


def _building(folder: Path, dialect: Dialect, years: float, lines: int | None, seed: int) -> int:
    plan = year_plan(seed)
    rows = _closed(rows_between(simulate(plan), "A", dialect))
    wanted = lines if lines is not None else round(len(rows) * years * 365.25 / 7 / WEEKS)
    named = _profile_beside(dialect.name, folder)
    (folder / f"{plan.site}.toml").write_text(site_toml(plan, {"A": named}))
    path = folder / plan.site / "A" / f"log{dialect.ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as out:
        return _laid(rows, wanted, dialect, out)


def _profile_beside(name: str, folder: Path) -> str:
    """How a site file names a dialect's profile; one that does not ship is put beside it."""
    for place in (ROOT / "sample_logs", Path(__file__).parent / "profiles"):
        path = place / f"{name}.toml"
        if path.exists():
            (folder / path.name).write_bytes(path.read_bytes())
            return path.name
    return name


def _closed(rows: Rows) -> Rows:
    """The rows with what runs over the end of the weeks ended at their last second."""
    last = int((FIRST + timedelta(weeks=WEEKS)).replace(tzinfo=UTC).timestamp() - 1) * 1_000_000
    late = rows.time > last
    end = {
        "time": np.where(late, last, rows.time),
        "stamp": np.where(late, last + rows.offset, rows.stamp),
    }
    return replace(rows, **end)


def _laid(rows: Rows, wanted: int, dialect: Dialect, out: BinaryIO) -> int:
    turns = -(-wanted // len(rows))
    pieces = (
        rows.take(slice(0, wanted - turn * len(rows))).later(
            turn * WEEKS * WEEK_US, turn * len(rows)
        )
        for turn in range(turns)
    )
    if dialect.write_all is not None:  # these need all rows at once
        dialect.write(together(list(pieces)), out)
        return wanted
    for turn, piece in enumerate(pieces):
        dialect.write(piece, out, with_head=turn == 0)
    return wanted

"""Years of lines for benchmarks: some weeks are simulated and laid end to end with new dates.

The seams are clean: every week of the simulated ones ends with its doors shut. A file is one
building with one chute; its site file lies beside it.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from tests.tools.simulator.dialects import DIALECTS, rows_between
from tests.tools.simulator.dialects.dialect import Dialect
from tests.tools.simulator.dialects.rows import Rows
from tests.tools.simulator.plan import Fault, Misuse, Plan, plain_chute
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import simulate

WEEKS = 8  # simulated; the rest is laid on
WEEK_US = 7 * 86_400_000_000
FIRST = datetime(2000, 1, 3)  # noqa: DTZ001  # a Monday, local; a zone without summer time


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
    site_profile = dialect.name
    (folder / f"{plan.site}.toml").write_text(site_toml(plan, {"A": site_profile}))
    path = folder / plan.site / "A" / f"log{dialect.ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as out:
        return _laid(rows, wanted, dialect, out)


def _closed(rows: Rows) -> Rows:
    """The rows before the end of the weeks, with what runs over it left out."""
    limit = int((FIRST + timedelta(weeks=WEEKS)).timestamp() * 1e6)
    return rows if not len(rows) else rows.take(rows.time < limit + WEEK_US)


def _laid(rows: Rows, wanted: int, dialect: Dialect, out: object) -> int:
    written = 0
    turn = 0
    while written < wanted:
        here = rows.take(slice(0, wanted - written)).later(turn * WEEKS * WEEK_US, written)
        dialect.write(here, out, with_head=turn == 0)  # type: ignore[arg-type]
        written += len(here)
        turn += 1
    return written


def with_seed(plan: Plan, seed: int) -> Plan:
    """The same plan, other people."""
    return replace(plan, seed=seed)

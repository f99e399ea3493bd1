"""The scenario of the sample logs: two invented buildings around the autumn change of 2026.

What is planted is here and, in people's words, in `sample_logs/README.md`.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from tests.tools.simulator.plan import (
    Chute,
    Fault,
    Floor,
    Misuse,
    Plan,
    PowerCut,
    Service,
    Stream,
)

# Wall clock times, read in the site's zone by `_at`.
START, END = datetime(2026, 9, 28), datetime(2026, 11, 9)  # noqa: DTZ001
LISBON, NEW_YORK = "Europe/Lisbon", "America/New_York"


@dataclass(frozen=True)
class Export:
    """One file fetched from a controller: lines between two UTC times, written in a dialect.

    `packed`: "", "gz", or the name of a zip that it is a member of. `damaged`: how many lines
    each are cut, garbled and unknown.
    """

    chute: str
    name: str
    dialect: str
    start: datetime
    end: datetime
    packed: str = ""
    damaged: int = 0


@dataclass(frozen=True)
class Sample:
    """A site: its plan, the profile each chute's site file names, and its exports."""

    plan: Plan
    profiles: dict[str, str]
    exports: tuple[Export, ...]


def samples() -> tuple[Sample, ...]:
    """Both sites."""
    return (_quay_terrace(), _mill_court())


def _at(zone: str, month: int, day: int, hour: int = 0, minute: int = 0) -> datetime:
    """A wall clock time of 2026 in a zone, as UTC."""
    return datetime(2026, month, day, hour, minute, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def _doors(labels: str, units: int) -> tuple[Floor, ...]:
    return tuple(
        Floor(label, units, 4.0 + 3.0 * level) for level, label in enumerate(labels.split())
    )


def _weekly(days: str, hour: int) -> str:
    """A pickup rule: these days (RFC 5545 letters) at that hour."""
    return f"FREQ=WEEKLY;BYDAY={days};BYHOUR={hour}"


def _quay_terrace() -> Sample:
    a = Chute(
        "A", _doors("G 1 2 3 4 5 6 7 8 9 10 11", 8),
        (
            Stream("refuse", 0.52, 0, "refuse", 2200, 90, pickup=_weekly("MO,TH", 7)),
            Stream("recycling", 0.33, 1, "recycling", 1100, 45, pickup=_weekly("TU", 8)),
            Stream("organics", 0.15, 2, "organics", 660, 250, 3.0, _weekly("WE", 7)),
        ),
        faults=(
            Fault(
                "weak_closer", "door", floor="7", start=_at(LISBON, 10, 4), ramp_days=24,
                strength=1.4,
            ),
        ),
        misuse=(Misuse("4", 0.16),),
        services=(Service(_at(LISBON, 10, 20, 10, 20), 90 * 60),),
        cuts=(PowerCut(_at(LISBON, 10, 20, 10, 50), 35 * 60, set_after_s=240),),
        drift_s_a_day=1.7, clock_sets="weekly", tick_ms=100,
    )  # fmt: skip
    b = Chute(
        "B", _doors("G 1 2 3 4 5 6 7 8", 6),
        (
            Stream("refuse", 0.6, 0, "refuse", 1100, 90, pickup=_weekly("MO,TH", 7)),
            Stream("recycling", 0.4, 1, "recycling", 1100, 45, pickup=_weekly("TU", 8)),
        ),
        faults=(
            Fault(
                "slow_diverter", "sorter", start=_at(LISBON, 10, 2), ramp_days=30, strength=1.4
            ),
        ),
        cuts=(
            PowerCut(_at(LISBON, 10, 14, 19, 42), 38 * 60, restarts=True, set_after_s=53_000),
        ),
        drift_s_a_day=-1.1, clock_sets="weekly", tick_ms=100, clock_zone="Europe/Berlin",
    )  # fmt: skip
    plan = Plan("quay-terrace", "Quay Terrace", LISBON, START, END, (a, b), seed=20281)
    return Sample(plan, {"A": "semicolon-text", "B": "tafel-protokoll.toml"}, _quay_exports())


def _quay_exports() -> tuple[Export, ...]:
    def at(month: int, day: int, hour: int = 9, minute: int = 12) -> datetime:
        return _at(LISBON, month, day, hour, minute)

    swapped = at(10, 20, 11, 0)  # A's new board writes from here on
    handed = at(10, 21, 12, 0)  # B's log is read out as a sheet from here on
    return (
        Export("A", "2026-10-05.csv", "semicolon-text", at(9, 28, 0, 0), at(10, 5), damaged=3),
        Export("A", "2026-10-12.csv", "semicolon-text", at(10, 4, 8), at(10, 12, 9, 31)),
        Export("A", "2026-10-20.csv", "semicolon-text", at(10, 11), swapped, "gz", damaged=2),
        Export("A", "2026-10-27.log", "bracket-lines", swapped, at(10, 27, 9, 40), damaged=2),
        Export("A", "2026-11-03.log", "bracket-lines", at(10, 26, 9, 5), at(11, 3, 10)),
        Export("A", "2026-11-09.log", "bracket-lines", at(11, 2, 9), at(11, 9, 0, 0), "gz"),
        Export(
            "B", "protokoll-1.prt", "tafel-protokoll", at(9, 28, 0, 0), at(10, 12, 10, 2),
            "stick-2026-10-12.zip", damaged=2,
        ),
        Export(
            "B", "protokoll-2.prt", "tafel-protokoll", at(10, 11, 10), handed,
            "stick-2026-10-21.zip", damaged=2,
        ),
        Export("B", "2026-10-31.xlsx", "sheet-log", handed, at(10, 31, 11)),
        Export("B", "2026-11-09.xlsx", "sheet-log", at(10, 30, 11), at(11, 9, 0, 0)),
    )  # fmt: skip


def _mill_court() -> Sample:
    east = Chute(
        "east", _doors("B1", 2) + _doors("1 2 3 4 5 6 7 8 9", 9),
        (
            Stream(
                "refuse", 0.58, 0, "refuse", 6000, 110, pickup=_weekly("TU,FR", 6),
                compactor=True,
            ),
            Stream("recycling", 0.42, 1, "recycling", 1500, 50, pickup=_weekly("WE", 6)),
        ),
        misuse=(Misuse("3", 0.2),),
        services=(Service(_at(NEW_YORK, 10, 22, 8, 30), 7 * 3600 + 40 * 60),),
        cuts=(PowerCut(_at(NEW_YORK, 10, 29, 13, 5), 4 * 60),),
        drift_s_a_day=0.9, clock_sets="daily", tick_ms=100,
    )  # fmt: skip
    plan = Plan("mill-court", "Mill Court", NEW_YORK, START, END, (east,), seed=20262)

    def at(month: int, day: int, hour: int = 7, minute: int = 50) -> datetime:
        return _at(NEW_YORK, month, day, hour, minute)

    moved = at(10, 16, 0, 0)  # the controller's new program writes JSON
    exports = (
        Export("east", "week-40.log", "syslog-events", at(9, 28, 0, 0), at(10, 5), "gz", 2),
        Export("east", "week-41.log", "syslog-events", at(10, 4), at(10, 12), "gz"),
        Export("east", "week-42.log", "syslog-events", at(10, 11), moved, "gz", 2),
        Export("east", "october.jsonl", "json-events", moved, at(10, 31), "gz", 3),
        Export("east", "november.jsonl", "json-events", at(10, 30), at(11, 9, 0, 0), "gz"),
    )
    return Sample(plan, {"east": "json-events"}, exports)

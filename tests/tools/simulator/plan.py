"""What is to be simulated: a building, its chutes and what goes wrong there.

Everything is a frozen dataclass with defaults of an ordinary building, so that a plan reads as
what is special about it. Times are UTC unless named local.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

# common practice, no source: sizes and speeds of an ordinary residential chute.


@dataclass(frozen=True)
class Floor:
    """One intake door and who lives behind it."""

    label: str
    units: int = 8
    elevation_m: float | None = None


@dataclass(frozen=True)
class Stream:
    """One material: how much of it there is and where it goes.

    `place` is the diverter's position, in steps from its end; `litres` the mean volume a use.
    """

    id: str
    share: float
    place: int
    kind: str = "refuse"
    container_l: float = 1100.0
    density_kg_m3: float | None = None
    litres: float = 5.0
    pickup: str | None = None
    compactor: bool = False


@dataclass(frozen=True)
class Limits:
    """The controller's settings, named as in a site file."""

    press_limit: int = 4
    press_window_s: float = 90
    quiet_s: float = 90
    open_limit_s: float = 45
    positioning_limit_s: float = 15
    clearing_s: float = 12


@dataclass(frozen=True)
class Fault:
    """Something that wears or breaks, from `start` on, at full strength after `ramp_days`.

    Kinds: weak_closer, slow_diverter, stiff_latch, bouncing_contact, rattling_door,
    stuck_button, false_full, wiring_glitch, propped_door, ram_jam, low_supply, board_reset,
    dropped_shutter. `strength` 1 is plain to see, 0.3 hard, 3 drastic. `hours` are local hours of
    the day at which it shows; none means all.
    """

    kind: str
    component: str
    floor: str | None = None
    stream: str | None = None
    floors: tuple[str, ...] = ()
    start: datetime | None = None
    ramp_days: float = 28.0
    strength: float = 1.0
    hours: tuple[int, ...] = ()


@dataclass(frozen=True)
class Misuse:
    """A floor where part of the visits are spent pressing buttons again and again."""

    floor: str
    share: float = 0.15
    start: datetime | None = None


@dataclass(frozen=True)
class PowerCut:
    """The controller is dead for a while; its clock may restart at 2000-01-01.

    `set_after_s`: when somebody sets the restarted clock; None: the next routine set does.
    """

    at: datetime
    seconds: float
    restarts: bool = False
    set_after_s: float | None = None


@dataclass(frozen=True)
class Service:
    """A technician takes the doors out of use."""

    at: datetime
    seconds: float


@dataclass(frozen=True)
class Chute:
    """One chute with its controller; `tick_ms` is the step of the controller's clock.

    `full_locks`: "all" doors while any container is full, or only presses for that "stream".
    `clock_sets`: "none", "daily" or "weekly"; each is logged. `drift_s_a_day`: clock runs fast.
    `clock_zone`: where a restarted clock shows midnight; None is the site's zone.
    """

    id: str
    floors: tuple[Floor, ...]
    streams: tuple[Stream, ...]
    limits: Limits = field(default_factory=Limits)
    uses_a_unit_a_week: float = 10.0
    faults: tuple[Fault, ...] = ()
    misuse: tuple[Misuse, ...] = ()
    cuts: tuple[PowerCut, ...] = ()
    services: tuple[Service, ...] = ()
    drift_s_a_day: float = 0.0
    clock_sets: str = "none"
    clock_zone: str | None = None
    tick_ms: int = 1000
    full_locks: str = "all"
    logs_power_off: bool = True


@dataclass(frozen=True)
class Plan:
    """A site between two local dates (naive), start included, end not."""

    site: str
    name: str
    time_zone: str
    start: datetime
    end: datetime
    chutes: tuple[Chute, ...]
    seed: int = 1

    def utc(self, local: datetime) -> datetime:
        """A local wall clock time of the site as UTC."""
        return local.replace(tzinfo=ZoneInfo(self.time_zone)).astimezone(UTC)


def milliseconds(moment: datetime) -> int:
    """Milliseconds since 1970 of an aware time."""
    return round(moment.timestamp() * 1000)


def plain_chute(id: str = "A", floors: int = 8, **changes: object) -> Chute:
    """A chute of three streams with `floors` doors: G, 1, 2, …"""
    labels = ["G", *map(str, range(1, floors))]
    doors = tuple(Floor(label, 8, 4.0 + 3.0 * level) for level, label in enumerate(labels))
    streams = (
        Stream("refuse", 0.55, 0, "refuse", 2200.0, pickup="FREQ=WEEKLY;BYDAY=MO,TH;BYHOUR=7"),
        Stream("recycling", 0.3, 1, "recycling", pickup="FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7"),
        Stream("organics", 0.15, 2, "organics", litres=3.0, pickup="FREQ=WEEKLY;BYDAY=WE;BYHOUR=7"),
    )
    return Chute(id, doors, streams, **changes)  # type: ignore[arg-type]  # names are Chute's


def plain_plan(days: int = 7, seed: int = 1, **changes: object) -> Plan:
    """An ordinary building for tests: one chute, no faults, no drift."""
    start = datetime(2026, 3, 2)  # noqa: DTZ001  # a plan's dates are local
    return Plan(
        "quiet-house", "Quiet House", "Europe/Lisbon", start,
        start + timedelta(days=days),
        (plain_chute(**changes),), seed,
    )  # fmt: skip

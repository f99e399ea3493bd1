"""Containers under the chute: they fill, are seen as full, and are emptied.

A pickup comes by its RFC 5545 rule in local time. A full container is also swapped by a
caretaker, who comes some hours later, by day.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.rrule import rrulestr

from tests.tools.simulator.plan import Plan, Stream, milliseconds

FULL_AT = 0.95  # the sensor looks across the container a little below its rim
LEVEL_STEP = 5  # per cent


@dataclass
class Container:
    """How full one container is, and the fill that is going on."""

    stream: Stream
    since: int
    litres: float = 0.0
    drops: int = 0
    full_from: int | None = None
    level: int = 0
    fills: list[tuple[object, ...]] = field(default_factory=list)

    def drop(self, litres: float) -> None:
        """Let one use's material land."""
        self.litres += litres
        self.drops += 1

    @property
    def is_full(self) -> bool:
        """Whether material covers the sensor."""
        return self.litres >= FULL_AT * self.stream.container_l

    def step(self) -> int | None:
        """The new reading in per cent when it has changed by a whole step, else None."""
        now = int(100 * self.litres / self.stream.container_l) // LEVEL_STEP * LEVEL_STEP
        now = min(now, 100)
        if now == self.level:
            return None
        self.level = now
        return now

    def empty(self, time: int, by: str) -> None:
        """Take the material away and write the fill down."""
        self.fills.append(
            (self.stream.id, self.since, self.full_from, time, self.drops, self.litres, by)
        )
        self.litres, self.drops, self.full_from, self.since = 0.0, 0, None, time


def pickups(plan: Plan, stream: Stream) -> list[int]:
    """Times (ms) of the pickups by the stream's rule; at half past when no minute is given."""
    if stream.pickup is None:
        return []
    # A set rule's minute and second come from dtstart: a lorry is not there on the stroke.
    rule = rrulestr(stream.pickup, dtstart=plan.start.replace(minute=24, second=0))
    times = rule.between(plan.start, plan.end, inc=True)
    return [milliseconds(plan.utc(time)) for time in times]


def swap_time(plan: Plan, full: int, rng: np.random.Generator) -> int:
    """When the caretaker swaps a container that became full: hours later, from 7 to 20."""
    local = datetime.fromtimestamp(full / 1000, ZoneInfo(plan.time_zone))
    local += timedelta(seconds=float(rng.lognormal(np.log(6000), 0.7)))
    if local.hour >= 20:
        local = (local + timedelta(days=1)).replace(hour=7, minute=int(rng.integers(5, 55)))
    elif local.hour < 7:
        local = local.replace(hour=7, minute=int(rng.integers(5, 55)))
    return milliseconds(local)

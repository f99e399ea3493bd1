"""What wears and breaks: how faults change the controller's timings, and what they do alone.

Each is the physics of a part, not the sign that a detector looks for: a closer that weakens
takes longer and now and then fails to pull the leaf home; a worn drive is slower and stalls.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from tests.tools.simulator.plan import Chute, Fault, Plan, milliseconds

DAY_MS = 86_400_000


@dataclass(frozen=True)
class Wear:
    """One fault as the loop asks for it: how far it has come, and at which local hours."""

    fault: Fault
    begins: int
    zone: ZoneInfo

    def at(self, time: int) -> float:
        """Strength reached at a time (ms), 0 before it begins."""
        gone = time - self.begins
        if gone < 0:
            return 0.0
        ramp = self.fault.ramp_days * DAY_MS
        return self.fault.strength * (min(1.0, gone / ramp) if ramp else 1.0)

    def in_hours(self, time: int) -> bool:
        """Whether the local hour is one of the fault's, or it has none."""
        if not self.fault.hours:
            return True
        return datetime.fromtimestamp(time / 1000, self.zone).hour in self.fault.hours


def wears(plan: Plan, chute: Chute, kind: str) -> dict[str, Wear]:
    """The chute's faults of a kind by floor label ("" for those of no floor)."""
    zone = ZoneInfo(plan.time_zone)
    return {
        fault.floor or "": Wear(fault, milliseconds(fault.start or plan.utc(plan.start)), zone)
        for fault in chute.faults
        if fault.kind == kind
    }


# A planned happening: time (ms), the name of the controller's method, its argument.
Happening = tuple[int, str, tuple[object, ...]]


def happenings(plan: Plan, chute: Chute, rng: np.random.Generator) -> list[Happening]:
    """Everything that faults do without anybody using the chute, in no order."""
    found: list[Happening] = []
    for fault in chute.faults:
        source = ALONE.get(fault.kind)
        if source is not None:
            begin = milliseconds(fault.start or plan.utc(plan.start))
            found += source(fault, chute, _moments(fault, begin, plan, rng), rng)
    return [(at // chute.tick_ms * chute.tick_ms, name, rest) for at, name, rest in found]


def _moments(fault: Fault, begin: int, plan: Plan, rng: np.random.Generator) -> list[int]:
    """Times at which an intermittent fault shows: RATES a day at strength 1, ramped."""
    end = milliseconds(plan.utc(plan.end))
    wear = Wear(fault, begin, ZoneInfo(plan.time_zone))
    most = rng.poisson(max(0, end - begin) / DAY_MS * RATES[fault.kind] * fault.strength)
    times = np.sort(rng.integers(begin, max(end, begin + 1), most)).tolist()
    return [t for t in times if rng.random() * fault.strength <= wear.at(t) and wear.in_hours(t)]


def _stuck_button(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """A button that stays in: the board reads it as a press every second or so."""
    found: list[Happening] = []
    stream = [s.id for s in chute.streams].index(fault.stream or chute.streams[0].id)
    for at in moments:
        gaps = rng.normal(1000, 15, max(3, int(rng.lognormal(np.log(120), 0.8)))).astype(int)
        times = at + np.cumsum(np.maximum(gaps, 200))
        found += [(int(t), "stuck_press", (fault.floor, stream)) for t in times]
    return found


def _false_full(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """A sensor that sees a full container for a minute or three."""
    long = rng.uniform(20_000, 200_000, len(moments)).astype(int).tolist()
    return [
        (at + delay, "false_full", (fault.stream, delay == 0))
        for at, length in zip(moments, long, strict=True)
        for delay in (0, length)
    ]


def _wiring_glitch(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """Several doors on one cable lose touch within a second, and come back."""
    found: list[Happening] = []
    for at in moments:
        back = at + int(rng.uniform(2_000, 20_000))
        for floor in fault.floors:
            found.append((at + int(rng.integers(0, 900)), "line_fault", (floor, True)))
            found.append((back + int(rng.integers(0, 900)), "line_fault", (floor, False)))
    return found


def _rattling_door(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """Wind or a slammed corridor door: a latched leaf moves its contact a few times."""
    found: list[Happening] = []
    for at in moments:
        for _ in range(int(rng.geometric(0.35))):
            length = int(rng.uniform(100, 900))
            found.append((at, "rattle", (fault.floor, True)))
            found.append((at + length, "rattle", (fault.floor, False)))
            at += length + int(rng.uniform(1_000, 6_000))
    return found


def _low_supply(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """A tired power supply sags: mostly noted only, now and then the board starts anew."""
    down = rng.random(len(moments)) < 0.2
    noted = [(at, "noted", ("volts",)) for at in moments]
    return noted + [(at + 1000, "reset", ()) for at, d in zip(moments, down, strict=True) if d]


def _board_reset(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """The program hangs and its watchdog starts it anew."""
    return [(at, "reset", ()) for at in moments]


def _dropped_shutter(
    fault: Fault, chute: Chute, moments: list[int], rng: np.random.Generator
) -> list[Happening]:
    """The fire shutter at the foot falls shut without a fire; somebody has to lift it."""
    closed = rng.lognormal(np.log(2_400_000), 0.8, len(moments)).astype(int).tolist()
    return [
        (at + delay, "shutter", (delay == 0,))
        for at, length in zip(moments, closed, strict=True)
        for delay in (0, length)
    ]


# Times a day at strength 1.
RATES = {
    "stuck_button": 0.5, "false_full": 0.7, "wiring_glitch": 0.6, "rattling_door": 2.0,
    "low_supply": 0.8, "board_reset": 0.3, "dropped_shutter": 0.15,
}  # fmt: skip
ALONE: dict[
    str, Callable[[Fault, Chute, list[int], np.random.Generator], list[Happening]]
] = {
    "stuck_button": _stuck_button,
    "false_full": _false_full,
    "wiring_glitch": _wiring_glitch,
    "rattling_door": _rattling_door,
    "low_supply": _low_supply,
    "board_reset": _board_reset,
    "dropped_shutter": _dropped_shutter,
}  # fmt: skip

"""What comes to the controller from outside: containers, supply, maintenance, faults alone."""

from collections.abc import Callable

import numpy as np

from tests.tools.simulator import words as w
from tests.tools.simulator.containers import Container, swap_time
from tests.tools.simulator.plan import Chute, Plan
from tests.tools.simulator.timings import Timings
from tests.tools.simulator.uses import Cycle, Person
from tests.tools.simulator.visits import VisitBook


class Surroundings:
    """The half of the controller that no press and no door causes; `Controller` is the other."""

    plan: Plan
    chute: Chute
    rng: np.random.Generator
    tick: int
    labels: list[str]
    names: list[str]
    timings: Timings
    book: VisitBook
    cycle: Cycle | None
    containers: list[Container]
    sees_full: set[int]
    rams_out: set[int]
    barred: dict[int, list[int]]
    lockouts: list[tuple[int, int, int | None, int]]
    powered: bool
    in_service: bool
    want_service: bool
    faulty: int
    press: Callable[[int, Person], None]
    _later: Callable[..., None]
    _write: Callable[..., None]
    _interrupt: Callable[[], None]
    _fault: Callable[[int, str, int, bool], None]

    # Containers.

    def _drop(self, at: int, stream: int) -> None:
        box = self.containers[stream]
        box.drop(float(self.rng.gamma(2.0, box.stream.litres / 2.0)))
        self._tell_level(at, stream)
        if box.stream.compactor and box.drops % 10 == 0:
            self._later(at + 2 * self.tick, self._ram, stream)
        if box.is_full and box.full_from is None:
            box.full_from = at
            self._see_full(at, stream, True)
            swap = swap_time(self.plan, at, self.rng) // self.tick * self.tick
            self._later(swap, self.on_swap, stream, at)

    def _tell_level(self, at: int, stream: int) -> None:
        level = self.containers[stream].step()
        if level is not None:
            self._write(at, w.LEVEL, stream=stream, value=float(level))

    def _ram(self, at: int, stream: int) -> None:
        """One stroke; a worn ram sticks in its stroke until somebody frees it."""
        if stream in self.rams_out:
            return
        self.rams_out.add(stream)
        self._write(at, w.RAM, stream=stream)
        if not self.timings.jams(at):
            self._later(at + 25_000, self._ram_back, stream)
            return
        self._later(at + 60_000, self._ram_sticks, stream, True)
        freed = at + 60_000 + round(float(self.rng.lognormal(8.2, 0.7))) * 1000
        self._later(freed, self._ram_sticks, stream, False)
        self._later(freed, self._ram_back, stream)

    def _ram_back(self, at: int, stream: int) -> None:
        self.rams_out.discard(stream)
        self._write(at, w.RAM_END, stream=stream)

    def _ram_sticks(self, at: int, stream: int, on: bool) -> None:
        self._write(at, w.FAULT if on else w.FAULT_END, stream=stream, code=w.CODE["ram"])

    def _see_full(self, at: int, stream: int, full: bool) -> None:
        if full == (stream in self.sees_full):
            return
        (self.sees_full.add if full else self.sees_full.discard)(stream)
        self._write(at, w.FULL if full else w.NOT_FULL, stream=stream)

    def on_swap(self, at: int, stream: int, full: int) -> None:
        """The caretaker swaps a container, unless a pickup came first."""
        if self.containers[stream].full_from == full:
            self.on_pickup(at, stream, "swap")

    def on_pickup(self, at: int, stream: int, by: str) -> None:
        """The container is emptied."""
        self.containers[stream].empty(at, by)
        self._see_full(at, stream, False)
        self._tell_level(at, stream)

    # What comes from outside.

    def on_false_full(self, at: int, stream: str, full: bool) -> None:
        """A sensor sees what is not there, or lets go; it covers a real one no further."""
        number = self.names.index(stream)
        if self.containers[number].full_from is None:
            self._see_full(at, number, full)

    def on_line_fault(self, at: int, floor: str, on: bool) -> None:
        """A door is lost on the cable, or answers again; its cycle, if any, goes on."""
        self._fault(at, "line", self.labels.index(floor), on)

    def on_rattle(self, at: int, floor: str, away: bool) -> None:
        """A latched leaf moves its contact; not while the door is in use anyway."""
        number = self.labels.index(floor)
        if self.cycle is None or self.cycle.floor != number:
            self._write(at, w.OPEN if away else w.CLOSE, number)

    def on_stuck_press(self, at: int, floor: str, stream: int) -> None:
        """A button that nobody pushes is read as pushed."""
        self.press(at, Person(self.labels.index(floor), stream, 0, 0))

    def on_alive(self, at: int) -> None:
        """The hourly sign of life."""
        self._write(at, w.ALIVE)

    def on_clock(self, at: int) -> None:
        """Somebody or something sets the clock; by how much, `clockwork` works out."""
        self._write(at, w.CLOCK)

    def on_service(self, at: int) -> None:
        """Maintenance begins, as soon as the door in use is done with."""
        self.want_service = self.cycle is not None
        if not self.want_service and self.powered and not self.in_service:
            self.in_service = True
            self._write(at, w.SERVICE)

    def on_service_end(self, at: int) -> None:
        """Maintenance ends."""
        if self.in_service:
            self.in_service = False
            self._write(at, w.SERVICE_END)
        self.want_service = False

    def on_power_off(self, at: int) -> None:
        """The supply goes; everything that was going on is over."""
        if self.chute.logs_power_off:
            self._write(at, w.POWER_OFF)
        self._stop(at)

    def _stop(self, at: int) -> None:
        self.powered = False
        self._interrupt()
        self.lockouts += [(floor, case[0], None, case[2]) for floor, case in self.barred.items()]
        self.barred.clear()
        self.book.power_lost(at)
        self.in_service, self.faulty = False, 0
        self.sees_full.clear()

    def on_reset(self, at: int) -> None:
        """The board starts anew by itself: what was going on is over, and nothing says so."""
        if self.powered:
            self._stop(at)
            self._later(at + 8_000, self._after_reset)

    def _after_reset(self, at: int) -> None:
        if not self.powered:  # else the supply came back meanwhile
            self.on_power(at)
            self._write(at, w.FAULT_MARK, code=w.CODE["reset"])

    def on_noted(self, at: int, code: str) -> None:
        """A fault that is only noted."""
        self._write(at, w.FAULT_MARK, code=w.CODE[code])

    def on_shutter(self, at: int, shut: bool) -> None:
        """The shutter at the foot is shut: no door may open."""
        self._fault(at, "fire", -1, shut)

    def on_power(self, at: int) -> None:
        """The supply is back; sensors are read anew."""
        self.powered = True
        for recent in self.recent:
            recent.clear()
        self._write(at, w.POWER)
        for number, box in enumerate(self.containers):
            self._see_full(at, number, box.full_from is not None)

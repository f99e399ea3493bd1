"""The controller's loop: one door at a time, its rules, and what it writes down.

A press is granted when the chute is free and nothing forbids it; then the diverter turns, the
latch is drawn, somebody opens and closes, the latch falls, material lands. Times are true UTC
milliseconds on the controller's tick. `Controller.run` plays a plan; what happened is then in
`log`, `cycles`, `visits`, `lockouts`, `gaps`.
"""

import heapq
from collections import deque
from collections.abc import Callable

import numpy as np

from tests.tools.simulator import words as w
from tests.tools.simulator.containers import Container, pickups
from tests.tools.simulator.faults import Happening
from tests.tools.simulator.plan import Chute, Plan, milliseconds
from tests.tools.simulator.residents import Arrivals
from tests.tools.simulator.surroundings import Surroundings
from tests.tools.simulator.timings import Timings
from tests.tools.simulator.uses import Cycle, Person
from tests.tools.simulator.visits import VisitBook

UNLOCK_LIMIT_S = 30  # a drawn latch falls again when nobody opens


class Controller(Surroundings):
    """One chute's controller and what hangs on it."""

    def __init__(self, plan: Plan, chute: Chute, rng: np.random.Generator) -> None:
        self.plan, self.chute, self.rng, self.tick = plan, chute, rng, chute.tick_ms
        self.end = milliseconds(plan.utc(plan.end))
        self.start = milliseconds(plan.utc(plan.start))
        self.labels = [floor.label for floor in chute.floors]
        self.names = [stream.id for stream in chute.streams]
        self.log: list[tuple[int, int, int, int, int, float | None]] = []
        self.cycles: list[Cycle] = []
        self.lockouts: list[tuple[int, int, int | None, int]] = []
        self.misused: list[tuple[int, int, int]] = []
        self.book = VisitBook(len(self.labels), round(chute.limits.press_window_s * 1000))
        self._heap: list[tuple[int, int, Callable[..., None], tuple[object, ...]]] = []
        self._count = 0
        self._set_limits()
        self._set_state()
        self.timings = Timings(plan, chute, rng)
        self.chance = self.timings.chance

    def _set_limits(self) -> None:
        limits = self.chute.limits
        self.limit = limits.press_limit
        self.window, self.quiet = round(limits.press_window_s * 1000), round(limits.quiet_s * 1000)
        self.clearing = round(limits.clearing_s * 1000)
        self.open_limit = round(limits.open_limit_s * 1000)
        self.turn_limit = round(limits.positioning_limit_s * 1000)
        self.unlock_limit = UNLOCK_LIMIT_S * 1000

    def _set_state(self) -> None:
        self.cycle: Cycle | None = None
        self.place = 0
        self.powered, self.in_service, self.want_service = True, False, False
        self.faulty = 0  # faults that take the doors out of use
        self.sees_full: set[int] = set()
        self.rams_out: set[int] = set()
        self.recent = [deque[int]() for _ in self.labels]
        self.barred: dict[int, list[int]] = {}
        self.containers = [Container(stream, self.start) for stream in self.chute.streams]
        for box in self.containers:  # nobody starts with everything empty
            box.litres = float(self.rng.uniform(0, 0.4)) * box.stream.container_l
            box.step()

    # What is planned beforehand.

    def run(self, people: Arrivals, planned: list[Happening]) -> None:
        """Play it all: arrivals, planned happenings, and what follows from them."""
        self._schedule_plan(planned)
        heap, pop = self._heap, heapq.heappop
        for time, floor, stream, patience, mash in zip(*people, strict=True):
            while heap and heap[0][0] < time:
                at, _, act, rest = pop(heap)
                act(at, *rest)
            if mash:
                self.misused.append((time, floor, mash))
            self.press(time, Person(floor, stream, time + patience, mash))
        while heap:
            at, _, act, rest = pop(heap)
            act(at, *rest)
        self._end()

    def _end(self) -> None:
        events = [row[0] for row in reversed(self.log) if row[1] != w.ALIVE][:1]
        self.book.log_ends(*(events or [self.end]))

    def _schedule_plan(self, planned: list[Happening]) -> None:
        for at, name, rest in planned:
            self._later(at, getattr(self, f"on_{name}"), *rest)
        for cut in self.chute.cuts:
            at = milliseconds(cut.at)
            self._later(at, self.on_power_off)
            self._later(at + round(cut.seconds * 1000), self.on_power)
        for work in self.chute.services:
            at = milliseconds(work.at)
            self._later(at, self.on_service)
            self._later(at + round(work.seconds * 1000), self.on_service_end)
        for number, stream in enumerate(self.chute.streams):
            for at in pickups(self.plan, stream):
                self._later(at, self.on_pickup, number, "pickup")
        for at in range(self.start + 3_600_000, self.end, 3_600_000):
            self._later(at, self.on_alive)

    def _later(self, at: int, act: Callable[..., None], *rest: object) -> None:
        self._count += 1
        heapq.heappush(self._heap, (at, self._count, act, rest))

    def _write(
        self, at: int, kind: int, floor: int = -1, stream: int = -1, code: int = -1,
        value: float | None = None,
    ) -> None:  # fmt: skip
        if self.powered:
            self.log.append((at, kind, floor, stream, code, value))

    # Presses.

    def press(self, at: int, person: Person) -> None:
        """A button goes in; the controller grants it or says why not."""
        if not self.powered:
            return
        floor = person.floor
        self.log.append((at, w.PRESS, floor, person.stream, -1, None))
        visit = self.book.press(at, floor, person.stream)
        tripped = self._counts_as_abuse(at, floor)
        if tripped:
            visit.barred = True
        code = self._reason(floor, person.stream)
        if code is None:
            self._grant(at, person, visit)
            self._maybe_again(at, person)
            return
        self.log.append((at, w.REFUSAL, floor, person.stream, code, None))
        visit.refusals += 1
        visit.last_reason = code
        self._react(at, person, code)

    def _counts_as_abuse(self, at: int, floor: int) -> bool:
        """Keep the door's recent presses; bar it when there are too many. True if just barred."""
        recent = self.recent[floor]
        recent.append(at)
        while recent[0] < at - self.window:
            recent.popleft()
        case = self.barred.get(floor)
        if case is not None:
            case[1] = at
            case[2] += 1
            return False
        if len(recent) <= self.limit:
            return False
        self.barred[floor] = [at, at, len(recent)]
        self._write(at, w.BAR, floor)
        self._later(at + self.quiet, self._unbar, floor, self.barred[floor])
        return True

    def _unbar(self, at: int, floor: int, case: list[int]) -> None:
        """Free a door after its quiet time, or look again when that is over."""
        if self.barred.get(floor) is not case:
            return
        if at - case[1] < self.quiet:
            self._later(case[1] + self.quiet, self._unbar, floor, case)
            return
        del self.barred[floor]
        self.recent[floor].clear()  # presses count anew
        self._write(at, w.UNBAR, floor)
        self.lockouts.append((floor, case[0], at, case[2]))

    def _reason(self, floor: int, stream: int) -> int | None:
        """Why a press is not acted on, as a code, or None."""
        if floor in self.barred:
            return w.CODE["lockout"]
        if self.in_service:
            return w.CODE["service"]
        if self.sees_full and (self.chute.full_locks == "all" or stream in self.sees_full):
            return w.CODE["full"]
        if self.faulty:
            return w.CODE["fault"]
        if self.cycle is not None:
            return w.CODE["busy"]
        return None

    def _react(self, at: int, person: Person, code: int) -> None:
        """What a person does who was refused: mash on, try again later, or leave."""
        if person.mash > 1:
            person.mash -= 1
            self._later(at + self.timings.mash_gap(), self.press, person)
            return
        keen = 1.0 if code == 0 else 0.5  # 0 is busy: others' cycles pass, the rest may not
        again = at + self.timings.retry()
        if again < person.until and self.chance() < keen:
            self._later(again, self.press, person)

    def _maybe_again(self, at: int, person: Person) -> None:
        """Granted, but the door is not open yet: some press again meanwhile."""
        if person.mash > 1:
            person.mash -= 1
            self._later(at + self.timings.mash_gap(), self._again, person)
        elif person.until and self.chance() < 0.1:
            self._later(at + self.timings.mash_gap() * 3, self._again, person)

    def _again(self, at: int, person: Person) -> None:
        cycle = self.cycle
        if cycle is not None and cycle.person is person and cycle.opened is None:
            self.press(at, person)

    # One cycle.

    def _grant(self, at: int, person: Person, visit: object) -> None:
        cycle = self.cycle = Cycle(person.floor, person.stream, at, person)
        visit.cycle = cycle  # type: ignore[attr-defined]
        self.cycles.append(cycle)
        target = self.chute.streams[person.stream].place
        if target == self.place:
            self._drawn_later(at, cycle)
            return
        cycle.shown = True
        self._write(at, w.TURN, stream=person.stream)
        travel = self.timings.travel(at, abs(target - self.place))
        self.place = target
        if travel > self.turn_limit:
            self._later(at + self.turn_limit, self._stalled, cycle, at + travel)
        else:
            self._later(at + travel, self._turned, cycle)

    def _stalled(self, at: int, cycle: Cycle, back: int) -> None:
        """The diverter is late: a fault, the grant is over, the drive tries on."""
        if self.cycle is cycle:
            self._interrupt()
        self._fault(at, "sorter_late", -1, True)
        self._later(back, self._back_in_place, cycle)

    def _back_in_place(self, at: int, cycle: Cycle) -> None:
        self._write(at, w.TURNED, stream=cycle.stream)
        self._fault(at, "sorter_late", -1, False)

    def _turned(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.turned_s = (at - cycle.pressed) / 1000
        self._write(at, w.TURNED, stream=cycle.stream)
        self._drawn_later(at, cycle)

    def _drawn_later(self, at: int, cycle: Cycle) -> None:
        delay, fails = self.timings.unlock(at, cycle.floor)
        self._later(at + delay, self._latch_fails if fails else self._unlock, cycle)

    def _latch_fails(self, at: int, cycle: Cycle) -> None:
        if self.cycle is cycle:
            self._interrupt()
            self._write(at, w.FAULT_MARK, cycle.floor, code=w.CODE["latch"])

    def _unlock(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.unlocked, cycle.shown = at, True
        self._write(at, w.UNLOCK, cycle.floor)
        reach = self.timings.reach()
        # A stuck button has nobody who opens; of people, one in a hundred has walked off.
        leaves = cycle.person.until == 0 or self.chance() < 0.01
        if leaves or reach >= self.unlock_limit:
            self._later(at + self.unlock_limit, self._nobody, cycle)
        else:
            self._later(at + reach, self._open, cycle)

    def _nobody(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        self._write(at, w.LOCK, cycle.floor)
        cycle.outcome = "not_opened"
        self._free(at)

    def _open(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.opened = at
        self.book.opened(at, cycle.floor, cycle.stream)
        self._write(at, w.OPEN, cycle.floor)
        shut = at + self.timings.open(at, cycle.floor)
        for away, back in self.timings.bounces(at, shut, cycle.floor):
            self._later(away, self._contact, cycle, w.CLOSE)
            self._later(back, self._contact, cycle, w.OPEN)
        if shut - at > self.open_limit:
            self._later(at + self.open_limit, self._held, cycle)
        self._later(shut, self._close, cycle)

    def _contact(self, at: int, cycle: Cycle, kind: int) -> None:
        if self.cycle is cycle:
            self._write(at, kind, cycle.floor)

    def _held(self, at: int, cycle: Cycle) -> None:
        if self.cycle is cycle and cycle.closed is None:
            self._write(at, w.FAULT, cycle.floor, code=w.CODE["door_held"])

    def _close(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.closed = at
        self._write(at, w.CLOSE, cycle.floor)
        if at - cycle.opened > self.open_limit:  # type: ignore[operator]  # it was opened
            self._write(at, w.FAULT_END, cycle.floor, code=w.CODE["door_held"])
        self._later(at + self.timings.latch(), self._latched, cycle)

    def _latched(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        self._write(at, w.LOCK, cycle.floor)
        self._write(at, w.FALL)
        self._later(at + self.clearing, self._landed, cycle)

    def _landed(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.cleared = at
        cycle.outcome = "completed"
        self._write(at, w.FALLEN)
        self._drop(at, cycle.stream)
        self._free(at)

    def _free(self, at: int) -> None:
        self.cycle = None
        if self.want_service:
            self.on_service(at)

    def _interrupt(self) -> None:
        if self.cycle is not None:
            self.cycle.outcome = "interrupted"
            self.cycle = None

    def _fault(self, at: int, code: str, floor: int, on: bool) -> None:
        """A fault that takes the doors out of use while it lasts."""
        self.faulty = max(0, self.faulty + (1 if on else -1))
        self._write(at, w.FAULT if on else w.FAULT_END, floor, code=w.CODE[code])

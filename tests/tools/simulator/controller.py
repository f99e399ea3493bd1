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
from tests.tools.simulator.containers import Container, pickups, swap_time
from tests.tools.simulator.draws import lognormal_ms, on_tick, supply
from tests.tools.simulator.faults import Happening, wears
from tests.tools.simulator.plan import Chute, Plan, milliseconds
from tests.tools.simulator.residents import Arrivals
from tests.tools.simulator.visits import VisitBook

# common practice, no source: seconds of an ordinary intake door and diverter.
STEP_S, START_S = 3.4, 1.2  # diverter: a step between neighbouring places, and getting going
LATCH_S, CLOSER_S, REACH_S, HOLD_S = 0.6, 2.8, 2.6, 6.5
UNLOCK_LIMIT_S = 30  # a drawn latch falls again when nobody opens
RETRY_S = 21  # how long people wait before they press again


class Person:
    """Somebody at a door, or a stuck button (no patience at all)."""

    __slots__ = ("floor", "mash", "stream", "until")

    def __init__(self, floor: int, stream: int, until: int, mash: int) -> None:
        self.floor, self.stream, self.until, self.mash = floor, stream, until, mash


class Cycle:
    """One grant on its way; None where a time has not come (yet)."""

    __slots__ = (
        "cleared", "closed", "floor", "opened", "outcome", "person", "pressed", "shown",
        "stream", "turned_s", "unlocked",
    )  # fmt: skip

    def __init__(self, floor: int, stream: int, pressed: int, person: Person) -> None:
        self.floor, self.stream, self.pressed, self.person = floor, stream, pressed, person
        self.unlocked = self.opened = self.closed = self.cleared = self.turned_s = None
        self.outcome, self.shown = "unknown", False


class Controller:
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
        self._set_draws()
        self._set_wear()

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

    def _set_draws(self) -> None:
        rng, tick = self.rng, self.tick
        self.latch = lognormal_ms(rng, LATCH_S, 0.12, tick)
        self.closer = lognormal_ms(rng, CLOSER_S, 0.15, tick)
        self.reach = lognormal_ms(rng, REACH_S, 0.6, tick)
        self.hold = lognormal_ms(rng, HOLD_S, 0.45, tick)
        self.retry = lognormal_ms(rng, RETRY_S, 0.5, tick)
        self.mash_gap = supply(lambda n: on_tick(rng.lognormal(np.log(900), 0.5, n), tick))
        self.spread = supply(lambda n: rng.lognormal(0, 0.06, n))
        self.chance = supply(rng.random)

    def _set_wear(self) -> None:
        def by_floor(kind: str) -> dict[int, object]:
            found = wears(self.plan, self.chute, kind)
            return {self.labels.index(floor): wear for floor, wear in found.items()}

        self.weak, self.stiff = by_floor("weak_closer"), by_floor("stiff_latch")
        self.bouncing, self.propped = by_floor("bouncing_contact"), by_floor("propped_door")
        self.slow = wears(self.plan, self.chute, "slow_diverter").get("")
        self.jamming = wears(self.plan, self.chute, "ram_jam").get("")

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
            self._later(at + self.mash_gap(), self.press, person)
            return
        keen = 1.0 if code == 0 else 0.5  # 0 is busy: others' cycles pass, the rest may not
        again = at + self.retry()
        if again < person.until and self.chance() < keen:
            self._later(again, self.press, person)

    def _maybe_again(self, at: int, person: Person) -> None:
        """Granted, but the door is not open yet: some press again meanwhile."""
        if person.mash > 1:
            person.mash -= 1
            self._later(at + self.mash_gap(), self._again, person)
        elif person.until and self.chance() < 0.1:
            self._later(at + self.mash_gap() * 3, self._again, person)

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
        travel = self._travel(at, abs(target - self.place))
        self.place = target
        if travel > self.turn_limit:
            self._later(at + self.turn_limit, self._stalled, cycle, at + travel)
        else:
            self._later(at + travel, self._turned, cycle)

    def _travel(self, at: int, steps: int) -> int:
        seconds = (START_S + STEP_S * steps) * self.spread()
        if self.slow is not None:
            worn = self.slow.at(at)
            seconds *= 1 + 0.25 * worn
            if self.chance() < 0.012 * worn:
                seconds += self.turn_limit / 1000 + 90 * self.chance()
        return max(1, round(seconds * 1000 / self.tick)) * self.tick

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
        delay = self.latch()
        wear = self.stiff.get(cycle.floor)
        if wear is not None and wear.in_hours(at):
            worn = wear.at(at)
            if self.chance() < min(0.9, 0.25 * worn):
                late = float(self.rng.exponential(1500)) * max(worn, 0.2)
                delay += round(late / self.tick) * self.tick
            if self.chance() < 0.01 * worn:
                self._later(at + delay, self._latch_fails, cycle)
                return
        self._later(at + delay, self._unlock, cycle)

    def _latch_fails(self, at: int, cycle: Cycle) -> None:
        if self.cycle is cycle:
            self._interrupt()
            self._write(at, w.FAULT_MARK, cycle.floor, code=w.CODE["latch"])

    def _unlock(self, at: int, cycle: Cycle) -> None:
        if self.cycle is not cycle:
            return
        cycle.unlocked, cycle.shown = at, True
        self._write(at, w.UNLOCK, cycle.floor)
        reach = self.reach()
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
        shut = at + self._open_ms(at, cycle.floor)
        self._bounce(at, shut, cycle)
        if shut - at > self.open_limit:
            self._later(at + self.open_limit, self._held, cycle)
        self._later(shut, self._close, cycle)

    def _open_ms(self, at: int, floor: int) -> int:
        """How long the leaf stays open: hands, then the closer, then what is wrong with it."""
        hold, closer = self.hold(), self.closer()
        wear = self.weak.get(floor)
        if wear is not None:
            worn = wear.at(at)
            closer *= 1 + 1.5 * worn
            if self.chance() < 0.02 * worn:  # stops short of the latch until pushed
                closer += float(self.rng.lognormal(np.log(70_000), 0.8))
        wear = self.propped.get(floor)
        if wear is not None and wear.in_hours(at) and self.chance() < min(0.9, 0.3 * wear.at(at)):
            hold += float(self.rng.uniform(60_000, 600_000))
        return max(1, round((hold + closer) / self.tick)) * self.tick

    def _bounce(self, opened: int, shut: int, cycle: Cycle) -> None:
        """A worn contact lets go a few times just after the leaf moved."""
        wear = self.bouncing.get(cycle.floor)
        if wear is None or self.chance() >= min(0.95, 0.35 * wear.at(opened)):
            return
        at = opened
        for _ in range(int(self.rng.geometric(0.4))):
            away, back = at + self._short(), 0
            back = away + self._short()
            if back >= shut:
                return
            self._later(away, self._contact, cycle, w.CLOSE)
            self._later(back, self._contact, cycle, w.OPEN)
            at = back

    def _short(self) -> int:
        return max(1, round(float(self.rng.uniform(60, 700)) / self.tick)) * self.tick

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
        self._later(at + self.latch(), self._latched, cycle)

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
        jam = self.jamming is not None and self.chance() < min(0.9, 0.05 * self.jamming.at(at))
        if not jam:
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

"""How long things take: people's hands, latch, closer and diverter, worn as the plan says."""

import numpy as np

from tests.tools.simulator.draws import lognormal_ms, on_tick, supply
from tests.tools.simulator.faults import Wear, wears
from tests.tools.simulator.plan import Chute, Plan

# common practice, no source: seconds of an ordinary intake door and diverter.
STEP_S, START_S = 3.4, 1.2  # diverter: a step between neighbouring places, and getting going
LATCH_S, CLOSER_S, REACH_S, HOLD_S = 0.6, 2.8, 2.6, 6.5
RETRY_S = 21  # how long people wait before they press again


class Timings:
    """Draws of one chute, in ms on the controller's tick.

    Attributes:
        latch, reach, retry, mash_gap: Functions that give the next duration.
        chance: A function that gives the next number between 0 and 1.
    """

    def __init__(self, plan: Plan, chute: Chute, rng: np.random.Generator) -> None:
        self.rng, self.tick = rng, chute.tick_ms
        self.turn_limit_s = chute.limits.positioning_limit_s
        self._draw(rng, chute.tick_ms)
        self._wear(plan, chute)

    def _draw(self, rng: np.random.Generator, tick: int) -> None:
        self.latch = lognormal_ms(rng, LATCH_S, 0.12, tick)
        self._closer = lognormal_ms(rng, CLOSER_S, 0.15, tick)
        self.reach = lognormal_ms(rng, REACH_S, 0.6, tick)
        self._hold = lognormal_ms(rng, HOLD_S, 0.45, tick)
        self.retry = lognormal_ms(rng, RETRY_S, 0.5, tick)
        self.mash_gap = supply(lambda n: on_tick(rng.lognormal(np.log(900), 0.5, n), tick))
        self._spread = supply(lambda n: rng.lognormal(0, 0.06, n))
        self.chance = supply(rng.random)

    def _wear(self, plan: Plan, chute: Chute) -> None:
        labels = [floor.label for floor in chute.floors]

        def by_floor(kind: str) -> dict[int, Wear]:
            found = wears(plan, chute, kind)
            return {labels.index(floor): wear for floor, wear in found.items()}

        self._weak, self._stiff = by_floor("weak_closer"), by_floor("stiff_latch")
        self._bouncing, self._propped = by_floor("bouncing_contact"), by_floor("propped_door")
        self._slow = wears(plan, chute, "slow_diverter").get("")
        self._jamming = wears(plan, chute, "ram_jam").get("")

    def travel(self, at: int, steps: int) -> int:
        """The diverter's way over some places; worn, it is slower and now and then stalls."""
        seconds = (START_S + STEP_S * steps) * self._spread()
        if self._slow is not None:
            worn = self._slow.at(at)
            seconds *= 1 + 0.25 * worn
            if self.chance() < 0.012 * worn:
                seconds += self.turn_limit_s + 90 * self.chance()
        return self._ticks(seconds * 1000)

    def unlock(self, at: int, floor: int) -> tuple[int, bool]:
        """How long the latch takes to draw, and whether it fails to."""
        delay = self.latch()
        wear = self._stiff.get(floor)
        if wear is None or not wear.in_hours(at):
            return delay, False
        worn = wear.at(at)
        if self.chance() < min(0.9, 0.25 * worn):
            late = float(self.rng.exponential(1500)) * max(worn, 0.2)
            delay += round(late / self.tick) * self.tick
        return delay, self.chance() < 0.01 * worn

    def open(self, at: int, floor: int) -> int:
        """How long the leaf stays open: hands, then the closer, then what is wrong with it."""
        hold, closer = self._hold(), self._closer()
        wear = self._weak.get(floor)
        if wear is not None:
            worn = wear.at(at)
            closer *= 1 + 1.5 * worn
            if self.chance() < 0.02 * worn:  # stops short of the latch until pushed
                closer += float(self.rng.lognormal(np.log(70_000), 0.8))
        wear = self._propped.get(floor)
        if wear is not None and wear.in_hours(at) and self.chance() < min(0.9, 0.3 * wear.at(at)):
            hold += float(self.rng.uniform(60_000, 600_000))
        return self._ticks(hold + closer)

    def bounces(self, opened: int, shut: int, floor: int) -> list[tuple[int, int]]:
        """When a worn contact lets go and makes again, just after the leaf moved."""
        wear = self._bouncing.get(floor)
        if wear is None or self.chance() >= min(0.95, 0.35 * wear.at(opened)):
            return []
        found: list[tuple[int, int]] = []
        at = opened
        for _ in range(int(self.rng.geometric(0.4))):
            away = at + self._ticks(float(self.rng.uniform(60, 700)))
            at = away + self._ticks(float(self.rng.uniform(60, 700)))
            if at >= shut:
                break
            found.append((away, at))
        return found

    def jams(self, at: int) -> bool:
        """Whether the ram sticks in this stroke."""
        wear = self._jamming
        return wear is not None and self.chance() < min(0.9, 0.05 * wear.at(at))

    def _ticks(self, ms: float) -> int:
        return max(1, round(ms / self.tick)) * self.tick

"""How often the judgement of floors accuses wrongly, and how often it finds a misused floor.

    .venv/bin/python -m tests.benchmarks.misuse [--seeds 200] [--cores 2]

Two sources, both seeded:

- `simulator`: the full simulated building of 12 floors with 12 units each over eight weeks,
  its controller's log paired, gathered into visits and judged as any log is. Nobody there is
  more given to pressing than others, and lockouts come of impatience.
- `counts`: visits and episodes a floor and day drawn at once, for what the simulator does not
  have: bunching (each episode brings 0.3 more of the same people within three days), bad weeks
  (one week in ten has five times the rate), floors that differ for good (coefficient of
  variation 0.3), a whole year, few floors, small floors.

For each: (a) the share of floors flagged where none is misused, and of buildings with any;
(b) in how many of the seeds a floor of three times the rate is found.
"""

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.buttons import buttons
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.measures.misuse import compare, misuse, stands_out
from loganalyzer.service import in_service
from loganalyzer.stats import benjamini_hochberg
from loganalyzer.tables import TABLES, conform
from loganalyzer.visits import visits as visits_of
from tests.tools.simulator import Floor, Misuse, Plan, plain_plan, simulate

# The misused floor: three times the rate of the others.
TIMES = 3.0


@dataclass(frozen=True)
class Building:
    """Counts a floor and day: `rate` episodes a visit, `visits` a floor and week."""

    name: str
    floors: int = 12
    weeks: int = 8
    visits: float = 120.0
    rate: float = 0.012
    bunching: float = 0.0
    bad_week: float = 1.0
    differ: float = 0.0


BUILDINGS = (
    Building("single episodes"),
    Building("bunches", bunching=0.3),
    Building("bunches, larger floors", bunching=0.3, visits=240),
    Building("bad weeks", bad_week=5.0, visits=240),
    Building("floors differ", differ=0.3, visits=240),
    Building("bunches, floors differ", bunching=0.3, differ=0.3, visits=240),
    Building("bunches, 5 floors", bunching=0.3, floors=5, visits=240),
    Building("bunches, small floors", bunching=0.3, visits=60),
    Building("bunches, a year", bunching=0.3, weeks=52),
    Building("bunches, floors differ, a year", bunching=0.3, differ=0.3, weeks=52),
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    began = time.perf_counter()
    print(f"{options.seeds} seeds; misused floor: {TIMES:g} times the rate")
    print(f"{'source':45}{'(a) floors':>12}{'buildings':>11}{'(b) found':>11}{'others':>9}")
    with ProcessPoolExecutor(options.cores) as pool:
        for name, judge in cases():
            found = list(pool.map(judge, range(options.seeds), chunksize=5))
            quiet, noisy = (np.array(part) for part in zip(*found, strict=True))
            print(
                f"{name:45}{quiet.mean():12.2%}{quiet.any(axis=1).mean():11.1%}"
                f"{noisy[:, 0].mean():11.1%}{noisy[:, 1:].mean():9.2%}",
                flush=True,
            )
    print(f"{time.perf_counter() - began:.0f} s")


def cases() -> list[tuple[str, Callable[[int], tuple[list[bool], list[bool]]]]]:
    """Each line of the table: its name, and what is flagged without and with a misused floor."""
    counted = [(f"counts: {b.name}", partial(from_counts, b)) for b in BUILDINGS]
    return [("simulator: 12 floors of 12 units", from_simulator), *counted]


def from_simulator(seed: int) -> tuple[list[bool], list[bool]]:
    """Which floors are flagged in two full simulations; the first floor is the misused one."""
    quiet = _flags(simulated(seed))
    return quiet, _flags(simulated(10_000 + seed, misused=True))


def from_counts(building: Building, seed: int) -> tuple[list[bool], list[bool]]:
    """The same from counts."""
    quiet = _flagged(*drawn(building, np.random.default_rng(seed)))
    return quiet, _flagged(*drawn(building, np.random.default_rng(10_000 + seed), TIMES))


def simulated(seed: int, *, misused: bool = False) -> Plan:
    """Eight weeks of a building; at three times the rate, floor G is mashed on purpose too."""
    plan = plain_plan(days=56, seed=seed)
    floors = tuple(Floor(label, 12) for label in ("G", *map(str, range(1, 12))))
    # An ordinary visit there ends in a lockout about once in RATE; mashing nearly always does.
    share = (TIMES - 1) * SIMULATOR_RATE / (MASHING_LOCKS - SIMULATOR_RATE)
    case = (Misuse("G", share),) if misused else ()
    return replace(plan, chutes=(replace(plan.chutes[0], floors=floors, misuse=case),))


# Measured from simulations of that building: `measured_rates()` prints them.
SIMULATOR_RATE, MASHING_LOCKS = 0.0141, 0.9


def measured_rates(seeds: int = 40) -> None:
    """Print episodes a visit of the simulated building, and of its misused floor over the rest."""
    plain, first, rest = [], [], []
    for seed in range(seeds):
        table = _judged(simulated(seed))
        plain.append(table["episodes_in_service"].sum() / table["visits_in_service"].sum())
        table = _judged(simulated(10_000 + seed, misused=True))
        counts = table[["episodes_in_service", "visits_in_service"]].to_numpy(float)
        first.append(counts[0])
        rest.append(counts[1:].sum(axis=0))
    mine, others = np.sum(first, axis=0), np.sum(rest, axis=0)
    print(f"episodes a visit {np.mean(plain):.4f}")
    print(f"misused over the rest {mine[0] / mine[1] / (others[0] / others[1]):.2f}")


def _flagged(episodes: np.ndarray, visits: np.ndarray) -> list[bool]:
    ratio, _ = compare(episodes, visits)
    q = benjamini_hochberg(ratio.p_more)
    flags: list[bool] = stands_out(q, ratio.ratio, (episodes > 0).sum(axis=1)).tolist()
    return flags


def _flags(plan: Plan) -> list[bool]:
    flags: list[bool] = _judged(plan)["flagged"].astype(bool).tolist()
    return flags


def _judged(plan: Plan):  # a table
    events = simulate(plan).events.sort_values(["site", "chute", "time"], kind="stable")
    rows = events.assign(
        seq=np.arange(len(events)), line=np.arange(1, len(events) + 1), source="log",
        clock="exact", device_time=events["device"],
    )  # fmt: skip
    timeline = conform(rows[[*TABLES["timeline"].names]], "timeline").to_pandas()
    intervals = pair(timeline)
    cycles = cycles_of(timeline, intervals, {})
    visits = visits_of(timeline, cycles, intervals, {})
    known = facts(timeline, {})
    locked = lockouts(timeline, intervals, known)
    service = in_service(coverage(timeline), intervals)
    odd = buttons(timeline, locked.iloc[:0], known)["reason"]
    table = misuse(timeline, visits, locked, service, odd, known)
    first = table["floor"].ne("G")
    return table.assign(first=first).sort_values("first", kind="stable")


def drawn(
    building: Building, rng: np.random.Generator, times: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Episodes and visits, each of shape (floors, days); the first floor has `times` the rate."""
    shape = (building.floors, building.weeks * 7)
    size = rng.uniform(0.7, 1.3, (building.floors, 1))  # floors have unlike numbers of units
    tried = rng.poisson(building.visits / 7 * size, shape)
    rate = np.full(shape, building.rate / (1 + building.bunching))
    if building.differ:
        rate *= rng.gamma(building.differ**-2, building.differ**2, (building.floors, 1))
    bad = rng.random((building.floors, building.weeks)) < 0.1
    rate *= np.repeat(np.where(bad, building.bad_week, 1.0), 7, axis=1)
    rate /= 1 + 0.1 * (building.bad_week - 1)
    if times != 1.0:
        rate[0] = times * building.rate / (1 + building.bunching)
    first = rng.poisson(tried * rate)
    episodes = first + _followers(first, building.bunching, rng)
    return episodes.astype(float), (tried + episodes).astype(float)


def _followers(first: np.ndarray, mean: float, rng: np.random.Generator) -> np.ndarray:
    """Further episodes of the same people: a geometric number each, that day or the next two."""
    more = np.zeros_like(first)
    left = np.where(first > 0, rng.negative_binomial(np.maximum(first, 1), 1 / (1 + mean)), 0)
    for later in range(3):
        part = rng.binomial(left, 1 / (3 - later))
        left = left - part
        more[:, later:] += part[:, : part.shape[1] - later]
    return more


if __name__ == "__main__":
    main()

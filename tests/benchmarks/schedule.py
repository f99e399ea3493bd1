"""A week of a very large portfolio, played on any number of workers: is the work done in time?

    python -m tests.benchmarks.schedule [--buildings 100000] [--workers 8 16 24 32] [--seed 1]

Every building sends one export a week, most of them on Monday morning. A worker takes one after
the other: it fetches what it needs from object storage, reads the export, merges it into its
chute's stretch, works the touched days and then the building's findings anew, and writes the
results. The costs are what the benchmarks measured on one core (their commands are in
DEVELOPERS.md); give others with the options. Printed for each number of workers: how long an
export waits until its findings are there, how busy the workers are, and the requests a second
that object storage has to bear.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import simpy

WEEK_S, HOUR_S, WEEKS = 7 * 86_400, 3600, 52
MONDAY_SHARE, MONDAY_FROM_H, MONDAY_HOURS = 0.6, 6, 6
SPREAD = 0.6  # of the logarithm of events a building: a few are five times the usual


@dataclass
class Costs:
    """What the work costs a worker.

    Attributes:
        events: Of a usual building in a year.
        import_s: A million events, reading and merging, seconds.
        analysis_s: A million events, everything anew, seconds.
        start_s: An export, whatever its size, seconds.
        requests: To object storage, an export.
        request_s: One request, seconds.
        kept_years: Of log that the analysis is made of.
    """

    events: float
    import_s: float
    analysis_s: float
    start_s: float
    requests: int
    request_s: float
    kept_years: float

    def seconds(self, events_a_year: float) -> float:
        """Of one export of a week, to its building's findings."""
        week = events_a_year / WEEKS / 1e6
        whole = events_a_year * self.kept_years / 1e6
        waits = self.requests * self.request_s
        return self.start_s + waits + week * self.import_s + whole * self.analysis_s


@dataclass
class Played:
    """How long each export waited until it was done, and the work of all, seconds."""

    waited: list[float] = field(default_factory=list)
    worked: float = 0.0


def main() -> None:
    options = _options()
    costs = Costs(
        options.events, options.import_s, options.analysis_s, options.start_s, options.requests,
        options.request_s, options.kept_years,
    )  # fmt: skip
    week = costs.seconds(costs.events)
    print(f"{options.buildings:,} buildings; a usual week costs {week:.1f} s of one worker")
    for workers in options.workers:
        told(workers, costs, play(options.buildings, workers, costs, options.seed))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buildings", type=int, default=100_000)
    parser.add_argument("--workers", type=int, nargs="+", default=[8, 16, 24, 32])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--events", type=float, default=500_000)
    parser.add_argument("--import-s", type=float, default=1.6)
    parser.add_argument("--analysis-s", type=float, default=14.0)
    parser.add_argument("--start-s", type=float, default=0.1)
    parser.add_argument("--requests", type=int, default=25)
    parser.add_argument("--request-s", type=float, default=0.05)
    parser.add_argument("--kept-years", type=float, default=1.0)
    return parser.parse_args()


def play(buildings: int, workers: int, costs: Costs, seed: int) -> Played:
    """One week from Monday 0:00; whoever comes first is served first."""
    random = np.random.default_rng(seed)
    events = costs.events * np.exp(random.normal(-(SPREAD**2) / 2, SPREAD, buildings))
    morning = random.uniform(MONDAY_FROM_H, MONDAY_FROM_H + MONDAY_HOURS, buildings) * HOUR_S
    other = random.uniform(0, WEEK_S, buildings)
    arrivals = np.where(random.random(buildings) < MONDAY_SHARE, morning, other)
    world = simpy.Environment()
    pool, played = simpy.Resource(world, workers), Played()

    def export(seconds: float) -> Iterator[simpy.Event]:
        came = world.now
        with pool.request() as turn:
            yield turn
            yield world.timeout(seconds)
        played.waited.append(world.now - came)
        played.worked += seconds

    def sender() -> Iterator[simpy.Event]:
        for place in np.argsort(arrivals):
            yield world.timeout(float(arrivals[place]) - world.now)
            world.process(export(costs.seconds(float(events[place]))))

    world.process(sender())
    world.run()
    return played


def told(workers: int, costs: Costs, played: Played) -> None:
    middle, late, worst = np.percentile(np.array(played.waited) / 60, [50, 95, 100])
    busiest = workers * costs.requests / costs.seconds(costs.events)
    busy = played.worked / workers / WEEK_S
    print(
        f"  {workers:4} workers: findings after {middle:.1f} min (median), {late:.0f} min (95 %), "
        f"{worst:.0f} min (last); busy {busy:.0%} of the week; "
        f"{busiest:,.0f} requests a second at most"
    )


if __name__ == "__main__":
    main()

"""What a technician reads, building-year by building-year: seconds, and memory that stays flat.

    python -m tests.benchmarks.bench_technician [--years 12] [--buildings 3] [--cores 2]

Buildings of half a million events each are simulated and imported; that is not timed. Then each
process takes one after the other from the store: the timeline, all that an analysis works out,
and every table of the technician. So that a long run needs no long preparation, the buildings are
taken again and again until there are as many building-years as asked for; nothing is kept from
one to the next. `--years 100` is the long run. Wanted: a building-year in under 5 s of processor,
100 building-years in under 5 minutes on two cores, memory flat.
"""

import argparse
import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import cycle, islice
from pathlib import Path

import numpy as np

from loganalyzer import ingest
from loganalyzer.answers import answer
from loganalyzer.site import load_site
from loganalyzer.store import Store
from loganalyzer.views.condition import TABLES_HERE
from tests.benchmarks.results import put
from tests.tools.simulator.years import write_years

EVENTS = 500_000
LONG_RUN = 100


@dataclass(frozen=True)
class Judged:
    """One building-year: seconds of processor, most memory of its process so far, suspects."""

    seconds: float
    peak_mb: float
    suspects: int


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--years", type=int, default=12)
    parser.add_argument("--buildings", type=int, default=3)
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        stores = prepared(Path(name), options.buildings)
        with ProcessPoolExecutor(options.cores) as pool:
            list(pool.map(judged, stores[:1] * options.cores))  # warm-up: imports, first calls
            begun = time.perf_counter()
            found = list(pool.map(judged, islice(cycle(stores), options.years)))
            wall = time.perf_counter() - begun
    told(found, wall, options.cores)


def prepared(folder: Path, buildings: int) -> list[Path]:
    """A store a building, with a year of log in each."""
    stores = []
    for number in range(buildings):
        place = folder / str(number)
        write_years(place, "json-events", lines=EVENTS, seed=number + 1)
        (site_file,) = place.glob("tower-*.toml")
        store, site = Store.open(place / "store", create=True), load_site(site_file)
        ingest.import_paths([place / site.id], store, site, received=datetime.now(UTC))
        stores.append(store.path)
    return stores


def judged(path: Path) -> Judged:
    """Every table of the technician for the one building of a store."""
    begun = time.process_time()
    state = answer(Store.open(path)).condition
    sizes = {table: len(getattr(state, table)) for table in TABLES_HERE}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Judged(time.process_time() - begun, peak, sizes["suspects"])


def told(found: list[Judged], wall: float, cores: int) -> None:
    """Print the figures; those of the long run are an estimate unless it was run."""
    cpu = np.array([one.seconds for one in found])
    put("bench_technician", "technician's tables of a building-year", cpu.tolist(), "s")
    put("bench_technician", "most memory of a process", [max(one.peak_mb for one in found)], "MB")
    peaks, half = [one.peak_mb for one in found], len(found) // 2
    print(
        f"{len(found)} building-years of {EVENTS:,} events on {cores} cores: {wall:.0f} s; each "
        f"{np.median(cpu):.1f} s of processor ({cpu.min():.1f} to {cpu.max():.1f}), "
        f"{sum(one.suspects for one in found)} suspects"
    )
    print(
        f"most memory of a process: {max(peaks[:half] or peaks):.0f} MB in the first half, "
        f"{max(peaks):.0f} MB in all"
    )
    if len(found) < LONG_RUN:
        by_wall = wall / len(found) * LONG_RUN
        by_cpu = float(cpu.mean()) * LONG_RUN / cores
        print(
            f"{LONG_RUN} building-years would take {by_wall:.0f} s as this ran; {by_cpu:.0f} s by "
            "processor, were nothing else running"
        )


if __name__ == "__main__":
    main()

"""The coordinator's tables of a building-year, pickup search and backtest included.

    python -m tests.benchmarks.bench_sorting

Half a million events of one simulated building; the time starts where intervals, cycles and
visits are there, as after any other command. Wanted: under 3 s.
"""

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from loganalyzer import ingest
from loganalyzer.answers import answer
from loganalyzer.site import load_site
from loganalyzer.store import Store
from loganalyzer.views.sorting import TABLES_HERE
from tests.benchmarks.results import put
from tests.tools.simulator.years import write_years

EVENTS = 500_000


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_years(folder, "json-events", lines=EVENTS)
        (site_file,) = folder.glob("tower-*.toml")
        store, site = Store.open(folder / "store", create=True), load_site(site_file)
        ingest.import_paths([folder / site.id], store, site, received=datetime.now(UTC))
        sorting = answer(store).sorting
        cpu, wall = time.process_time(), time.perf_counter()
        for table in ("uses", "bins", *TABLES_HERE):
            begun = time.process_time()
            getattr(sorting, table)
            print(f"  {table:16} {time.process_time() - begun:5.2f} s")
        cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        put("bench_sorting", "coordinator's tables of a building-year", [cpu], "s")
        print(f"coordinator's tables of {EVENTS:,} events: {cpu:.1f} s of processor, {wall:.1f} s")


if __name__ == "__main__":
    main()

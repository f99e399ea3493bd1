"""What a manager reads, of a building-year and of a long run: processor seconds, events a second.

    python -m tests.benchmarks.bench_manager [--quick]

Eight simulated weeks are laid end to end for a year; the long run has that year as several
chutes of one site. The last line of each is everything after intervals, cycles and visits; import
is not in the times. `--quick` leaves out the long run.
"""

import sys
import time
from collections.abc import Callable
from typing import TypeVar

import pandas as pd

from loganalyzer.once import once
from loganalyzer.site import Site, parse_site
from loganalyzer.views.analysis import Analysis, analyse
from tests.benchmarks.bench_incidents import year_of
from tests.benchmarks.results import put
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import simulate
from tests.tools.simulator.years import year_plan

Result = TypeVar("Result")
LONG_RUN = 10_000_000


def main() -> None:
    plan = year_plan(1)
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")
    year = year_of(simulate(plan).events)
    analyse(year.head(20_000), {plan.site: site})  # warm-up: imports and first calls
    parts("a building-year", year, site)
    if "--quick" not in sys.argv:
        parts("a long run", tiled(year, -(-LONG_RUN // len(year))), site)


def parts(what: str, log: pd.DataFrame, site: Site) -> None:
    sites = {site.id: site}
    print(f"{what}: {len(log):,} events")
    begun = time.process_time()
    analysis = analyse(log, sites)
    for name in ("intervals", "cycles", "visits"):
        told(name, log, lambda n=name: getattr(analysis.whole, n))
    told("measures, incidents, audit", log, lambda: everything(analysis))
    put("bench_manager", f"everything a manager reads, {what}",
        [len(log) / (time.process_time() - begun)], "events/s", more_is_better=True)  # fmt: skip


def everything(analysis: Analysis) -> None:
    """Work out what waits to be asked for, but for what sorting and the equipment's state hold."""
    for name, how in vars(Analysis).items():
        if isinstance(how, once):
            getattr(analysis, name)


def tiled(year: pd.DataFrame, chutes: int) -> pd.DataFrame:
    """The year as that many chutes, named so that they sort in order."""
    names = [f"{number:03}" for number in range(chutes)]
    pieces = [
        year.assign(chute=pd.Categorical.from_codes([place] * len(year), names))
        for place in range(chutes)
    ]
    return pd.concat(pieces, ignore_index=True)


def told(what: str, log: pd.DataFrame, work: Callable[[], Result]) -> Result:
    begin = time.process_time()
    result = work()
    seconds = time.process_time() - begin
    print(f"  {what:27} {seconds:6.2f} s, {len(log) / seconds / 1e6:.2f} million events/s")
    return result


if __name__ == "__main__":
    main()

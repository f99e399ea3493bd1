"""Incidents and open doors of a building-year: seconds of one core, and events a second.

    python -m tests.benchmarks.bench_incidents

Eight simulated weeks of a building with a chattering contact and a misused door are laid end to
end; import, intervals, cycles and visits are not in the times.
"""

import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from loganalyzer.incidents import incidents
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.measures.open_doors import followed, longest_openings, open_doors, open_hours
from loganalyzer.site import parse_site
from loganalyzer.tables import conform
from loganalyzer.views.analysis import Analysis, analyse
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import simulate
from tests.tools.simulator.words import COMPONENTS
from tests.tools.simulator.years import WEEKS, year_plan

YEAR_WEEKS, RUNS = 52, 5


def main() -> None:
    plan = year_plan(1)
    truth = simulate(plan).events
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")
    codes = {(plan.site, "A"): COMPONENTS}
    log = year_of(truth)
    analysis = analyse(log, {plan.site: site}, codes)
    a = analysis
    evidence = (a.timeline, a.intervals, a.coverage, a.lockouts, a.facts, codes, a.visits, a.hours,
                a.sites, a.violations)  # fmt: skip
    print(f"{len(log):,} events, {len(a.incidents):,} incidents, {len(a.cycles):,} cycles")
    told("incidents", len(log), lambda: incidents(Evidence(*evidence)))
    told("open doors", len(log), lambda: all_open_doors(analysis))


def all_open_doors(a: Analysis) -> None:
    uses = followed(a.cycles, a.intervals, a.timeline, a.facts)
    open_doors(uses, a.open_times, a.facts)
    open_hours(uses, a.hours, a.facts, a.sites)
    longest_openings(uses, a.timeline, a.facts)


def year_of(events: pd.DataFrame) -> pd.DataFrame:
    """The events laid end to end for a year, as a perfect import would give them."""
    turns = YEAR_WEEKS // WEEKS
    shift = np.repeat(np.arange(turns), len(events)) * pd.Timedelta(weeks=WEEKS)
    rows = pd.concat([events] * turns, ignore_index=True)
    place = np.arange(len(rows))
    rows = rows.assign(
        time=rows["time"] + shift, device_time=rows["device"] + shift, seq=place, line=place + 1,
        clock="exact", source="log",
    )  # fmt: skip
    return conform(rows.drop(columns=["shown", "device"]), "timeline").to_pandas()


def told(what: str, events: int, work: Callable[[], object]) -> None:
    work()  # warm-up
    cpu = []
    for _ in range(RUNS):
        begin = time.process_time()
        work()
        cpu.append(time.process_time() - begin)
    low, mid, high = min(cpu), float(np.median(cpu)), max(cpu)
    rate = events / mid / 1e6
    print(f"  {what:10} {mid:.2f} s ({low:.2f} to {high:.2f}), {rate:.2f} million events/s")


if __name__ == "__main__":
    main()

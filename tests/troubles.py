"""The incidents of a timeline, without everything else that an analysis works out."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.incidents import incidents
from loganalyzer.incidents.evidence import Components, Evidence
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.site import Site
from loganalyzer.visits import visits


def incidents_of(
    log: pd.DataFrame, components: Components, sites: Mapping[str, Site] | None = None
) -> pd.DataFrame:
    """What `incidents` finds in a timeline; no safety audit was made."""
    sites = sites or {}
    known, pairs, stretches = facts(log, sites), pair(log), coverage(log)
    tried = visits(log, cycles(log, pairs, sites), pairs, sites)
    locked = lockouts(log, pairs, known)
    hours = exposure(stretches, sites)
    return incidents(
        Evidence(log, pairs, stretches, locked, known, components, tried, hours, sites)
    )

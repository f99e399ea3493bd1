"""The state of the equipment: every table of the technician, worked out when first asked for.

Most runs never ask, so nothing of this is computed with the rest of an analysis.
"""

from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from loganalyzer.incidents.evidence import Evidence
from loganalyzer.measures.drift import drift as drift_of
from loganalyzer.measures.drift_days import drift_days as drift_days_of
from loganalyzer.measures.drift_days import timings as timings_of
from loganalyzer.measures.fault_links import fault_links as fault_links_of
from loganalyzer.measures.faults import fault_episodes
from loganalyzer.measures.faults import faults as faults_of

# The tables of tables.py that this makes.
TABLES_HERE = ("faults", "fault_links", "drift", "drift_days")


@dataclass(frozen=True)
class Condition:
    """The tables of one analysis; each is described where it is made."""

    evidence: Evidence
    cycles: pd.DataFrame

    @cached_property
    def episodes(self) -> pd.DataFrame:
        """What `faults.fault_episodes` returns."""
        return fault_episodes(self.evidence.faults, self.evidence.timeline)

    @cached_property
    def fault_links(self) -> pd.DataFrame:
        """The table of that name."""
        log = self.evidence
        return fault_links_of(self.episodes, log.timeline, self.cycles, log.intervals)

    @cached_property
    def faults(self) -> pd.DataFrame:
        """The table of that name."""
        log = self.evidence
        return faults_of(
            self.episodes, self.fault_links, self.cycles, log.intervals, log.coverage, log.facts,
            log.sites,
        )  # fmt: skip

    @cached_property
    def timings(self) -> pd.DataFrame:
        """What `drift_days.timings` returns."""
        return timings_of(self.cycles, self.evidence.timeline, self.evidence.facts.limits)

    @cached_property
    def drift_days(self) -> pd.DataFrame:
        """The table of that name."""
        return drift_days_of(self.timings, self.evidence.facts.precision, self.evidence.sites)

    @cached_property
    def drift(self) -> pd.DataFrame:
        """The table of that name."""
        return drift_of(self.drift_days, self.timings, self.evidence.facts)

"""The state of the equipment: every table of the technician, worked out when first asked for.

Most runs never ask, so nothing of this is computed with the rest of an analysis.
"""

from dataclasses import dataclass

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain, precision
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.measures.buttons import steady_presses
from loganalyzer.measures.drift import drift as drift_of
from loganalyzer.measures.drift_days import drift_days as drift_days_of
from loganalyzer.measures.drift_days import timings as timings_of
from loganalyzer.measures.fault_links import fault_links as fault_links_of
from loganalyzer.measures.faults import fault_episodes
from loganalyzer.measures.faults import faults as faults_of
from loganalyzer.measures.glitches import glitches as glitches_of
from loganalyzer.measures.glitches import oddities as oddities_of
from loganalyzer.measures.repairs import repairs as repairs_of
from loganalyzer.measures.signs import signs as signs_of
from loganalyzer.measures.suspect_advice import advice
from loganalyzer.measures.suspects import suspects as suspects_of
from loganalyzer.measures.together import together as together_of
from loganalyzer.measures.troubles import troubles as troubles_of
from loganalyzer.once import once
from loganalyzer.views.sorting import Sorting

# The tables of tables.py that this makes.
TABLES_HERE = (
    "faults", "fault_links", "drift", "drift_days", "glitches", "together", "repairs",
    "suspects",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Condition:
    """The tables of one analysis; each is described where it is made."""

    evidence: Evidence
    cycles: pd.DataFrame
    sorting: Sorting

    @once
    def episodes(self) -> pd.DataFrame:
        """What `faults.fault_episodes` returns."""
        return fault_episodes(self.evidence.faults, self.evidence.timeline)

    @once
    def fault_links(self) -> pd.DataFrame:
        """The table of that name."""
        log = self.evidence
        return fault_links_of(self.episodes, log.timeline, self.cycles, log.intervals)

    @once
    def faults(self) -> pd.DataFrame:
        """The table of that name."""
        log = self.evidence
        return faults_of(
            self.episodes, self.fault_links, self.cycles, log.intervals, log.coverage, log.facts,
            log.sites,
        )  # fmt: skip

    @once
    def timings(self) -> pd.DataFrame:
        """What `drift_days.timings` returns."""
        return timings_of(self.cycles, self.evidence.timeline, self.evidence.facts.limits)

    @once
    def drift_days(self) -> pd.DataFrame:
        """The table of that name."""
        return drift_days_of(self.timings, self.evidence.facts.precision, self.evidence.sites)

    @once
    def drift(self) -> pd.DataFrame:
        """The table of that name."""
        exports = precision(self.evidence.timeline, [*CHUTE, "source"])
        return drift_of(self.drift_days, self.timings, exports, self.evidence.facts)

    @once
    def oddities(self) -> pd.DataFrame:
        """What `glitches.oddities` returns."""
        log = self.evidence
        steady = steady_presses(log.timeline)
        return oddities_of(log.intervals, log.timeline, steady, log.facts.precision)

    @once
    def glitches(self) -> pd.DataFrame:
        """The table of that name."""
        return glitches_of(self.oddities, self.cycles)

    @once
    def coincidences(self) -> pd.DataFrame:
        """What `together.together` returns: of faults, glitches and lockouts at doors."""
        faults = self.episodes[self.episodes["floor"].notna()]
        about = faults["component"].where(faults["mapped"], faults["code"])
        locked = self.evidence.held("lockout")
        locked = plain(locked[locked["start_known"].astype(bool)], *DOOR, "source")
        parts = [
            faults.assign(trouble="fault " + about, time=faults["start"]),
            self.oddities.assign(trouble=self.oddities["kind"]),
            locked.assign(trouble="lockout", time=locked["start"]),
        ]
        columns = [*DOOR, "trouble", "time", "source", "line"]
        troubles = pd.concat([part[columns] for part in parts if len(part)] or [parts[1][columns]])
        return together_of(troubles, self.evidence.coverage, self.evidence.facts.precision)

    @once
    def together(self) -> pd.DataFrame:
        """The table of that name."""
        return self.coincidences.drop(columns=["moments", "sure"])

    @once
    def repairs(self) -> pd.DataFrame:
        """The table of that name: of faults, and of glitches under their kind."""
        columns = [*DOOR, "component", "code", "start"]
        odd = self.oddities.assign(code=self.oddities["kind"], start=self.oddities["time"])
        faults = self.episodes[self.episodes["first"]]
        parts = [part[columns] for part in (faults, odd) if len(part)] or [odd[columns]]
        log = self.evidence
        return repairs_of(
            pd.concat(parts, ignore_index=True), log.intervals, log.coverage, log.sites
        )

    @once
    def troubles(self) -> pd.DataFrame:
        """What `troubles.troubles` returns."""
        log = self.evidence
        return troubles_of(
            self.episodes, self.timings, self.oddities, self.sorting.containers, log.timeline,
            log.facts.precision, self.coincidences,
        )  # fmt: skip

    @once
    def signs(self) -> pd.DataFrame:
        """What `signs.signs` returns."""
        log = self.evidence
        return signs_of(
            self.troubles, self.cycles, log.coverage, self.drift, self.coincidences, log.sites
        )

    @once
    def suspects(self) -> pd.DataFrame:
        """The table of that name."""
        found = suspects_of(self.signs, self.repairs, self.drift)
        return found.assign(advice=advice(found))

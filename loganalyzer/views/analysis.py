"""Everything that is worked out of one timeline; each table once, when first asked for."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from loganalyzer.audit import Audit, Span, audited
from loganalyzer.facts import Facts, log_ends
from loganalyzer.incidents import incidents as incidents_of
from loganalyzer.incidents.evidence import Components, Evidence
from loganalyzer.localtime import exposure
from loganalyzer.measures.buttons import buttons as buttons_of
from loganalyzer.measures.clearing_floor import clearings_below_free_fall
from loganalyzer.measures.coverage import coverage as coverage_of
from loganalyzer.measures.daily import daily as daily_of
from loganalyzer.measures.doors import open_times as open_times_of
from loganalyzer.measures.floors import floors as floors_of
from loganalyzer.measures.lockouts import lockouts as lockouts_of
from loganalyzer.measures.misuse import misuse
from loganalyzer.measures.monthly import monthly as monthly_of
from loganalyzer.measures.monthly import trends
from loganalyzer.measures.open_doors import followed
from loganalyzer.measures.open_doors import longest_openings as longest_openings_of
from loganalyzer.measures.open_doors import open_doors as open_doors_of
from loganalyzer.measures.open_doors import open_hours as open_hours_of
from loganalyzer.measures.queueing import queue as queue_of
from loganalyzer.measures.refusals import by_reason
from loganalyzer.measures.service_indices import service_indices
from loganalyzer.measures.wait_parts import wait_parts as wait_parts_of
from loganalyzer.measures.wait_parts import wait_split as wait_split_of
from loganalyzer.measures.wait_parts import week_waits as week_waits_of
from loganalyzer.measures.waiting import served_within as served_within_of
from loganalyzer.measures.waiting import waits as waits_of
from loganalyzer.measures.week import week as week_of
from loganalyzer.occupied import ChuteKey, Occupied, occupied
from loganalyzer.once import once
from loganalyzer.presses import pressed as pressed_of
from loganalyzer.service import in_service
from loganalyzer.site import Site
from loganalyzer.views.condition import Condition
from loganalyzer.views.sorting import Sorting
from loganalyzer.views.whole import Whole, within


@dataclass(frozen=True, eq=False)
class Analysis:
    """The tables of one timeline; each is described where it is made.

    The tables of the contract: `timeline`, `intervals`, `cycles`, `visits`, `coverage`,
    `incidents`, `floors`, `audit`, `violations` (and `mismatches`: settings that are evidently not
    those of the site file). Measures: `lockouts`, `open_times`, `open_doors`,
    `open_hours`, `longest_openings` (doors open too long: by floor, by hour, one by one),
    `waits`, `refusals` (by reason),
    `week` (visits, refusals, lockouts by floor and hour of the week), `lockout_months` and
    `floor_trends` (lockout episodes by floor over time), `buttons` (presses that no person
    makes), `daily`, `clearings`
    (against free fall), `wait_parts` (what each visit waited for), `wait_split` (the same by
    chute), `served_within`, `week_waits` (by hour of the week), `queue` (the chute as one
    server), `indices` (interruptions of units). `facts` is what was known beforehand, `hours`
    the time that the log covers by local day and hour.

    Attributes:
        whole: The log, and what is made of all of it.
        spans: For each site the period to measure; null, or a site that is not in it: all. Of
            intervals, cycles and visits those belong to it that begin in it.
        tickets: Weigh tickets by site, where given.
    """

    whole: Whole
    spans: Mapping[str, Span] = field(default_factory=dict)
    tickets: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def sites(self) -> Mapping[str, Site]:
        """The site files, by site id."""
        return self.whole.sites

    @once
    def timeline(self) -> pd.DataFrame:
        """The table of that name."""
        return within(self.whole.timeline, self.whole.timeline["time"], self.spans)

    @once
    def intervals(self) -> pd.DataFrame:
        """The table of that name."""
        return within(self.whole.intervals, self.whole.intervals["start"], self.spans)

    @once
    def cycles(self) -> pd.DataFrame:
        """The table of that name."""
        return within(self.whole.cycles, self.whole.cycles_began, self.spans)

    @once
    def visits(self) -> pd.DataFrame:
        """The table of that name."""
        return within(self.whole.visits, self.whole.visits["start"], self.spans)

    @once
    def facts(self) -> Facts:
        """What is known of the whole log beforehand, and the first and last time of the period."""
        return replace(self.whole.facts, ends=log_ends(self.timeline))

    @once
    def _audited(self) -> Audit:
        """What the audit says of the period."""
        return audited(self.whole.examined, self.spans)

    @property
    def audit(self) -> pd.DataFrame:
        """The table of that name."""
        return self._audited.audit

    @property
    def violations(self) -> pd.DataFrame:
        """The table of that name."""
        return self._audited.violations

    @property
    def mismatches(self) -> pd.DataFrame:
        """The table of that name."""
        return self._audited.mismatches

    @once
    def coverage(self) -> pd.DataFrame:
        """The table of that name."""
        return coverage_of(self.timeline)

    @once
    def hours(self) -> pd.DataFrame:
        """The table of that name."""
        return exposure(self.coverage, self.sites)

    @once
    def lockouts(self) -> pd.DataFrame:
        """The table of that name."""
        return lockouts_of(self.timeline, self.intervals, self.facts)

    @once
    def evidence(self) -> Evidence:
        """What the rules for incidents read."""
        return Evidence(
            self.timeline, self.intervals, self.coverage, self.lockouts, self.facts,
            self.whole.components, self.visits, self.hours, self.sites,
            violations=self.violations,
        )  # fmt: skip

    @once
    def incidents(self) -> pd.DataFrame:
        """The table of that name."""
        return incidents_of(self.evidence)

    @once
    def open_times(self) -> pd.DataFrame:
        """The table of that name."""
        return open_times_of(self.cycles, self.intervals, self.facts)

    @once
    def _openings(self) -> pd.DataFrame:
        """What `open_doors.followed` returns."""
        return followed(self.cycles, self.intervals, self.timeline, self.facts)

    @once
    def open_doors(self) -> pd.DataFrame:
        """The table of that name."""
        return open_doors_of(self._openings, self.open_times, self.facts)

    @once
    def open_hours(self) -> pd.DataFrame:
        """The table of that name."""
        return open_hours_of(self._openings, self.hours, self.facts, self.sites)

    @once
    def longest_openings(self) -> pd.DataFrame:
        """The table of that name."""
        return longest_openings_of(self._openings, self.timeline, self.facts)

    @once
    def _service(self) -> pd.DataFrame:
        """What `service.in_service` returns."""
        return in_service(self.coverage, self.intervals)

    @once
    def buttons(self) -> pd.DataFrame:
        """The table of that name."""
        chatter = self.incidents[self.incidents["kind"].eq("contact_chatter")]
        return buttons_of(self.timeline, chatter, self.facts)

    @once
    def floors(self) -> pd.DataFrame:
        """The table of that name."""
        judged = misuse(
            self.timeline, self.visits, self.lockouts, self._service, self.buttons["reason"],
            self.facts,
        )  # fmt: skip
        stuck = self.incidents[self.incidents["kind"].eq("stuck_door")]
        return floors_of(
            self.timeline, self.cycles, self.visits, self.open_times, self.lockouts, stuck, judged,
            self.facts, self.sites,
        )  # fmt: skip

    @once
    def _taken(self) -> Mapping[ChuteKey, Occupied]:
        """What `occupied.occupied` returns."""
        return occupied(self.intervals, self.cycles, self.timeline)

    @once
    def wait_parts(self) -> pd.DataFrame:
        """The table of that name."""
        return wait_parts_of(self.visits, self._taken, self.timeline, self.facts)

    @once
    def wait_split(self) -> pd.DataFrame:
        """The table of that name."""
        return wait_split_of(self.wait_parts, self.facts)

    @once
    def served_within(self) -> pd.DataFrame:
        """The table of that name."""
        return served_within_of(self.visits, self.timeline, self.facts)

    @once
    def week_waits(self) -> pd.DataFrame:
        """The table of that name."""
        return week_waits_of(
            self.visits, self.wait_parts, self.hours, self.timeline, self.facts, self.sites
        )

    @once
    def queue(self) -> pd.DataFrame:
        """The table of that name."""
        return queue_of(
            pressed_of(self.timeline), self.visits, self.coverage, self.week_waits, self._taken,
            self.facts,
        )  # fmt: skip

    @once
    def indices(self) -> pd.DataFrame:
        """The table of that name."""
        return service_indices(self.incidents, self.coverage, self.facts, self.sites)

    @once
    def waits(self) -> pd.DataFrame:
        """The table of that name."""
        return waits_of(self.cycles, self.visits, self.timeline, self.facts)

    @once
    def refusals(self) -> pd.DataFrame:
        """The table of that name."""
        return by_reason(self.timeline, self.facts)

    @once
    def week(self) -> pd.DataFrame:
        """The table of that name."""
        return week_of(
            self.timeline, self.visits, self.lockouts, self.hours, self.facts, self.sites
        )

    @once
    def lockout_months(self) -> pd.DataFrame:
        """The table of that name."""
        return monthly_of(
            self.timeline, self.visits, self.lockouts, self._service, self.facts, self.sites
        )

    @once
    def floor_trends(self) -> pd.DataFrame:
        """The table of that name."""
        return trends(self.timeline, self.visits, self.lockouts, self._service, self.facts)

    @once
    def daily(self) -> pd.DataFrame:
        """The table of that name."""
        return daily_of(
            self.timeline, self.cycles, self.visits, self.lockouts, self.hours, self.facts,
            self.sites,
        )  # fmt: skip

    @once
    def clearings(self) -> pd.DataFrame:
        """The table of that name."""
        return clearings_below_free_fall(self.cycles, self.facts)

    @once
    def condition(self) -> Condition:
        """The tables of the equipment's state."""
        return Condition(self.evidence, self.cycles, self.sorting)

    @once
    def sorting(self) -> Sorting:
        """The tables of sorting and containers."""
        return Sorting(
            self.timeline, self.intervals, self.cycles, self.visits, self.coverage, self.hours,
            self.facts, self.sites, self.tickets,
        )  # fmt: skip


def analyse(
    timeline: pd.DataFrame,
    sites: Mapping[str, Site],
    components: Components | None = None,
    spans: Mapping[str, Span] | None = None,
) -> Analysis:
    """What can be worked out of a timeline; arguments as `Whole` and `Analysis` describe them.

    Raises:
        TableError: The timeline lacks a column.
    """
    return Analysis(Whole(timeline, sites, components or {}), spans or {})

"""Everything that is worked out of one timeline, computed once."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import pandas as pd

from loganalyzer.audit import Audit
from loganalyzer.audit import audit as audit_of
from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.facts import Facts, facts, log_ends
from loganalyzer.incidents import incidents as incidents_of
from loganalyzer.incidents.evidence import Components, Evidence
from loganalyzer.intervals import pair
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
from loganalyzer.occupied import occupied
from loganalyzer.presses import pressed as pressed_of
from loganalyzer.service import in_service
from loganalyzer.site import Site
from loganalyzer.views.condition import Condition
from loganalyzer.views.sorting import Sorting
from loganalyzer.visits import visits as visits_of

# From this time on, up to before that one; null is no bound.
Span = tuple[pd.Timestamp | None, pd.Timestamp | None]


@dataclass(frozen=True)
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
    the time that the log covers by local day and hour, `sites` the site files, `tickets` weigh
    tickets by site, where given.
    """

    timeline: pd.DataFrame
    intervals: pd.DataFrame
    cycles: pd.DataFrame
    visits: pd.DataFrame
    coverage: pd.DataFrame
    incidents: pd.DataFrame
    floors: pd.DataFrame
    lockouts: pd.DataFrame
    open_times: pd.DataFrame
    open_doors: pd.DataFrame
    open_hours: pd.DataFrame
    longest_openings: pd.DataFrame
    waits: pd.DataFrame
    wait_parts: pd.DataFrame
    wait_split: pd.DataFrame
    served_within: pd.DataFrame
    week_waits: pd.DataFrame
    queue: pd.DataFrame
    indices: pd.DataFrame
    refusals: pd.DataFrame
    week: pd.DataFrame
    lockout_months: pd.DataFrame
    floor_trends: pd.DataFrame
    buttons: pd.DataFrame
    daily: pd.DataFrame
    clearings: pd.DataFrame
    evidence: Evidence
    audit: pd.DataFrame
    violations: pd.DataFrame
    mismatches: pd.DataFrame
    hours: pd.DataFrame
    facts: Facts
    sites: Mapping[str, Site]
    tickets: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @cached_property
    def condition(self) -> Condition:
        """The tables of the equipment's state, worked out when first asked for."""
        return Condition(self.evidence, self.cycles, self.sorting)

    @cached_property
    def sorting(self) -> Sorting:
        """The tables of sorting and containers, worked out when first asked for."""
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
    """Work everything out of a timeline.

    Args:
        timeline: As `Store.timeline` gives it: any sites and chutes, sorted.
        sites: Site files by site id; a site that has none gets the default limits and UTC.
        components: For each (site, chute) what part a fault code is about, from the chute's
            profile; codes that stand nowhere are other faults.
        spans: For each site the period to measure; null, or a site that is not in it: all.
            Intervals, cycles and visits are rebuilt from the whole timeline; those that begin in
            the period belong to it.

    Raises:
        TableError: The timeline lacks a column.
    """
    intervals = pair(timeline)
    cycles = cycles_of(timeline, intervals, sites)
    visits = visits_of(timeline, cycles, intervals, sites)
    began = cycles["pressed"].fillna(cycles["unlocked"]).fillna(cycles["opened"])
    span = spans or {}
    known = facts(timeline, sites)
    return measure(
        _within(timeline, timeline["time"], span),
        _within(intervals, intervals["start"], span),
        _within(cycles, began, span),
        _within(visits, visits["start"], span),
        sites,
        components,
        known,
        audit_of(timeline, intervals, cycles, known, sites, span),
    )


def _within(table: pd.DataFrame, times: pd.Series, spans: Mapping[str, Span]) -> pd.DataFrame:
    """The rows whose time lies in the span of their site."""
    kept = pd.Series(True, index=table.index)
    for site, (start, end) in spans.items():
        mine = table["site"].eq(site)
        if start is not None:
            kept &= ~mine | (times >= start)
        if end is not None:
            kept &= ~mine | (times < end)
    return table if kept.all() else table[kept].reset_index(drop=True)


def measure(
    timeline: pd.DataFrame,
    intervals: pd.DataFrame,
    cycles: pd.DataFrame,
    visits: pd.DataFrame,
    sites: Mapping[str, Site],
    components: Components | None = None,
    known: Facts | None = None,
    audited: Audit | None = None,
) -> Analysis:
    """The part of `analyse` after intervals, cycles and visits.

    `known` are the facts of the whole log where the tables are a period of it: what a chute
    records does not depend on whether it happened in the period. `audited` is the audit of it.
    """
    known = replace(known or facts(timeline, sites), ends=log_ends(timeline))
    audited = audited or audit_of(timeline, intervals, cycles, known, sites)
    coverage = coverage_of(timeline)
    hours = exposure(coverage, sites)
    locked = lockouts_of(timeline, intervals, known)
    evidence = Evidence(
        timeline, intervals, coverage, locked, known, components or {}, visits, hours, sites,
        violations=audited.violations,
    )  # fmt: skip
    incidents = incidents_of(evidence)
    stuck = incidents[incidents["kind"].eq("stuck_door")]
    opened = open_times_of(cycles, intervals, known)
    openings = followed(cycles, intervals, timeline, known)
    service = in_service(coverage, intervals)
    chatter = incidents[incidents["kind"].eq("contact_chatter")]
    fingers = buttons_of(timeline, chatter, known)
    judged = misuse(timeline, visits, locked, service, fingers["reason"], known)
    taken = occupied(intervals, cycles, timeline)
    asked = pressed_of(timeline)
    parts = wait_parts_of(visits, taken, timeline, known)
    week = week_waits_of(visits, parts, hours, timeline, known, sites)
    return Analysis(
        timeline=timeline,
        intervals=intervals,
        cycles=cycles,
        visits=visits,
        coverage=coverage,
        incidents=incidents,
        floors=floors_of(timeline, cycles, visits, opened, locked, stuck, judged, known, sites),
        lockouts=locked,
        open_times=opened,
        open_doors=open_doors_of(openings, opened, known),
        open_hours=open_hours_of(openings, hours, known, sites),
        longest_openings=longest_openings_of(openings, timeline, known),
        wait_parts=parts,
        wait_split=wait_split_of(parts, known),
        served_within=served_within_of(visits, timeline, known),
        week_waits=week,
        queue=queue_of(asked, visits, coverage, week, taken, known),
        indices=service_indices(incidents, coverage, known, sites),
        waits=waits_of(cycles, visits, timeline, known),
        refusals=by_reason(timeline, known),
        week=week_of(timeline, visits, locked, hours, known, sites),
        lockout_months=monthly_of(timeline, visits, locked, service, known, sites),
        floor_trends=trends(timeline, visits, locked, service, known),
        buttons=fingers,
        daily=daily_of(timeline, cycles, visits, locked, hours, known, sites),
        clearings=clearings_below_free_fall(cycles, known),
        evidence=evidence,
        audit=audited.audit,
        violations=audited.violations,
        mismatches=audited.mismatches,
        hours=hours,
        facts=known,
        sites=sites,
    )

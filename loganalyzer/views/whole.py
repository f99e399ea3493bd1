"""A whole log and what is made of it, whatever period is asked for: rebuilt once, cut often."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from loganalyzer.audit import Examined, Span, examine
from loganalyzer.cycles import cycles
from loganalyzer.facts import Facts, facts
from loganalyzer.incidents.evidence import Components
from loganalyzer.intervals import pair
from loganalyzer.once import once
from loganalyzer.site import Site
from loganalyzer.tables import TABLES, require
from loganalyzer.visits import visits


@dataclass(frozen=True, eq=False)
class Whole:
    """The log of some sites or chutes from its first to its last event.

    Attributes:
        timeline: As `Store.timeline` gives it: any sites and chutes, sorted.
        sites: Site files by site id; a site that has none gets the default limits and UTC.
        components: For each (site, chute) what part a fault code is about, from the chute's
            profile; codes that stand nowhere are other faults.

    Raises:
        TableError: The timeline lacks a column.
    """

    timeline: pd.DataFrame
    sites: Mapping[str, Site]
    components: Components = field(default_factory=dict)

    def __post_init__(self) -> None:
        require(self.timeline, *TABLES["timeline"].names)

    @once
    def intervals(self) -> pd.DataFrame:
        """The table of that name."""
        return pair(self.timeline)

    @once
    def cycles(self) -> pd.DataFrame:
        """The table of that name."""
        return cycles(self.timeline, self.intervals, self.sites)

    @once
    def visits(self) -> pd.DataFrame:
        """The table of that name."""
        return visits(self.timeline, self.cycles, self.intervals, self.sites)

    @once
    def facts(self) -> Facts:
        """What is known of the chutes beforehand."""
        return facts(self.timeline, self.sites)

    @once
    def examined(self) -> Examined:
        """What the rules of the audit found."""
        return examine(self.timeline, self.intervals, self.cycles, self.facts, self.sites)

    @once
    def cycles_began(self) -> pd.Series:
        """The first time that is known of each cycle."""
        table = self.cycles
        return table["pressed"].fillna(table["unlocked"]).fillna(table["opened"])


def within(table: pd.DataFrame, times: pd.Series, spans: Mapping[str, Span]) -> pd.DataFrame:
    """The rows whose time lies in the span of their site; null is in no span that has a bound."""
    kept = pd.Series(True, index=table.index)
    for site, (start, end) in spans.items():
        if start is None and end is None:
            continue
        mine = table["site"].eq(site)
        if start is not None:
            kept &= ~mine | (times >= start)
        if end is not None:
            kept &= ~mine | (times < end)
    return table if kept.all() else table[kept].reset_index(drop=True)

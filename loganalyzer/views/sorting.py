"""Sorting and containers: every table of the coordinator, worked out when first asked for.

Most runs never ask, so nothing of this is computed with the rest of an analysis.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from loganalyzer.bins import bins
from loganalyzer.facts import Facts
from loganalyzer.measures.campaigns import campaigns as campaigns_of
from loganalyzer.measures.containers import containers as containers_of
from loganalyzer.measures.diversion import monthly as monthly_of
from loganalyzer.measures.fill import fill_model, lives
from loganalyzer.measures.lost_sorting import lost_sorting as lost_sorting_of
from loganalyzer.measures.mass import TICKET, mass, ticket_rates, ticket_uses
from loganalyzer.measures.participation import covered_weeks, rates
from loganalyzer.measures.participation import participation as participation_of
from loganalyzer.measures.participation import streams as streams_of
from loganalyzer.once import once
from loganalyzer.pickups.backtest import calibration, foretold
from loganalyzer.pickups.demand import Demands
from loganalyzer.pickups.forecast import forecast as forecast_of
from loganalyzer.pickups.search import Lives
from loganalyzer.pickups.search import pickups as pickups_of
from loganalyzer.site import Site
from loganalyzer.uses import uses

# The tables of tables.py that this makes.
TABLES_HERE = (
    "streams", "participation", "set_out", "campaigns", "lost_sorting", "containers",
    "fill_model", "masses", "weigh_tickets", "monthly", "pickups", "forecast", "backtest",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Sorting:
    """The tables of one analysis; each is described where it is made.

    `tickets` holds for each site the table of `weighing.Tickets`.
    """

    timeline: pd.DataFrame
    intervals: pd.DataFrame
    cycles: pd.DataFrame
    visits: pd.DataFrame
    coverage: pd.DataFrame
    hours: pd.DataFrame
    facts: Facts
    sites: Mapping[str, Site]
    tickets: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @once
    def uses(self) -> pd.DataFrame:
        """What `uses.uses` returns."""
        return uses(self.cycles, self.timeline)

    @once
    def bins(self) -> pd.DataFrame:
        """What `bins.bins` returns."""
        return bins(self.timeline, self.sites)

    @once
    def streams(self) -> pd.DataFrame:
        """What `participation.streams` returns."""
        return streams_of(self.uses, self.hours, self.bins, self.facts, self.sites)

    @once
    def participation(self) -> pd.DataFrame:
        """What `participation.participation` returns."""
        return participation_of(self.streams)

    @once
    def set_out(self) -> pd.DataFrame:
        """What `participation.rates` returns."""
        return rates(self.streams)

    @once
    def campaigns(self) -> pd.DataFrame:
        """What `campaigns.campaigns` returns."""
        return campaigns_of(covered_weeks(self.streams), self.sites)

    @once
    def lost_sorting(self) -> pd.DataFrame:
        """What `lost_sorting.lost_sorting` returns."""
        return lost_sorting_of(self.timeline, self.intervals, self.visits, self.uses, self.bins)

    @once
    def containers(self) -> pd.DataFrame:
        """The table of that name."""
        return containers_of(
            self.timeline, self.intervals, self.visits, self.uses, self.coverage, self.bins,
            self.facts, self.sites,
        )  # fmt: skip

    @once
    def fill_model(self) -> pd.DataFrame:
        """What `fill.fill_model` returns."""
        return fill_model(self.containers, self.bins)

    @once
    def weigh_tickets(self) -> pd.DataFrame:
        """What `mass.ticket_uses` returns, for all sites with tickets."""
        parts = [
            ticket_uses(
                table, self.uses, self.containers, self.coverage, self.bins, self.sites[site]
            )
            for site, table in self.tickets.items()
        ]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=TICKET)

    @once
    def masses(self) -> pd.DataFrame:
        """What `mass.mass` returns."""
        return mass(self.fill_model, self.bins, ticket_rates(self.weigh_tickets))

    @once
    def monthly(self) -> pd.DataFrame:
        """What `diversion.monthly` returns."""
        return monthly_of(self.streams, self.masses, self.sites)

    @once
    def lives(self) -> Lives:
        """What `fill.lives` returns."""
        return lives(self.containers, self.bins)

    @once
    def demands(self) -> Demands:
        """How fast each container's streams are used."""
        return Demands(self.uses, self.containers, self.hours, self.bins, self.sites)

    @once
    def pickups(self) -> pd.DataFrame:
        """What `search.pickups` returns."""
        return pickups_of(self.bins, self.lives, self.demands, self.facts.ends, self.sites)

    @once
    def forecast(self) -> pd.DataFrame:
        """What `forecast.forecast` returns, made at the end of each chute's log."""
        return self.forecast_at(None)

    def forecast_at(self, now: pd.Timestamp | None) -> pd.DataFrame:
        """What `forecast.forecast` returns, made at a time after the log."""
        return forecast_of(
            self.bins, self.lives, self.demands, self.containers, self.facts.ends, self.sites, now
        )

    @once
    def backtest(self) -> pd.DataFrame:
        """What `backtest.calibration` returns."""
        return calibration(foretold(self.bins, self.containers, self.demands, self.sites))

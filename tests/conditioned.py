"""The state of the equipment of a timeline, without everything else that an analysis works out."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.incidents.evidence import Components, Evidence
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.site import Site, parse_site
from loganalyzer.views.condition import Condition
from loganalyzer.views.sorting import Sorting
from loganalyzer.visits import visits
from tests.test_incidents_planted import log_of
from tests.tools.simulator import Plan, simulate
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.words import COMPONENTS


def condition(
    log: pd.DataFrame, components: Components | None = None, sites: Mapping[str, Site] | None = None
) -> Condition:
    sites = sites or {}
    known, pairs, held = facts(log, sites), pair(log), coverage(log)
    used = cycles(log, pairs, sites)
    tried = visits(log, used, pairs, sites)
    hours = exposure(held, sites)
    evidence = Evidence(log, pairs, held, pd.DataFrame(), known, components or {}, sites=sites)
    sorting = Sorting(log, pairs, used, tried, held, hours, known, sites)
    return Condition(evidence, used, sorting)


def simulated(plan: Plan, work: str = "") -> Condition:
    """The state of a simulated building's chute A; `work` is added to its site file."""
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}) + work, "plan")
    return condition(log_of(simulate(plan)), {(plan.site, "A"): COMPONENTS}, {plan.site: site})

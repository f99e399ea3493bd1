"""The monthly sums of a timeline, worked out from no more than they need."""

from collections.abc import Mapping

import pandas as pd

from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.measures.month_sums import month_sums
from loganalyzer.site import Site
from loganalyzer.visits import visits as visits_of


def sums_of(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """What `measures.month_sums` returns, of a timeline.

    Args:
        timeline: As `Store.timeline` gives it.
        sites: Site files by site id.
    """
    intervals = pair(timeline)
    cycles = cycles_of(timeline, intervals, sites)
    known = facts(timeline, sites)
    return month_sums(
        timeline,
        cycles,
        visits_of(timeline, cycles, intervals, sites),
        lockouts(timeline, intervals, known),
        exposure(coverage(timeline), sites),
        known,
        sites,
    )

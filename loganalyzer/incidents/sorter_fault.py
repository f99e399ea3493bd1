"""A sorter that reported a fault or travelled for too long."""

import pandas as pd

from loganalyzer.facts import CHUTE, places
from loganalyzer.incidents.evidence import FLAP_S, Evidence, join_runs


def sorter_faults(evidence: Evidence) -> pd.DataFrame:
    """Faults of the sorter, and travels longer than `positioning_limit_s`.

    Both are often two sides of one trouble, so they merge where they lie close.
    """
    faults = evidence.faults
    travels = evidence.held("positioning")
    limits = evidence.facts.limits
    limit = limits["positioning_limit_s"].to_numpy()[places(travels, limits, CHUTE)]
    slow = travels[travels["seconds"].to_numpy() > limit]
    spans = pd.concat([faults[faults["component"].eq("sorter")], slow], ignore_index=True)
    return join_runs(spans, evidence, CHUTE, FLAP_S)

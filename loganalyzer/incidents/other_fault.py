"""A fault that no other kind takes, or a code that no profile explains."""

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.incidents.evidence import FLAP_S, Evidence, join_runs

# Components that have a kind of their own.
OWN = ("sorter", "latch", "compactor")


def other_faults(evidence: Evidence) -> pd.DataFrame:
    """All other faults, code by code and door by door."""
    faults = evidence.faults
    rest = faults[~faults["component"].isin(OWN)]
    return join_runs(rest, evidence, [*CHUTE, "floor", "code"], FLAP_S)

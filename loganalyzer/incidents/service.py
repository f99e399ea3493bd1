"""Maintenance that took the doors out of use."""

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.incidents.evidence import FLAP_S, Evidence, join_runs


def services(evidence: Evidence) -> pd.DataFrame:
    """One row a service of a chute; pauses of less than a minute belong to it."""
    return join_runs(evidence.held("service"), evidence, CHUTE, FLAP_S)

"""A latch that the controller reports faulty."""

import pandas as pd

from loganalyzer.incidents.evidence import Evidence


def latch_faults(evidence: Evidence) -> pd.DataFrame:
    """Faults of a latch, door by door."""
    return evidence.faults_of("latch")

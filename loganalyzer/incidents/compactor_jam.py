"""A compactor that the controller reports faulty."""

import pandas as pd

from loganalyzer.incidents.evidence import Evidence


def compactor_jams(evidence: Evidence) -> pd.DataFrame:
    """Faults of a compactor."""
    return evidence.faults_of("compactor")

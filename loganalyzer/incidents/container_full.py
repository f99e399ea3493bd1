"""A container or compactor that was full."""

import pandas as pd

from loganalyzer.incidents.evidence import FLAP_S, Evidence, join_runs


def full_containers(evidence: Evidence) -> pd.DataFrame:
    """One row each time a stream's container was full; a flapping sensor is one time."""
    return join_runs(evidence.held("full"), evidence, ["site", "chute", "stream"], FLAP_S)

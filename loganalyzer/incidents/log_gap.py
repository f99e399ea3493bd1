"""A time of which a chute's log says nothing."""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.incidents.evidence import ROW, Evidence, blank_rows, line_of

POWER_OFF = "power off"


def log_gaps(evidence: Evidence) -> pd.DataFrame:
    """The stretches without log, from the last event before to the first after.

    Power cuts are incidents of their own and are left out.
    """
    stretches = evidence.coverage
    after = line_of(stretches).groupby([stretches[c] for c in CHUTE], observed=True).shift(-1)
    gap = ~stretches["covered"].astype(bool) & stretches["reason"].ne(POWER_OFF)
    if not gap.any():
        return blank_rows()
    pairs = zip(line_of(stretches)[gap], after[gap], strict=True)
    lines = [[line for line in pair if isinstance(line, str)] for pair in pairs]
    rows = stretches[gap].assign(
        floor=np.nan, stream=np.nan, code=np.nan, start_known=True, ongoing=False, inferred=False
    )
    return rows.assign(lines=pd.Series(lines, index=rows.index, dtype="object"))[ROW]

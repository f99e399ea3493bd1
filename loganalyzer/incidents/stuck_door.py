"""A door that stood open longer than the site allows."""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.incidents.evidence import Evidence, blank_rows, join_runs
from loganalyzer.spans import merge_close, micros

# A leaf that falls shut bounces; a person needs longer to open it again.
# Source: common practice, no source.
BOUNCE_S = 2.0


def stuck_doors(evidence: Evidence) -> pd.DataFrame:
    """Openings longer than `open_limit_s`, contact bounces merged.

    An opening whose closing is missing (a second opening is logged) says nothing of how long
    the door stood open and makes no incident, nor does one whose opening is not in the log.
    """
    openings = evidence.held("open")
    whole = openings[openings["seconds"].notna()]
    if whole.empty:
        return blank_rows()
    run = merge_close(whole, DOOR, BOUNCE_S).to_numpy()
    order = np.argsort(run, kind="stable")
    begins = np.flatnonzero(np.diff(run[order], prepend=-1))
    start, end = (micros(whole[name])[order] for name in ("start", "end"))
    reach = np.maximum.reduceat(end, begins) - np.minimum.reduceat(start, begins)
    # Most openings are short: only those are looked at that some limit can call long.
    long = reach > evidence.facts.limits["open_limit_s"].min() * 1e6
    runs = join_runs(whole[long[run]], evidence, DOOR, BOUNCE_S)
    limit = runs[CHUTE].merge(evidence.facts.limits, on=CHUTE, how="left")["open_limit_s"]
    return runs[runs["seconds"] > limit]

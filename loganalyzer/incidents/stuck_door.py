"""A door that stood open longer than the site allows."""

import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.incidents.evidence import Evidence, join_runs
from loganalyzer.spans import merge_close

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
    run = merge_close(whole, DOOR, BOUNCE_S)
    reach = whole.groupby(run)["end"].max() - whole.groupby(run)["start"].min()
    # Most openings are short: only those are looked at that some limit can call long.
    long = reach.dt.total_seconds() > evidence.facts.limits["open_limit_s"].min()
    runs = join_runs(whole[run.map(long).astype(bool)], evidence, DOOR, BOUNCE_S)
    limit = runs[CHUTE].merge(evidence.facts.limits, on=CHUTE, how="left")["open_limit_s"]
    return runs[runs["seconds"] > limit]

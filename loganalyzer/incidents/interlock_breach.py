"""The log shows the controller breaking a rule that keeps people and machine apart.

What the safety audit found; the rules on lockouts are about fairness and make no incident.
"""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, plain
from loganalyzer.incidents.evidence import FLAP_S, ROW, TEXTS, Evidence, blank_rows, line_of
from loganalyzer.spans import merge_close

BREACHES = (
    "one_door", "forced_open", "sorter_still", "full_holds", "service_holds", "clearing_holds",
)  # fmt: skip


def interlock_breaches(evidence: Evidence) -> pd.DataFrame:
    """Violations of a chute that follow one another within a minute, as one incident.

    `floor` is the door where all are of one; `code` names the rules; how long a breach lasted is
    not told, since a violation is a moment. The advice tells the first.
    """
    found = evidence.violations
    found = found[found["rule"].isin(BREACHES)]
    if found.empty:
        return blank_rows()
    found = plain(found, *CHUTE, "rule", "floor", "source").reset_index(drop=True)
    found = found.assign(start=found["time"], end=found["time"], lines=line_of(found))
    found["run"] = merge_close(found, CHUTE, FLAP_S)
    runs = found.sort_values(["run", "start"], kind="stable").groupby("run")
    table = runs[CHUTE].first().assign(start=runs["start"].min(), end=runs["end"].max())
    table["floor"] = runs["floor"].first().where(runs["floor"].nunique(dropna=False).eq(1))
    table["code"] = runs["rule"].agg(lambda rules: " ".join(sorted({*rules})))
    table["lines"] = runs["lines"].agg(lambda lines: list(dict.fromkeys(lines)))
    table["more"] = " The log: " + runs["detail"].first() + "."
    blank = {"stream": np.nan, "seconds": np.nan, "ongoing": False, "inferred": False}
    table["start_known"] = True
    rows = table.assign(**blank)[[*ROW, "more"]].reset_index(drop=True)
    return rows.astype(dict.fromkeys(TEXTS, "str"))

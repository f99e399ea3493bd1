"""The same trouble at several doors within two seconds, against how often chance does that.

Doors that fail each by itself fall together now and then: two with n and m troubles in a time T
about 2 w n m / T times within w. More than that has a common cause: what the doors share.

Source: the comparison is ours (independent Poisson processes); w is common practice, no source.
"""

import json

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.reliability import at_least
from loganalyzer.spans import merge_close
from loganalyzer.tables import require

TOGETHER_S = 2.0
LINES_SHOWN = 10
# So often and so sure it is no chance: the doors share what fails.
OFTEN, SURE = 3, 1e-3
COLUMNS = [
    *CHUTE, "trouble", "floors", "times", "expected", "p", "first", "last", "moments", "sure",
    "evidence", "reason",
]  # fmt: skip
COARSE = "the log tells the time too coarsely to say what came together"


def together(
    troubles: pd.DataFrame, coverage: pd.DataFrame, precision: pd.DataFrame
) -> pd.DataFrame:
    """The table `together`: a row each trouble that came at two or more doors at once.

    Args:
        troubles: One row a trouble at a door: `site`, `chute`, `floor`, `trouble` (what is the
            same), `time`, `source`, `line`.
        coverage: The table of that name: for how long there is log.
        precision: What `facts.precision` returns.

    Returns:
        `site`, `chute`, `trouble`, `floors` (JSON, of those that came together), `times` that
        two or more did, `expected` by chance given each door's own rate, `p` (upper Poisson
        tail), `first`, `last`, `moments` (when) and `sure` (no chance; both not exported),
        `evidence` (JSON); `reason` why `times` is null.
    """
    require(troubles, *DOOR, "trouble", "time", "source", "line")
    rows = [
        _compared(str(site), str(chute), str(trouble), part, _seconds(coverage, site, chute), step)
        for (site, chute, trouble), part in troubles.groupby([*CHUTE, "trouble"])
        if part["floor"].nunique() > 1
        for step in [_step(precision, site, chute)]
    ]
    return pd.DataFrame([row for row in rows if row is not None], columns=COLUMNS)


def _compared(
    site: str, chute: str, trouble: str, part: pd.DataFrame, seconds: float, step: float
) -> tuple[object, ...] | None:
    key = (site, chute, trouble)
    if step > TOGETHER_S:
        return (*key, "[]", None, np.nan, np.nan, pd.NaT, pd.NaT, (), False, "[]", COARSE)
    part = part.sort_values("time", kind="stable").reset_index(drop=True)
    spans = part.assign(start=part["time"], end=part["time"])
    run = merge_close(spans, CHUTE, TOGETHER_S)
    several = part[part["floor"].groupby(run).transform("nunique") > 1]
    if several.empty:
        return None
    counts = part["floor"].value_counts().to_numpy(float)
    pairs = (counts.sum() ** 2 - (counts**2).sum()) / 2
    expected = pairs * 2 * (TOGETHER_S + step) / max(seconds, 1.0)
    moments = several.groupby(run[several.index])["time"].min()
    floors = several["floor"].value_counts()
    often = sorted(floors.index[floors >= max(2, 0.1 * len(moments))].tolist()) or floors.index
    p = float(at_least(len(moments), expected))
    lines = (several["source"].astype("str") + ":" + several["line"].astype("str")).tolist()
    return (
        *key, json.dumps(list(often)), len(moments), expected, p, moments.min(), moments.max(),
        tuple(moments), len(moments) >= OFTEN and p < SURE, json.dumps(lines[-LINES_SHOWN:]), None,
    )  # fmt: skip


def _seconds(coverage: pd.DataFrame, site: object, chute: object) -> float:
    mine = coverage["site"].eq(str(site)) & coverage["chute"].eq(str(chute))
    return float(coverage.loc[mine & coverage["covered"].astype(bool), "seconds"].sum())


def _step(precision: pd.DataFrame, site: object, chute: object) -> float:
    mine = precision["site"].eq(str(site)) & precision["chute"].eq(str(chute))
    return float(precision.loc[mine, "precision_s"].max())

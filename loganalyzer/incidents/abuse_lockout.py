"""A door that ignored its buttons because they were pressed too often."""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.incidents.evidence import ROW, Evidence, blank_rows, line_of
from loganalyzer.spans import Moments

LINES_SHOWN = 20


def abuse_lockouts(evidence: Evidence) -> pd.DataFrame:
    """One row a lockout, logged or inferred, with the presses that led to it as evidence.

    `more` is added to the kind's sentence: whether it is inferred, and which lockout of its
    episode it is. `episode` is a number that the lockouts of one episode share.
    """
    locked = evidence.locked
    if locked.empty:
        return blank_rows()
    rows = locked.assign(stream=np.nan, code=np.nan).astype({"stream": "str", "code": "str"})
    reach = (rows["end"] - rows["start"]).dt.total_seconds()
    rows["seconds"] = rows["seconds"].fillna(reach.where(rows["ongoing"] & (reach >= 0)))
    rows["lines"] = _lines(rows, evidence)
    rows["end"] = rows["end"].where(rows["end_known"] | rows["ongoing"])
    return rows[[*ROW, "episode"]].assign(more=_more(rows))


def _lines(rows: pd.DataFrame, evidence: Evidence) -> list[list[str]]:
    """The presses within the window before, the lockout's own line, and the one that ends it."""
    window = rows[CHUTE].merge(evidence.facts.limits, on=CHUTE, how="left")["press_window_s"]
    before = pd.to_timedelta(window, unit="s").dt.as_unit("us").set_axis(rows.index)
    pressed = evidence.timeline["signal"].eq("press") & evidence.timeline["floor"].notna()
    presses = Moments(evidence.timeline.loc[pressed, [*DOOR, "time", "source", "line"]], DOOR)
    spans = rows[DOOR].assign(start=rows["start"] - before, end=rows["start"])
    first, high = presses.inside(spans)
    low = np.maximum(first, high - LINES_SHOWN)
    texts = np.full(len(presses), None, dtype=object)
    shown = np.unique(np.concatenate([np.arange(a, b) for a, b in zip(low, high, strict=True)]))
    texts[shown] = line_of(presses.at(shown)).to_numpy()
    begins = line_of(rows)
    ends = evidence.closing(rows.assign(signal="lockout", ended_by="off"))
    return [
        list(dict.fromkeys([*texts[a:b], *own]))
        for a, b, own in zip(low, high, _known(begins, ends), strict=True)
    ]


def _known(begins: pd.Series, ends: pd.Series) -> list[list[str]]:
    pairs = zip(begins, ends, strict=True)
    return [[line for line in pair if isinstance(line, str)] for pair in pairs]


def _more(rows: pd.DataFrame) -> pd.Series:
    """What the kind's advice does not say of this lockout."""
    since = rows["episode_start"].dt.strftime("%Y-%m-%d %H:%M UTC")
    number, size = rows["in_episode"].astype("str"), rows["episode_size"].astype("str")
    episode = " Lockout " + number + " of " + size + " in the episode that began " + since + "."
    inferred = " Inferred from the presses and the site's limits: the log holds no lockouts."
    guess = pd.Series(np.where(rows["inferred"], inferred, ""), index=rows.index)
    whole: pd.Series = episode.where(rows["episode_size"] > 1, "") + guess
    return whole

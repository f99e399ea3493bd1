"""The same kind of trouble at several doors at once: what they share is to be looked at first."""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.incidents.evidence import FLAP_S, Evidence, blank_rows, join_runs, line_of
from loganalyzer.sentences import listed
from loganalyzer.spans import merge_close, micros

# Doors fail each by itself; two that fail within this time share a cable, a supply or a board.
# Source: common practice, no source.
TOGETHER_S = 2.0


def common_causes(evidence: Evidence) -> pd.DataFrame:
    """Trouble of one kind that begins at two or more doors within 2 s.

    Troubles are faults at doors (by the part they are about, else by their code), lockouts, and
    openings of doors that were not unlocked; where unlocking is not in the log all openings
    count, since a chute opens one door at a time. A log that tells times more coarsely than
    2 s shows no openings or lockouts at once. `more` names the doors.
    """
    troubles = _troubles(evidence)
    if troubles.empty:
        return blank_rows()
    by = [*CHUTE, "trouble"]
    run = merge_close(troubles.assign(end=troubles["start"]), by, TOGETHER_S)
    together = troubles[troubles["floor"].groupby(run).transform("nunique") > 1]
    if together.empty:
        return blank_rows()
    ends = evidence.closing(together)
    doors = together.assign(floor=np.nan, off_line=ends).astype({"floor": "str"})
    found = join_runs(doors, evidence, by, FLAP_S)
    return found.assign(more=_named(found, together))


def _troubles(evidence: Evidence) -> pd.DataFrame:
    """Spans at doors that begin close to another of their chute, and what `trouble` each is."""
    faults = evidence.faults[evidence.faults["floor"].notna()]
    about = faults["component"].fillna(faults["code"]).fillna("")
    openings = _crowded(evidence.held("open"), evidence)
    openings = openings[evidence.unlocked_since(openings).isna()]
    lockouts = _crowded(evidence.held("lockout"), evidence)
    parts = [
        faults.assign(trouble="fault " + about),
        openings.assign(trouble="open"),
        lockouts.assign(trouble="lockout"),
    ]
    texts = (*DOOR, "stream", "code", "ended_by", "source", "signal", "trouble")
    whole = [plain(part, *texts) for part in parts if len(part)]
    return pd.concat(whole, ignore_index=True) if whole else blank_rows()


def _crowded(spans: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    """Those that begin close to another; spans come chute by chute in the order of the log."""
    near = np.diff(micros(spans["start"])) <= TOGETHER_S * 1e6
    close = spans[np.append(near, False) | np.append(False, near)] if len(spans) else spans
    told = plain(close[CHUTE], *CHUTE).merge(evidence.facts.precision, on=CHUTE, how="left")
    crowded: pd.DataFrame = close[told["precision_s"].le(TOGETHER_S).to_numpy()]
    return crowded


def _named(found: pd.DataFrame, together: pd.DataFrame) -> list[str]:
    """Which doors each was about, in the order in which they fell out."""
    floor = dict(zip(line_of(together), together["floor"], strict=True))
    doors = [dict.fromkeys(floor[line] for line in lines if line in floor)
             for lines in found["lines"]]  # fmt: skip
    return [f" The doors: {listed([str(name) for name in names])}." for names in doors]

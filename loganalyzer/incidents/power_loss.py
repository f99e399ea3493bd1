"""A controller without power."""

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, plain
from loganalyzer.incidents.evidence import FLAP_S, TEXTS, Evidence, blank_rows, join_runs, line_of


def power_losses(evidence: Evidence) -> pd.DataFrame:
    """From a power-off to the next power-on; cuts less than a minute apart are one.

    A power-on with no power-off since the one before it, and not the first event of the log,
    proves a cut whose beginning was not logged: inferred, from the last event before it, with
    no length.
    """
    events = _power_events(evidence.timeline)
    if events.empty:
        return blank_rows()
    on, after_off = events["edge"].eq("on"), events["before"].eq("off")
    ends = events[on & after_off]
    told = _told(events[~on & ~after_off], ends, evidence)
    unseen = events[on & ~after_off & events["time_before"].notna()]
    guessed = unseen.assign(
        start=unseen["time_before"], end=unseen["time"], seconds=np.nan, start_known=False,
        ended_by="off", off_line=np.nan,
    ).astype({"off_line": "str"})  # fmt: skip
    rows = [
        join_runs(told, evidence, CHUTE, FLAP_S),
        join_runs(guessed, evidence, [*CHUTE, "seq"], 0).assign(inferred=True),
    ]
    return pd.concat(rows, ignore_index=True)


def _power_events(timeline: pd.DataFrame) -> pd.DataFrame:
    """Power events, each with the edge `before` it and the time of the event before it."""
    power = np.flatnonzero(timeline["signal"].eq("power"))
    columns = [*TEXTS, "signal", "edge", "time", "seq", "clock", "source", "line"]
    events = timeline.iloc[power][columns]
    just = timeline.iloc[np.maximum(power - 1, 0)]
    same = power > 0
    for name in CHUTE:
        same &= just[name].to_numpy() == events[name].to_numpy()
    events = events.assign(time_before=just["time"].set_axis(events.index).where(same))
    events = plain(events, *TEXTS, "signal", "edge", "source")
    before = events.groupby(CHUTE)["edge"].shift()
    return events.assign(before=before, off_line=line_of(events))


def _told(offs: pd.DataFrame, ends: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    """Each power-off with the power-on that ends it, or with the end of the log."""
    ends = ends[[*CHUTE, "seq", "time", "clock", "off_line"]].rename(
        columns={"time": "end", "clock": "end_clock"}
    )
    spans = pd.merge_asof(
        offs.drop(columns="off_line").sort_values("seq"), ends.sort_values("seq"),
        on="seq", by=CHUTE, direction="forward", allow_exact_matches=False,
    )  # fmt: skip
    running = spans["end"].isna()
    log_end = spans[CHUTE].merge(evidence.facts.ends, on=CHUTE, how="left")["log_end"]
    spans = spans.assign(start=spans["time"], end=spans["end"].fillna(log_end))
    spans["ended_by"] = np.where(running, "log_end", "off")
    trusted = spans["clock"].ne("unanchored") & spans["end_clock"].ne("unanchored")
    seconds = (spans["end"] - spans["start"]).dt.total_seconds()
    return spans.assign(seconds=seconds.where(trusted & (seconds >= 0)), start_known=trusted)

"""Lanes of a strip: what each door and each part of a chute did over time, ready to be cut.

A door is one row with a lane for each of its signals; what belongs to no door has a row each.
The highest door stands on top, as in the building, and the chute's own parts below.
"""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.spans import micros
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.thinning import Ints, Spans

# What a door has lanes for, and a chute; moments and spans in one lane would hide each other.
OF_DOOR = ("press", "refusal", "unlocked", "open", "lockout", "fault")
OF_CHUTE = ("positioning", "clearing", "full", "compacting", "fault", "service", "power", "clock")
OF_STREAM = ("full", "compacting")
MOMENTS = ("press", "refusal", "clock")
KEYS = ["chute", "floor", "signal", "stream"]


@dataclass(frozen=True)
class Lanes:
    """The lanes of one site.

    Attributes:
        names: One row a lane in the order of the strip: `lane` (0, 1, …), `chute`, `floor`,
            `signal`, `stream` (each null where the lane has none).
        spans: What is in them.
        whole: For each span whether the log shows both of its ends.
    """

    names: pd.DataFrame
    spans: Spans
    whole: NDArray[np.bool_]


def lanes(analysis: Analysis) -> Lanes:
    """The lanes of an analysis of one site.

    Intervals are spans; presses, refusals, faults that only begin, losses of power and clock
    sets are moments. Events of a clock that nothing anchors have no place in time and are left
    out; the lines of the export still show them.
    """
    parts = [_intervals(analysis), _moments(analysis)]
    names, lane = _numbered(parts, analysis)
    start, end = (np.concatenate([part[name] for part in parts]) for name in ("start", "end"))
    order = np.lexsort((start, lane))
    spans = Spans(lane[order], start[order], np.maximum(start, end)[order])
    return Lanes(names, spans, np.concatenate([part["whole"] for part in parts])[order])


def _intervals(analysis: Analysis) -> pd.DataFrame:
    held = analysis.intervals
    rows = held[_placed(held, analysis) & held["signal"].ne("power").to_numpy()]
    return rows[KEYS].assign(
        start=micros(rows["start"]), end=micros(rows["end"]),
        whole=(rows["start_known"] & rows["end_known"]).to_numpy(bool),
    )  # fmt: skip


def _moments(analysis: Analysis) -> pd.DataFrame:
    log = analysis.timeline
    signal, edge = log["signal"], log["edge"]
    kept = signal.isin(MOMENTS) | (signal.eq("fault") & edge.eq("mark"))
    kept |= signal.eq("power") & edge.eq("off")
    found = log[kept & log["clock"].ne("unanchored")]
    at = micros(found["time"])
    return found[KEYS].assign(start=at, end=at, whole=True)


def _numbered(parts: list[pd.DataFrame], analysis: Analysis) -> tuple[pd.DataFrame, Ints]:
    """The lanes in the order of the strip, and the lane of each row of the parts."""
    each, where, firsts = [], [], []
    for part in parts:
        key = np.zeros(len(part), np.int64)
        for name in KEYS:
            codes = part[name].astype("category").cat
            key = key * (len(codes.categories) + 1) + codes.codes.to_numpy() + 1
        _, first, place = np.unique(key, return_index=True, return_inverse=True)
        each.append(_keys(part.iloc[first]))
        where.append(place)
        firsts.append(len(first))
    there = pd.concat(each, ignore_index=True)
    names = _sorted(there.drop_duplicates(), analysis)
    lane = there.merge(names, on=KEYS, how="left", validate="many_to_one")["lane"].to_numpy("int64")
    starts = np.concatenate([[0], np.cumsum(firsts)[:-1]])
    return names, np.concatenate(
        [lane[place + start] for place, start in zip(where, starts, strict=True)]
    )


def _keys(rows: pd.DataFrame) -> pd.DataFrame:
    """The lane of each row as text; empty where it has no floor or stream."""
    text = {name: rows[name].astype("object").where(rows[name].notna(), "").astype("str")
            for name in KEYS}  # fmt: skip
    keys = pd.DataFrame(text).reset_index(drop=True)
    return keys.assign(
        floor=keys["floor"].where(keys["signal"].isin(OF_DOOR), ""),
        stream=keys["stream"].where(keys["signal"].isin(OF_STREAM), ""),
    )


def _placed(held: pd.DataFrame, analysis: Analysis) -> NDArray[np.bool_]:
    """Whether intervals touch the anchored part of their chute's log."""
    chutes = held["chute"].astype("category").cat
    ends = analysis.facts.ends.set_index("chute").reindex(chutes.categories)
    first, last = (ends[name].to_numpy()[chutes.codes.to_numpy()]
                   for name in ("log_start", "log_end"))  # fmt: skip
    inside = (held["start"] <= last) & (held["end"] >= first)
    placed: NDArray[np.bool_] = inside.to_numpy(bool)
    return placed


def _sorted(there: pd.DataFrame, analysis: Analysis) -> pd.DataFrame:
    """Lanes as the strip shows them: chute by chute, doors from the top, then the chute's own."""
    listed = {
        (chute.id, floor.label): place
        for site in analysis.sites.values()
        for chute in site.chutes
        for place, floor in enumerate(chute.floors)
    }
    keys = []
    for chute, floor, signal, stream in there[KEYS].to_numpy(str).tolist():
        height = listed.get((chute, floor), _height(floor))
        keys.append((chute, not floor, -height, floor, _rank(floor, signal), stream))
    order = sorted(range(len(keys)), key=keys.__getitem__)
    return there.iloc[order].reset_index(drop=True).assign(lane=range(len(keys)))


def _height(floor: str) -> int:
    """How high a floor is that no site file lists, as far as its label tells."""
    number = re.search(r"-?\d+", floor)
    return int(number[0]) if number else 0


def _rank(floor: str, signal: str) -> int:
    known = OF_DOOR if floor else OF_CHUTE
    return known.index(signal) if signal in known else len(known)

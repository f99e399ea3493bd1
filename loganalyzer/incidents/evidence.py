"""What every rule looks at, and the steps that rules share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, Facts, anchored, plain
from loganalyzer.site import Site
from loganalyzer.spans import Moments, Places, among, merge_close, micros
from loganalyzer.tables import PAIRED_WITHIN, empty

Components = Mapping[tuple[str, str], Mapping[str, str]]

# A signal that drops out for less than this is one condition that flaps.
# Source: common practice, no source.
FLAP_S = 60.0

FIRST = pd.Timestamp(0, tz="UTC")  # before any log
TEXTS = ["site", "chute", "floor", "stream", "code"]
SPAN = [*TEXTS, "start", "end", "seconds", "ended_by", "source", "line"]
# What a rule hands on; the kind, the id and the costs are added to all rules' rows together.
# `start_known`: the event at `start` begins it; else the one at `end` is what the log knows of it.
ROW = [*TEXTS, "start", "end", "seconds", "start_known", "ongoing", "inferred", "lines"]


@dataclass(frozen=True)
class Evidence:
    """The tables that rules read.

    `components` says for each (site, chute) what part a fault code is about, as profiles do;
    `hours` is what `localtime.exposure` returns, `violations` what the audit found. `kept` are
    the spans worked out so far.
    """

    timeline: pd.DataFrame
    intervals: pd.DataFrame
    coverage: pd.DataFrame
    locked: pd.DataFrame
    facts: Facts
    components: Components = field(default_factory=dict)
    visits: pd.DataFrame = field(default_factory=lambda: empty("visits"))
    hours: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: Mapping[str, Site] = field(default_factory=dict)
    violations: pd.DataFrame = field(default_factory=lambda: empty("violations"))
    kept: dict[str, pd.DataFrame] = field(default_factory=dict)

    def held(self, signal: str) -> pd.DataFrame:
        """The intervals of a signal as spans: the columns of `SPAN` and `start_known`.

        `seconds` is how long the log shows that it held: at least so long where power or the
        log ended it, null where its start or its end cannot be told.
        """
        if signal not in self.kept:
            self.kept[signal] = self._held(signal)
        return self.kept[signal]

    def _held(self, signal: str) -> pd.DataFrame:
        mine = np.flatnonzero(self.intervals["signal"].eq(signal))
        spans = self.intervals[[*SPAN, "start_known", "signal"]].iloc[mine]
        cut = spans["ended_by"].isin(["power", "log_end"]) & spans["start_known"].astype(bool)
        part = spans[cut]
        reach = (part["end"] - part["start"]).dt.total_seconds()
        at_least = reach.where((reach >= 0) & anchored(part, self.timeline))
        seconds = spans["seconds"].copy()
        seconds[cut] = seconds[cut].fillna(at_least)
        return spans.assign(seconds=seconds)

    @cached_property
    def faults(self) -> pd.DataFrame:
        """Fault intervals and fault marks as spans, with `component` (null where not told)."""
        marks = self.timeline["signal"].eq("fault") & self.timeline["edge"].eq("mark")
        moments = plain(self.timeline.loc[marks, [*TEXTS, "time", "source", "line"]], *TEXTS)
        moments = moments.assign(start=moments["time"], end=moments["time"], ended_by="mark")
        moments = moments.assign(seconds=np.nan, start_known=True, signal="fault")
        held = plain(self.held("fault"), *TEXTS, "ended_by", "source", "signal")
        spans = pd.concat([held, moments.drop(columns="time")], ignore_index=True)
        return spans.assign(component=self._component(spans))

    def faults_of(self, *components: str) -> pd.DataFrame:
        """The faults about one of these parts, those of a code that flaps merged."""
        mine = self.faults[self.faults["component"].isin(components)]
        return join_runs(mine, self, [*CHUTE, "floor", "code"], FLAP_S)

    def unlocked_since(self, openings: pd.DataFrame) -> pd.Series:
        """When the door of each opening was last unlocked, null where it was locked by then."""
        if openings.empty or not len(self._unlockings):
            return pd.Series(pd.NaT, index=openings.index, dtype="datetime64[us, UTC]")
        log = openings[DOOR].assign(start=FIRST, end=openings["start"])
        first, after = self._unlockings.inside(log)
        last = self._unlockings.at(after - 1).set_index(openings.index)
        return last["time"].where((after > first) & (openings["start"] <= last["end"]))

    @cached_property
    def _unlockings(self) -> Moments:
        unlocked = self.held("unlocked").rename(columns={"start": "time"})
        return Moments(unlocked[[*DOOR, "time", "end"]], DOOR)

    def closing(self, spans: pd.DataFrame) -> pd.Series:
        """`source:line` of the event that ended each span, null where none is logged."""
        ended = pd.Series(pd.NA, index=spans.index, dtype="str")
        for signal, part in spans.groupby("signal", observed=True):
            keys = [*CHUTE, *PAIRED_WITHIN[str(signal)]]
            wanted = part[part["ended_by"].eq("off")].assign(time=lambda t: t["end"])
            near = among(self._times, micros(wanted["time"]))
            found = self.timeline[[*keys, "signal", "edge", "time", "source", "line"]][near]
            found = found[found["edge"].eq("off") & found["signal"].eq(signal)]
            mine = plain(found.drop(columns=["signal", "edge"]), *keys)
            mine = mine.drop_duplicates([*keys, "time"], keep="last")
            both = wanted[[*keys, "time"]].merge(mine, on=[*keys, "time"], how="left")
            ended.loc[wanted.index] = line_of(both).to_numpy()
        return ended

    @cached_property
    def _times(self) -> Places:
        return micros(self.timeline["time"])

    def _component(self, spans: pd.DataFrame) -> pd.Series:
        keys = zip(spans["site"], spans["chute"], spans["code"], strict=True)
        return pd.Series(
            [self.components.get((site, chute), {}).get(code) for site, chute, code in keys],
            index=spans.index,
            dtype="str",
        )


def join_runs(
    spans: pd.DataFrame, evidence: Evidence, by: Sequence[str], gap_s: float
) -> pd.DataFrame:
    """Make one row of the spans of a group that follow one another within a gap.

    A span that a second `on` ended is known to have held at its start only: it reaches no
    further, and a run that ends with it has neither end nor seconds.

    Args:
        spans: What `Evidence.held` or `Evidence.faults` returns, or rows of them; a column
            `off_line` (`source:line`) tells what ended them where it is not an off.
        evidence: Finds the events that ended them.
        by: What makes a group.
        gap_s: Longest pause, in seconds, within a run.

    Returns:
        One row a run, with the columns of `ROW`; text columns take the first value there is.
    """
    if spans.empty:
        return blank_rows()
    spans = plain(spans.reset_index(drop=True), *TEXTS, "ended_by", "source")
    if "off_line" not in spans:
        spans["off_line"] = evidence.closing(spans)
    repeated = spans["ended_by"].eq("repeat")
    spans["end"] = spans["end"].where(~repeated, spans["start"])
    spans["run"] = merge_close(spans, by, gap_s)
    spans = spans.sort_values(["run", "start"], kind="stable", ignore_index=True)
    # Where each run begins, and its span that ends last.
    begins = np.flatnonzero(np.diff(spans["run"], prepend=-1))
    by_end = np.lexsort((micros(spans["end"]), spans["run"]))
    last = spans.iloc[by_end[np.append(begins[1:], len(spans)) - 1]].reset_index(drop=True)
    first = spans.iloc[begins].reset_index(drop=True)
    table = _first_texts(spans, first).assign(start=first["start"], end=last["end"])
    reach = (table["end"] - table["start"]).dt.total_seconds()
    measured = spans["seconds"].notna() | spans["ended_by"].eq("mark")
    trusted = first["start_known"] & np.logical_and.reduceat(measured.to_numpy(bool), begins)
    trusted &= last["ended_by"].ne("mark")
    table["seconds"] = reach.where(trusted & (reach >= 0))
    table["end"] = table["end"].where(last["ended_by"].ne("repeat"))
    table["start_known"] = first["start_known"].astype(bool)
    table["ongoing"] = last["ended_by"].eq("log_end").astype(bool)
    table["lines"] = _lines(spans)
    return table.assign(inferred=False)[ROW]


def line_of(rows: pd.DataFrame) -> pd.Series:
    """`source:line` of each row, null where it has none."""
    number = rows["line"].astype("Int64").astype("str")
    return (rows["source"].astype("str") + ":" + number).where(rows["line"].notna())


def blank_rows() -> pd.DataFrame:
    """No rows, with the columns and types that a rule hands on."""
    return _blank_rows().copy()


@cache
def _blank_rows() -> pd.DataFrame:
    # Most rules find nothing; making these columns anew for each takes longer than looking.
    types = dict.fromkeys(TEXTS, "str") | dict.fromkeys(["start", "end"], "datetime64[us, UTC]")
    flags = dict.fromkeys(["start_known", "ongoing", "inferred"], "bool")
    types |= {"seconds": "float64", **flags, "lines": "object"}
    return pd.DataFrame(columns=ROW).astype(types)


def _first_texts(spans: pd.DataFrame, first: pd.DataFrame) -> pd.DataFrame:
    """The first text there is in each run; that of its first span, if all have one."""
    if len(first) == len(spans):
        return first[TEXTS]
    return spans.groupby("run", sort=True)[TEXTS].first().reset_index(drop=True)


def _lines(spans: pd.DataFrame) -> pd.Series:
    """The lines of a run's events, as a list, in the order of their times."""
    lines: dict[int, dict[str, None]] = {run: {} for run in spans["run"]}
    for run, on, off in zip(spans["run"], line_of(spans), spans["off_line"], strict=True):
        lines[run] |= {line: None for line in (on, off) if isinstance(line, str)}
    return pd.Series({run: list(found) for run, found in lines.items()}, dtype="object")

"""What each fault goes with: a stream, what came just before, service, power, how busy it was.

The times of a fault's episodes are compared with what is usual at the uses of the chute. What
came just before (within a minute) is compared with how much time passes just after each signal,
since a fault that comes at any moment comes after whatever is followed by silence. Lift is the
share among the episodes over the usual share. All pairs of a fault and a circumstance are
tested together.

Source: the comparison is ours; the chance is the upper binomial tail, adjusted by
`benjamini_hochberg`.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betainc

from loganalyzer.facts import CHUTE, DOOR
from loganalyzer.spans import Places, micros
from loganalyzer.stats import benjamini_hochberg
from loganalyzer.tables import require

Words = NDArray[Any]
FAULT = [*DOOR, "component", "code"]
ASIDE = ("fault", "clock", "note", "level")  # what is neither use nor refusal comes before nothing
FEW, TOGETHER = 5, 3  # episodes of a fault, and of them with the circumstance, to be tested
HOUR = 3_600_000_000
JUST_BEFORE = 60_000_000
LONG_AGO = np.iinfo(np.int64).min // 2
HOURS = ("under 1 h", "1 to 24 h", "over 24 h")
RARE = 1e-3  # what is hardly ever usual: no lift grows beyond all bounds
BUSY = 0.75  # a use is at a busy time where that share of uses has no more in the hour before
COLUMNS = [*FAULT, "with", "value", "n", "of", "expected", "lift", "p", "q"]


def fault_links(
    episodes: pd.DataFrame, timeline: pd.DataFrame, cycles: pd.DataFrame, intervals: pd.DataFrame
) -> pd.DataFrame:
    """How much more often than usual each circumstance comes with each fault.

    Args:
        episodes: What `faults.fault_episodes` returns.
        timeline: The table of that name.
        cycles: The table of that name.
        intervals: The table of that name: service.

    Returns:
        One row a fault (`site`, `chute`, `floor`, `component`, `code`) of at least five
        episodes, circumstance (`with`: "stream", "before", "since service", "since power-on",
        "load") and `value`: `n` of the `of` episodes, `expected` share, `lift`, `p`, `q`.
    """
    require(episodes, *FAULT, "first", "start")
    begun = episodes[episodes["first"]]
    size = begun.groupby(FAULT, dropna=False)["start"].transform("size")
    begun = begun[size >= FEW]
    parts = []
    for (site, chute), part in begun.groupby(CHUTE):
        log = _Chute(str(site), str(chute), timeline, cycles, intervals)
        parts += [_compared(part, name, *both) for name, both in log.circumstances(part).items()]
    if not parts:
        return pd.DataFrame(columns=COLUMNS).astype({"q": "float64"})
    table = pd.concat(parts, ignore_index=True)
    table = table[(table["n"] >= TOGETHER) & (table["expected"] < 1)].reset_index(drop=True)
    return table.assign(q=benjamini_hochberg(table["p"]))[COLUMNS]


class _Chute:
    """What is usual at one chute."""

    def __init__(
        self, site: str, chute: str, timeline: pd.DataFrame, cycles: pd.DataFrame,
        intervals: pd.DataFrame,
    ) -> None:  # fmt: skip
        events = _of(timeline, site, chute)
        events = events[events["clock"].ne("unanchored") & ~events["signal"].isin(ASIDE)]
        self.events = micros(events["time"])
        self.said = (events["signal"].astype("str") + " " + events["edge"].astype("str")).to_numpy()
        uses = _of(cycles, site, chute)
        began = uses["pressed"].fillna(uses["unlocked"]).fillna(uses["opened"])
        self.stream = uses.loc[began.notna(), "stream"].astype("str").to_numpy(dtype=object)
        self.uses = micros(began.dropna())
        order = np.argsort(self.uses, kind="stable")
        self.uses, self.stream = self.uses[order], self.stream[order]
        service = _of(intervals, site, chute)
        service = service[service["signal"].eq("service")]
        self.service = np.sort(micros(service["end"].dropna()))
        power = _of(timeline, site, chute)
        power = power[power["signal"].eq("power") & power["edge"].eq("on")]
        self.power = np.sort(micros(power["time"]))

    def circumstances(self, part: pd.DataFrame) -> dict[str, tuple[Words, pd.Series]]:
        """Of each kind, those of the fault's episodes, and the usual share of each."""
        at, found = micros(part["start"]), {}
        if len(self.events):
            found["before"] = (self._before(at), self._after_each())
        if len(self.uses):
            found |= {name: (mine, _shares(usual)) for name, (mine, usual) in self._at_uses(at)}
        return found

    def _before(self, at: Places) -> Words:
        last = np.searchsorted(self.events, at, side="right") - 1
        near = (last >= 0) & (at - self.events[last] <= JUST_BEFORE)
        return np.where(near, self.said[last], "a minute of silence")

    def _after_each(self) -> pd.Series:
        """Share of time that lies within a minute after each signal, and after none."""
        gaps = np.diff(self.events, append=self.events[-1:])
        near = pd.Series(np.minimum(gaps, JUST_BEFORE)).groupby(self.said).sum()
        near["a minute of silence"] = np.maximum(gaps - JUST_BEFORE, 0).sum()
        shares: pd.Series = near / max(near.sum(), 1)
        return shares

    def _at_uses(self, at: Places) -> Iterator[tuple[str, tuple[Words, Words]]]:
        last = np.searchsorted(self.uses, at, side="right") - 1
        near = (last >= 0) & (at - self.uses[last] < HOUR / 6)
        mine = self.stream[last].copy()
        mine[~near] = None
        yield "stream", (mine, self.stream)
        if len(self.service):
            yield "since service", (_since(self.service, at), _since(self.service, self.uses))
        if len(self.power):
            yield "since power-on", (_since(self.power, at), _since(self.power, self.uses))
        usual = self._load()
        load = np.where(usual > np.quantile(usual, BUSY), "busy", "usual").astype(object)
        during = load[last].copy()
        during[~near] = None
        yield "load", (during, load)

    def _load(self) -> Places:
        """Other uses in the hour up to each use."""
        begin = np.searchsorted(self.uses, self.uses - HOUR, side="left")
        return np.asarray(np.arange(len(self.uses)) - begin, dtype=np.int64)


def _since(marks: Places, at: Places) -> Words:
    """How long ago the last of some moments was, in words; null where there was none."""
    last = np.searchsorted(marks, at, side="right") - 1
    hours = (at - np.append(marks, LONG_AGO)[last]) / HOUR
    words: Words = np.array(HOURS, dtype=object)[np.digitize(hours, [1, 24])]
    words[last < 0] = None
    return words


def _shares(usual: Words) -> pd.Series:
    known = pd.Series(usual, dtype="object").dropna()
    return known[known.ne("nan")].value_counts(normalize=True)


def _compared(part: pd.DataFrame, name: str, mine: Words, share: pd.Series) -> pd.DataFrame:
    """Count one kind of circumstance over the faults of a chute."""
    rows = part[FAULT].assign(value=mine)
    rows = rows[rows["value"].notna() & rows["value"].ne("nan")]
    of = rows.groupby(FAULT, dropna=False).size().rename("of").reset_index()
    table = rows.groupby([*FAULT, "value"], dropna=False).size().rename("n").reset_index()
    table = table.merge(of, on=FAULT).assign(**{"with": name})
    table["expected"] = table["value"].map(share).fillna(0.0)
    n, total = table["n"].to_numpy(float), table["of"].to_numpy(float)
    usually = np.maximum(table["expected"].to_numpy(float), RARE)
    p = np.where(usually < 1, betainc(n, total - n + 1, np.minimum(usually, 1)), 1.0)
    return table.assign(expected=usually, lift=n / total / usually, p=p)


def _of(table: pd.DataFrame, site: str, chute: str) -> pd.DataFrame:
    return table[table["site"].eq(site) & table["chute"].eq(chute)]

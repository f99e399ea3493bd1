"""Every single thing that a sound part does not keep doing, with its moment and its line.

- Fault codes: each episode once.
- Long openings: over the site's limit.
- Late unlocking, slow travel: one that took far longer than is usual there, for a latch that
  hesitates now and then or a diverter that is slow one time in fifty, where no level moves.
- Glitches, each by its kind.
- False fulls: told by a sensor and gone again without a pickup.
- Restarts: a power-on that no power-off came before.

What another trouble explains is not counted again: troubles at several doors at once are the
wiring's, restarts just after a low supply are the supply's.

Source: the rules are ours; times are common practice, no source.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, plain
from loganalyzer.spans import micros
from loganalyzer.tables import require

PLACE = [*DOOR, "component"]
TROUBLE = [*PLACE, "sign", "time", "source", "line"]
CODE = "fault code"
# A machine's move is far longer than usual beyond so many median distances, and by this share
# of the median at least, and by more than the log's precision can make of it.
FAR, AT_LEAST, STEPS = 6.0, 0.5, 1.5
SINGLE = {"unlock_s": ("latch", "late unlocking"), "positioning_s": ("sorter", "slow travel")}
SERIES = [*DOOR, "what", "pair"]
EXPLAINED_S, TOGETHER_S = 60.0, 3.0


def troubles(
    episodes: pd.DataFrame, timed: pd.DataFrame, oddities: pd.DataFrame, containers: pd.DataFrame,
    timeline: pd.DataFrame, precision: pd.DataFrame, coincidences: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """Every trouble of every part.

    Args:
        episodes: What `faults.fault_episodes` returns.
        timed: What `drift_days.timings` returns.
        oddities: What `glitches.oddities` returns.
        containers: The table of that name: false fulls.
        timeline: The table of that name: power.
        precision: What `facts.precision` returns.
        coincidences: What `together.together` returns.

    Returns:
        `site`, `chute`, `floor` (null: no one door's), `component`, `sign` (what it is), `time`,
        `source`, `line`; sorted by time.
    """
    require(oddities, *PLACE, "kind", "time", "source", "line")
    faults = episodes[episodes["first"]]
    long = timed[timed["what"].eq("open_s") & timed["over"].astype(bool)]
    parts = [
        faults.assign(sign=CODE, time=faults["start"]),
        long.assign(component="door", sign="long openings"),
        *(_far(timed, precision, what, *named) for what, named in SINGLE.items()),
        oddities.assign(sign=oddities["kind"]),
        _false_fulls(containers),
        _restarts(timeline),
    ]  # fmt: skip
    held = [plain(part[TROUBLE], *PLACE, "sign", "source") for part in parts if len(part)]
    if not held:
        return pd.DataFrame(columns=TROUBLE)
    found = pd.concat(held, ignore_index=True)
    found = found.sort_values("time", kind="stable", ignore_index=True)
    return _unexplained(found, coincidences).reset_index(drop=True)


def _far(
    timed: pd.DataFrame, precision: pd.DataFrame, what: str, component: str, sign: str
) -> pd.DataFrame:
    """Moves of a machine that took far longer than is usual at their door, or at the chute."""
    mine = timed[timed["what"].eq(what) & timed["pair"].isna()]
    by = [mine[name] for name in SERIES]
    usual = mine.groupby(SERIES, dropna=False)["seconds"].transform("median")
    away = (mine["seconds"] - usual).abs().groupby(by, dropna=False).transform("median")
    step = mine[CHUTE].merge(precision, on=CHUTE, how="left")["precision_s"].to_numpy()
    reach = np.maximum(np.maximum(FAR * away, AT_LEAST * usual), STEPS * step)
    far: pd.Series = mine["seconds"] > usual + reach
    return mine[far].assign(component=component, sign=sign)


def _false_fulls(containers: pd.DataFrame) -> pd.DataFrame:
    false = containers[containers["state"].isin(["false full", "stuck on"])]
    first = false["evidence"].astype("str").str.extract(r"(\w+):(\d+)")
    return false.assign(
        floor=None, component="container", sign="false full", time=false["full_from"],
        source=first[0], line=pd.to_numeric(first[1]),
    )  # fmt: skip


def _restarts(timeline: pd.DataFrame) -> pd.DataFrame:
    """Power-ons that no power-off came before, but for the first of a chute."""
    power = timeline[timeline["signal"].eq("power") & timeline["clock"].ne("unanchored")]
    power = plain(power, *CHUTE, "edge")
    again = power["edge"].eq("on") & power.groupby(CHUTE)["edge"].shift().eq("on")
    return power[again].assign(floor=None, component="control", sign="restart")


def _unexplained(events: pd.DataFrame, coincidences: pd.DataFrame) -> pd.DataFrame:
    kept = pd.Series(True, index=events.index)
    at = micros(events["time"])
    for _, part in events.groupby(CHUTE):
        supply = part["component"].eq("power")
        control = part.index[part["component"].eq("control")]
        if supply.any() and len(control):
            sags = at[part.index[supply]]
            last = np.searchsorted(sags, at[control], side="right") - 1
            near = (last >= 0) & (at[control] - sags[np.maximum(last, 0)] <= EXPLAINED_S * 1e6)
            kept.loc[control[near]] = False
    trouble = events["sign"].where(events["sign"].ne(CODE), "fault " + events["component"])
    for row in _rows(coincidences[coincidences["sure"].astype(bool)]):
        same = events["site"].eq(row.site) & events["chute"].eq(row.chute)
        mine = events.index[same & trouble.eq(row.trouble) & events["floor"].notna()]
        moments = micros(pd.Series(list(row.moments)))
        place = np.searchsorted(moments, at[mine] + 1000, side="right") - 1
        near = (place >= 0) & (at[mine] - moments[np.maximum(place, 0)] <= TOGETHER_S * 1e6)
        kept.loc[mine[near]] = False
    return events[kept]


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return iter(table.itertuples())

"""Uses that would have been sorted and were not, each with its lines.

- `full_then_refuse`: a press for a sorted stream refused because its container was full, and a
  refuse use at the same door within two minutes.
- `gave_up`: a visit for a sorted stream that ended without an open door, unless it is of the first
  kind or the same stream was used at that door within two minutes after all.
- `quick_switch`: a press for a sorted stream, a press for refuse at the same door within half a
  minute without an opening between, and then a use: a bag that may be mixed.
- `never_used`: a floor that never used a stream though so many uses make that unlikely; a broken
  button, or nobody knows. With presses and no use the button works.

Sorted streams are those whose kind is recycling or organics; refuse those of kind refuse.

Source: the rules are ours; the times are common practice, no source.
"""

import json

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import DISPOSED, SORTED
from loganalyzer.facts import CHUTE, DOOR, anchored, plain
from loganalyzer.spans import Cover, Moments, micros
from loganalyzer.tables import require

FOLLOWED_S, SWITCH_S = 120.0, 30.0
UNLIKELY = 0.001
NO_PRESS = "never pressed and never used in {} uses: a broken button, or nobody knows"
PRESSED = "pressed and never used in {} uses: the button works"
COLUMNS = [*DOOR, "stream", "kind", "time", "seconds", "detail", "evidence"]


def lost_sorting(
    timeline: pd.DataFrame, intervals: pd.DataFrame, visits: pd.DataFrame, used: pd.DataFrame,
    held: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """Every lost sorting of the log.

    Args:
        timeline: The table of that name: presses and refusals.
        intervals: The table of that name: full.
        visits: The table of that name.
        used: What `uses.uses` returns.
        held: What `bins.bins` returns: kinds of streams.

    Returns:
        One row a case, in order of kind and time: `site`, `chute`, `floor`, `stream` (the one
        that should have been used), `kind` (see above), `time` (null for `never_used`),
        `seconds` (to the refuse use), `detail`, `evidence` (JSON list of `source:line`).
    """
    require(timeline, *DOOR, "stream", "signal", "code", "time", "source", "line")
    kinds = held[[*CHUTE, "stream", "kind"]].rename(columns={"kind": "material"})
    events = timeline[timeline["signal"].isin(["press", "refusal"])]
    events = events[events["clock"].ne("unanchored") & events["floor"].notna()]
    events = plain(events[[*DOOR, "stream", "signal", "code", "time", "source", "line"]],
                   *DOOR, "stream").merge(kinds, on=[*CHUTE, "stream"], how="left")  # fmt: skip
    refuse = used.merge(kinds, on=[*CHUTE, "stream"], how="left")
    opened = refuse[refuse["opened"].notna()].assign(time=lambda t: t["opened"])
    turned = _full_then_refuse(events, intervals, opened, held)
    tables = [
        turned,
        _gave_up(visits[anchored(visits, timeline)], kinds, turned, opened),
        _quick_switch(events, opened),
        _never_used(events, used, held),
    ]
    kept = [table[COLUMNS] for table in tables if len(table)]
    blank = pd.DataFrame(columns=COLUMNS)
    return pd.concat(kept, ignore_index=True) if kept else blank


def _full_then_refuse(
    events: pd.DataFrame, intervals: pd.DataFrame, opened: pd.DataFrame, held: pd.DataFrame
) -> pd.DataFrame:
    refused = events[
        events["signal"].eq("refusal") & events["code"].eq("full")
        & events["material"].isin(SORTED)
    ]  # fmt: skip
    refused = refused[_own_full(refused, intervals, held)]
    found = _next_use(refused, opened, FOLLOWED_S)
    found = found[found["material_use"].eq(DISPOSED)]
    # Several refusals before one use are one lost use; the first one tells when it began.
    found = found.drop_duplicates([*DOOR, "source_use", "line_use"])
    return found.assign(
        kind="full_then_refuse", detail="refused as full, then used refuse",
        evidence=_lines(found, ("source", "line"), ("source_use", "line_use")),
    )  # fmt: skip


def _own_full(refused: pd.DataFrame, intervals: pd.DataFrame, held: pd.DataFrame) -> pd.Series:
    """Whether the container of that stream itself was full; taken so where the log has none."""
    told = intervals[intervals["signal"].eq("full") & intervals["stream"].notna()]
    spans = plain(told[[*CHUTE, "stream", "start", "end"]], *CHUTE, "stream")
    names = held[[*CHUTE, "stream", "container"]]
    spans = spans.merge(names, on=[*CHUTE, "stream"], how="left")
    mine = refused.merge(names, on=[*CHUTE, "stream"], how="left").set_index(refused.index)
    inside = np.zeros(len(mine), bool)
    for key, whole in spans.groupby([*CHUTE, "container"]):
        here = mine[[*CHUTE, "container"]].eq(pd.Series(key, [*CHUTE, "container"])).all(axis=1)
        start, end = micros(whole["start"]), micros(whole["end"])
        cover = Cover.of(start, end + 1)
        inside |= here.to_numpy() & cover.holds(micros(mine["time"]))
    told_at_all = spans[CHUTE].drop_duplicates().assign(told=True)
    unknown = mine[CHUTE].merge(told_at_all, on=CHUTE, how="left")["told"].isna().to_numpy()
    return pd.Series(inside | unknown, index=refused.index)


def _next_use(rows: pd.DataFrame, opened: pd.DataFrame, within_s: float) -> pd.DataFrame:
    """Each row with the next use at its door, where one follows soon enough."""
    uses = opened[[*DOOR, "time", "material", "source", "line"]]
    uses = uses.assign(time_use=uses["time"]).sort_values("time")
    both = pd.merge_asof(
        rows.sort_values("time"), uses.rename(columns={
            "material": "material_use", "source": "source_use", "line": "line_use",
        }), on="time", by=DOOR, direction="forward", tolerance=pd.Timedelta(seconds=within_s),
    )  # fmt: skip
    both = both[both["time_use"].notna()]
    return both.assign(seconds=(both["time_use"] - both["time"]).dt.total_seconds())


def _gave_up(
    visits: pd.DataFrame, kinds: pd.DataFrame, turned: pd.DataFrame, opened: pd.DataFrame
) -> pd.DataFrame:
    left = plain(visits[visits["result"].eq("gave_up")], *DOOR, "stream")
    left = left.merge(kinds, on=[*CHUTE, "stream"])
    left = left[left["material"].isin(SORTED)]
    until = left["end"] + pd.Timedelta(seconds=FOLLOWED_S)
    after = left.assign(start=left["end"], end=until)
    sorted_after_all = _count(opened[opened["stream"].notna()], [*DOOR, "stream"], after) > 0
    told_before = _count(turned, [*DOOR, "stream"], left) > 0
    left = left[~sorted_after_all & ~told_before].assign(time=lambda t: t["start"], seconds=np.nan)
    told: pd.DataFrame = left.assign(
        kind="gave_up", detail="left without an open door",
        evidence=_lines(left, ("source", "line")),
    )  # fmt: skip
    return told


def _count(events: pd.DataFrame, by: list[str], spans: pd.DataFrame) -> NDArray[np.int64]:
    """How many of the events fall into each span of their group."""
    if events.empty or spans.empty:
        return np.zeros(len(spans), np.int64)
    return Moments(events, by).count(spans)


def _quick_switch(events: pd.DataFrame, opened: pd.DataFrame) -> pd.DataFrame:
    presses = events[events["signal"].eq("press")].sort_values([*DOOR, "time"], kind="stable")
    after = presses.groupby(DOOR)[["time", "material", "source", "line"]].shift(-1)
    pairs = presses.join(after.add_suffix("_next"))
    quick = (pairs["time_next"] - pairs["time"]).dt.total_seconds().le(SWITCH_S)
    pairs = pairs[quick & pairs["material"].isin(SORTED) & pairs["material_next"].eq(DISPOSED)]
    found = _next_use(pairs, opened, FOLLOWED_S)
    found = found[found["time_use"] >= found["time_next"]]
    fulls = events[events["signal"].eq("refusal") & events["code"].eq("full")]
    spans = found[[*DOOR]].assign(start=found["time"], end=found["time_next"])
    # A press refused as full is the first kind, not a mixed bag.
    found = found[_count(fulls, DOOR, spans) == 0]
    told: pd.DataFrame = found.assign(
        kind="quick_switch", detail="switched to refuse before the door opened",
        evidence=_lines(found, ("source", "line"), ("source_next", "line_next"),
                        ("source_use", "line_use")),
    )  # fmt: skip
    return told


def _never_used(events: pd.DataFrame, used: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    """Doors that never used a stream, where chance alone makes that unlikely."""
    counted = used.groupby([*DOOR, "stream"]).size()
    if counted.empty:
        return pd.DataFrame(columns=COLUMNS)
    doors = counted.groupby(level=DOOR).sum().rename("uses").reset_index()
    streams = counted.groupby(level=[*CHUTE, "stream"]).sum()
    part = streams / streams.groupby(level=CHUTE).transform("sum")
    shares = part.rename("share").reset_index()
    grid = doors.merge(shares, on=CHUTE).merge(counted.rename("own").reset_index(), how="left")
    grid = grid[grid["own"].isna() & (((1 - grid["share"]) ** grid["uses"]) < UNLIKELY)]
    grid = grid.merge(held[[*CHUTE, "stream", "kind"]], on=[*CHUTE, "stream"])
    presses = events[events["signal"].eq("press")].groupby([*DOOR, "stream"])
    first = presses[["source", "line"]].first().reset_index()
    grid = grid.drop(columns="kind").merge(first, on=[*DOOR, "stream"], how="left")
    # What shows that the door was used meanwhile: its first use and its last.
    ends = used.groupby(DOOR)[["source", "line"]]
    for name, rows in (("_first", ends.first()), ("_last", ends.last())):
        grid = grid.merge(rows.add_suffix(name).reset_index(), on=DOOR, how="left")
    detail = np.where(grid["line"].isna(), NO_PRESS, PRESSED)
    return grid.assign(
        kind="never_used", seconds=np.nan,
        time=pd.Series(pd.NaT, grid.index, "datetime64[us, UTC]"),
        detail=[text.format(n) for text, n in zip(detail, grid["uses"], strict=True)],
        evidence=_lines(grid, ("source", "line"), ("source_first", "line_first"),
                        ("source_last", "line_last")),
    )  # fmt: skip


def _lines(table: pd.DataFrame, *columns: tuple[str, str]) -> list[str]:
    """JSON lists of `source:line`."""
    parts = [
        [f"{source}:{int(line)}" if pd.notna(line) else None for source, line in
         zip(table[s], table[n], strict=True)]
        for s, n in columns
    ]  # fmt: skip
    return [json.dumps([one for one in row if one]) for row in zip(*parts, strict=True)]

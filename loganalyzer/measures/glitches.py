"""What contacts, latches and buttons do that neither people nor sound hardware do.

- Too fast: a door open for less than 0.25 s. Hands and a leaf need longer.
- Bounce: a door that opens again within 2 s after it closed, in one use.
- Open while locked: an opening that no unlocking allowed, outside of service.
- Impossible: an edge without its other one, in a log that is not at its beginning or at a power
  cut: opened when open, closed when closed, the same for unlocking.
- Steady presses: runs of presses as even as a clock (`buttons`), each run told once.

Source: the rules are ours; times are common practice, no source.
"""

import json

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, anchored, plain
from loganalyzer.spans import merge_close
from loganalyzer.stats import poisson_interval
from loganalyzer.tables import require

FAST_S, BOUNCE_S, RUN_GAP_S = 0.25, 2.0, 600.0
# A log that tells the time less finely shows no edge that is too fast; one that tells it less
# finely than `BOUNCE_S` no bounce.
FINE_S = 0.1
ODD = [*DOOR, "component", "kind", "time", "source", "line"]
GLITCH = [*DOOR, "component", "kind"]
LINES_SHOWN = 10


def oddities(
    intervals: pd.DataFrame, timeline: pd.DataFrame, steady: pd.DataFrame,
    precision: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """Every single glitch.

    Args:
        intervals: The table of that name.
        timeline: Tells which times can be trusted.
        steady: Presses in runs as even as a clock: `site`, `chute`, `floor`, `time`, `source`,
            `line`.
        precision: What `facts.precision` returns.

    Returns:
        `site`, `chute`, `floor`, `component`, `kind` ("too fast", "bounce", "open while locked",
        "impossible", "steady presses"), `time`, `source`, `line`; sorted by time.
    """
    require(intervals, *DOOR, "signal", "start", "end", "start_known", "ended_by", "seconds")
    held = intervals[intervals["signal"].isin(["open", "unlocked", "service"])]
    held = plain(held[anchored(held, timeline)], *DOOR, "signal", "ended_by", "source")
    opened = held[held["signal"].eq("open")].sort_values([*DOOR, "start"], kind="stable")
    known = opened[opened["start_known"].astype(bool)]
    unlocked = held[held["signal"].eq("unlocked")]
    service = held[held["signal"].eq("service")]
    kinds = _opening_kinds(known, unlocked, service, precision)
    parts = [
        known.assign(kind=kinds, time=known["start"]).dropna(subset="kind"),
        _impossible(held[held["signal"].ne("service")]),
        _runs(steady),
    ]
    found = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    unlatched = found["signal"].eq("unlocked") if "signal" in found else False
    found["component"] = np.where(unlatched, "latch", "contact")
    return found.sort_values("time", kind="stable", ignore_index=True)[ODD]


def glitches(odd: pd.DataFrame, cycles: pd.DataFrame) -> pd.DataFrame:
    """The table `glitches`: a row each door and kind of glitch that occurred.

    Args:
        odd: What `oddities` returns.
        cycles: The table of that name.

    Returns:
        `site`, `chute`, `floor`, `component`, `kind`, `count`, `cycles` (uses of the door, null
        where there are none), `per_1000_cycles` with its exact 95 % interval `low` to `high`,
        `first`, `last`, `evidence` (JSON, the latest first).
    """
    by = odd.groupby(GLITCH)
    table = by["time"].agg(count="size", first="min", last="max").reset_index()
    uses = plain(cycles.groupby(DOOR, observed=True).size().rename("cycles").reset_index(), *DOOR)
    table = table.merge(uses, on=DOOR, how="left")
    low, high = poisson_interval(table["count"])
    per = table["cycles"] / 1000
    lines = (odd["source"].astype("str") + ":" + odd["line"].astype("str")).groupby(
        [odd[c] for c in GLITCH]
    )
    shown = [json.dumps(part.tolist()[-LINES_SHOWN:][::-1]) for _, part in lines]
    return table.assign(
        per_1000_cycles=table["count"] / per, low=low / per, high=high / per,
        cycles=table["cycles"].astype("Int64"), evidence=pd.Series(shown, dtype="str"),
    )  # fmt: skip


def _opening_kinds(
    opened: pd.DataFrame, unlocked: pd.DataFrame, service: pd.DataFrame, precision: pd.DataFrame
) -> pd.Series:
    """What is odd about each opening, null where nothing is."""
    step = opened[CHUTE].merge(precision, on=CHUTE, how="left")["precision_s"].to_numpy()
    shut = (
        opened.groupby(DOOR)["end"]
        .shift()
        .where(opened.groupby(DOOR)["ended_by"].shift().eq("off"))
    )
    again = (opened["start"] - shut).dt.total_seconds().between(0, BOUNCE_S) & (step <= BOUNCE_S)
    fast = opened["seconds"].lt(FAST_S) & (step <= FINE_S) & opened["ended_by"].eq("off")
    # Where unlocking is not in the log, nothing is known of whether a door was locked.
    tells = opened[CHUTE].merge(
        unlocked[CHUTE].drop_duplicates().assign(tells=True), on=CHUTE, how="left"
    )["tells"].notna().to_numpy()  # fmt: skip
    free = _within(opened, unlocked, DOOR, step) | _within(opened, service, CHUTE, step)
    cases = [tells & ~free, fast.to_numpy(), again.to_numpy()]
    words = np.select(cases, ["open while locked", "too fast", "bounce"], default="")
    return pd.Series(words, index=opened.index).replace("", None)


def _within(rows: pd.DataFrame, spans: pd.DataFrame, by: list[str], step: np.ndarray) -> np.ndarray:
    """Whether each row starts within a span of its group, give or take the log's precision."""
    if rows.empty or spans.empty:
        return np.zeros(len(rows), dtype=bool)
    later = (rows["start"] + pd.to_timedelta(step, unit="s")).dt.as_unit("us")
    at = rows[by].assign(at=later, place=range(len(rows)))
    ends = spans[[*by, "start", "end"]].sort_values("start")
    both = pd.merge_asof(
        at.sort_values("at"), ends, left_on="at", right_on="start", by=by
    ).sort_values("place", ignore_index=True)  # fmt: skip
    late = (rows["start"].reset_index(drop=True) - both["end"]).dt.total_seconds()
    return np.asarray(both["start"].notna() & ~late.gt(step), dtype=bool)


def _impossible(held: pd.DataFrame) -> pd.DataFrame:
    """Edges without their other one; the first of a door may have lost it with the log's start."""
    first = ~held.duplicated([*DOOR, "signal"])
    lone = held["ended_by"].eq("repeat") | (~held["start_known"].astype(bool) & ~first)
    before = held.groupby([*DOOR, "signal"])["ended_by"].shift()
    odd = held[lone & ~before.eq("power")]
    return odd.assign(kind="impossible", time=odd["end"])


def _runs(steady: pd.DataFrame) -> pd.DataFrame:
    """The first press of each run."""
    rows = plain(steady, *DOOR, "source").assign(start=steady["time"], end=steady["time"])
    if rows.empty:
        return rows.assign(kind="steady presses")
    rows = rows.assign(run=merge_close(rows, DOOR, RUN_GAP_S)).sort_values("time", kind="stable")
    return rows[~rows["run"].duplicated()].assign(kind="steady presses")

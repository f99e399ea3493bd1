"""Single questions to a long log, as answered here and as one would by a script of one's own.

    python -m tests.benchmarks.bench_measures [--quick]

Three questions: how long each door stands open, how long presses wait for the door, and how many
presses were refused, by reason. Beside ours the
plain SQL of DuckDB, polars, and pandas. The log is one without gaps, power cuts or bouncing
contacts, so that a plain script is right about it; that all agree is checked in the run. Ours is
the way that any log takes: intervals whose ends may not be known, times that cannot be trusted
left out, and for the rates their intervals. Seconds are of processor, all rounds in turn.
"""

import argparse
import time
from collections.abc import Callable

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.doors import open_times
from loganalyzer.measures.refusals import by_reason
from tests.benchmarks.bench_pairing import make_timeline
from tests.benchmarks.results import put, short, spread

ROUNDS = 3
DOOR = ["chute", "floor"]
NOTE = (
    "Behind, since ours first rebuilds all intervals and uses, which every further question "
    "shares, and bounds what is not known; the script looks at one signal of a log without faults"
)

OPENINGS = """
    WITH edges AS (
        SELECT chute, floor, time, edge,
               lead(time) OVER door AS after, lead(edge) OVER door AS next
        FROM log WHERE signal = 'open' WINDOW door AS (PARTITION BY chute, floor ORDER BY seq))
    SELECT chute, floor, count(*) AS n, median(epoch_us(after) - epoch_us(time)) / 1e6 AS middle
    FROM edges WHERE edge = 'on' AND next = 'off' GROUP BY ALL ORDER BY ALL"""
WAITS = """
    WITH unlocks AS (SELECT * FROM log WHERE signal = 'unlocked' AND edge = 'on'),
         presses AS (SELECT * FROM log WHERE signal = 'press')
    SELECT u.chute, u.floor, count(*) AS n,
           avg(epoch_us(u.time) - epoch_us(p.time)) / 1e6 AS middle
    FROM unlocks u ASOF JOIN presses p
      ON u.chute = p.chute AND u.floor = p.floor AND u.time >= p.time
    GROUP BY ALL ORDER BY ALL"""
REFUSED = """
    SELECT chute, code, count(*) AS n FROM log WHERE signal = 'refusal' GROUP BY ALL ORDER BY ALL"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="1 million events, not 10")
    events = 1_000_000 if parser.parse_args().quick else 10_000_000
    log = make_timeline(events, np.random.default_rng(1), bounce=False)
    print(f"{len(log):,} events, {ROUNDS} rounds, processor seconds")
    for question, ways in questions(log).items():
        _ask(question, ways, len(log))


def questions(log: pd.DataFrame) -> dict[str, dict[str, Callable[[], pd.DataFrame]]]:
    """For each question the ways to answer it; each gives the same columns."""
    small = log[["chute", "floor", "signal", "edge", "code", "time", "seq"]]
    table = pa.Table.from_pandas(small, preserve_index=False)
    frame, base = pl.from_arrow(table), duckdb.connect()
    base.register("log", table)
    known = facts(log, {})
    return {
        "how long each door stands open": {
            "ours": lambda: _open(log, known),
            "duckdb": lambda: base.sql(OPENINGS).df(),
            "polars": lambda: _open_polars(frame),
            "pandas": lambda: _open_pandas(small),
        },
        "how long presses wait": {
            "ours": lambda: _waits(log),
            "duckdb": lambda: base.sql(WAITS).df(),
            "polars": lambda: _waits_polars(frame),
            "pandas": lambda: _waits_pandas(small),
        },
        "refusals by reason": {
            "ours": lambda: by_reason(log, known)
            .rename(columns={"refusals": "n"})[["chute", "code", "n"]]
            .sort_values(["chute", "code"]),
            "duckdb": lambda: base.sql(REFUSED).df(),
            "polars": lambda: frame.filter(pl.col("signal") == "refusal")
            .group_by("chute", "code").len("n").sort("chute", "code").to_pandas(),
            "pandas": lambda: small[small["signal"].eq("refusal")]
            .groupby(["chute", "code"], observed=True).size().rename("n").reset_index(),
        },
    }  # fmt: skip


def _ask(question: str, ways: dict[str, Callable[[], pd.DataFrame]], events: int) -> None:
    found = {name: way() for name, way in ways.items()}  # warm-up, and do they agree?
    first, *rest = found
    for name in rest:
        np.testing.assert_array_equal(found[first]["n"], found[name]["n"], f"{question}: {name}")
        if "middle" in found[first]:
            np.testing.assert_allclose(found[first]["middle"], found[name]["middle"], atol=1e-6)
    seconds = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            begun = time.process_time()
            way()
            seconds[name].append(time.process_time() - begun)
    ours = seconds["ours"]
    ratios = {name: [their / mine for their, mine in zip(seconds[name], ours, strict=True)]
              for name in rest}  # fmt: skip
    behind = any(np.median(found) < 1 for found in ratios.values())
    told = ", ".join(f"{name} {spread(found)}" for name, found in ratios.items())
    rate = [events / one for one in ours]
    print(f"  {question}: {short(float(np.median(ours)))} s; ours is as fast times: {told}")
    put("bench_measures", question, rate, "events/s", more_is_better=True, instead=ratios,
        note=NOTE if behind else "")  # fmt: skip


def _open(log: pd.DataFrame, known: object) -> pd.DataFrame:
    intervals = pair(log)
    doors = open_times(cycles(log, intervals, {}), intervals, known)
    doors = doors.rename(columns={"open_s_median": "middle", "openings": "n"})
    return doors.assign(order=doors["floor"].astype(str)).sort_values(["chute", "order"])


def _open_polars(frame: pl.DataFrame) -> pd.DataFrame:
    door = ["chute", "floor"]
    edges = frame.filter(pl.col("signal") == "open").sort("seq")
    return (
        edges.with_columns(
            after=pl.col("time").shift(-1).over(door), next=pl.col("edge").shift(-1).over(door)
        )
        .filter((pl.col("edge") == "on") & (pl.col("next") == "off"))
        .group_by(door)
        .agg(
            n=pl.len(),
            middle=(pl.col("after") - pl.col("time")).dt.total_microseconds().median() / 1e6,
        )
        .with_columns(pl.col("chute", "floor").cast(pl.String))
        .sort(door)
        .to_pandas()
    )


def _open_pandas(log: pd.DataFrame) -> pd.DataFrame:
    edges = log[log["signal"].eq("open")].sort_values([*DOOR, "seq"])
    after = edges.groupby(DOOR, observed=True)[["time", "edge"]].shift(-1)
    seconds = (after["time"] - edges["time"]).dt.total_seconds()
    whole = edges["edge"].eq("on") & after["edge"].eq("off")
    told = edges[whole].assign(seconds=seconds).groupby(DOOR, observed=True)["seconds"]
    return _by_text(told.agg(["size", "median"]).reset_index())


def _waits(log: pd.DataFrame) -> pd.DataFrame:
    uses = cycles(log, pair(log), {})
    told = uses.groupby(DOOR, observed=True)["wait_s"].agg(["size", "mean"]).reset_index()
    return _by_text(told)


def _waits_polars(frame: pl.DataFrame) -> pd.DataFrame:
    door = ["chute", "floor"]
    on = (pl.col("signal") == "unlocked") & (pl.col("edge") == "on")
    presses = frame.filter(pl.col("signal") == "press").sort("time")
    pressed = presses.select(*door, "time", pressed="time")
    joined = (
        frame.filter(on).sort("time").join_asof(pressed, on="time", by=door, check_sortedness=False)
    )
    waited = (pl.col("time") - pl.col("pressed")).dt.total_microseconds()
    told = joined.group_by(door).agg(n=pl.len(), middle=waited.mean() / 1e6)
    return told.with_columns(pl.col("chute", "floor").cast(pl.String)).sort(door).to_pandas()


def _waits_pandas(log: pd.DataFrame) -> pd.DataFrame:
    unlocked = log[log["signal"].eq("unlocked") & log["edge"].eq("on")].sort_values("time")
    presses = log[log["signal"].eq("press")].sort_values("time")
    presses = presses.assign(pressed=presses["time"])[[*DOOR, "time", "pressed"]]
    joined = pd.merge_asof(unlocked, presses, on="time", by=DOOR)
    waited = (joined["time"] - joined["pressed"]).dt.total_seconds()
    told = joined.assign(waited=waited).groupby(DOOR, observed=True)["waited"]
    return _by_text(told.agg(["size", "mean"]).reset_index())


def _by_text(doors: pd.DataFrame) -> pd.DataFrame:
    """Columns door, n, middle, in the order of the floors' texts, as SQL sorts them."""
    doors.columns = [*DOOR, "n", "middle"]
    return doors.assign(order=doors["floor"].astype(str)).sort_values(["chute", "order"])


if __name__ == "__main__":
    main()

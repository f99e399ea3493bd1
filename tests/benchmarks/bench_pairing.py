"""Events a second of pairing, cycles and visits, against a `groupby.apply` script.

    .venv/bin/python tests/benchmarks/bench_pairing.py [--quick]

Makes a timeline of many chutes by tiling a plausible use, runs the three steps several times after
a warm-up, then a script as a pandas user would write it on a slice, and prints events a second,
their ratio with its spread, and the peak memory. Both run on one core; seconds are of processor
time, so that other work on the machine counts less.
"""

import argparse
import contextlib
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from loganalyzer.cycles import cycles  # the path above comes first
from loganalyzer.intervals import pair
from loganalyzer.tables import EDGES, SIGNALS, TABLES
from loganalyzer.visits import visits
from tests.benchmarks.results import put

CHUTES, FLOORS, RUNS = 20, 20, 5
SLICE = 20_000  # events for the script, which needs seconds for them

# One use: seconds after its start, signal, edge, at the door. Every fourth use also has the
# refused press of a neighbour, every tenth a bouncing contact.
USE = [
    (0, "press", "mark"), (0, "positioning", "on"), (4, "positioning", "off"),
    (4, "unlocked", "on"), (6, "open", "on"), (15, "open", "off"), (16, "unlocked", "off"),
    (16, "clearing", "on"), (28, "clearing", "off"),
]  # fmt: skip
REFUSED = [(20, "press", "mark"), (20, "refusal", "mark")]
BOUNCE = [(15.2, "open", "on"), (15.4, "open", "off")]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="1 million events, not 10")
    events = 1_000_000 if parser.parse_args().quick else 10_000_000
    timeline = make_timeline(events, np.random.default_rng(1))
    held = memory_mb("VmRSS")
    forget_peak()
    ours(timeline)  # warm-up
    steps = [ours(timeline) for _ in range(RUNS)]
    peak = memory_mb("VmHWM")
    total = np.array([sum(step.values()) for step in steps])
    part = first_chutes(timeline, SLICE)
    script = [timed(lambda: by_groups(part))[0] for _ in range(3)]
    print(f"{len(timeline):,} events, {CHUTES} chutes, {CHUTES * FLOORS} doors, processor seconds")
    for name in steps[0]:
        print(f"  {name:10} {np.median([step[name] for step in steps]):6.2f} s")
    rate, slow = len(timeline) / total / 1e6, len(part) / np.array(script) / 1e6
    print(f"ours: {spread(rate)} million events/s ({RUNS} runs)")
    print(f"groupby.apply: {spread(slow)} million events/s (3 runs of {len(part):,} events)")
    ratios = np.array([rate.min() / slow.max(), np.median(rate) / np.median(slow),
                       rate.max() / slow.min()])  # fmt: skip
    print(f"ratio: {spread(ratios)}")
    put("bench_pairing", "intervals, cycles, visits", (rate * 1e6).tolist(), "events/s",
        more_is_better=True, instead={"groupby.apply": ratios.tolist()})  # fmt: skip
    put("bench_pairing", "peak memory without the timeline", [peak - held], "MB")
    print(f"peak memory: {peak:,.0f} MB, of which {held:,.0f} MB hold the timeline")


def ours(timeline: pd.DataFrame) -> dict[str, float]:
    """Seconds of each step."""
    seconds = {}
    seconds["intervals"], intervals = timed(lambda: pair(timeline))
    seconds["cycles"], uses = timed(lambda: cycles(timeline, intervals, {}))
    seconds["visits"], _ = timed(lambda: visits(timeline, uses, intervals, {}))
    return seconds


def by_groups(timeline: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The three tables as a script with `groupby.apply` makes them: plain cases only."""
    edges = timeline[timeline["edge"].isin(["on", "off"])]
    edges = edges.assign(floor=edges["floor"].astype(object).fillna(""))
    keys = ["site", "chute", "signal", "floor"]
    intervals = edges.groupby(keys, observed=True).apply(pair_group).reset_index()
    doors = ["site", "chute", "floor"]
    unlocks = intervals[intervals["signal"] == "unlocked"]
    opens = intervals[intervals["signal"] == "open"]
    presses = timeline[timeline["signal"] == "press"]

    def cycles_of(group: pd.DataFrame) -> pd.DataFrame:
        site, chute, floor = group.name
        same = opens[(opens["site"] == site) & (opens["chute"] == chute)
                     & (opens["floor"] == floor)]  # fmt: skip
        rows = []
        for row in group.itertuples():
            inside = same[(same["start"] >= row.start) & (same["start"] <= row.end)]
            rows.append((row.start, inside["start"].min(), inside["end"].max()))
        return pd.DataFrame(rows, columns=["unlocked", "opened", "closed"])

    def visits_of(group: pd.DataFrame) -> pd.DataFrame:
        visit = (group["time"].diff() > pd.Timedelta(seconds=90)).cumsum()
        return group.groupby(visit)["time"].agg(["min", "max", "size"])

    uses = unlocks.groupby(doors, observed=True).apply(cycles_of).reset_index()
    attempts = presses.groupby(doors, observed=True)[["time"]].apply(visits_of).reset_index()
    return intervals, uses, attempts


def pair_group(group: pd.DataFrame) -> pd.DataFrame:
    """On and the off after it, within one key."""
    following = group["time"].shift(-1)
    on = (group["edge"] == "on") & (group["edge"].shift(-1) == "off")
    return pd.DataFrame({"start": group["time"][on], "end": following[on]})


def make_timeline(events: int, rng: np.random.Generator, *, bounce: bool = True) -> pd.DataFrame:
    """A timeline of `events` rows, more or less: uses one after another in every chute."""
    each = len(USE) + len(REFUSED) / 4 + len(BOUNCE) / 10
    uses = int(events / each / CHUTES) * CHUTES
    chute = np.repeat(np.arange(CHUTES), uses // CHUTES)
    start = np.concatenate([np.cumsum(rng.integers(40, 600, uses // CHUTES))] * CHUTES)
    floor = rng.integers(0, FLOORS, uses)
    parts = [(np.arange(uses), floor, USE), (np.arange(0, uses, 4), (floor + 1) % FLOORS, REFUSED),
             (np.arange(0, uses, 10), floor, BOUNCE)][: 3 if bounce else 2]  # fmt: skip
    use, door, after, signal, edge = (np.concatenate(column) for column in zip(
        *(rows_of(*part) for part in parts), strict=True))  # fmt: skip
    seconds = start[use] + after
    order = np.lexsort((seconds, use))  # stable: equal times keep the order they were listed in
    use, door, signal, edge = use[order], door[order], signal[order], edge[order]
    return as_timeline(chute[use], seconds[order], door, signal, edge, rng)


def rows_of(uses: np.ndarray, floor: np.ndarray, script: list[tuple]) -> tuple[np.ndarray, ...]:
    """The rows of one script for these uses: use, floor, seconds, signal, edge."""
    count = len(script)
    at_door = np.array([signal not in ("positioning", "clearing") for _, signal, _ in script])
    door = np.where(np.tile(at_door, len(uses)), np.repeat(floor[uses], count), -1)
    after = np.array([seconds for seconds, _, _ in script], float)
    signal = np.array([SIGNALS.index(name) for _, name, _ in script])
    edge = np.array([EDGES.index(name) for _, _, name in script])
    tiled = (np.tile(values, len(uses)) for values in (after, signal, edge))
    return (np.repeat(uses, count), door, *tiled)


def as_timeline(
    chute: np.ndarray, seconds: np.ndarray, door: np.ndarray, signal: np.ndarray,
    edge: np.ndarray, rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Columns of numbers as a timeline with all its columns."""
    size = len(chute)
    micros = 1_735_689_600_000_000 + (seconds * 1e6).astype(np.int64)
    wall = pd.DatetimeIndex(micros.view("datetime64[us]"))
    streams = ["refuse", "recycling", "organics"]
    stream = np.where(signal == SIGNALS.index("press"), rng.integers(0, 3, size), -1)
    code = np.where(signal == SIGNALS.index("refusal"), 0, -1)
    begins = np.searchsorted(chute, chute)
    columns = {
        "site": text(np.zeros(size, int), ["quay"]),
        "chute": text(chute, [f"{n:02}" for n in range(CHUTES)]),
        "time": wall.tz_localize("UTC"), "device_time": wall, "seq": np.arange(size) - begins,
        "floor": text(door, [str(n) for n in range(FLOORS)]),
        "signal": text(signal, SIGNALS), "edge": text(edge, EDGES),
        "stream": text(stream, streams), "code": text(code, ["busy"]),
        "value": np.full(size, np.nan), "clock": text(np.zeros(size, int), ["exact"]),
        "source": text(chute, [f"log{n}" for n in range(CHUTES)]),
        "line": np.arange(size) - begins + 1,
    }  # fmt: skip
    return pd.DataFrame(columns)[TABLES["timeline"].names]


def text(codes: np.ndarray, labels: object) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, categories=pd.Index(labels))


def first_chutes(timeline: pd.DataFrame, events: int) -> pd.DataFrame:
    """The first so many events of the first chutes, in equal shares."""
    share = events // CHUTES
    return timeline[timeline["seq"] < share].reset_index(drop=True)


def timed(work: Callable[[], object]) -> tuple[float, object]:
    begin = time.process_time()
    result = work()
    return time.process_time() - begin, result


def spread(values: np.ndarray) -> str:
    return f"{np.median(values):.3g} ({values.min():.3g} to {values.max():.3g})"


def memory_mb(what: str) -> float:
    """`VmRSS`, held now, or `VmHWM`, the most ever held; elsewhere than on Linux NaN."""
    status = Path("/proc/self/status")
    if not status.exists():
        return float("nan")
    (line,) = (line for line in status.read_text().splitlines() if line.startswith(what))
    return int(line.split()[1]) / 1e3


def forget_peak() -> None:
    """Let `VmHWM` start anew, so that making the timeline does not count."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


if __name__ == "__main__":
    main()

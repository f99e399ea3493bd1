"""Layouts read by kinds of line, against a Python loop over lines: `re` and `json`.

    python -m tests.benchmarks.bench_layouts [--quick]

Both run in one process, one after the other, several times; seconds are of processor time, so
that other work on the machine counts less. The loops keep their groups, as a script would.
"""

import argparse
import json
import re
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import READERS
from tests.benchmarks.results import put

ROUNDS = 3
WORDS = (
    "DOOR OPEN",
    "DOOR SHUT",
    "BUTTON",
    "FREED",
    "FAULT E12 SET",
    "FAULT E12 GONE",
    "FALLING",
    "IN USE",
)
STREAMS = ("refuse", "recycling", "organics", "linen", "textile", "glass")
LINES = r"^(?P<stamp>\S+ \S+)\s+D(?P<door>\w+)\s+(?P<text>.*)$"
RFC_5424 = (
    r"^<(?P<pri>\d{1,3})>(?P<version>\d+) (?P<stamp>\S+) (?P<host>\S+) "
    r"(?P<app>\S+) (?P<procid>\S+) (?P<msgid>\S+) "
    r'\[\S+ door="(?P<door>[^"]*)" stream="(?P<stream>[^"]*)"\] (?P<text>.*)$'
)
RFC_3164 = (
    r"^<(?P<pri>\d{1,3})>(?P<stamp>\w\w\w [ \d]\d \d\d:\d\d:\d\d) (?P<host>\S+) "
    r"(?P<app>[^\s:\[]+)(?:\[(?P<pid>\d+)\])?: (?P<text>.*)$"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="200,000 lines, not 1 million")
    count = 200_000 if parser.parse_args().quick else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        print(f"{count:,} lines a layout, {ROUNDS} rounds, processor seconds (median)")
        for name, (line, profile, loop) in CASES.items():
            file = Path(folder) / name.replace(" ", "-")
            file.write_text("".join(line(*row) for row in rows(count)), encoding="utf-8")
            _compare(name, file, profile, loop, count)


def rows(count: int) -> list[tuple[int, datetime, str, str, str]]:
    """Number, time, door, text, stream of each line; a fixed seed."""
    rng = np.random.default_rng(1)
    seconds = np.cumsum(rng.integers(1, 40, count)).tolist()
    picks = zip(
        *(rng.integers(0, n, count).tolist() for n in (12, len(WORDS), len(STREAMS))), strict=True
    )
    start = datetime(2020, 1, 1)  # noqa: DTZ001  # a wall clock has no zone
    return [
        (
            i,
            start + timedelta(seconds=s),
            f"{door + 1:02d}",
            f"{WORDS[word]} {STREAMS[stream]}",
            STREAMS[stream],
        )
        for i, (s, (door, word, stream)) in enumerate(zip(seconds, picks, strict=True))
    ]


def _compare(
    name: str, file: Path, profile: Profile, loop: Callable[[Path], int], count: int
) -> None:
    read = READERS[profile.layout]

    def ours() -> int:
        with file.open("rb") as stream:
            return sum(batch.records.num_rows for batch in read(stream, profile, file.name))

    ours()  # warm-up
    slow, fast = (
        [_timed(lambda: loop(file), count) for _ in range(ROUNDS)],
        [_timed(ours, count) for _ in range(ROUNDS)],
    )
    ratios = np.array(slow) / np.array(fast)
    rates = [count / seconds for seconds in fast]
    put("bench_layouts", f"layout {name}", rates, "lines/s", more_is_better=True,
        instead={"loop": ratios.tolist()})  # fmt: skip
    print(
        f"  {name:12} loop {np.median(slow):5.2f} s, ours {np.median(fast):5.2f} s: "
        f"{np.median(ratios):.1f} times ({ratios.min():.1f} to {ratios.max():.1f})"
    )


def _timed(work: Callable[[], int], count: int) -> float:
    start = time.process_time()
    assert work() == count
    return time.process_time() - start


def _matches(pattern: str) -> Callable[[Path], int]:
    compiled = re.compile(pattern)

    def loop(file: Path) -> int:
        with file.open(encoding="utf-8") as lines:
            return len(
                [
                    found.groupdict()
                    for line in lines
                    if (found := compiled.search(line.rstrip("\n")))
                ]
            )

    return loop


def _objects(file: Path) -> int:
    with file.open(encoding="utf-8") as lines:
        found = [json.loads(line) for line in lines]
    return len([(one["ts"], one["door"]["label"], one["event"]) for one in found])


def _profile(layout: str, table: str, floor: str) -> Profile:
    return parse_profile(
        f'name = "x"\nlayout = "{layout}"\n{table}\n[columns]\ntime = "stamp"\nfloor = "{floor}"\n'
        'event = "text"\n[time]\nformat = "iso"\n',
        "x.toml",
    )  # fmt: skip


JSON_TABLE = '[json]\ncolumns = { stamp = "ts", door = "door.label", text = "event" }'
CASES = {
    "lines": (
        lambda i, t, door, text, stream: f"{t}  D{door} {text}\n",
        _profile("lines", f"[lines]\npattern = '{LINES}'", "door"), _matches(LINES),
    ),
    "syslog 5424": (
        lambda i, t, door, text, stream: (
            f"<134>1 {t.isoformat()}.{i % 1000:03d}Z ctl-1 chute 812 EV "
            f'[chute@32473 door="{door}" stream="{stream}"] {text}\n'
        ),
        _profile("syslog", "", "door"), _matches(RFC_5424),
    ),
    "syslog 3164": (
        lambda i, t, door, text, stream: (
            f"<134>{t:%b} {t.day:2d} {t:%H:%M:%S} ctl-1 chute[812]: D{door} {text}\n"
        ),
        _profile("syslog", "", "host"), _matches(RFC_3164),
    ),
    "json": (
        lambda i, t, door, text, stream: (
            f'{{"ts":"{t.isoformat()}Z","door":{{"label":{int(door)},"open":true}},'
            f'"event":"{text}","seq":{i}}}\n'
        ),
        _profile("json", JSON_TABLE, "door"), _objects,
    ),
}  # fmt: skip

if __name__ == "__main__":
    main()

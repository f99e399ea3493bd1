"""What sharing an import out brings: one process, two, and a Dask cluster of two workers.

    python -m tests.benchmarks.spread [--megabytes 60]

Prints seconds by the clock and seconds of processor for each, in turns, with the load of the
machine: where it is above the number of cores, only the processor's seconds say something.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

LOGS = Path(__file__).parent.parent.parent / "sample_logs"
WAYS = {
    "one process": [],
    "--workers 2": ["--workers", "2"],
    "--cluster local:2": ["--cluster", "local:2"],
}
TURNS = 3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=60)
    megabytes = parser.parse_args().megabytes
    with tempfile.TemporaryDirectory() as folder:
        size = write_exports(Path(folder) / "logs", megabytes << 20)
        print(f"{size / 1e6:.0f} MB in exports of a week, {os.cpu_count()} cores")
        seconds: dict[str, list[tuple[float, float]]] = {way: [] for way in WAYS}
        for _ in range(TURNS):
            for way, words in WAYS.items():
                seconds[way].append(timed(Path(folder), words))
        one = median(clock for clock, _ in seconds["one process"])
        for way, turns in seconds.items():
            clocks = sorted(clock for clock, _ in turns)
            processor = median(used for _, used in turns)
            print(
                f"{way}: {median(clocks):.1f} s ({clocks[0]:.1f} to {clocks[-1]:.1f}), "
                f"processor {processor:.1f} s, {one / median(clocks):.2f} times as fast"
            )
        print(f"load of the machine now: {os.getloadavg()[0]:.1f}")


def write_exports(folder: Path, size: int) -> int:
    """One week of the sample logs again and again, each a year apart, until it is so large."""
    folder.mkdir()
    head, *lines = (LOGS / "quay-terrace/A/2026-10-05.csv").read_text("latin-1").splitlines(True)
    written, year = 0, 1971
    while written < size:
        text = "".join(lines).replace(".2026", f".{year}").replace("2026-", f"{year}-")
        (folder / f"{year}.csv").write_text(head + text, "latin-1")
        written, year = written + len(head + text), year + 1
    return written


def timed(folder: Path, words: list[str]) -> tuple[float, float]:
    """Seconds by the clock, and of the processor, of one import into an empty store."""
    shutil.rmtree(folder / "store", ignore_errors=True)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "loganalyzer.cli", "import", str(folder / "logs"), "--store",
         str(folder / "store"), "--site", str(LOGS / "quay-terrace.toml"), "--chute", "A", *words],
        check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, used


if __name__ == "__main__":
    main()

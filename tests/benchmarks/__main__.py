"""Every benchmark, one after the other: `python -m tests.benchmarks [--quick] [--land]`.

Prints what each prints, then what became slower than in the run that was landed last. `--out`
names a file for all figures as JSON, with machine and versions. `--land` makes this run the one
that later runs are compared with, and writes its table into DEVELOPERS.md. `--only` takes a few.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np

from tests.benchmarks.results import GATHER, Row, gathered, table, worse

ROOT = Path(__file__).parents[2]
LANDED = Path(__file__).parent / "landed"
GUIDE = ROOT / "DEVELOPERS.md"
# Which take --quick; the others are as quick as they get, or wanted in the whole run alone.
QUICK = (
    "bench_import", "bench_layouts", "bench_pairing", "bench_manager", "bench_measures",
    "bench_week", "bench_portfolio",
)  # fmt: skip
ALWAYS = ("bench_store", "bench_sorting", "bench_dashboard")
LONG = ("bench_year", "bench_technician", "bench_memory")
VERSIONS = ("pandas", "pyarrow", "numpy", "polars", "duckdb", "dash", "plotly")


def main() -> int:
    """Run them; 1 where one of them failed."""
    options = _options()
    chosen = options.only or [*QUICK, *ALWAYS, *(() if options.quick else LONG)]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "rows.jsonl"
        place.touch()
        before = calibration()
        failed = [name for name in chosen if not _ran(name, options.quick, place)]
        rows = gathered(place)
    run = {
        "when": f"{datetime.now(UTC):%Y-%m-%d}", "machine": machine(),
        "calibration_s": [before, calibration()], "rows": [asdict(row) for row in rows],
    }  # fmt: skip
    text = json.dumps(run, indent=1) + "\n"
    if options.out:
        options.out.write_text(text, encoding="utf-8")
    name = "quick" if options.quick else "full"
    landed = LANDED / f"{name}.json"
    if landed.exists():
        _compare(run, rows, json.loads(landed.read_text(encoding="utf-8")), options.only)
    if options.land and not failed:
        landed.write_text(text, encoding="utf-8")
        _into_guide(name, run, rows)
    for one in failed:
        print(f"{one} failed")
    return 1 if failed else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller, in under five minutes")
    parser.add_argument("--only", nargs="+", choices=[*QUICK, *ALWAYS, *LONG], metavar="NAME")
    parser.add_argument("--out", type=Path, metavar="FILE", help="all figures as JSON")
    parser.add_argument("--land", action="store_true", help="compare later runs with this one")
    options = parser.parse_args()
    if options.land and options.only:
        parser.error("--land wants the whole run, not --only")
    return options


def _ran(name: str, quick: bool, place: Path) -> bool:
    print(f"== {name}", flush=True)
    begun = time.perf_counter()
    command = [sys.executable, "-m", f"tests.benchmarks.{name}"]
    command += ["--quick"] if quick and name in QUICK else []
    done = subprocess.run(command, check=False, cwd=ROOT, env={**os.environ, GATHER: str(place)})
    print(f"   ({time.perf_counter() - begun:.0f} s)", flush=True)
    return done.returncode == 0


def calibration() -> float:
    """Processor seconds of a fixed piece of work: how fast this machine is at the moment."""
    numbers = np.random.default_rng(1).integers(0, 1 << 40, 4_000_000)
    begun = time.process_time()
    for _ in range(3):
        np.sort(numbers, kind="stable")
        sum({n: str(n) for n in range(200_000)})
    return time.process_time() - begun


def machine() -> dict[str, object]:
    """What the figures were measured on."""
    return {
        "cores": os.cpu_count(), "processor": platform.machine(), "system": platform.system(),
        "load": round(os.getloadavg()[0], 1), "python": platform.python_version(),
        **{name: version(name) for name in VERSIONS},
    }  # fmt: skip


def _compare(
    run: dict[str, object], rows: list[Row], landed: dict[str, object], only: list[str] | None
) -> None:
    before = [Row(**row) for row in landed["rows"] if not only or row["bench"] in only]  # type: ignore[attr-defined]
    speed = np.mean(landed["calibration_s"]) / np.mean(run["calibration_s"])  # type: ignore[arg-type]
    found = worse(rows, before, float(speed))
    print(f"against the run of {landed['when']} (this machine is {speed:.2f} times as fast now):")
    for line in found or ["nothing became slower"]:
        print(f"  {line}")


def _into_guide(name: str, run: dict[str, object], rows: list[Row]) -> None:
    """Replace the table of this kind of run between its two marks."""
    begin, end = f"<!-- bench {name} -->", f"<!-- end bench {name} -->"
    text = GUIDE.read_text(encoding="utf-8")
    head, _, rest = text.partition(begin)
    _, _, tail = rest.partition(end)
    about = ", ".join(f"{key} {value}" for key, value in run["machine"].items())  # type: ignore[attr-defined]
    made = f"{begin}\nRun of {run['when']}: {about}.\n\n{table(rows)}\n{end}"
    GUIDE.write_text(head + made + tail, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())

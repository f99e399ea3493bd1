"""Every benchmark, one after the other: `python -m tests.benchmarks [--quick]`."""

import subprocess
import sys
from pathlib import Path

QUICK = ("bench_import", "bench_layouts", "bench_pairing", "bench_manager")  # these take --quick
ALWAYS = ("bench_year", "bench_store", "bench_sorting", "bench_technician", "bench_dashboard")


def main() -> None:
    for name in (*QUICK, *ALWAYS):
        print(f"== {name}", flush=True)
        options = sys.argv[1:] if name in QUICK else []
        subprocess.run(
            [sys.executable, "-m", f"tests.benchmarks.{name}", *options],
            check=True,
            cwd=Path(__file__).parents[2],
        )


if __name__ == "__main__":
    main()

"""A building-year, cold: from `import` to a finished `summary`, each in a process of its own.

    python -m tests.benchmarks.bench_year

The simulator writes half a million events of one building; the times are of the whole commands,
as a person waits for them. Beside them the same file read by pandas alone, as the floor.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.results import put

EVENTS = 500_000
SITE = """
[site]
id = "year"
name = "A year"
time_zone = "UTC"
[[chute]]
id = "A"
profile = "semicolon-text"
"""
BARE = "import pandas, sys; pandas.read_csv(sys.argv[1], sep=';')"


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run(
            "simulated",
            "-m",
            "tests.tools.simulator",
            "years",
            "--out",
            name,
            "--dialect",
            "semicolon-text",
            "--lines",
            str(EVENTS),
        )
        (export,) = [
            path for path in folder.rglob("*") if path.is_file() and path.stat().st_size > 1_000_000
        ]
        (folder / "site.toml").write_text(SITE, encoding="utf-8")
        store, site = str(folder / "store"), str(folder / "site.toml")
        cli = ("-m", "loganalyzer.cli")
        imported = run(
            "import", *cli, "import", str(export), "--store", store, "--site", site, "--chute", "A"
        )
        summary = run("summary", *cli, "summary", "--store", store)
        bare = run("pandas.read_csv alone", "-c", BARE, str(export))
        both = imported + summary
        times = f"{both / bare:.1f} times the bare read"
        put("bench_year", "import and summary of a building-year, cold", [both], "s",
            limit={"pandas.read_csv alone": [bare / both]})  # fmt: skip
        print(f"import and summary: {both:.1f} s for {EVENTS:,} lines, {times}")


def run(what: str, *arguments: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    seconds = time.perf_counter() - start
    print(f"  {what}: {seconds:.1f} s")
    return seconds


if __name__ == "__main__":
    main()

"""How fast a delimited export is imported, against bare jobs and a script row by row.

    python -m tests.benchmarks.bench_import            10 million lines
    python -m tests.benchmarks.bench_import --quick    1 million

Each job runs in a process of its own, round by round in turn, so that a busy machine slows all
alike. The bare jobs read the file, parse the stamps and write zstd Parquet, and no more: no
originals, no checks of lines, no time zone, no meaning of event texts, no clock.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.results import put

SLICE = 20_000  # lines for the script row by row, which would take an hour for the whole
SITE = """
[site]
id = "bench"
name = "Bench"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
"""
START = 978_307_200  # 2001-01-01
HEADER = "date;time;door;material;event;reason;value\n"
EVENTS = (
    "BUTTON", "BUTTON NOT TAKEN", "LATCH RELEASED", "DOOR OPEN", "DOOR SHUT", "LATCH SET",
    "DROP TIME BEGINS", "DROP TIME OVER", "DIVERTER LEAVES", "DIVERTER THERE",
)  # fmt: skip
MATERIALS = ("GENERAL", "MIXED DRY", "FOOD")
STAMP = "%d.%m.%Y %H:%M:%S"
NAMES = ("date", "time", "door", "material", "event", "reason", "value")


def main() -> None:
    """Make the file, run every job in turn, print rates and ratios."""
    options = _options()
    if options.job:
        jobs = {**JOBS, "make": lambda export, count: make(export, int(count.name))}
        jobs[options.job](Path(options.paths[0]), Path(options.paths[1]))
        return
    lines = 1_000_000 if options.quick else options.lines
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        _bench(Path(folder), lines, options.rounds, options.only)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--lines", type=int, default=10_000_000)
    parser.add_argument("--quick", action="store_true", help="1 million lines")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", help="where the files are made")
    parser.add_argument("--only", nargs="*", choices=[*JOBS], help="these jobs only")
    parser.add_argument("--job", help=argparse.SUPPRESS)
    parser.add_argument("paths", nargs="*", help=argparse.SUPPRESS)
    return parser.parse_args()


def _bench(folder: Path, lines: int, rounds: int, only: Sequence[str] | None) -> None:
    export, part = folder / "export.csv", folder / "slice.csv"
    _run("make", export, folder / str(lines))  # elsewhere: a child's peak begins with its parent's
    _run("make", part, folder / str(SLICE))
    size = export.stat().st_size
    print(f"{lines:,} lines, {size / lines:.0f} bytes each, {os.cpu_count()} cores")
    rates: dict[str, list[float]] = {}
    peaks: dict[str, float] = {}
    for _ in range(rounds):
        for job in only or JOBS:
            given, count = (part, SLICE) if job == "row by row" else (export, lines)
            seconds, peak = _run(job, given, folder / "out")
            rates.setdefault(job, []).append(count / seconds)
            peaks[job] = max(peaks.get(job, 0), peak)
    _print(rates, peaks)
    _put(lines, rates, peaks)


def _run(job: str, export: Path, out: Path) -> tuple[float, float]:
    """Seconds and peak megabytes of one job in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_import", "--job", job]
    begun = time.perf_counter()
    process = subprocess.Popen([*command, str(export), str(out)])
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begun
    if status:
        raise SystemExit(f"{job} failed")
    shutil.rmtree(out, ignore_errors=True)
    out.unlink(missing_ok=True)
    return seconds, usage.ru_maxrss / 1024


def _print(rates: dict[str, list[float]], peaks: dict[str, float]) -> None:
    ours = statistics.median(rates["loganalyzer"]) if "loganalyzer" in rates else 0
    print(f"{'job':14} {'lines/s':>12} {'spread':>24} {'peak MB':>8} {'ours is':>9}")
    for job, found in rates.items():
        middle = statistics.median(found)
        spread = f"{min(found):,.0f} to {max(found):,.0f}"
        print(f"{job:14} {middle:12,.0f} {spread:>24} {peaks[job]:8,.0f} {ours / middle:8.2f}x")
    bare = [statistics.median(rates[job]) for job in BARE if job in rates]
    if bare and ours:
        print(f"against the fastest bare job: {ours / max(bare):.2f} (at least 0.5 is wanted)")


def _put(lines: int, rates: dict[str, list[float]], peaks: dict[str, float]) -> None:
    if "loganalyzer" not in rates:
        return
    ours = rates["loganalyzer"]
    against = {
        job: [mine / theirs for mine, theirs in zip(ours, found, strict=True)]
        for job, found in rates.items()
        if job != "loganalyzer"
    }
    what = f"import of {lines:,} delimited lines"
    bare = {job: ratios for job, ratios in against.items() if job in BARE}
    script = {job: ratios for job, ratios in against.items() if job not in BARE}
    put("bench_import", what, ours, "lines/s", more_is_better=True, limit=bare, instead=script)
    put("bench_import", f"peak memory, {what}", [peaks["loganalyzer"]], "MB")


def make(path: Path, lines: int) -> None:
    """Write an export: about two events a minute in site time, all doors and texts mixed."""
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    import pyarrow.csv as pv

    random = np.random.default_rng(1)
    clock = np.array([f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}" for s in range(86_400)])
    with path.open("wb") as out:
        out.write(HEADER.encode())
        second = 0
        for first in range(0, lines, 1_000_000):
            count = min(1_000_000, lines - first)
            at = second + np.cumsum(random.integers(0, 61, count))
            second = int(at[-1])
            utc = pd.to_datetime(at + START, unit="s", utc=True)
            at = utc.tz_convert("Europe/Lisbon").tz_localize(None).as_unit("s").asi8 - START
            days = np.unique(at // 86_400)
            dates = np.datetime64(START, "s").astype("M8[D]") + days
            texts = np.array([f"{d.item():%d.%m.%Y}" for d in dates])
            columns = [
                texts[np.searchsorted(days, at // 86_400)],
                clock[at % 86_400],
                random.integers(1, 40, count).astype(str),
                np.array(MATERIALS)[random.integers(0, 3, count)],
                np.array(EVENTS)[random.integers(0, len(EVENTS), count)],
                np.full(count, ""),
                np.full(count, ""),
            ]
            table = pa.table([pa.array(column) for column in columns], list(NAMES))
            style = pv.WriteOptions(include_header=False, delimiter=";", quoting_style="none")
            pv.write_csv(table, out, style)


def with_pyarrow(export: Path, out: Path) -> None:
    """Streaming: text to dictionaries, stamps by strptime."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as pv
    import pyarrow.parquet as pq

    coded = pa.dictionary(pa.int32(), pa.string())
    types = dict.fromkeys(NAMES[2:6], coded) | {"date": pa.string(), "time": pa.string()}
    reader = pv.open_csv(
        export,
        pv.ReadOptions(block_size=8 << 20),
        pv.ParseOptions(delimiter=";"),
        pv.ConvertOptions(column_types={**types, "value": pa.float64()}),
    )
    writer = None
    for batch in reader:
        text = pc.binary_join_element_wise(batch["date"], batch["time"], " ")
        stamp = pc.strptime(text, STAMP, "us")
        rest = [batch[name] for name in NAMES[2:]]
        table = pa.table([stamp, *rest], ["stamp", *NAMES[2:]])
        writer = writer or pq.ParquetWriter(out, table.schema, compression="zstd")
        writer.write_table(table)
    if writer:
        writer.close()


def with_polars(export: Path, out: Path) -> None:
    """Lazy, streaming into a file."""
    import polars as pl

    scan = pl.scan_csv(export, separator=";", schema_overrides=dict.fromkeys(NAMES[:6], pl.String))
    stamp = pl.concat_str(["date", "time"], separator=" ").str.to_datetime(STAMP)
    scan.select(stamp.alias("stamp"), *NAMES[2:]).sink_parquet(out, compression="zstd")


def with_duckdb(export: Path, out: Path) -> None:
    """One statement."""
    import duckdb

    duckdb.sql(
        f"COPY (SELECT strptime(date || ' ' || time, '{STAMP}') AS stamp, {', '.join(NAMES[2:])} "
        f"FROM read_csv('{export}', delim=';', header=true, all_varchar=true)) "
        f"TO '{out}' (FORMAT parquet, COMPRESSION zstd)"
    )


def row_by_row(export: Path, out: Path) -> None:
    """As a first script would: pandas, python-dateutil, one row after the other."""
    import pandas as pd
    from dateutil import parser, tz

    zone = tz.gettz("Europe/Lisbon")
    rows = []
    for _, row in pd.read_csv(export, sep=";", dtype=str).iterrows():
        stamp = parser.parse(f"{row['date']} {row['time']}", dayfirst=True)
        utc = stamp.replace(tzinfo=zone).astimezone(UTC)
        rows.append({"stamp": utc, "floor": row["door"], "event": row["event"]})
    pd.DataFrame(rows).to_parquet(out, compression="zstd")


def ours(export: Path, out: Path) -> None:
    """The import, as the command line calls it."""
    from loganalyzer.ingest import import_paths
    from loganalyzer.site import parse_site
    from loganalyzer.store import Store

    store = Store.open(out, create=True)
    site = parse_site(SITE, "bench.toml")
    report = import_paths([export], store, site, received=datetime.now(UTC))
    assert report.exit_status == 0, report


BARE = ("pyarrow", "polars", "duckdb")
JOBS: dict[str, Callable[[Path, Path], None]] = {
    "pyarrow": with_pyarrow,
    "polars": with_polars,
    "duckdb": with_duckdb,
    "row by row": row_by_row,
    "loganalyzer": ours,
}

if __name__ == "__main__":
    main()

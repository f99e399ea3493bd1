"""A thousand buildings, three years: what is asked of all, cold and warm, and one more week.

    python -m tests.benchmarks.bench_portfolio [--sites 1000] [--years 3] [--quick]

One building is simulated, imported and analysed; its kept files are written again under the names
of the others, through the code that writes them, so that every file is as large as it would be.
Times are of the work in a process of its own; the imports of Python are left out. `cold`: the
kept files are dropped from the page cache before. Beside it, what a user would write: polars and
DuckDB over the events of the one building (times the number of buildings), and over the daily
roll-up of all.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa

from loganalyzer.ingest import import_paths
from loganalyzer.kept.making import ROLLED, TOLD_FILE, kept_file, kept_of_site, kept_rolls, write
from loganalyzer.kept.names import key_of
from loganalyzer.kept.shards import KINDS, gathered
from loganalyzer.kept.told import HELD
from loganalyzer.site import load_site
from loganalyzer.store import Store
from tests.tools.simulator.years import write_years

YEAR_LINES = 500_000
TIMES = 5
ASK = """
import sys, time, json
import pandas, pyarrow.parquet, pyarrow.compute
from dashboards.data import Data
from dashboards.pages import sites
from loganalyzer.kept import many, told
from loganalyzer.store import Store
from loganalyzer.views.many import many_text
from loganalyzer.views.portfolio import QUESTIONS, worst
store, what = Store.open(sys.argv[1]), sys.argv[2]
def summary():
    found = many.many(store)
    many_text(found.names, found.headline, found.worst(), found.missing)
def period():
    found = many.many_of_period(store, "2003-02-01", "2003-04-30")
    many_text(found.names, found.headline, found.worst(), found.missing)
def ten():
    of = told.portfolio_of(many.told_of(store, told.PORTFOLIO).table)
    for question in QUESTIONS:
        worst(of, question.name)
def start():
    data = Data(store)
    sites.listing(sites.Glances().table(data), sites.Asked())
began = time.process_time(), time.perf_counter()
{"summary": summary, "period": period, "ten": ten, "start": start}[what]()
print(json.dumps([time.process_time() - began[0], time.perf_counter() - began[1]]))
"""
ASKED = {
    "summary": "numbers and findings of all sites",
    "period": "numbers of three months, all sites",
    "ten": "the worst ten of every question",
    "start": "the dashboard's list of sites",
}


def main() -> None:
    """Print every figure."""
    options = argparse.ArgumentParser()
    options.add_argument("--sites", type=int, default=1000)
    options.add_argument("--years", type=float, default=3.0)
    options.add_argument("--quick", action="store_true", help="a year of a hundred buildings")
    asked = options.parse_args()
    if asked.quick:
        asked.sites, asked.years = min(asked.sites, 100), min(asked.years, 1.0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = one_building(folder, asked.years)
        (site,) = store.sites()
        relabelled(store, site, asked.sites)
        size = sum(path.stat().st_size for path in (store.path / "derived").rglob("*.parquet"))
        shared = sum(p.stat().st_size for p in (store.path / "derived/.shared").iterdir())
        print(f"{asked.sites:,} sites, {asked.years:g} years: {size / 1e6:,.0f} MB kept, "
              f"{shared / 1e6:,.1f} MB of it for all sites together", flush=True)  # fmt: skip
        for what, said in ASKED.items():
            cold = [run(store.path, what, cold=True) for _ in range(TIMES)]
            warm = [run(store.path, what, cold=False) for _ in range(TIMES)]
            print(f"  {said:36} cold {middle(cold)}, warm {middle(warm)}", flush=True)
        alternatives(store, site, asked.sites)
        one_more_week(store, site, folder)


def one_building(folder: Path, years: float) -> Store:
    """A store with one building, analysed, but its last week; and how long each step took."""
    write_years(folder, "semicolon-text", lines=round(years * YEAR_LINES))
    (site,) = folder.glob("*.toml")
    (log,) = (folder / site.stem).rglob("log.*")
    lines = log.read_bytes().splitlines(keepends=True)
    week = len(lines) - round(YEAR_LINES / 52)
    (folder / "week.csv").write_bytes(b"".join([lines[0], *lines[week - 200 :]]))
    log.write_bytes(b"".join(lines[:week]))
    store = Store.open(folder / "store", create=True)
    began = time.process_time()
    import_paths([log], store, load_site(site), received=datetime.now(UTC), chute="A")
    imported = time.process_time()
    kept_of_site(store.path, site.stem)
    analysed = time.process_time()
    print(f"one building, {week:,} lines: import {imported - began:.1f} s, analysis "
          f"{analysed - imported:.1f} s of the processor", flush=True)  # fmt: skip
    return store


def relabelled(store: Store, site: str, number: int) -> None:
    """The same building under other names, each with its manifest and its kept files."""
    root = store.root()
    manifest = store.path / root["sites"][site]
    text = json.loads(manifest.read_text(encoding="utf-8"))
    tables = {what: kept_file(store, site, root["sites"][site], what) for what in (*ROLLED, "told")}
    for n in range(1, number):
        name = f"{site}-{n:04}"
        root["sites"][name] = f"manifests/{name}-1-{n:024x}.json"
        place = store.path / root["sites"][name]
        place.write_text(json.dumps(text | {"site": name}), encoding="utf-8")
    (store.path / "loganalyzer-store.json").write_text(json.dumps(root), encoding="utf-8")
    rng = np.random.default_rng(1)
    for n in range(1, number):
        name = f"{site}-{n:04}"
        key = key_of(root["sites"][name])
        folder = store.path / "derived" / name
        folder.mkdir()
        for what, table in tables.items():
            assert table is not None
            if what in ("hours", "trace", "streams"):  # no question to all sites reads them
                continue
            told = what == "told"
            named = renamed_told(table, name, rng) if told else renamed(table, name)
            write(named)(folder / f"{key}-{TOLD_FILE if told else f'{what}.parquet'}")
    for what in KINDS:
        assert not gathered(store, what).missing


def renamed(table: pa.Table, site: str) -> pa.Table:
    """Rows of a roll-up, of another site."""
    codes = np.zeros(table.num_rows, np.int32)
    at = table.schema.get_field_index("site")
    return table.set_column(at, table.schema.field(at),
                            pa.DictionaryArray.from_arrays(codes, [site]))  # fmt: skip


def renamed_told(table: pa.Table, site: str, rng: np.random.Generator) -> pa.Table:
    """The row of another site; its values differ, so that there is something to rank."""
    (row,) = table.to_pylist()
    row["site"] = site
    for name in HELD:
        for one in row[name]:
            one["site"] = site
            if name in ("standings", "findings") and one["value"] is not None:
                by = float(rng.uniform(0.5, 2.0))
                for of in ("value", "low", "high"):
                    one[of] = None if one[of] is None else one[of] * by
    return pa.Table.from_pylist([row], table.schema)


def run(store: Path, what: str, *, cold: bool) -> tuple[float, float]:
    """Processor and wall seconds of one question in a new process."""
    if cold:
        dropped(store)
    done = subprocess.run([sys.executable, "-c", ASK, str(store), what], capture_output=True,
                          text=True, check=True, cwd=Path(__file__).parents[2])  # fmt: skip
    own, wall = json.loads(done.stdout.splitlines()[-1])
    return own, wall


def dropped(store: Path) -> None:
    """Forget the store's files in the page cache."""
    os.sync()
    for path in (*(store / "derived").rglob("*.parquet"), *store.glob("*.json")):
        handle = os.open(path, os.O_RDONLY)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(handle)


def middle(found: list[tuple[float, float]]) -> str:
    own, wall = (statistics.median(column) * 1000 for column in zip(*found, strict=True))
    low = min(one for _, one in found) * 1000
    return f"{own:5.0f} ms of the processor, {wall:5.0f} ms by the clock (quickest {low:.0f})"


def alternatives(store: Store, site: str, number: int) -> None:
    """What a user would write: counts of each chute, over the events and over the roll-up."""
    import duckdb
    import polars as pl

    events = [str(path) for path in (store.path / "events" / site).rglob("*.parquet")]
    days = [str(p) for p in (store.path / "derived/.shared").glob("*-days.parquet")]
    scans = {
        "polars, events": lambda: pl.scan_parquet(events).group_by("chute", "signal").len()
        .collect(),
        "duckdb, events": lambda: duckdb.sql(
            f"select chute, signal, count(*) from read_parquet({events}) group by all").fetchall(),
        "polars, roll-up": lambda: pl.scan_parquet(days).group_by("site", "chute")
        .agg(pl.col("visits").sum(), pl.col("served").sum(), pl.col("refusals").sum()).collect(),
        "duckdb, roll-up": lambda: duckdb.sql(
            "select site, chute, sum(visits), sum(served), sum(refusals) "
            f"from read_parquet({days}) group by all").fetchall(),
    }  # fmt: skip
    for name, ask in scans.items():
        ask()
        took = []
        for _ in range(TIMES):
            began = time.process_time()
            ask()
            took.append(time.process_time() - began)
        ms, of = 1000 * statistics.median(took), number if "events" in name else 1
        scaled = f", times {number:,} buildings: {ms * of / 1000:.1f} s" if of > 1 else ""
        print(f"  {name:36} warm {ms:5.0f} ms of the processor{scaled} (counts only)", flush=True)


def one_more_week(store: Store, site: str, folder: Path) -> None:
    """One more week of one chute: import, roll-ups, shards, then all that is kept of the site."""
    known = store.site(site)
    steps = {
        "import": lambda: import_paths(
            [folder / "week.csv"], store, known, received=datetime.now(UTC), chute="A"),
        "roll-ups of the site": lambda: kept_rolls(store, site),
        "roll-ups of all sites": lambda: [gathered(store, k, columns=["site"])
                                          for k in ("days", "months")],
        "findings and standings of the site": lambda: kept_of_site(store.path, site),
        "those of all sites": lambda: gathered(store, "told", columns=["site"]),
    }  # fmt: skip
    print("one more week of one chute, processor and clock:")
    for name, work in steps.items():
        began = time.process_time(), time.perf_counter()
        work()
        own, wall = time.process_time() - began[0], time.perf_counter() - began[1]
        print(f"  {name:36} {own:6.2f} s, {wall:6.2f} s", flush=True)


if __name__ == "__main__":
    main()

"""Plain Parquet files behind one root file, against a transactional table format (deltalake).

    python -m tests.benchmarks.bench_store

The same rows land in both, in turn, in one process: a year of weekly exports, then many small
ones, then the weeks' overlap written anew, then one export taken out again; then the whole is
read, and the folder is read as any tool would that knows Parquet alone. Files are flushed to
disk in both. The plain way here is the commit of `loganalyzer.store.disk` and `loganalyzer.store`:
immutable files, a manifest, one root file replaced atomically.
"""

import json
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
from deltalake import DeltaTable, write_deltalake

from loganalyzer.store.disk import flush, land_json
from tests.benchmarks.results import put

WEEKS, WEEK_ROWS = 52, 10_000
SMALL, SMALL_ROWS = 300, 100
ROUNDS = 3


def main() -> None:
    print(f"{WEEKS} weekly exports of {WEEK_ROWS:,} rows, {SMALL} small ones of {SMALL_ROWS}")
    results = {name: [play(store) for _ in range(ROUNDS)] for name, store in STORES.items()}
    for step in results["plain"][0]:
        mine, theirs = ([run[step] for run in results[name]] for name in STORES)
        plain, delta = np.median(mine), np.median(theirs)
        if step.endswith(", s"):
            ratios = [b / a for a, b in zip(mine, theirs, strict=True)]
            put("bench_store", step.removesuffix(", s"), mine, "s", instead={"deltalake": ratios})
        print(f"  {step:34} plain {plain:9.3f}, deltalake {delta:9.3f}: {delta / plain:6.1f} times")


def play(make: Callable[[Path], "Plain | Delta"]) -> dict[str, float]:
    """One run in a new folder: seconds of each step, and what a bare reader counts."""
    folder = Path(tempfile.mkdtemp())
    store = make(folder)
    try:
        return {
            "weekly appends, s": timed(
                lambda: [store.append(str(w), rows(w, WEEK_ROWS)) for w in range(WEEKS)]
            ),
            "overlap written anew (10 weeks), s": timed(
                lambda: [store.replace(str(w), rows(w, WEEK_ROWS)) for w in range(10)]
            ),
            "small appends, s": timed(
                lambda: [store.append(f"s{n}", rows(n, SMALL_ROWS)) for n in range(SMALL)]
            ),
            "one export taken out, s": timed(lambda: store.take_out("7")),
            "read the whole, s": timed(store.read),
            "rows of the folder / rows of the table": bare(folder) / store.read().num_rows,
        }
    finally:
        shutil.rmtree(folder)


class Plain:
    """Immutable files, one root that names them."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.count = folder, 0
        self.files: dict[str, str] = {}
        self._commit()

    def append(self, source: str, table: pa.Table) -> None:
        self.count += 1
        file = self.folder / f"{self.count}.parquet"
        pq.write_table(table, file, compression="zstd")
        flush(file)
        old, self.files[source] = self.files.get(source), file.name
        self._commit()
        if old:
            (self.folder / old).unlink()

    replace = append

    def take_out(self, source: str) -> None:
        old = self.files.pop(source)
        self._commit()
        (self.folder / old).unlink()

    def read(self) -> pa.Table:
        named = json.loads((self.folder / "root.json").read_text())
        return ds.dataset([self.folder / name for name in named.values()]).to_table()

    def _commit(self) -> None:
        land_json(self.files, self.folder / "root.json")


class Delta:
    """A table of deltalake; `source` is a column, since a commit may hold many exports."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def append(self, source: str, table: pa.Table) -> None:
        write_deltalake(self.folder, _of(source, table), mode="append")

    def replace(self, source: str, table: pa.Table) -> None:
        write_deltalake(
            self.folder, _of(source, table), mode="overwrite", predicate=f"source = '{source}'"
        )

    def take_out(self, source: str) -> None:
        DeltaTable(self.folder).delete(f"source = '{source}'")

    def read(self) -> pa.Table:
        return DeltaTable(self.folder).to_pyarrow_table()


STORES: dict[str, Callable[[Path], Plain | Delta]] = {"plain": Plain, "deltalake": Delta}


def bare(folder: Path) -> int:
    """Rows that a tool finds which reads every Parquet file of the folder."""
    return sum(pq.read_metadata(file).num_rows for file in folder.rglob("*.parquet"))


def rows(seed: int, count: int) -> pa.Table:
    rng = np.random.default_rng(seed)
    start = 1_700_000_000_000_000 + seed * 7 * 86_400_000_000
    words = pa.array([f"event {n}" for n in range(20)])
    return pa.table(
        {
            "time": pa.array(
                start + np.sort(rng.integers(0, 7 * 86_400_000_000, count)),
                pa.timestamp("us", "UTC"),
            ),
            "floor": pa.DictionaryArray.from_arrays(rng.integers(0, 20, count), words).cast(
                pa.string()
            ),
            "line": pa.array(np.arange(count)),
        }
    )


def _of(source: str, table: pa.Table) -> pa.Table:
    return table.append_column("source", pa.array([source] * table.num_rows))


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    main()

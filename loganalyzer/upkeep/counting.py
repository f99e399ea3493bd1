"""Every line accounted for: what the manifest counts against the rows of the tables."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.store.manifest import Export, Reading, Stretch
from loganalyzer.store.parquet import FILE, read_as
from loganalyzer.tables import TABLES
from loganalyzer.upkeep.problems import STRETCH, Problem

ROWS = pa.schema([FILE.field(name) for name in ("source", "line", "head")])
Ints = npt.NDArray[np.int64]


def export_counts(store: Path, export: Export) -> Iterator[tuple[str, str]]:
    """Where the counts of an export do not agree: what was found, what was expected.

    Args:
        store: The folder.
        export: An export whose files can be read.
    """
    held = sum(reading.lines for reading in export.readings)
    total = held + export.ignored + export.rejected
    if export.lines != total:
        yield (
            f"{held:,} lines with events, {export.ignored:,} ignored and {export.rejected:,} "
            f"rejected", f"{export.lines:,} in all",
        )  # fmt: skip
    lines = []
    for reading in export.readings:
        mine, said = _reading(store, export.source, reading)
        lines.append(mine)
        yield from said
    rejected = _rejected(store, export)
    if len(rejected) != export.rejected:
        yield f"{len(rejected):,} rows of rejects", f"{export.rejected:,}"
    every = np.concatenate([*lines, rejected])
    if len(np.unique(every)) != len(every):
        yield "lines that are counted twice", "each line once"
    if len(every) and not 1 <= every.min() <= every.max() <= export.lines:
        yield f"a line {every.max():,}", f"lines 1 to {export.lines:,}"


def _reading(store: Path, source: str, reading: Reading) -> tuple[Ints, list[tuple[str, str]]]:
    """The lines that bring events, and what does not agree."""
    said = []
    table = read_as(store / reading.file, ROWS)
    lines: Ints = table.filter(table["head"])["line"].to_numpy()
    if (table.num_rows, len(lines)) != (reading.rows, reading.lines):
        said.append((
            f"{table.num_rows:,} events in {len(lines):,} lines of {reading.file}",
            f"{reading.rows:,} in {reading.lines:,}",
        ))  # fmt: skip
    if table.num_rows and pc.unique(table["source"].cast(pa.string())).to_pylist() != [source]:
        said.append((f"events of another export in {reading.file}", "its own"))
    return lines, said


def _rejected(store: Path, export: Export) -> Ints:
    if export.rejects is None:
        return np.zeros(0, np.int64)
    found: Ints = read_as(store / export.rejects, TABLES["rejects"])["line"].to_numpy()
    return found


def stretch_counts(store: Path, site: str, stretch: Stretch) -> Iterator[Problem]:
    """Where a part of a timeline does not hold what is said of it.

    Args:
        store: The folder.
        site: Whose.
        stretch: One whose file can be read.
    """
    problem = Problem(
        STRETCH, stretch.file, "", "", "Run loganalyzer check --repair, which merges it anew",
        site, file=stretch.file,
    )  # fmt: skip
    table = read_as(store / stretch.file, ROWS)
    heads = table.filter(table["head"])["source"].cast(pa.string())
    counts = {row["values"]: row["counts"] for row in pc.value_counts(heads).to_pylist()}
    if table.num_rows != stretch.rows:
        yield _said(problem, f"{table.num_rows:,} events", f"{stretch.rows:,}")
    elif counts != {source: lines for source, lines in stretch.owned.items() if lines}:
        yield _said(problem, f"{sum(counts.values()):,} lines of its exports",
                    f"{sum(stretch.owned.values()):,}, export by export")  # fmt: skip


def _said(problem: Problem, found: str, expected: str) -> Problem:
    return replace(problem, found=found, expected=expected)

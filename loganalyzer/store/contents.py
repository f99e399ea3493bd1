"""What a store holds, as tables: timeline, imports, rejects."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.store.disk import Find
from loganalyzer.store.manifest import Export, Manifest, Stretch
from loganalyzer.store.parquet import TIMELINE, read, read_as
from loganalyzer.tables import TABLES

Sites = Sequence[Manifest]
SUMS = pa.schema([
    (f.name, f.type.value_type if pa.types.is_dictionary(f.type) else f.type)
    for f in TABLES["month_sums"] if f.name != "removed"
])  # fmt: skip


def timeline(
    find: Find,
    manifests: Sites,
    chute: str | None,
    start: pd.Timestamp | None,
    end: pd.Timestamp | None,
) -> pd.DataFrame:
    """The rows of `timeline` of these sites, sorted by site, chute, seq.

    Args:
        find: Where a file of the store is.
        manifests: Of the sites wanted.
        chute: Only this chute; null for all.
        start: From this time on; null: from the first.
        end: Before this time; null: to the last.
    """
    parts = [
        part
        for manifest in sorted(manifests, key=lambda m: m.site)
        for one in sorted({s.chute for s in manifest.stretches})
        if chute in (None, one)
        for part in _chute_rows(find, [s for s in manifest.stretches if s.chute == one])
    ]
    table = pa.concat_tables(parts) if parts else TIMELINE.empty_table()
    table = table.unify_dictionaries().filter(_within(table["time"], start, end))
    frame: pd.DataFrame = table.select(TIMELINE.names).cast(TIMELINE).to_pandas()
    return frame


def _chute_rows(find: Find, stretches: Sequence[Stretch]) -> Iterator[pa.Table]:
    ordered = sorted(stretches, key=lambda s: (s.begins, s.made_of))
    columns = [name for name in TIMELINE.names if name != "seq"]
    table = read([find(stretch.file) for stretch in ordered], columns)
    at = TIMELINE.get_field_index("seq")
    yield table.add_column(at, "seq", pa.array(np.arange(table.num_rows)))


def _within(
    time: pa.ChunkedArray, start: pd.Timestamp | None, end: pd.Timestamp | None
) -> pa.Array:
    keep = pa.array(np.ones(len(time), bool))
    if start is not None:
        keep = pc.and_(keep, pc.greater_equal(time, _utc(start)))
    if end is not None:
        keep = pc.and_(keep, pc.less(time, _utc(end)))
    return keep


def _utc(time: pd.Timestamp) -> pa.Scalar:
    aware = time.tz_localize("UTC") if time.tzinfo is None else time.tz_convert("UTC")
    return pa.scalar(aware.to_pydatetime(warn=False), pa.timestamp("us", "UTC"))


def imports(manifests: Sites) -> pd.DataFrame:
    """The ledger: one row an export, in order of site, then of import."""
    rows = [
        ledger_row(manifest, export)
        for manifest in sorted(manifests, key=lambda m: m.site)
        for export in manifest.exports
    ]
    frame: pd.DataFrame = pa.Table.from_pylist(rows, TABLES["imports"]).to_pandas()
    return frame


def ledger_row(manifest: Manifest, export: Export) -> dict[str, Any]:
    """One export's row of `imports`; its lines that others brought too are duplicates."""
    held = sum(reading.lines for reading in export.readings)
    owned = sum(stretch.owned.get(export.source, 0) for stretch in manifest.stretches)
    first = [r.first for r in export.readings if r.first is not None]
    last = [r.last for r in export.readings if r.last is not None]
    return {
        "source": export.source, "name": export.name, "site": manifest.site,
        "chute": ", ".join(sorted({r.chute for r in export.readings})) or export.chute,
        "profile": export.profile, "lines": export.lines, "events": owned,
        "duplicates": held - owned, "ignored": export.ignored, "rejected": export.rejected,
        "first": min(first, default=None), "last": max(last, default=None),
        "imported_at": export.imported_at, "status": export.status,
    }  # fmt: skip


def rejects(find: Find, manifests: Sites) -> pd.DataFrame:
    """The rejected lines of all exports."""
    schema = TABLES["rejects"]
    tables = [
        read_as(find(export.rejects), schema)
        for manifest in sorted(manifests, key=lambda m: m.site)
        for export in manifest.exports
        if export.rejects
    ]
    frame: pd.DataFrame = pa.concat_tables([schema.empty_table(), *tables]).to_pandas()
    return frame


def sums(find: Find, manifests: Sites) -> pd.DataFrame:
    """The monthly sums of what retention removed: `month_sums` without `removed`."""
    schema = SUMS
    tables = [read_as(find(m.sums), schema) for m in manifests if m.sums]
    frame: pd.DataFrame = pa.concat_tables([schema.empty_table(), *tables]).to_pandas()
    return frame

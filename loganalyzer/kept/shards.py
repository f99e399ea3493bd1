"""What is kept of all sites of a store, in a few files: each holds the sites of one shard.

A shard's name holds the key of its sites' keys. Where one site changed, its shard alone is made
again, from the rows of the shard before and the files of the site.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from loganalyzer.errors import StoreError
from loganalyzer.kept.days import DAYS, NEEDS
from loganalyzer.kept.making import kept_file, read, write
from loganalyzer.kept.names import shard_key, shards_of
from loganalyzer.kept.told import TOLD
from loganalyzer.store import Store

MONTHS = pa.schema([pa.field("month", f.type) if f.name == "day" else f for f in DAYS])
READERS = 4  # files are small: most of the time goes by waiting for the disk
_SITES = b"sites"


@dataclass(frozen=True)
class Kind:
    """A table of all sites.

    Attributes:
        made_of: What is kept of a site that it is made from.
        schema: Its columns; one is `site`.
        of_site: The rows of a site from that.
    """

    made_of: str
    schema: pa.Schema
    of_site: Callable[[pa.Table], pa.Table]


def _whole_chutes(days: pa.Table) -> pa.Table:
    return days.filter(pc.is_null(days["floor"]))


def _months(days: pa.Table) -> pa.Table:
    """Sums by place and month, those null where every day is."""
    month = pc.floor_temporal(days["day"], unit="month").cast(pa.date32())
    sums = ["covered_s", *NEEDS]
    keys = ["site", "chute", "floor", "month"]
    table = days.drop_columns(["day"]).append_column("month", month)
    for name in keys[:3]:
        at = table.schema.get_field_index(name)
        table = table.set_column(at, name, table[name].cast(pa.string()))
    some = pc.ScalarAggregateOptions(skip_nulls=True, min_count=1)
    found = table.group_by(keys, use_threads=False).aggregate(
        [(name, "sum", some) for name in sums]
    )
    found = found.rename_columns([name.removesuffix("_sum") for name in found.schema.names])
    return found.select(MONTHS.names).cast(MONTHS)


KINDS = {
    "told": Kind("told", TOLD, lambda told: told),
    "days": Kind("days", DAYS, _whole_chutes),
    "months": Kind("days", MONTHS, _months),
}


@dataclass(frozen=True)
class Gathered:
    """A table of many sites, and the sites that it lacks since nothing is kept of them."""

    table: pa.Table
    missing: tuple[str, ...]


def gathered(
    store: Store, what: str, sites: Iterable[str] | None = None, columns: list[str] | None = None
) -> Gathered:
    """A table of all sites of a store, as far as it is kept.

    Args:
        store: The store, all of its sites.
        what: A key of `KINDS`.
        sites: Only these; null: all.
        columns: Only these; `site` is one of them. Null: all.
    """
    named: dict[str, str] = store.root()["sites"]
    wanted = set(named if sites is None else sites)
    shards = {
        number: keys for number, keys in shards_of(named).items() if not wanted.isdisjoint(keys)
    }
    with ThreadPoolExecutor(READERS) as pool:
        found = list(pool.map(lambda n: _shard(store, what, n, shards[n], named, columns), shards))
    schema = KINDS[what].schema
    schema = pa.schema([schema.field(name) for name in columns]) if columns else schema
    table = pa.concat_tables([schema.empty_table(), *(one.table for one in found)])
    missing = {site for one in found for site in one.missing} & wanted
    if len(wanted) < len(named):
        mine = pc.is_in(table["site"].cast(pa.string()), pa.array(sorted(wanted), pa.string()))
        table = table.filter(mine)
    return Gathered(table, tuple(sorted(missing)))


def _shard(
    store: Store,
    what: str,
    number: int,
    keys: Mapping[str, str],
    named: Mapping[str, str],
    columns: list[str] | None,
) -> Gathered:
    """One shard; made again from what is there where it is of another state."""
    ending = f"-{number:02}-{what}.parquet"
    name = shard_key(keys) + ending
    kind, file = KINDS[what], store.shared(name)
    if file is not None:
        table = read(file, kind.schema, columns)
        if table is not None:
            return Gathered(table, ())
    before = {path.name: path for path in store.derived_before(None, ending)}
    parts, left = [], dict(keys)
    for path in before.values():
        for site, part in _rows_before(path, kind, left).items():
            parts.append((site, part))
            del left[site]
    for site in list(left):
        own = kept_file(store, site, named[site], kind.made_of)
        if own is not None:
            parts.append((site, kind.of_site(own)))
            del left[site]
    parts.sort(key=lambda one: one[0])
    table = pa.concat_tables([kind.schema.empty_table(), *(part for _, part in parts)])
    if not left:
        marked = table.unify_dictionaries().replace_schema_metadata({_SITES: json.dumps(keys)})
        with suppress(StoreError):  # a store that cannot be written is read all the same
            of = {site: named[site] for site in keys}
            if store.land_shared(name, of, write(marked.combine_chunks())):
                store.drop_shared(set(before) - {name})
    return Gathered(table.select(columns) if columns else table, tuple(left))


def _rows_before(path: Path, kind: Kind, wanted: Mapping[str, str]) -> dict[str, pa.Table]:
    """The rows of the sites that are still as they were when a shard was made, by site."""
    try:
        told = (pq.read_schema(path).metadata or {}).get(_SITES, b"{}")
        made_from: dict[str, str] = json.loads(told)
    except (OSError, pa.ArrowException, ValueError):
        return {}
    same = [site for site, key in made_from.items() if wanted.get(site) == key]
    table = read(path, kind.schema) if same else None
    if table is None:
        return {}
    sites = table["site"].cast(pa.string())
    return {site: table.filter(pc.equal(sites, site)) for site in same}

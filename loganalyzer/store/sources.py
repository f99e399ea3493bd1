"""Which site holds an export, without reading every manifest.

A file beside the manifests lists the sources of all exports with their sites, and of each site
the manifest that it was taken from. A manifest never changes under its name, so that what the
list says of a site holds as long as the store names that manifest; the manifests of the other
sites are read. Once they are many, the list is written anew. It is nothing but a copy: without
it, or with a damaged one, every manifest is read.
"""

import hashlib
import json
import uuid
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.store.manifest import Manifest

FILE = "derived/sources.index"
STALE = 16  # sites whose manifests are read at each question, before the list is written anew
SCHEMA = pa.schema([("source", pa.binary(32)), ("site", pa.int32())])
DIGEST = 32


@dataclass(frozen=True)
class Listed:
    """The list: its rows, and for each site by number its id and manifest."""

    sites: list[tuple[str, str]] = field(default_factory=list)
    rows: pa.Table = field(default_factory=SCHEMA.empty_table)


def site_of(
    store: Path, files: Mapping[str, str], manifests: Mapping[str, Manifest], source: str
) -> str | None:
    """The site that holds the export of a source; null if none does.

    Args:
        store: The folder.
        files: Site → the file of its manifest.
        manifests: Site → manifest, read when it is asked for.
        source: SHA-256 of the export's bytes.
    """
    listed = _read(store / FILE)
    stale = files.keys() - {site for site, file in listed.sites if files.get(site) == file}
    if len(stale) > STALE:
        listed, stale = _anew(listed, files, manifests, stale), set()
        with suppress(OSError):
            _write(store / FILE, listed)
    key = pa.scalar(bytes.fromhex(source), SCHEMA.field("source").type)
    for number in listed.rows.filter(pc.equal(listed.rows["source"], key))["site"].to_pylist():
        if listed.sites[number][0] not in stale:
            return str(listed.sites[number][0])
    for site in sorted(stale):
        if any(export.source == source for export in manifests[site].exports):
            return site
    return None


def _anew(
    listed: Listed, files: Mapping[str, str], manifests: Mapping[str, Manifest], stale: set[str]
) -> Listed:
    """The list brought up to these manifests; only the stale ones are read."""
    sites = sorted(files.items())
    place = {site: number for number, (site, _) in enumerate(sites) if site not in stale}
    moved = pa.array([place.get(site) for site, _ in listed.sites], pa.int32())
    kept = listed.rows.set_column(1, "site", moved.take(listed.rows["site"].combine_chunks()))
    tables = [kept.filter(pc.is_valid(kept["site"]))]
    for number, (site, _) in enumerate(sites):
        if site in stale:
            found = [bytes.fromhex(export.source) for export in manifests[site].exports]
            columns = [pa.array(found, pa.binary(32)), pa.array([number] * len(found), pa.int32())]
            tables.append(pa.table(columns, SCHEMA))
    return Listed(sites, pa.concat_tables(tables).combine_chunks())


def _read(file: Path) -> Listed:
    """The list as it was written; an empty one if it is not there or damaged."""
    with suppress(OSError, ValueError, pa.ArrowException):
        data = file.read_bytes()
        if hashlib.sha256(data[DIGEST:]).digest() == data[:DIGEST]:
            with pa.ipc.open_file(pa.py_buffer(data)[DIGEST:]) as reader:
                rows = reader.read_all()
            sites = json.loads((rows.schema.metadata or {})[b"sites"])
            return Listed([(site, manifest) for site, manifest in sites], rows)
    return Listed()


def _write(file: Path, listed: Listed) -> None:
    sink = pa.BufferOutputStream()
    rows = listed.rows.replace_schema_metadata({b"sites": json.dumps(listed.sites).encode()})
    with pa.ipc.new_file(sink, rows.schema) as writer:
        writer.write_table(rows)
    data = sink.getvalue().to_pybytes()
    aside = file.with_name(f"{file.name}.{uuid.uuid4().hex}.new")
    file.parent.mkdir(exist_ok=True)
    aside.write_bytes(hashlib.sha256(data).digest() + data)
    aside.replace(file)

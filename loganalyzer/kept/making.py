"""Working out what is kept of one site, and putting it into the store.

`work_out` takes and returns what can be pickled, so that any engine can run it, one site after the
other or many at once.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from loganalyzer.answers import components
from loganalyzer.errors import AnalyzerError
from loganalyzer.kept.days import DAYS, HOURS, STREAMS
from loganalyzer.kept.names import MADE, key_of
from loganalyzer.kept.rolls import TRACE, Rolls, renewed, rolls_of
from loganalyzer.kept.told import TOLD, Glance, told_row
from loganalyzer.store import Store
from loganalyzer.views import analyse, hidden_doors, summary

ROLLED = {"days": DAYS, "streams": STREAMS, "hours": HOURS, "trace": TRACE}
TOLD_FILE = "told.parquet"
_FROM = b"made from"


@dataclass(frozen=True)
class Made:
    """What became of one site.

    Attributes:
        site: Its id.
        files: The names of the files that were made; none where all were there, or where the
            site changed meanwhile.
        error: Why nothing could be made, in one line; null where it could.
    """

    site: str
    files: tuple[str, ...]
    error: AnalyzerError | None = None


def work_out(piece: tuple[str, str]) -> Made:
    """The unit of work: a store's folder and a site in it, in any process.

    What is wrong with one site is told and stops no other.
    """
    folder, site = piece
    try:
        return Made(site, tuple(kept_of_site(folder, site)))
    except AnalyzerError as error:
        return Made(site, (), error)


def kept_of_site(store: Path | str, site: str) -> list[str]:
    """Work out what is kept of a site, where it is missing or of an earlier state.

    Args:
        store: The store's folder.
        site: The id of a site.

    Returns:
        The names of the files that were made; none where all were there. None, too, where the
        site changed meanwhile: what was made is of no use then.

    Raises:
        StoreError: The folder cannot be read or written.
        UsageError: There is no such site.
    """
    opened = Store.open(store)
    manifest = _manifest(opened, site)
    key = key_of(manifest)
    if is_kept(opened, site, manifest):
        return []
    if opened.derived(site, _name(key, TOLD_FILE)):
        return kept_rolls(opened, site)
    known = opened.site(site)
    timeline = opened.timeline(site)
    made: list[str] = []
    analysis = analyse(timeline, {site: known}, components(opened, site))
    imports = opened.imports(site)
    told = summary(analysis, imports, opened.rejects(site))
    glance = Glance(known, imports, opened.kept_from(site).get(site), len(hidden_doors(analysis)))
    made += _land(opened, site, manifest, TOLD_FILE, told_row(analysis, told, glance))
    if not _rolled_there(opened, site, key):
        made += _land_rolls(opened, site, manifest, rolls_of(analysis, known))
    return made


def is_kept(store: Store, site: str, manifest: str) -> bool:
    """Whether all is there of a state of a site."""
    key = key_of(manifest)
    return bool(store.derived(site, _name(key, TOLD_FILE))) and _rolled_there(store, site, key)


def kept_rolls(store: Store, site: str) -> list[str]:
    """The roll-ups of a site alone, from those of an earlier state where that helps."""
    manifest = _manifest(store, site)
    if _rolled_there(store, site, key_of(manifest)):
        return []
    known = store.site(site)
    before = _before(store, site, _settings(store, site))
    return _land_rolls(store, site, manifest, renewed(store.timeline(site), known, before))


def kept_file(store: Store, site: str, manifest: str, what: str) -> pa.Table | None:
    """What is kept of a site in a state: `told`, or one of `ROLLED`; null where it is not there."""
    file = store.derived(site, _name(key_of(manifest), f"{what}.parquet"))
    return None if file is None else read(file, {"told": TOLD, **ROLLED}[what])


def read(file: Path, schema: pa.Schema, columns: list[str] | None = None) -> pa.Table | None:
    """A kept file; null where it is gone, damaged or of other columns: then it is made again."""
    try:
        found = pq.ParquetFile(file).read(columns)
        names = columns or schema.names
        return found.select(names).cast(pa.schema([schema.field(name) for name in names]))
    except (OSError, pa.ArrowException, KeyError, ValueError):
        return None


def write(table: pa.Table) -> Callable[[Path], None]:
    """How a table is written, as the store wants it."""

    def to(place: Path) -> None:
        pq.write_table(table, place, compression="zstd", compression_level=3)

    return to


def _manifest(store: Store, site: str) -> str:
    store.reading(lambda state: state.of(site))  # says that there is none
    return str(store.root()["sites"][site])


def _name(key: str, what: str) -> str:
    return f"{key}-{what}"


def _rolled_there(store: Store, site: str, key: str) -> bool:
    return all(store.derived(site, _name(key, f"{what}.parquet")) for what in ROLLED)


def _land(store: Store, site: str, manifest: str, what: str, table: pa.Table) -> list[str]:
    name = _name(key_of(manifest), what)
    landed = store.land_derived(site, name, manifest, write(table))
    if landed is None:
        return []
    return [name]


def _land_rolls(store: Store, site: str, manifest: str, rolls: Rolls) -> list[str]:
    """The trace goes last: where it is, so are the others."""
    settings = _settings(store, site)
    made: list[str] = []
    for what in ROLLED:
        table: pa.Table = getattr(rolls, what)
        marked = table.replace_schema_metadata({_FROM: settings})
        made += _land(store, site, manifest, f"{what}.parquet", marked)
    if made:
        store.keep_derived(site, [key_of(manifest)])
    return made


def _settings(store: Store, site: str) -> bytes:
    """What roll-ups hang on besides the log: the site file, and what a roll-up means."""

    def read_text(state: object) -> bytes:
        (manifest,) = store.state().of(site)
        return f"{MADE} {manifest.site_text}".encode()

    return store.reading(read_text)


def _before(store: Store, site: str, settings: bytes) -> Rolls | None:
    """The newest roll-ups of an earlier state, made by the same settings."""
    for trace in store.derived_before(site, "-trace.parquet"):
        key = trace.name.removesuffix("-trace.parquet")
        tables = []
        for what, schema in ROLLED.items():
            file = trace.with_name(_name(key, f"{what}.parquet"))
            table = read(file, schema)
            if table is None or (table_settings(file) != settings):
                break
            tables.append(table)
        else:
            return Rolls(*tables)
    return None


def table_settings(file: Path) -> bytes | None:
    """What a kept roll-up says that it was made by."""
    try:
        return (pq.read_schema(file).metadata or {}).get(_FROM)
    except (OSError, pa.ArrowException):
        return None

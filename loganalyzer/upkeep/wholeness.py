"""Is a store whole? Files against checksums, every line counted, tables against originals.

Nothing in the store is written; what is read again goes to a scratch folder. A store that is
changed while it is checked is checked anew.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from loganalyzer.errors import AnalyzerError, StoreError
from loganalyzer.ingest.reports import count
from loganalyzer.ingest.taking import digest as digest_unpacked
from loganalyzer.store import ROOT as ROOT_FILE
from loganalyzer.store import Store, named_by
from loganalyzer.store.contents import ledger_row
from loganalyzer.store.disk import digest
from loganalyzer.store.evidence import original
from loganalyzer.store.formats import FORMAT
from loganalyzer.store.manifest import Export, Manifest
from loganalyzer.store.parquet import opened
from loganalyzer.upkeep import counting, rereading
from loganalyzer.upkeep.problems import (
    EXPORT,
    MANIFEST,
    ORIGINAL,
    ROOT,
    SETTINGS,
    TABLE,
    Checked,
    Problem,
)

REBUILD = "Run loganalyzer check --repair, which makes it anew from the original"
ATTEMPTS = 5


def check(
    path: Path, *, reread: bool = True, tell: Callable[[str], None] = lambda line: None
) -> Checked:
    """Check a store.

    Args:
        path: Its folder.
        reread: Read every original again and compare what it gives; else only files, checksums
            and counts.
        tell: Called with one line an export that is about to be read again.

    Raises:
        StoreError: There is no store, or it is from a newer version.
    """
    for _ in range(ATTEMPTS):
        store, problem = _opened(path)
        before = store.path.joinpath(ROOT_FILE).read_bytes() if not problem else b""
        if problem:
            return Checked(str(path), (problem,))
        found = _checked(store, reread, tell)
        if found.whole or store.path.joinpath(ROOT_FILE).read_bytes() == before:
            return found
    raise StoreError(
        str(path), "a store that changes all the time", "a moment's rest", "Check it again later"
    )


def _opened(path: Path) -> tuple[Store, Problem | None]:
    """The store, and what is wrong with its root file."""
    if not (path / ROOT_FILE).is_file() and not (path / "manifests").is_dir():
        return Store.open(path), None  # which says what is there instead
    store = Store(path)
    try:
        root = store.root()
        if set(root) >= {"generation", "sites", "before"}:
            return store, None
    except StoreError as error:
        if (path / ROOT_FILE).is_file() and "newer version" in error.fix:
            raise
    return store, Problem(
        ROOT, ROOT_FILE, "no file, or a damaged one", "the names of the manifests",
        "Run loganalyzer check --repair, which makes it anew from the newest manifests",
        file=ROOT_FILE,
    )  # fmt: skip


@dataclass
class _Found:
    """What a check has found so far."""

    store: Store
    tell: Callable[[str], None]
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    exports: int = 0
    lines: int = 0
    events: int = 0
    files: int = 0
    reread: int = 0

    @property
    def bad_files(self) -> set[str | None]:
        return {problem.file for problem in self.problems}


def _checked(store: Store, reread: bool, tell: Callable[[str], None]) -> Checked:
    found = _Found(store, tell)
    root = store.root()
    named = {ROOT_FILE, *root["sites"].values(), *root["before"]}
    for site, file in root["sites"].items():
        manifest = _manifest(found, site, file, root["format"])
        if manifest is not None:
            _check_site(found, manifest, root["format"], reread)
            named |= manifest.files()
    if root["format"] < FORMAT:
        found.notes.append(
            f"format {root['format']} keeps no checksums of tables; the next import upgrades it"
        )
    found.notes += _left_over(store, named)
    kept = {k: v for k, v in vars(found).items() if k not in ("store", "tell")}
    return Checked(
        str(store.path), **{**kept, "problems": (*found.problems,), "notes": (*found.notes,)}
    )


def _manifest(found: _Found, site: str, file: str, format_: int) -> Manifest | None:
    """A site's manifest, if it is as it was written."""
    path = found.store.path / file
    problem = Problem(
        MANIFEST, file, "no file", "the manifest of a site",
        "Run loganalyzer check --repair, which goes back to the one before", site, file=file,
    )  # fmt: skip
    try:
        text = path.read_text(encoding="utf-8")
        found.files += 1
        if format_ == FORMAT and not path.stem.endswith(named_by(text)):
            raise ValueError("not what its name says")
        return found.store.manifest(path, format_)
    except FileNotFoundError:
        found.problems.append(problem)
    except (OSError, ValueError, StoreError):
        found.problems.append(replace(problem, found="a damaged file"))
    return None


def _check_site(found: _Found, manifest: Manifest, format_: int, reread: bool) -> None:
    store = found.store.path
    owners = {file: e.source for e in manifest.exports for file in _tables(e)}
    for file in sorted(manifest.files()):
        if not file.startswith("originals/"):
            wanted = manifest.checksums.get(file)
            found.problems += _file(found, manifest.site, file, wanted, format_, owners.get(file))
    for export in manifest.exports:
        found.problems += _original(found, manifest.site, export)
        if not found.bad_files & set(_tables(export)):
            said = counting.export_counts(store, export)
            found.problems += [_export(manifest.site, export, *pair) for pair in said]
        row = ledger_row(manifest, export)
        found.exports, found.lines = found.exports + 1, found.lines + export.lines
        found.events += row["events"]
    for stretch in manifest.stretches:
        if stretch.file not in found.bad_files:
            found.problems += counting.stretch_counts(store, manifest.site, stretch)
    if reread:
        bad = found.bad_files
        told, count = rereading.reread_site(store, manifest, bad, found.tell)
        found.problems += told
        found.reread += count


def _tables(export: Export) -> list[str]:
    """The files of rows that stand for one export."""
    files = [file for reading in export.readings for file in (reading.file, reading.solo)]
    return [*files, export.rejects] if export.rejects else files


def _file(
    found: _Found, site: str, file: str, wanted: str | None, format_: int, source: str | None
) -> Iterator[Problem]:
    settings = file.startswith("texts/")
    fix = "Run loganalyzer check --repair, which looks for another copy" if settings else REBUILD
    if file.startswith("sums/"):
        fix = "It cannot be made anew, for what it counts was removed: restore it from a copy"
    problem = Problem(
        SETTINGS if settings else TABLE, file, "no file", "it as it was written", fix, site,
        source, file,
    )  # fmt: skip
    found.files += 1
    try:
        seen = digest(found.store.path / file)
        if format_ < FORMAT and file.endswith(".parquet"):  # no checksum: can it be read at all?
            with opened(found.store.path / file) as table:
                table.read()
    except FileNotFoundError:
        yield problem
        return
    except StoreError:
        yield replace(problem, found="a damaged file")
        return
    except OSError as error:
        yield replace(problem, found=f"a file that cannot be read ({error.strerror})")
        return
    if format_ == FORMAT and seen != wanted:
        said = f"SHA-256 {seen[:12]}…" if wanted else "a file without a checksum"
        yield replace(problem, found=said, expected=f"SHA-256 {(wanted or 'one')[:12]}…")


def _original(found: _Found, site: str, export: Export) -> Iterator[Problem]:
    fix = f"Import {export.name} again, which puts it back" + (
        "" if export.kept == export.source else "; its older lines were removed, so --undo it first"
    )
    problem = Problem(
        ORIGINAL, export.original, "no file", f"the bytes of {export.name}", fix, site,
        export.source, export.original,
    )  # fmt: skip
    path = found.store.path / export.original
    found.files += 1
    if not path.is_file():
        yield problem
        return
    try:
        seen, size = digest_unpacked(export.name, partial(original, path))
    except (AnalyzerError, OSError):
        yield replace(problem, found="a damaged file")
        return
    if (seen, size) != (export.kept, export.size):
        yield replace(problem, found=f"{size:,} bytes with SHA-256 {seen[:12]}…",
                      expected=f"{export.size:,} with {export.kept[:12]}…")  # fmt: skip


def _export(site: str, export: Export, found: str, expected: str) -> Problem:
    return Problem(EXPORT, export.name, found, expected, REBUILD, site, export.source)


def _left_over(store: Store, named: set[str]) -> Iterator[str]:
    """Files that nothing needs: of the generation before, or of an import that was stopped."""
    folders = ("manifests", "originals", "events", "rejects", "texts", "sums", "incoming")
    files = [path for folder in folders for path in (store.path / folder).rglob("*")]
    names = {path.relative_to(store.path).as_posix() for path in files if path.is_file()}
    extra = len(names - named)
    if extra:
        yield f"{count(extra, 'file')} of earlier changes, swept with the next ones"
    for path, root in store.ways_back().items():
        yield f"{path.name} keeps the way back to format {root['format']}"
    damaged = store.path / "damaged"
    if damaged.is_dir() and any(damaged.iterdir()):
        yield "damaged/ holds what repair set aside"

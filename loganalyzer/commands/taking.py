"""Taking exports in: `inspect` and `import`."""

import argparse
import dataclasses
from pathlib import Path

from loganalyzer import ingest
from loganalyzer.cluster import Spread, spread
from loganalyzer.commands.shared import now, print_json, tell
from loganalyzer.errors import UsageError
from loganalyzer.ingest.inspection import inspect
from loganalyzer.ingest.reports import ExportReport, ImportReport
from loganalyzer.progress import Bar
from loganalyzer.site import Site, load_site
from loganalyzer.store import Store

COUNTS = ("lines", "events", "duplicates", "ignored", "rejected")


def inspect_files(options: argparse.Namespace) -> int:
    """Say which profile reads each file, and how much of it."""
    site = load_site(options.site) if options.site else None
    found = inspect(options.paths, site, profile=options.profile, received=now())
    if options.json:
        print_json([one.as_dict() for one in found])
    else:
        print("\n\n".join(one.text() for one in found))
    return max((one.exit_status for one in found), default=0)


def import_files(options: argparse.Namespace) -> int:
    """Take exports in, take one out again, or read the kept ones anew."""
    _check_import(options)
    site = load_site(options.site) if options.site else None
    if options.undo:
        undone = ingest.undo(Store.open(options.store), options.undo, tell=tell)
        return report(ImportReport((undone,)), options.json)
    store = Store.open(options.store, create=not options.again)
    if not options.again:
        assert site is not None  # _check_import has seen to it
        with spread(options.cluster, options.workers) as workers:
            alone = workers.workers == 1 and options.cluster is None
            taken = take(options.paths, store, site, options, None if alone else workers)
        return report(taken, options.json)
    sites = [site] if site else [store.site(name) for name in store.sites()]
    return report(_together([_again(store, one, options) for one in sites]), options.json)


def take(
    paths: list[Path], store: Store, site: Site, options: argparse.Namespace,
    workers: Spread | None = None,
) -> ImportReport:  # fmt: skip
    """Import files with what the options say of them, with a bar on a terminal."""
    with Bar() as bar:
        return ingest.import_paths(
            paths, store, site, received=now(), chute=options.chute, profile=options.profile,
            progress=bar, tell=tell, spread=workers,
        )  # fmt: skip


def report(report: ImportReport, as_json: bool) -> int:
    """Print what became of each export; what a person should look at goes to standard error."""
    for message in report.messages:
        tell(message)
    for export in report.exports:
        for message in export.messages:
            tell(message)
    if as_json:
        print_json(dataclasses.asdict(report))
    else:
        for export in report.exports:
            print(_line(export))
    return report.exit_status


def _check_import(options: argparse.Namespace) -> None:
    asked = [name for name in ("paths", "undo", "again") if getattr(options, name)]
    if len(asked) != 1:
        raise UsageError(
            "loganalyzer import", "nothing to import" if not asked else "several things to do",
            "files to import, or --undo SOURCE, or --again", "Name the exports to take in",
        )  # fmt: skip
    if options.paths and not options.site:
        raise UsageError(
            "loganalyzer import", "no --site", "the file that describes the building",
            "Write one (README has an example) and name it: --site SITE.toml",
        )  # fmt: skip


def _again(store: Store, site: Site, options: argparse.Namespace) -> ImportReport:
    with Bar() as bar:
        return ingest.again(
            store, site, received=now(), chute=options.chute, profile=options.profile,
            progress=bar, tell=tell,
        )  # fmt: skip


def _together(reports: list[ImportReport]) -> ImportReport:
    exports = tuple(export for report in reports for export in report.exports)
    return ImportReport(exports, tuple(line for report in reports for line in report.messages))


def _line(export: ExportReport) -> str:
    if not export.lines:
        return f"{export.name}: {export.status}"
    counts = ", ".join(f"{getattr(export, name):,} {name}" for name in COUNTS)
    of = f"chute {export.chute}, " if export.chute else ""
    return f"{export.name}: {export.status}, {of}{export.profile}: {counts}"

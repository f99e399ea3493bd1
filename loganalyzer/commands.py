"""What each command does: one library call, its result as text or JSON, an exit status."""

import argparse
import dataclasses
import difflib
import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loganalyzer import export as files
from loganalyzer import ingest, views
from loganalyzer.answers import answer, span
from loganalyzer.errors import InputError, UsageError
from loganalyzer.ingest.inspection import inspect
from loganalyzer.ingest.reports import ExportReport, ImportReport
from loganalyzer.progress import Bar
from loganalyzer.site import Site, load_site
from loganalyzer.store import Store
from loganalyzer.tables import AUDIENCES, TABLES
from loganalyzer.views import Analysis, Summary
from loganalyzer.views.audit_report import audit_dict, audit_text, shown_violations
from loganalyzer.views.condition import TABLES_HERE as CONDITION_TABLES
from loganalyzer.views.index_report import indices_dict, indices_text
from loganalyzer.views.pickup_report import pickups_dict, pickups_text
from loganalyzer.views.sorting import TABLES_HERE as SORTING_TABLES
from loganalyzer.views.streams_report import (
    containers_dict,
    containers_text,
    streams_dict,
    streams_text,
)
from loganalyzer.views.suspects_report import suspects_dict, suspects_text
from loganalyzer.views.wait_report import clearing_what_if, waiting_dict, waiting_text
from loganalyzer.weighing import read_tickets

CAUTION = (
    "Figures in brackets are 95 % intervals. Before anyone acts on the equipment: lock out and\n"
    "tag out first. A log is no inspection; licensed people and local codes decide."
)
COUNTS = ("lines", "events", "duplicates", "ignored", "rejected")


def inspect_files(options: argparse.Namespace) -> int:
    """Say which profile reads each file, and how much of it."""
    site = load_site(options.site) if options.site else None
    found = inspect(options.paths, site, profile=options.profile, received=_now())
    if options.json:
        _print_json([one.as_dict() for one in found])
    else:
        print("\n\n".join(one.text() for one in found))
    return max((one.exit_status for one in found), default=0)


def import_files(options: argparse.Namespace) -> int:
    """Take exports in, take one out again, or read the kept ones anew."""
    _check_import(options)
    site = load_site(options.site) if options.site else None
    if options.undo:
        undone = ingest.undo(Store.open(options.store), options.undo, tell=_tell)
        return _report(ImportReport((undone,)), options.json)
    store = Store.open(options.store, create=not options.again)
    if not options.again:
        assert site is not None  # _check_import has seen to it
        return _report(_take(options.paths, store, site, options), options.json)
    sites = [site] if site else [store.site(name) for name in store.sites()]
    return _report(_together([_again(store, one, options) for one in sites]), options.json)


def summarise(options: argparse.Namespace) -> int:
    """Print the findings."""
    period = _period(options)
    store = Store.open(options.store)
    analysis = answer(store, options.site, options.chute, period)
    told = views.summary(analysis, store.imports(options.site), store.rejects(options.site))
    if options.json:
        _print_json(views.as_dict(analysis, told))
    else:
        print(_findings(store, told))
    return 0


def audit_rules(options: argparse.Namespace) -> int:
    """Print how each rule fared, and the violations with their lines."""
    period = _period(options)
    store = Store.open(options.store)
    analysis = answer(store, options.site, options.chute, period)
    if options.json:
        _print_json(audit_dict(analysis))
        return 0
    shown = shown_violations(analysis)
    names = store.imports(options.site).set_index("source")["name"].to_dict()
    originals = {
        (str(source), number): (names.get(source, ""), text)
        for source, part in shown.groupby("source")
        for number, text in store.lines(str(source), part["line"]).items()
    }
    print(audit_text(analysis, originals))
    return 0


def tell_waiting(options: argparse.Namespace) -> int:
    """Print how long people wait, and what another clearing time would do."""
    analysis = _answer(options)
    other = None
    if options.clearing is not None:
        other = clearing_what_if(analysis, options.clearing)
    if options.json:
        _print_json(waiting_dict(analysis, other))
    else:
        print(waiting_text(analysis, other))
    return 0


def tell_indices(options: argparse.Namespace) -> int:
    """Print how often and how long units were without their door."""
    analysis = _answer(options)
    if options.json:
        _print_json(indices_dict(analysis))
    else:
        print(indices_text(analysis))
    return 0


def tell_streams(options: argparse.Namespace) -> int:
    """Print how people sort."""
    analysis, mistakes = _with_tickets(_answer(options), options.tickets)
    if options.json:
        _print_json({**streams_dict(analysis), "mistakes": list(mistakes)})
    else:
        print(streams_text(analysis, mistakes))
    return _ticket_status(analysis, mistakes)


def tell_containers(options: argparse.Namespace) -> int:
    """Print how containers fill."""
    analysis, mistakes = _with_tickets(_answer(options), options.tickets)
    if options.json:
        _print_json({**containers_dict(analysis), "mistakes": list(mistakes)})
    else:
        print(containers_text(analysis))
    return _ticket_status(analysis, mistakes)


def tell_pickups(options: argparse.Namespace) -> int:
    """Print when containers will be full, and what another rule would change."""
    analysis = _answer(options)
    at = None
    if options.on:
        if len({site.time_zone for site in analysis.sites.values()}) != 1:
            raise UsageError("--on", "sites in several time zones", "one site",
                             f"Add --site {next(iter(analysis.sites))}")  # fmt: skip
        at, _ = span((options.on, None), next(iter(analysis.sites.values())).time_zone)
    if options.json:
        _print_json(pickups_dict(analysis, at))
    else:
        print(pickups_text(analysis, at))
    return 0


def name_suspects(options: argparse.Namespace) -> int:
    """Print which parts are failing, where, since when, and what to check first."""
    analysis = _answer(options)
    if options.json:
        _print_json(suspects_dict(analysis))
    else:
        print(suspects_text(analysis))
    return 0


def export_table(options: argparse.Namespace) -> int:
    """Write a table to a file."""
    if options.table not in TABLES:
        near = difflib.get_close_matches(options.table, TABLES, 1)
        raise UsageError(
            "loganalyzer export", f"the table '{options.table}'", ", ".join(TABLES),
            f"Did you mean {near[0]}" if near else "Name one of these",
        )  # fmt: skip
    files.format_of(options.out)
    period = _period(options)
    store = Store.open(options.store)
    if options.table in ("imports", "rejects"):
        table = getattr(store, options.table)(options.site)
    else:
        analysis = answer(store, options.site, options.chute, period)
        analysis, _ = _with_tickets(analysis, options.tickets)
        held: object = analysis.sorting if options.table in SORTING_TABLES else analysis
        held = analysis.condition if options.table in CONDITION_TABLES else held
        table = getattr(held, options.table)
    rows = files.write(table, options.table, options.out)
    _tell(f"{rows:,} rows of {options.table} written to {options.out}")
    return 0


def serve_dashboard(options: argparse.Namespace) -> int:
    """Serve the dashboard of a store."""
    return _listen(Store.open(options.store), options)


def show_demo(options: argparse.Namespace) -> int:
    """Import the sample logs, print the findings, serve the dashboard."""
    store = Store.open(options.store, create=True)
    asked = argparse.Namespace(chute=None, profile=None)
    for folder in sorted(path for path in _samples().iterdir() if path.is_dir()):
        site = load_site(folder.with_suffix(".toml"))
        print(f"{site.name}: exports from {folder}")
        _report(_take([folder], store, site, asked), as_json=False)
        print()
    analysis = answer(store)
    print(_findings(store, views.summary(analysis, store.imports(), store.rejects())))
    if options.no_serve:
        return 0
    print()
    return _listen(store, options)


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "inspect": inspect_files,
    "import": import_files,
    "summary": summarise,
    "waiting": tell_waiting,
    "indices": tell_indices,
    "suspects": name_suspects,
    "audit": audit_rules,
    "streams": tell_streams,
    "containers": tell_containers,
    "pickups": tell_pickups,
    "export": export_table,
    "serve": serve_dashboard,
    "demo": show_demo,
}


def _with_tickets(analysis: Analysis, path: Path | None) -> tuple[Analysis, tuple[str, ...]]:
    """The analysis with weigh tickets, and what is wrong in their file, said at once."""
    if path is None:
        return analysis, ()
    if len(analysis.sites) != 1:
        raise UsageError(
            f"--tickets {path}", f"{len(analysis.sites)} sites in the store",
            "the site that was weighed", f"Add --site {next(iter(analysis.sites))}",
        )  # fmt: skip
    (name,) = analysis.sites
    read = read_tickets(path, list(dict.fromkeys(analysis.sorting.bins["stream"])))
    for line in read.mistakes:
        _tell(line)
    return dataclasses.replace(analysis, tickets={name: read.table}), read.mistakes


def _ticket_status(analysis: Analysis, mistakes: tuple[str, ...]) -> int:
    """The exit status of a command that read weigh tickets: 3 where most were rejected."""
    used = sum(len(table) for table in analysis.tickets.values())
    return InputError.exit_status if len(mistakes) > used else 0


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


def _take(paths: list[Path], store: Store, site: Site, options: argparse.Namespace) -> ImportReport:
    with Bar() as bar:
        return ingest.import_paths(
            paths, store, site, received=_now(), chute=options.chute, profile=options.profile,
            progress=bar, tell=_tell,
        )  # fmt: skip


def _again(store: Store, site: Site, options: argparse.Namespace) -> ImportReport:
    with Bar() as bar:
        return ingest.again(
            store, site, received=_now(), chute=options.chute, profile=options.profile,
            progress=bar, tell=_tell,
        )  # fmt: skip


def _together(reports: list[ImportReport]) -> ImportReport:
    exports = tuple(export for report in reports for export in report.exports)
    return ImportReport(exports, tuple(line for report in reports for line in report.messages))


def _listen(store: Store, options: argparse.Namespace) -> int:
    from loganalyzer.serving import serve  # the dashboard is heavy, other commands do without it

    serve(store, options.host, options.port)
    return 0


def _samples() -> Path:
    """The sample logs: inside an installed package, or beside a checkout's."""
    here = Path(__file__).parent
    for folder in (here / "sample_logs", here.parent / "sample_logs"):
        if any(folder.glob("*.toml")):
            return folder
    raise UsageError(
        "loganalyzer demo", "no sample logs", f"them in {here}", "Install the package again"
    )


def _report(report: ImportReport, as_json: bool) -> int:
    """Print what became of each export; what a person should look at goes to standard error."""
    for message in report.messages:
        _tell(message)
    for export in report.exports:
        for message in export.messages:
            _tell(message)
    if as_json:
        _print_json(dataclasses.asdict(report))
    else:
        for export in report.exports:
            print(_line(export))
    return report.exit_status


def _line(export: ExportReport) -> str:
    if not export.lines:
        return f"{export.name}: {export.status}"
    counts = ", ".join(f"{getattr(export, name):,} {name}" for name in COUNTS)
    of = f"chute {export.chute}, " if export.chute else ""
    return f"{export.name}: {export.status}, {of}{export.profile}: {counts}"


def _findings(store: Store, told: Summary) -> str:
    """The findings, site by site and person by person."""
    blocks = []
    for name in store.sites():
        mine = [finding for finding in told.findings if finding.site == name]
        if mine:
            site = store.site(name)
            blocks.append(f"{site.name} (times: {site.time_zone})")
        for who in AUDIENCES:
            said = [f"  - {finding.sentence}" for finding in mine if finding.who == who]
            if said:
                blocks.append("\n".join([f"  For the {who}", *said]))
    return "\n\n".join([*blocks, CAUTION])


def _answer(options: argparse.Namespace) -> Analysis:
    """The analysis of what `--store`, `--site`, `--chute`, `--from` and `--to` choose."""
    period = _period(options)
    return answer(Store.open(options.store), options.site, options.chute, period)


def _period(options: argparse.Namespace) -> tuple[str | None, str | None]:
    for flag, text in (("--from", options.start), ("--to", options.end)):
        try:
            datetime.fromisoformat(text or "2026-01-01")
        except ValueError:
            raise UsageError(
                flag, f"'{text}'", "a date or a time such as 2026-10-01 or 2026-10-01T07:30",
                "Write it so",
            ) from None  # fmt: skip
    return options.start, options.end


def _now() -> datetime:
    return datetime.now(UTC)


def _tell(line: str) -> None:
    print(line, file=sys.stderr)


def _print_json(value: Any) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=2, default=_json))


def _json(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return str(value)

"""Do the tables follow from the originals? Each is read again, and merged again, and compared."""

import tempfile
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from loganalyzer.errors import AnalyzerError
from loganalyzer.ingest.stretches import Place, restretched
from loganalyzer.ingest.taking import reread
from loganalyzer.store.manifest import Export, Manifest, Stretch
from loganalyzer.store.parquet import FILE, first_difference
from loganalyzer.tables import TABLES
from loganalyzer.upkeep.problems import EXPORT, STRETCH, Problem

FIX = (
    "Run loganalyzer check --repair, or import --again if this version of the program reads it "
    "differently"
)
Key = frozenset[tuple[str, str]]


def reread_site(
    store: Path, manifest: Manifest, bad: set[str | None], tell: Callable[[str], None]
) -> tuple[list[Problem], int]:
    """Read a site's originals again and compare.

    Args:
        store: The folder.
        manifest: The site.
        bad: Files known to be missing or damaged: what needs them is left out.
        tell: Called with one line before each export.

    Returns:
        What differs, and how many originals gave the same.
    """
    problems, same, exports = [], 0, []
    with tempfile.TemporaryDirectory(prefix="loganalyzer-check-") as scratch:
        for number, export in enumerate(manifest.exports):
            folder = Path(scratch, str(number))
            folder.mkdir()
            if bad & {export.original, export.profile_text, export.site_text}:
                exports.append(_whole(export, store))
                continue
            tell(f"reading {export.name} again")
            found, said = _export(store, manifest.site, export, folder, bad)
            problems += said
            same += not said
            exports.append(found)
        problems += _timeline(store, manifest, exports, bad, Path(scratch))
    return problems, same


def _export(
    store: Path, site: str, export: Export, folder: Path, bad: set[str | None]
) -> tuple[Export, list[Problem]]:
    """What an export gives now, and where that is not what the store holds."""

    def problem(found: str, expected: str) -> list[Problem]:
        return [Problem(EXPORT, export.name, found, expected, FIX, site, export.source)]

    try:
        again = reread(export, store, folder)
    except AnalyzerError as error:
        return _whole(export, store), problem(f"an original that no longer reads: {error}", "rows")
    if _facts(again) != _facts(export):
        return again, problem("other counts in its original", _told(export))
    for kept, now in zip(export.readings, again.readings, strict=True):
        for name, other in ((kept.file, now.file), (kept.solo, now.solo)):
            line = None if name in bad else first_difference(store / name, Path(other), FILE)
            if line is not None:
                return again, problem(f"another event at line {line:,}", f"that of {name}")
    if export.rejects and again.rejects and export.rejects not in bad:
        line = first_difference(store / export.rejects, Path(again.rejects), TABLES["rejects"])
        if line is not None:
            return again, problem(f"another reject at line {line:,}", f"that of {export.rejects}")
    return again, []


def _facts(export: Export) -> tuple[Any, ...]:
    """What an export counts, without the places of its files."""
    readings = [replace(reading, file="", solo="") for reading in export.readings]
    return (
        export.lines, export.ignored, export.rejected, export.status,
        [asdict(reading) for reading in readings],
    )  # fmt: skip


def _told(export: Export) -> str:
    held = sum(reading.lines for reading in export.readings)
    return (
        f"{export.lines:,} lines: {held:,} with events, {export.ignored:,} ignored, "
        f"{export.rejected:,} rejected"
    )


def _whole(export: Export, store: Path) -> Export:
    """The export with the full paths of its files in the store."""
    readings = tuple(
        replace(one, file=str(store.absolute() / one.file), solo=str(store.absolute() / one.solo))
        for one in export.readings
    )
    return replace(export, readings=readings)


def _timeline(
    store: Path, manifest: Manifest, exports: list[Export], bad: set[str | None], scratch: Path
) -> list[Problem]:
    """Where the timelines are not what these exports make together."""
    if any(not Path(r.file).is_file() for export in exports for r in export.readings):
        return []  # a reading is gone that its original cannot give: said already
    place = Place(scratch.joinpath, scratch, lambda written, _: str(written))
    anew = restretched(replace(manifest, exports=tuple(exports), stretches=()), place)
    kept = _by_readings(manifest.stretches, manifest.exports)
    problems = []
    for key, now in _by_readings(anew.stretches, exports).items():
        then = kept.pop(key, None)
        if then is None or (then.rows, then.begins, then.owned) != (
            now.rows, now.begins, now.owned
        ):  # fmt: skip
            said = ("other stretches", "those that its exports make together")
            problems.append(_said(manifest.site, now.chute, then, *said))
        elif then.file not in bad and len(key) > 1:
            line = first_difference(store / then.file, scratch / now.file, FILE)
            if line is not None:
                said = (f"another event at line {line:,}", "what its exports make together")
                problems.append(_said(manifest.site, now.chute, then, *said))
    left = [
        _said(manifest.site, one.chute, one, "a stretch too many", "none") for one in kept.values()
    ]
    return problems + left


def _by_readings(
    stretches: tuple[Stretch, ...], exports: list[Export] | tuple[Export, ...]
) -> dict[Key, Stretch]:
    """Stretches by the exports and chutes that they are made of."""
    readings: dict[str, tuple[str, str]] = {
        reading.file: (export.source, reading.chute)
        for export in exports
        for reading in export.readings
    }
    return {frozenset(readings[file] for file in one.made_of): one for one in stretches}


def _said(site: str, chute: str, stretch: Stretch | None, found: str, expected: str) -> Problem:
    file = None if stretch is None else stretch.file
    return Problem(STRETCH, file or f"chute {chute}", found, expected, FIX, site, file=file)

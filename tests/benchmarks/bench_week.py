"""What one more week of one chute costs in a store of many.

    python -m tests.benchmarks.bench_week [--chutes 1000] [--weeks 156]

Each site has one chute and its own weekly exports that reach a day back into the week before;
half a million events a chute and year. One site is imported; the others are links to its files
under names of their own, in manifests of their own: as many files, names and manifests as in a
store that was imported, but the tables and originals of the others say what the first one says, so
that `check` would not find them whole. No import reads them. Then weeks of one chute are imported
into it, and into a store of ten; beside that, the reading of the file alone. Processor time.
"""

import argparse
import json
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import numpy as np

from loganalyzer.ingest import import_paths
from loganalyzer.ingest.choice import Profiles
from loganalyzer.ingest.taking import Asked, Given, digest, take
from loganalyzer.readers.unpack import exports
from loganalyzer.site import Site, parse_site
from loganalyzer.store import ROOT, Store, named_by
from loganalyzer.store.disk import digest as digest_of
from loganalyzer.store.disk import document
from loganalyzer.store.manifest import Export, Manifest, Reading, Stretch
from tests.benchmarks.results import put

HEADER = "date;time;door;material;event;reason;value"
START = datetime(2023, 1, 2)  # noqa: DTZ001  # a wall clock has no zone
YEAR_EVENTS, ROUNDS = 500_000, 5
WORDS = ("BUTTON", "DOOR OPEN", "DOOR SHUT")
RECEIVED = datetime(2026, 11, 1, tzinfo=UTC)
SECONDS = 7 * 86_400


def main() -> int:
    """Build, add, print."""
    options = _options()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        weeks = Weeks(options.weeks + ROUNDS, Path(folder, "in"))
        one = Path(folder, "one")
        began = time.process_time()
        for week in range(options.weeks):
            weeks.write(week)
        site = _site(0)
        import_paths([weeks.folder], Store.open(one, create=True), site, received=RECEIVED)
        print(f"one chute, {options.weeks} weeks: {time.process_time() - began:.1f} s to import")
        fresh = [weeks.write(week) for week in range(options.weeks, options.weeks + ROUNDS)]
        reading = [_reading(path, site, Path(folder, f"read{n}")) for n, path in enumerate(fresh)]
        beyond: dict[int, list[float]] = {}
        for chutes in sorted({min(10, options.chutes), options.chutes}):
            store = Path(folder, f"of-{chutes}")
            _multiplied(one, store, chutes)
            began = time.process_time()
            Store.open(store).state().export("0" * 64)
            print(f"{chutes} chutes: {time.process_time() - began:.2f} s to list all sources, once")
            beyond[chutes] = [
                _added(path, store, site) - alone
                for path, alone in zip(fresh, reading, strict=True)
            ]
        _told(reading, beyond)
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chutes", type=int, default=1000)
    parser.add_argument("--weeks", type=int, default=156)
    parser.add_argument("--quick", action="store_true", help="100 chutes of 26 weeks")
    parser.add_argument("--folder", type=Path, help="where the stores are built")
    options = parser.parse_args()
    if options.quick:
        options.chutes, options.weeks = 100, 26
    return options


def _told(reading: list[float], beyond: dict[int, list[float]]) -> None:
    few, many = min(beyond), max(beyond)
    print(f"reading one week alone: {_spread(reading)}")
    for chutes, seconds in beyond.items():
        print(f"all beyond it, store of {chutes} chutes: {_spread(seconds)}")
    middle = {chutes: float(np.median(seconds)) for chutes, seconds in beyond.items()}
    print(f"a store of {many} chutes costs {middle[many] / middle[few]:.2f} times one of {few}")
    print(
        f"under 2 s: {'yes' if max(beyond[many]) < 2 else 'NO'} (slowest {max(beyond[many]):.2f} s)"
    )
    put("bench_week", "a week of one chute, beyond its reading", beyond[many], "s")


def _spread(seconds: list[float]) -> str:
    return f"{np.median(seconds):.2f} s ({min(seconds):.2f} to {max(seconds):.2f})"


class Weeks:
    """The weekly exports of a chute: uses at random moments, the same for any number of weeks."""

    def __init__(self, weeks: int, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        events = weeks * YEAR_EVENTS // 52
        chance = np.random.default_rng(1)
        self._at = np.sort(chance.integers(0, weeks * SECONDS, events // 3))
        self._doors = chance.integers(0, 12, len(self._at))

    def write(self, week: int) -> Path:
        """A week, with the last day of the week before."""
        begin, end = np.searchsorted(self._at, [week * SECONDS - 86_400, (week + 1) * SECONDS])
        lines = [HEADER]
        for at, door in zip(self._at[begin:end].tolist(), self._doors[begin:end], strict=True):
            for after, word in enumerate(WORDS):
                moment = START + timedelta(seconds=at + 4 * after)
                lines.append(f"{moment:%d.%m.%Y;%H:%M:%S};{door};;{word};;")
        place = self.folder / f"{week:04}.csv"
        place.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return place


def _site(number: int) -> Site:
    text = (
        f'[site]\nid = "site-{number:04}"\nname = "Site {number}"\ntime_zone = "Europe/Lisbon"\n'
        '[[chute]]\nid = "A"\nprofile = "semicolon-text"\n'
    )
    return parse_site(text, "site.toml")


def _reading(path: Path, site: Site, folder: Path) -> float:
    """Hashing, choosing, reading, keeping the bytes: what a week costs with nothing there."""
    folder.mkdir()
    began = time.process_time()
    (found,) = exports(path, None)
    source, size = digest(found.name, found.open)
    given = Given(found.name, found.open, source, size, Asked(None, None), RECEIVED)
    take(given, site, Profiles(None), folder, None)
    return time.process_time() - began


def _added(path: Path, store: Path, site: Site) -> float:
    began = time.process_time()
    import_paths([path], Store.open(store), site, received=RECEIVED)
    return time.process_time() - began


def _multiplied(one: Path, store: Path, chutes: int) -> None:
    """A store of as many sites, each with the exports of the one as exports of its own.

    Tables say whose they are, so each site has tables of its own; that of a site is as large as
    the others'. Files are linked where they can be the same.
    """
    manifest = next(iter(Store(one).state().manifests.values()))
    Store.open(store, create=True)
    sites = {}
    for number in range(chutes):
        site = _site(number)
        copied = manifest if number == 0 else _relabelled(manifest, site, number)
        for old, new in zip(_files(manifest), _files(copied), strict=True):
            (store / new).parent.mkdir(parents=True, exist_ok=True)
            if not (store / new).exists():
                (store / new).hardlink_to(one / old)
        if number:
            (store / copied.site_text).unlink()
            (store / copied.site_text).write_text(site.text, encoding="utf-8")
            checksums = dict(copied.checksums) | {
                copied.site_text: digest_of(store / copied.site_text)
            }
            copied = replace(copied, checksums=checksums)
        text = document(copied.to_json())
        place = f"manifests/{copied.site}-1-{named_by(text)}.json"
        (store / "manifests").mkdir(exist_ok=True)
        (store / place).write_text(text, encoding="utf-8")
        sites[copied.site] = place
    root = json.loads((store / ROOT).read_text(encoding="utf-8"))
    root |= {"generation": 1, "sites": sites}
    (store / ROOT).write_text(document(root), encoding="utf-8")


def _files(manifest: Manifest) -> list[str]:
    """Every file of a manifest in an order that does not depend on names."""
    files = [manifest.site_text]
    for export in manifest.exports:
        files += [export.original, export.profile_text, export.site_text]
        files += [file for reading in export.readings for file in (reading.file, reading.solo)]
    return files + [stretch.file for stretch in manifest.stretches]


def _relabelled(manifest: Manifest, site: Site, number: int) -> Manifest:
    """The manifest as that of another site: sources and files have names of their own."""
    names: dict[str, str] = {}

    def named(file: str) -> str:
        if file.startswith("events/"):
            return file.replace(manifest.site, site.id)
        if file.startswith("originals/"):
            source = _source(Path(file).stem, number)
            return f"originals/{source[:2]}/{source}.zst"
        if file.startswith(f"texts/{manifest.site}"):
            return f"texts/{site.id}-{sha256(site.text.encode()).hexdigest()[:24]}.toml"
        return file

    def reading(one: Reading) -> Reading:
        return replace(one, file=named(one.file), solo=named(one.solo))

    def export(one: Export) -> Export:
        source = _source(one.source, number)
        return replace(
            one, source=source, kept=source, original=named(one.original),
            site_text=named(one.site_text), readings=tuple(map(reading, one.readings)),
        )  # fmt: skip

    def stretch(one: Stretch) -> Stretch:
        owned = {_source(source, number): lines for source, lines in one.owned.items()}
        return replace(
            one, made_of=tuple(sorted(map(named, one.made_of))), file=named(one.file), owned=owned
        )

    for file in manifest.files():
        names[file] = named(file)
    return replace(
        manifest, site=site.id, site_text=named(manifest.site_text),
        exports=tuple(map(export, manifest.exports)),
        stretches=tuple(map(stretch, manifest.stretches)),
        checksums={names[file]: digest for file, digest in manifest.checksums.items()},
    )  # fmt: skip


def _source(source: str, number: int) -> str:
    return sha256(f"{source} {number}".encode()).hexdigest() if number else source


if __name__ == "__main__":
    raise SystemExit(main())

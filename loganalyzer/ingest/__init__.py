"""The import: exports → store. Each export lands whole, or not at all.

    unpack → hash → choose profile and chute → read (compressing the original meanwhile)
    → commit: move the files into the store, merge what overlaps, replace the root file

Small exports share a commit, so that 52 weekly files do not mean 52 merges.
"""

import math
import time
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from loganalyzer.cluster import Spread
from loganalyzer.errors import AnalyzerError, InputError, StoreError
from loganalyzer.ingest import reports
from loganalyzer.ingest.choice import Profiles
from loganalyzer.ingest.reports import ExportReport, ImportReport
from loganalyzer.ingest.stretches import Place, restretched
from loganalyzer.ingest.taking import (
    Asked,
    Given,
    Progress,
    Taken,
    TooOld,
    digest,
    keep,
    landed,
    take,
)
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers.unpack import Export, Limits, exports, files
from loganalyzer.site import Site, parse_site
from loganalyzer.store import Store
from loganalyzer.store.change import Change
from loganalyzer.store.contents import ledger_row
from loganalyzer.store.disk import told_as_store_error
from loganalyzer.store.evidence import original
from loganalyzer.store.manifest import Export as Entry
from loganalyzer.store.manifest import Manifest

TOGETHER_S = 2.0
SHARE_BYTES = 16 << 20  # of small files; a larger one is a share of its own


def import_paths(
    paths: Iterable[Path],
    store: Store,
    site: Site,
    *,
    received: datetime,
    chute: str | None = None,
    profile: str | None = None,
    limits: Limits | None = None,
    kept: Mapping[str, Profile] | None = None,
    progress: Progress | None = None,
    tell: Callable[[str], None] = lambda line: None,
    spread: Spread | None = None,
) -> ImportReport:
    """Take exports into a store.

    Args:
        paths: Files or folders; packed ones are read as they are.
        store: Where they are kept.
        site: The site they come from.
        received: Now, with a zone.
        chute: Of all these exports; null: chosen for each.
        profile: Likewise: a name or a path.
        limits: How far packed files may expand; null: the defaults.
        kept: Profiles by file name, for those that are not beside the site file any more.
        progress: Told how far it is.
        tell: Called with one line when another importer has to be waited for.
        spread: Who reads the exports, if not this process, which lands them in any case. Paths
            and store must be the same there.

    Raises:
        SettingsError: The site or a profile it names is wrong.
        StoreError: The store cannot be written; exports that had landed stay.
    """
    if chute is not None:
        site.chute(chute)
    with store.incoming() as folder:
        job = _Job(store, site, received, Asked(chute, profile), folder, progress, tell)
        job.profiles.kept.update(kept or {})
        if profile is not None:
            job.profiles.load(profile)
        if spread is None:
            for path in paths:
                for found in exports(path, limits):
                    job.add(found)
        else:
            for part in spread.map(_read_apart, job.shared_out(paths, limits, spread), "import"):
                job.take_over(part)
        return job.finish()


def undo(
    store: Store, source: str, *, tell: Callable[[str], None] = lambda line: None
) -> ExportReport:
    """Take one export out again: the store is as if it had never been imported.

    Args:
        store: Where it is kept.
        source: Its SHA-256, the unique beginning of it, or its name.
        tell: As for `import_paths`.

    Raises:
        UsageError: There is none, or several.
    """
    with store.incoming() as aside, store.writing(tell) as change:
        site, entry = change.state.named(source)
        manifest = change.manifests[site]
        report = _report(manifest, entry)
        place = Place(store.file, aside, change.land)
        change.manifests[site] = restretched(manifest.without(entry.source), place)
    return replace(report, status=reports.TAKEN_OUT, exit_status=0)


def again(
    store: Store,
    site: Site,
    *,
    received: datetime,
    chute: str | None = None,
    profile: str | None = None,
    progress: Progress | None = None,
    tell: Callable[[str], None] = lambda line: None,
) -> ImportReport:
    """Read the kept originals of a site again, after its file or a profile was changed.

    Each is read as it was asked for when it was imported, unless `chute` or `profile` say
    otherwise. One that cannot be read now stays as it was, and is reported. All land at once.

    Args:
        store: Where they are kept.
        site: The site as it is to be; `store.site(id)` for the one kept.
        received: Now; a year that stamps lack is still bounded by when they were imported.
        chute: For all of them, and `profile`: null: as before.
        profile: A name or a path.
        progress: As for `import_paths`, and `tell`.
        tell: As there.
    """
    (manifest,) = store.state().of(site.id)
    with store.incoming() as folder:
        job = _Job(store, site, received, Asked(chute, profile), folder, progress, tell, anew=True)
        for entry in manifest.exports:
            text = store.file(entry.profile_text).read_text(encoding="utf-8")
            job.profiles.kept[Path(entry.profile_file).name] = parse_profile(
                text, entry.profile_file
            )
            job.add_again(entry)
        return job.finish()


@dataclass
class _Job:
    """One call of import or again: what was read and waits to land, and what is to report."""

    store: Store
    site: Site
    received: datetime
    asked: Asked
    folder: Path
    progress: Progress | None
    tell: Callable[[str], None]
    anew: bool = False
    waiting: list[tuple[int, Taken]] = field(default_factory=list)
    done: dict[int, ExportReport] = field(default_factory=dict)
    messages: list[str] = field(default_factory=list)
    since: float = 0.0
    count: int = 0
    together_s: float = TOGETHER_S

    def __post_init__(self) -> None:
        self.profiles = Profiles(Path(self.site.file) if self.site.file else None)
        manifest = self.store.state().manifests.get(self.site.id)
        self.kept_from = None if manifest is None else manifest.kept_from

    def add(self, found: Export | InputError) -> None:
        """Read one export; it lands with the next commit."""
        self.count += 1
        if isinstance(found, InputError):
            self.done[self.count] = reports.failed(found.where, found)
            return
        source = None
        try:
            source, size = digest(found.name, found.open)
            state = self.store.state()
            known, mine = state.export(source), state.manifests.get(self.site.id)
            if known is not None:
                told = self._restored(found, *known)
                report = self._known(found.name, *known)
                self.done[self.count] = replace(report, messages=report.messages + told)
            elif mine is not None and source in mine.retired:
                raise TooOld(found.name, reports.day(mine.kept_from or mine.retired[source]))
            elif any(one.entry.source == source for _, one in self.waiting):
                self.done[self.count] = ExportReport(
                    found.name, reports.KNOWN, source, self.site.id
                )
            else:
                self._take(
                    Given(found.name, found.open, source, size, self.asked, self.received,
                          kept_from=self.kept_from, problems=found.problems)
                )  # fmt: skip
        except StoreError:
            raise
        except AnalyzerError as error:
            self.done[self.count] = reports.failed(found.name, error, source)

    def add_again(self, entry: Entry) -> None:
        """Read a kept original; asked for as before unless this call says otherwise."""
        self.count += 1
        chute = self.asked.chute or entry.asked_chute
        asked = Asked(chute, self.asked.profile or entry.asked_profile)
        received = datetime.fromtimestamp(entry.imported_at / 1e6, UTC)
        opener = partial(original, self.store.file(entry.original))
        given = Given(
            entry.name, opener, entry.source, entry.size, asked, received, held=entry,
            kept_from=self.kept_from,
        )  # fmt: skip
        try:
            self._take(given)
        except StoreError:
            raise
        except AnalyzerError as error:
            self.done[self.count] = reports.failed(entry.name, error, entry.source)

    def finish(self) -> ImportReport:
        """Land what waits."""
        self._land()
        done = tuple(report for _, report in sorted(self.done.items()))
        return ImportReport(done, tuple(self.messages))

    def shared_out(
        self, paths: Iterable[Path], limits: Limits | None, spread: Spread
    ) -> list["_Share"]:
        """The files below the paths, as shares of work; what is none is reported."""
        share = _Share(
            self.store.path, self.site, self.received, self.asked, self.folder, self.profiles.kept,
            limits,
        )  # fmt: skip
        sized: list[tuple[Path, int]] = []
        for file in (file for path in paths for file in files(path)):
            if isinstance(file, InputError):
                self.add(file)
            else:
                sized.append((file, file.stat().st_size if file.is_file() else 0))
        most = min(SHARE_BYTES, sum(size for _, size in sized) // (4 * spread.workers))
        shares: list[list[Path]] = []
        room = -1
        for file, size in sized:
            if room < size:
                shares.append([])
                room = most
            shares[-1].append(file)
            room -= size
        return [replace(share, files=tuple(one)) for one in shares]

    def take_over(self, part: "_Part") -> None:
        """Take what another process read, as if it had been read here."""
        for line in part.told:
            self.tell(line)
        here = {taken.entry.source for _, taken in self.waiting}
        self.done |= {self.count + number: report for number, report in part.done.items()}
        for number, taken in part.waiting:
            if taken.entry.source in here:
                self.done[self.count + number] = ExportReport(
                    taken.entry.name, reports.KNOWN, taken.entry.source, self.site.id
                )
            else:
                self.waiting.append((self.count + number, taken))
        self.count += part.count
        self._land_in_time()

    def _take(self, given: Given) -> None:
        folder = self.folder / str(self.count)
        with told_as_store_error(self.store.path):
            folder.mkdir()
            taken = take(given, self.site, self.profiles, folder, self.progress)
            self.waiting.append((self.count, taken))
        self._land_in_time()

    def _land_in_time(self) -> None:
        self.since = self.since or time.monotonic()
        if not self.anew and time.monotonic() - self.since > self.together_s:
            self._land()

    def _land(self) -> None:
        """Bring what waits into the store, in one step."""
        if not self.waiting and not self.anew:
            return
        with self.store.writing(self.tell) as change:
            before = change.manifests.get(self.site.id)
            self.messages += _zone_changed(change, self.site) if not self.anew else []
            text = change.keep_text(self.site.text, self.site.id)
            manifest = before or Manifest(self.site.id, text, self.site.file)
            if manifest.kept_from != self.kept_from:
                raise StoreError(
                    str(self.store.path), "retention meanwhile by somebody else", "none",
                    "Import again: what is older than is kept now must be left out",
                )  # fmt: skip
            manifest = replace(manifest, site_text=text, site_file=self.site.file)
            fresh = []
            for number, taken in self.waiting:
                known = change.state.export(taken.entry.source)
                if known is not None and not self.anew:  # another importer was quicker
                    self.done[number] = self._known(taken.entry.name, *known)
                elif known is not None or not self.anew:  # not undone since it was read again
                    fresh.append((number, taken, landed(taken, change, self.site.id, text)))
            manifest = manifest.with_exports(*(entry for _, _, entry in fresh))
            place = Place(self.store.file, self.folder, change.land)
            change.manifests[self.site.id] = manifest = restretched(manifest, place)
        self.done |= {number: _report(manifest, entry, taken) for number, taken, entry in fresh}
        self.waiting, self.since = [], 0.0

    def _restored(self, found: Export, site: str, entry: Entry) -> tuple[str, ...]:
        """Keep the original of a known export again, if it was lost; what to tell of it."""
        lost = not (self.store.path / entry.original).exists()
        if site != self.site.id or entry.kept != entry.source or not lost:
            return ()
        folder = self.folder / str(self.count)
        with told_as_store_error(self.store.path):
            folder.mkdir()
            written = keep(found.open, found.name, folder)
        with self.store.writing(self.tell) as change:
            change.land(written, entry.original)
        return (f"{found.name}: its kept original was lost, and is there again.",)

    def _known(self, name: str, site: str, entry: Entry) -> ExportReport:
        if site != self.site.id:
            error = InputError(
                name, f'an export that the site "{site}" holds already', "one of this site",
                f"If it belongs here, first import --undo {entry.source[:12]}",
            )  # fmt: skip
            return reports.failed(name, error, entry.source)
        (manifest,) = self.store.state().of(site)
        report = _report(manifest, entry)
        return replace(report, name=name, status=reports.KNOWN, exit_status=0)


@dataclass(frozen=True)
class _Share:
    """Files for another process to read, and all that it must know for that."""

    store: Path
    site: Site
    received: datetime
    asked: Asked
    folder: Path
    kept: Mapping[str, Profile]
    limits: Limits | None
    files: tuple[Path, ...] = ()


@dataclass(frozen=True)
class _Part:
    """What another process read: reports, exports that wait to land, and lines to tell."""

    done: dict[int, ExportReport]
    waiting: list[tuple[int, Taken]]
    count: int
    told: list[str]


def _read_apart(share: _Share) -> _Part:
    """Read the files of a share into a folder of their own, where another process lands them."""
    told: list[str] = []
    folder = share.folder / uuid.uuid4().hex
    store = Store.open(share.store)
    with told_as_store_error(store.path):
        folder.mkdir()
    job = _Job(
        store, share.site, share.received, share.asked, folder, None, told.append,
        together_s=math.inf,
    )  # fmt: skip
    job.profiles.kept.update(share.kept)
    for file in share.files:
        for found in exports(file, share.limits):
            job.add(found)
    return _Part(job.done, job.waiting, job.count, told)


def _zone_changed(change: Change, site: Site) -> list[str]:
    """Tell if exports were read with another time zone than the site file names now."""
    manifest = change.state.manifests.get(site.id)
    if manifest is None or not manifest.exports:
        return []
    before = parse_site((change.path / manifest.site_text).read_text("utf-8"), site.file)
    if before.time_zone == site.time_zone:
        return []
    return [
        f"{site.id}: the site file now says {site.time_zone}, earlier exports were read with "
        f"{before.time_zone}. Run import --again."
    ]


def _report(manifest: Manifest, entry: Entry, taken: Taken | None = None) -> ExportReport:
    row = ledger_row(manifest, entry)
    del row["imported_at"]
    for end in ("first", "last"):
        row[end] = None if row[end] is None else datetime.fromtimestamp(row[end] / 1e6, UTC)
    worst = reports.exit_status(entry.status, taken is not None and taken.damaged)
    messages = () if taken is None else taken.messages
    return ExportReport(**row, messages=messages, exit_status=worst)

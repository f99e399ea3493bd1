"""Rebuild what can be rebuilt from the originals, and say what cannot.

Nothing that could not be rebuilt is thrown away: damaged originals, and originals that no
manifest names any more, are set aside in the store's folder `damaged/`, from where they can be
imported again. The root file first, then the manifests, then the tables in one change: a stop
in between leaves a store that can be repaired again.
"""

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from loganalyzer.errors import AnalyzerError
from loganalyzer.ingest.stretches import Place, restretched
from loganalyzer.ingest.taking import Taken, landed, reread
from loganalyzer.profile import load_profile, shipped_profiles
from loganalyzer.site import load_site
from loganalyzer.store import Store
from loganalyzer.store.change import Change
from loganalyzer.store.disk import told_as_store_error
from loganalyzer.store.manifest import Export, Manifest
from loganalyzer.upkeep.problems import (
    EXPORT,
    MANIFEST,
    ORIGINAL,
    ROOT,
    SETTINGS,
    STRETCH,
    TABLE,
    Checked,
    Problem,
)
from loganalyzer.upkeep.roots import DAMAGED, rerooted, set_aside
from loganalyzer.upkeep.wholeness import check

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Repaired:
    """What a repair did.

    Attributes:
        done: What was rebuilt, one line each.
        lost: What could not be, and what to do, one line each.
        checked: The check afterwards.
    """

    done: tuple[str, ...]
    lost: tuple[str, ...]
    checked: Checked

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {**asdict(self), "checked": self.checked.as_dict()}


def repair(path: Path, *, tell: Tell = lambda line: None) -> Repaired:
    """Repair a store.

    Args:
        path: Its folder.
        tell: Called with one line for what takes long.

    Raises:
        StoreError: There is no store, it is from a newer version, or cannot be written.
    """
    found = check(path, tell=tell)
    if found.whole:
        return Repaired((), (), found)
    work = _Work(path, [], [], tell)
    if any(problem.about in (ROOT, MANIFEST) for problem in found.problems):
        with told_as_store_error(path):
            done, lost = rerooted(path, found.problems)
        work.done += done
        work.lost += lost
        found = check(path, tell=tell)
    if not found.whole:
        _mend(work, found.problems)
        found = check(path, tell=tell)
    return Repaired(tuple(work.done), tuple(work.lost), found)


@dataclass
class _Work:
    path: Path
    done: list[str]
    lost: list[str]
    tell: Tell


def _mend(work: _Work, problems: Iterable[Problem]) -> None:
    """Bring the files and tables of every site up to its originals, in one change."""
    store = Store(work.path)
    with store.incoming() as aside, store.writing(work.tell) as change:
        for site, manifest in change.state.manifests.items():
            mine = [problem for problem in problems if problem.site == site]
            if mine:
                change.manifests[site] = _mended(work, change, manifest, mine, aside)


def _mended(
    work: _Work, change: Change, manifest: Manifest, problems: list[Problem], aside: Path
) -> Manifest:
    """A manifest of which every file is there, as far as that can be."""
    bad = {p.file for p in problems if p.file and not _restored(work, change, manifest, p)}
    wrong = {p.source for p in problems if p.about in (EXPORT, TABLE) and p.source}
    for problem in problems:
        if problem.about == ORIGINAL and set_aside(change.path, problem.file or ""):
            work.lost.append(f"{problem.file} is damaged: set aside in {DAMAGED}/. {problem.fix}.")
    if manifest.sums in bad:
        set_aside(change.path, manifest.sums or "")
        work.lost.append(f"{manifest.site}: the monthly sums of what retention removed.")
        manifest = replace(manifest, sums=None)
    if manifest.done in bad:
        set_aside(change.path, manifest.done or "")
        work.lost.append(f"{manifest.site}: work and campaigns that were told in the dashboard.")
        manifest = replace(manifest, done=None)
    exports = []
    for number, export in enumerate(manifest.exports):
        if export.source not in wrong:
            exports.append(export)
            continue
        found = _reread(work, change, manifest.site, export, bad, aside / str(number))
        exports += [found] if found else []
    broken = {p.file for p in problems if p.about == STRETCH} | bad
    stretches = tuple(one for one in manifest.stretches if one.file not in broken)
    for one in manifest.stretches:
        if one.file in broken and len(one.made_of) > 1:
            work.done.append(f"{one.file}: merged anew from its exports.")
    manifest = replace(manifest, exports=tuple(exports), stretches=stretches)
    return restretched(manifest, Place(change.path.joinpath, aside, change.land))


def _reread(
    work: _Work, change: Change, site: str, export: Export, bad: set[str], folder: Path
) -> Export | None:
    """An export with new tables from its original; null if nothing of it can be read."""
    folder.mkdir()
    intact = not bad & {file for r in export.readings for file in (r.file, r.solo)}
    intact = intact and export.rejects not in bad
    try:
        if bad & {export.original, export.profile_text, export.site_text}:
            raise FileNotFoundError
        work.tell(f"reading {export.name} again")
        entry = reread(export, change.path, folder)
        text = (change.path / export.profile_text).read_text(encoding="utf-8")
    except (AnalyzerError, FileNotFoundError) as error:
        if intact:
            work.lost.append(f"{export.name}: left as it is, for it cannot be read again: {error}")
            return export
        if not (change.path / export.original).exists() or set_aside(change.path, export.original):
            work.lost.append(
                f"{export.name}: neither its tables nor all that they are made from can be read; "
                f"taken out. Import it again, from where it came or from {DAMAGED}/."
            )
        return None
    work.done.append(f"{export.name}: its tables were made anew from its original.")
    return landed(Taken(entry, text, (), False), change, site, export.site_text)


def _restored(work: _Work, change: Change, manifest: Manifest, problem: Problem) -> bool:
    """Put a settings file back from another copy, if one is found."""
    if problem.about != SETTINGS or problem.file in (None, manifest.done):
        return False
    assert problem.file is not None
    name, wanted = Path(problem.file).stem.rsplit("-", 1)
    for text in _copies(manifest, problem.file):
        if change.text_place(text, name) == problem.file:
            change.keep_text(text, name)
            work.done.append(f"{problem.file}: put back from another copy.")
            return True
    work.lost.append(
        f"{problem.file}: no copy of it was found. Put the file back as it was where it came "
        f"from (SHA-256 {wanted}…) and repair again, or run import --again --site SITE.toml."
    )
    return False


def _copies(manifest: Manifest, file: str) -> Iterable[str]:
    """The texts of the files that a kept settings file may have come from."""
    of_site = {manifest.site_text, *(e.site_text for e in manifest.exports)}
    profiles = [e.profile_file for e in manifest.exports if e.profile_text == file]
    with suppress(AnalyzerError):
        if file in of_site:
            yield load_site(Path(manifest.site_file)).text
    for name in dict.fromkeys([*profiles, *shipped_profiles()]):
        with suppress(AnalyzerError):
            yield load_profile(name, None).text

"""What the root file of a store names: the store at one moment."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from loganalyzer.errors import UsageError
from loganalyzer.store import sources
from loganalyzer.store.manifest import Export, Manifest


class Manifests(Mapping[str, Manifest]):
    """The manifests by site, each read when it is asked for."""

    def __init__(self, files: Mapping[str, str], load: Callable[[str], Manifest]) -> None:
        self._files, self._load = files, load

    def __getitem__(self, site: str) -> Manifest:
        return self._load(self._files[site])

    def __contains__(self, site: object) -> bool:
        return site in self._files

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)


@dataclass(frozen=True)
class State:
    """The sites of a store, and the files that their manifests stand in."""

    path: Path
    generation: int
    manifests: Mapping[str, Manifest]
    files: Mapping[str, str]
    before: tuple[str, ...] = ()

    def export(self, source: str) -> tuple[str, Export] | None:
        """The site and the export of a source, if it is known."""
        site = sources.site_of(self.path, self.files, self.manifests, source)
        found = [] if site is None else self.manifests[site].exports
        return next(((str(site), export) for export in found if export.source == source), None)

    def of(self, site: str | None) -> list[Manifest]:
        """The manifest of one site, or of all.

        Raises:
            UsageError: There is no such site.
        """
        if site is None:
            return list(self.manifests.values())
        if site in self.manifests:
            return [self.manifests[site]]
        known = ", ".join(sorted(self.manifests)) or "none: nothing was imported yet"
        raise UsageError("site", repr(site), known, "Give the id of a site in this store")

    def named(self, source: str) -> tuple[str, Export]:
        """The site and the export that a person means.

        Args:
            source: SHA-256, the unique beginning of one, or an export's name.

        Raises:
            UsageError: There is none, or several.
        """
        if re.fullmatch("[0-9a-f]{64}", source) and (exact := self.export(source)):
            return exact
        known = [(site, one) for site, m in self.manifests.items() for one in m.exports]
        found = [(site, one) for site, one in known if source in (one.source, one.name)]
        found = found or [pair for pair in known if source and pair[1].source.startswith(source)]
        found = found or [pair for pair in known if Path(pair[1].name).name == source]
        if len(found) == 1:
            return found[0]
        names = ", ".join(f"{one.source[:12]} {one.name}" for _, one in (found or known)[:5])
        raise UsageError(
            f"source {source!r}", f"{len(found) or 'no'} exports of that name",
            f"one of {names}" if names else "an export that was imported",
            "Give the SHA-256 of the export as the table imports shows it",
        )  # fmt: skip

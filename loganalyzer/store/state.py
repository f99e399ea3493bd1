"""What the root file of a store names: the store at one moment."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from loganalyzer.errors import UsageError
from loganalyzer.store.manifest import Export, Manifest


@dataclass(frozen=True)
class State:
    """The sites of a store, and the files that their manifests stand in."""

    generation: int
    manifests: Mapping[str, Manifest]
    files: Mapping[str, str]
    before: tuple[str, ...] = ()

    def export(self, source: str) -> tuple[str, Export] | None:
        """The site and the export of a source, if it is known."""
        for site, manifest in self.manifests.items():
            for export in manifest.exports:
                if export.source == source:
                    return site, export
        return None

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

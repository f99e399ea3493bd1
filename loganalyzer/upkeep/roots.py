"""A damaged root file or manifest: the newest manifest of each site that is whole is named again.

What the lost ones alone named is not lost: originals that nothing names now are set aside.
"""

import json
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from loganalyzer.errors import StoreError
from loganalyzer.store import ROOT, Store, named_by
from loganalyzer.store.change import begin, turn
from loganalyzer.store.disk import document, flush, land_text
from loganalyzer.store.formats import FORMAT
from loganalyzer.store.manifest import Manifest
from loganalyzer.upkeep.problems import ROOT as ROOT_PROBLEM
from loganalyzer.upkeep.problems import Problem

DAMAGED = "damaged"
NAME = re.compile(r"(?P<site>.+)-(?P<generation>\d+)-[0-9a-f]+")


def rerooted(path: Path, problems: Iterable[Problem]) -> tuple[list[str], list[str]]:
    """Name a whole manifest for every site again.

    Args:
        path: The store.
        problems: That were found.

    Returns:
        What was done, and what was lost, one line each.

    Raises:
        StoreError: No manifest is left that can be read.
    """
    store = Store(path)
    with turn(path / "lock", lambda line: None):
        whole = _manifests(store)
        if any(problem.about == ROOT_PROBLEM for problem in problems):
            format_ = max((one[0] for one in whole), default=FORMAT)
            old: dict[str, Any] = {"format": format_, "generation": 0, "sites": {}}
            wanted = {site for _, site, *_ in whole}
        else:
            old = store.root()
            wanted = {str(p.site) for p in problems if p.file in old["sites"].values()}
        newest = {
            site: (generation, file, manifest)
            for format_, site, generation, file, manifest in sorted(whole, key=lambda one: one[:3])
            if format_ == old["format"]
        }
        if not newest:
            raise StoreError(
                str(path), "no manifest that can be read", "one at least",
                "Import the files in originals/ into a new store",
            )  # fmt: skip
        sites = {**old["sites"], **{s: newest[s][1] for s in wanted if s in newest}}
        gone = sorted(wanted - newest.keys())
        sites = {site: file for site, file in sites.items() if site not in gone}
        aside = _unnamed(store, sites, old["format"])
        generation = max([old["generation"], *(one[0] for one in newest.values())]) + 1
        root = {**old, "generation": generation, "sites": sites, "before": []}
        begin(path)
        land_text(document(root), path / ROOT)
        flush(path)
    done = [f"{ROOT}: names {sites[s]} for {s} now." for s in sorted(wanted & sites.keys())]
    lost = [f"{site}: no manifest of it can be read; import its exports again." for site in gone]
    if aside:
        lost.append(
            f"{aside} originals that no manifest names now, set aside in {DAMAGED}/. Those that "
            f"were taken in last can be imported from there; undone ones are among them."
        )
    return done, lost


def set_aside(path: Path, file: str) -> bool:
    """Move a file of the store to `damaged/`; whether there was one."""
    if not file or not (path / file).is_file():
        return False
    target = path / DAMAGED / Path(file).name
    target.parent.mkdir(exist_ok=True)
    (path / file).replace(target)
    flush(target.parent)
    flush((path / file).parent)
    return True


def _manifests(store: Store) -> list[tuple[int, str, int, str, Manifest]]:
    """Every manifest that is whole: format, site, generation, file, and itself."""
    found = []
    for path in sorted((store.path / "manifests").glob("*.json")):
        name = NAME.fullmatch(path.stem)
        with suppress(OSError, ValueError, StoreError):
            text = path.read_text(encoding="utf-8")
            format_ = 2 if "checksums" in json.loads(text) else 1
            if name and (format_ == 1 or path.stem.endswith(named_by(text))):
                manifest = store.manifest(path, format_)
                file = f"manifests/{path.name}"
                found.append((format_, manifest.site, int(name["generation"]), file, manifest))
    return found


def _unnamed(store: Store, sites: dict[str, str], format_: int) -> int:
    """Set aside the originals that none of these manifests names; how many."""
    named: set[str] = set()
    for file in sites.values():
        with suppress(OSError, StoreError):
            named |= store.manifest(store.path / file, format_).files()
    originals = [path for path in (store.path / "originals").rglob("*") if path.is_file()]
    names = [path.relative_to(store.path).as_posix() for path in originals]
    return sum(set_aside(store.path, name) for name in names if name not in named)

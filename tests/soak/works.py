"""What is done to a store while it is disturbed: each a command, from one store to another."""

import shutil
import zipfile
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from loganalyzer.cli import main
from loganalyzer.store import ROOT, Store
from loganalyzer.upkeep.wholeness import check
from tests.exports import SITE, Log, write

OLD = Path(__file__).parent.parent / "data" / "store-format-1.zip"
ANALYZE = ("analyze", "--workers", "1")
Tables = tuple[pd.DataFrame, ...]


@dataclass(frozen=True)
class Work:
    """A command.

    Attributes:
        name: What it is called in the figures.
        start: The store it begins with: a folder of `bench`, null for none.
        goal: The store whose tables it is to bring.
        words: The command line, without the store.
        whole: Whether the store it begins with is whole.
    """

    name: str
    start: str | None
    goal: str
    words: tuple[str, ...]
    whole: bool = True


@dataclass(frozen=True)
class Bench:
    """A folder with exports and the stores that works begin and end with."""

    folder: Path
    exports: tuple[Path, ...]

    @property
    def store(self) -> Path:
        """The store that is disturbed."""
        return self.folder / "work" / "store"

    def importing(self, *exports: Path) -> tuple[str, ...]:
        """The words of an import."""
        return ("import", *map(str, exports), "--site", str(self.folder / "quay.toml"))

    def works(self) -> dict[str, Work]:
        """All works by name."""
        every = self.importing(*self.exports)
        works = (
            Work("import into a new store", None, "all", every),
            Work("import", "some", "all", every),
            Work("undo", "all", "less", ("import", "--undo", self.exports[1].name)),
            Work("import --again", "all", "all", ("import", "--again")),
            Work("upgrade", "old", "old", ("upgrade",)),
            Work("retain", "all", "kept", retaining()),
            Work("analyze", "all", "analyzed", ANALYZE),
            Work("check --repair", "broken", "all", ("check", "--repair"), whole=False),
        )
        return {work.name: work for work in works}

    def begin(self, work: Work) -> None:
        """Put the store in place that a work begins with."""
        shutil.rmtree(self.store.parent, ignore_errors=True)
        self.store.parent.mkdir(parents=True)
        if work.start is not None:
            shutil.copytree(self.folder / work.start, self.store)


def bench(folder: Path, exports: int = 5) -> Bench:
    """Make the exports, and the stores by undisturbed commands; to be called in a child."""
    folder.mkdir(parents=True)
    log = Log("2025-03-03 08:00:00")
    for number in range(12 * exports + 20):
        log.event(6 * 3600, str(number % 7), "BUTTON")
        if number == 30:
            log.set_clock(45)
        if number == 44:
            log.power_cut(600)
            log.put_right()
    parts = [[*log.lines[n * 12 : n * 12 + 20], "no line of a log"] for n in range(exports)]
    made = Bench(folder, tuple(write(folder / "in" / f"{n}.csv", p) for n, p in enumerate(parts)))
    (folder / "quay.toml").write_text(SITE, encoding="utf-8")
    for name, taken in (("some", made.exports[:2]), ("all", made.exports)):
        for export in taken:  # one import each, so that there are generations
            run(folder / name, made.importing(export))
    shutil.copytree(folder / "all", folder / "less")
    run(folder / "less", ("import", "--undo", made.exports[1].name))
    shutil.copytree(folder / "all", folder / "kept")
    run(folder / "kept", retaining())
    shutil.copytree(folder / "all", folder / "analyzed")
    run(folder / "analyzed", ANALYZE)
    with zipfile.ZipFile(OLD) as archive:
        archive.extractall(folder / "unpacked")
    (folder / "unpacked" / "store").rename(folder / "old")
    shutil.copytree(folder / "all", folder / "broken")
    damage(folder / "broken")
    return made


def retaining() -> tuple[str, ...]:
    """The words of a retention whose limit lies within the second export."""
    days = (datetime.now(UTC).date() - date(2025, 3, 7)).days
    return ("retain", "--keep", f"{days}d", "--yes")


def prepared(folder: Path, exports: int) -> Bench:
    """A bench, and everything done once, so that it is known what is imported for it."""
    made = bench(folder, exports)
    repairing = made.works()["check --repair"]
    made.begin(repairing)
    judge(made, repairing)
    return made


def damage(store: Path) -> None:
    """Take a reading, a stretch and a settings file away from a store."""
    (manifest,) = Store.open(store).state().manifests.values()
    merged = next(one for one in manifest.stretches if len(one.made_of) > 1)
    for file in (manifest.exports[0].readings[0].file, merged.file, manifest.site_text):
        (store / file).unlink()


def run(store: Path, words: tuple[str, ...]) -> int:
    """A command on a store; its exit status."""
    return main([*words, "--store", str(store)])


def tables(store: Path) -> Tables:
    """Timeline, ledger, rejects and monthly sums, without the moment of the import."""
    opened = Store.open(store)
    timeline = opened.timeline()
    imports = opened.imports().drop(columns="imported_at")
    rejects = opened.rejects()
    words = {n: "object" for n in timeline if isinstance(timeline[n].dtype, pd.CategoricalDtype)}
    return (
        timeline.astype(words),
        imports.sort_values("source", ignore_index=True),
        rejects.sort_values(["source", "line"], ignore_index=True),
        opened.sums(),
    )


def same(one: Tables, other: Tables) -> bool:
    """Whether all tables are the same."""
    return all(a.equals(b) for a, b in zip(one, other, strict=True))


def derived(store: Path) -> dict[str, bytes]:
    """What was worked out from the logs, file by file."""
    return {
        path.relative_to(store).as_posix(): path.read_bytes()
        for path in sorted((store / "derived").rglob("*"))
        if path.is_file()
    }


def judge(bench: Bench, work: Work, finish: bool = True) -> tuple[str, str]:
    """What became of a store; to be called in a child.

    Returns:
        "before", "after" or "part" (some exports of an import landed, each whole), and what is
        wrong, "" if nothing is.
    """
    store, goal = bench.store, tables(bench.folder / work.goal)
    fresh = not (store / ROOT).exists() and work.start is None
    state, wrong = ("before", "") if fresh else _state(bench, work, goal)
    if wrong or not finish:
        return state, wrong
    status = run(store, work.words)
    if status and not (work.name == "undo" and state == "after"):
        return state, f"done again, it ends with {status}"
    if not same(tables(store), goal):
        return state, "done again, it gives other tables"
    if not _analysed(bench, work):
        return state, "done again, it gives other derived files"
    found = check(store, reread=False)  # what it gives was just compared
    return state, "" if found.whole else f"done again: {found.problems[0]}"


def _state(bench: Bench, work: Work, goal: Tables) -> tuple[str, str]:
    store = bench.store
    found = check(store)
    start = None if work.start is None else bench.folder / work.start
    if not work.whole and not found.whole:
        return "before", ""
    if not found.whole:
        return "?", str(found.problems[0])
    now = tables(store)
    if same(now, goal) and _analysed(bench, work):
        return "after", ""
    if start is not None and same(now, tables(start)):
        return "before", ""
    if work.words[0] == "import" and work.goal == "all":
        return _part(bench, now)
    return "?", "neither as it was before nor as it is to be"


def _analysed(bench: Bench, work: Work) -> bool:
    """Whether derived files are as they are to be; only `analyze` has to bring them."""
    return work.words != ANALYZE or derived(bench.store) == derived(bench.folder / work.goal)


def _part(bench: Bench, now: Tables) -> tuple[str, str]:
    """A part of the exports landed: the tables are those of an import of just these."""
    landed = [path for path in bench.exports if path.as_posix() in set(now[1]["name"])]
    if not landed:
        return ("before", "") if now[0].empty else ("?", "events of no export")
    aside = bench.folder / "part"
    shutil.rmtree(aside, ignore_errors=True)
    run(aside, bench.importing(*landed))
    return "part", "" if same(now, tables(aside)) else "other tables than those of what landed"


def attempt(store: Path, words: tuple[str, ...], prepare: Any) -> int:
    """Run a command after a preparation of the process; to be called in a child."""
    prepare()
    return run(store, words)

"""Nothing lost: imports killed, failed and crowded, and what became of the store each time.

    python -m tests.soak.crashes --kills 500          # everything, some minutes
    python -m tests.soak.crashes --kills 20 --quick   # what the tests run

After each disturbance: the store opens, a check finds it whole, it is as before or as after (or,
of an import, some exports landed, each whole), and the same command once more brings exactly the
tables of an undisturbed one. The command that was disturbed ends well or says one clear line.
Prints how many were survived; ends with 1 if any was not.
"""

import argparse
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from pathlib import Path

from tests.soak.calls import ERRORS, Calls, failing, kill
from tests.soak.children import Child, done, start, warm
from tests.soak.works import Bench, Work, attempt, judge, prepared, run, same, tables

TRACE = ("Traceback", "mistake in the program")


@dataclass
class Tally:
    """How many of one kind of disturbance were survived."""

    what: str
    states: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def add(self, how: str, verdict: tuple[str, str]) -> None:
        state, wrong = verdict
        self.states[state] += 1
        if wrong:
            self.wrong.append(f"{how}: {wrong}")

    def line(self) -> str:
        tried = sum(self.states.values())
        states = ", ".join(f"{state} {count}" for state, count in sorted(self.states.items()))
        return f"{self.what}: {tried - len(self.wrong)} of {tried} survived ({states})"


def main() -> int:
    options = _options()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="crashes-") as folder:
        os.environ["SOAK_FOLDER"] = folder
        made = warm(prepared, Path(folder, "bench"), 3 if options.quick else 5)
        chance = random.Random(options.seed)
        tallies = []
        for tally in _all(made, options, chance):
            print(tally.line(), flush=True)
            for wrong in tally.wrong[:5]:
                print(f"  NOT SURVIVED: {wrong}", flush=True)
            tallies.append(tally)
    tried = sum(sum(tally.states.values()) for tally in tallies)
    lost = sum(len(tally.wrong) for tally in tallies)
    seconds = time.monotonic() - began
    print(f"{tried - lost} of {tried} disturbances survived, seed {options.seed}, {seconds:.0f} s")
    return 1 if lost else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=500, help="imports killed (default: 500)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="each kind of disturbance once")
    parser.add_argument("--only", default="", metavar="PATTERN", help="only what matches it")
    return parser.parse_args()


def _all(made: Bench, options: argparse.Namespace, chance: random.Random) -> Iterator[Tally]:
    works, quick = made.works(), options.quick
    plan: list[tuple[str, Callable[[str], Tally]]] = [
        ("import killed", partial(killed, made, works["import"], options.kills, chance)),
        (
            "import cut off from power",
            partial(powerless, made, works["import"], 3 if quick else 200, chance),
        ),
        (
            "import into a new store killed",
            partial(killed, made, works["import into a new store"], 1 if quick else 100, chance),
        ),
    ]
    for name in ("undo", "import --again", "retain", "upgrade", "check --repair", "analyze"):
        each = 1 if quick else 60
        plan.append((f"{name} killed", partial(killed, made, works[name], each, chance)))
    for name in works if not quick else ("import",):
        plan.append((f"{name} with faults", partial(faulty, made, works[name], quick)))
    plan += [
        ("import on a full disk", partial(full, made, works["import"], 1 if quick else 40, chance)),
        ("import into a read-only folder", partial(read_only, made, works["import"])),
        (
            "import, the folder vanishing",
            partial(vanishing, made, works["import"], 1 if quick else 60, chance),
        ),
        ("importers at once", partial(crowd, made, (3,) if quick else (*range(2, 9),) * 4, chance)),
        (
            "importers at once, one killed",
            partial(crowd, made, () if quick else (*range(2, 9),) * 4, chance, deadly=True),
        ),
    ]
    for name, disturb in plan:
        if re.search(options.only, name):
            tally = disturb(name)
            if tally.states:
                yield tally


def killed(made: Bench, work: Work, times: int, chance: random.Random, name: str) -> Tally:
    """SIGKILL, in turn at a call to the file system and at a moment between."""
    tally = Tally(name)
    calls, seconds = _length(made, work)
    for number in range(times):
        made.begin(work)
        if number % 2:
            after = chance.uniform(0, seconds)
            child = start(run, made.store, work.words)
            child.wait(kill_after_s=after)
            how = f"after {after:.4f} s"
        else:
            at = _place(calls, chance)
            child = _disturbed(made, work, at, kill)
            child.wait()
            how = f"at call {at} ({calls[at - 1]})"
        tally.add(how, done(judge, made, work))
    return tally


def powerless(made: Bench, work: Work, times: int, chance: random.Random, name: str) -> Tally:
    """SIGKILL at a call, and of what no fsync confirmed any part is gone."""
    tally = Tally(name)
    calls, _ = _length(made, work)
    for _ in range(times):
        at, seed = _place(calls, chance), chance.randrange(1 << 30)
        made.begin(work)
        start(_cut_off, made.store, work.words, at, seed).wait()
        tally.add(f"at call {at} ({calls[at - 1]}), seed {seed}", done(judge, made, work))
    return tally


def _cut_off(store: Path, words: tuple[str, ...], at: int, seed: int) -> int:
    calls = Calls(str(store), at, lambda: None)

    def act() -> None:
        calls.lose_what_was_not_confirmed(seed)
        kill()

    calls.act = act
    return attempt(store, words, calls.install)


def faulty(made: Bench, work: Work, quick: bool, name: str) -> Tally:
    """Every call fails with every error; quick: each kind of call once with each."""
    tally = Tally(name)
    calls, _ = _length(made, work)
    # Of the writes to one file, the first and the last.
    places = [at for at, kind in enumerate(calls, start=1)
              if {kind, calls[at - 2], calls[at % len(calls)]} != {"write"}]  # fmt: skip
    if quick:
        places = sorted({kind: at for at, kind in enumerate(calls, start=1)}.values())
    for at, word in product(places, ERRORS):
        made.begin(work)
        child = _disturbed(made, work, at, failing(ERRORS[word]))
        tally.add(f"{word} at call {at} ({calls[at - 1]})", _ended(made, work, child))
    return tally


def full(made: Bench, work: Work, times: int, chance: random.Random, name: str) -> Tally:
    """A small file system that is full before the import is done; where there may be none, a
    limit on the size of files."""
    tally = Tally(name)
    made.begin(work)
    before = _kilobytes(made.store)
    done(run, made.store, work.words)
    need = max(8, int(1.5 * _kilobytes(made.store)) - before)
    for number in range(times):
        size = before + chance.randint(0, need) // 4 * 4
        made.begin(work)
        mounted = _mount(made, f"size={max(size, 8)}k")
        limit = None if mounted else chance.randint(1, 6000)
        try:
            child = start(_limited, made.store, work.words, limit)
            _, status = child.wait()
            how = f"{size} kB" if mounted else f"files of at most {limit} bytes"
            wrong = _unclear(child, status)
            if mounted:
                subprocess.run(["mount", "-o", "remount,size=32m", made.store.parent], check=True)
            tally.add(f"{how} ({number})", ("?", wrong) if wrong else done(judge, made, work))
        finally:
            if mounted:
                subprocess.run(["umount", made.store.parent], check=True)
    return tally


def _limited(store: Path, words: tuple[str, ...], limit: int | None) -> int:
    import resource

    if limit is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    return run(store, words)


def read_only(made: Bench, work: Work, name: str) -> Tally:
    """Somebody who may read the store but not write it; and a read-only mount of it."""
    tally = Tally(name)
    made.begin(work)
    child = start(_as_nobody, made.store, work.words)
    verdict = _ended(made, work, child, refused=True)
    tally.add("as somebody who may not write", verdict)
    made.begin(work)
    if _mount(made, "size=32m"):
        subprocess.run(["mount", "-o", "remount,ro", made.store.parent], check=True)
        child = start(run, made.store, work.words)
        _, status = child.wait()
        wrong = _unclear(child, status) or ("" if status else "it ends with 0")
        seen = done(judge, made, work, False)
        subprocess.run(["mount", "-o", "remount,rw", made.store.parent], check=True)
        tally.add("a read-only mount", ("?", wrong) if wrong else seen)
        subprocess.run(["umount", made.store.parent], check=True)
    return tally


def _as_nobody(store: Path, words: tuple[str, ...]) -> int:
    if os.getuid() == 0:
        for folder in (store, *store.parents):
            folder.chmod(folder.stat().st_mode | 0o055)
        os.setgid(65534)
        os.setuid(65534)
    else:
        store.chmod(0o500)
    try:
        return run(store, words)
    finally:
        if os.getuid() != 65534:
            store.chmod(0o700)


def vanishing(made: Bench, work: Work, times: int, chance: random.Random, name: str) -> Tally:
    """The store's folder is moved away at a call, and comes back afterwards."""
    tally = Tally(name)
    calls, _ = _length(made, work)
    away = made.folder / "work" / "away"
    for _ in range(times):
        at = _place(calls, chance)
        made.begin(work)
        child = _disturbed(made, work, at, partial(os.rename, made.store, away))
        _, status = child.wait()
        wrong = _unclear(child, status)
        shutil.rmtree(made.store, ignore_errors=True)
        away.rename(made.store)
        state, not_whole = done(judge, made, work)
        if status == 0 and state != "after":
            wrong = wrong or f"it ends with 0, but the store is {state}"
        tally.add(f"at call {at} ({calls[at - 1]})", (state, wrong or not_whole))
    return tally


def crowd(
    made: Bench, sizes: tuple[int, ...], chance: random.Random, name: str, *, deadly: bool = False
) -> Tally:
    """Several importers at once, each with some of the exports, all of them together with all."""
    tally = Tally(name)
    work = made.works()["import into a new store"]
    for size in sizes:
        made.begin(work)
        shares = [chance.sample(made.exports, chance.randint(1, len(made.exports)))
                  for _ in range(size - 1)]  # fmt: skip
        shares.append(chance.sample(made.exports, len(made.exports)))
        children = [start(run, made.store, made.importing(*share)) for share in shares]
        if deadly:
            children.pop(0).wait(kill_after_s=chance.uniform(0.02, 0.4))
        ended = [(child, child.wait()[1]) for child in children]
        wrong = next((said for said in (_unclear(*one) for one in ended) if said), "")
        stopped = [child.words()[-300:] for child, status in ended if status]
        wrong = wrong or "".join(f"one did not end with 0: {words}" for words in stopped)
        now = done(tables, made.store)
        if not wrong and not same(now, done(tables, made.folder / "all")):
            wrong = "other tables than those of one importer"
        tally.add(f"{size} importers", ("?", wrong) if wrong else done(judge, made, work))
    return tally


def _length(made: Bench, work: Work) -> tuple[list[str], float]:
    """The calls that an undisturbed run makes, and how long it takes."""
    made.begin(work)
    calls = done(_counted, made.store, work.words)
    made.begin(work)
    began = time.monotonic()
    done(run, made.store, work.words)
    return calls, time.monotonic() - began


def _place(calls: list[str], chance: random.Random) -> int:
    """One of the calls, each kind as often: most are writes."""
    kind = chance.choice(sorted(set(calls)))
    return chance.choice([at for at, one in enumerate(calls, start=1) if one == kind])


def _counted(store: Path, words: tuple[str, ...]) -> list[str]:
    calls = Calls(str(store), 0, lambda: None)
    attempt(store, words, calls.install)
    return calls.seen


def _disturbed(made: Bench, work: Work, at: int, act: Callable[[], None]) -> Child:
    calls = Calls(str(made.store), at, act)
    return start(attempt, made.store, work.words, calls.install)


def _ended(made: Bench, work: Work, child: Child, *, refused: bool = False) -> tuple[str, str]:
    """The verdict on a command that was left to end by itself."""
    try:
        _, status = child.wait()
    except RuntimeError as error:
        return "?", f"it does not end well: {error}"
    wrong = _unclear(child, status) or ("it ends with 0" if refused and status == 0 else "")
    state, not_whole = done(judge, made, work)
    if status == 0 and state not in ("after", "?"):
        wrong = wrong or f"it ends with 0, but the store is {state}"
    return state, wrong or not_whole


def _unclear(child: Child, status: int) -> str:
    """What is wrong with what a command said in the end."""
    words = child.words()
    if status not in (0, 2, 3) or any(trace in words for trace in TRACE):
        return f"it ends with {status} and says {words[-300:]}"
    return ""


def _mount(made: Bench, option: str) -> bool:
    """A small file system for the store, with what is in its folder; False where there is none."""
    if os.getuid() or sys.platform != "linux" or not shutil.which("mount"):
        return False
    folder = made.store.parent
    aside = folder.with_name("aside")
    folder.rename(aside)
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", option, "tmpfs", str(folder)]
    fits = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    if fits:
        subprocess.run(["mount", "-o", "remount,size=32m", str(folder)], check=True)
        shutil.copytree(aside, folder, dirs_exist_ok=True)
        subprocess.run(["mount", "-o", f"remount,{option}", str(folder)], check=False)
        shutil.rmtree(aside)
    else:
        folder.rmdir()
        aside.rename(folder)
    return fits


def _kilobytes(folder: Path) -> int:
    """The room that a folder's files take in pages of 4 kB."""
    pages = sum((path.stat().st_size + 4095) // 4096 for path in folder.rglob("*"))
    return 4 * (pages + sum(1 for _ in folder.rglob("*")) // 4)


if __name__ == "__main__":
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    raise SystemExit(main())

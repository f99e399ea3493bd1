"""An export that somebody hands over in a browser: looked at, then taken in, by the same import.

Both happen in a process of their own with bounds on memory, time and what it writes, so that
whatever is in the file, the server goes on. There the folder of the file is the working folder,
and the export is named as the person's machine named it.
"""

import multiprocessing
import os
import re
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from loganalyzer.drafting import Draft, draft
from loganalyzer.errors import AnalyzerError, InputError
from loganalyzer.ingest import import_paths
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers.unpack import Limits
from loganalyzer.store import Store
from loganalyzer.trial import trial

LIMITS = Limits(ratio=200, total_bytes=256 << 20)  # of one file that is handed over
SECONDS = 120
MEMORY_BYTES, WRITTEN_BYTES = 2 << 30, 1 << 30
LOOK, DRAFT, TAKE = "look", "draft", "take"


@dataclass(frozen=True)
class Job:
    """What to do with one file.

    Attributes:
        what: `LOOK`, `DRAFT` or `TAKE`.
        store: The folder of the store; `site`: an id in it.
        folder: Where the file lies; `name`: of the file in it.
        received: Now, with a zone.
        chute: Or null: chosen; `profile`: the name of one that ships or that the site uses.
        answers: What a person has decided of a drafted profile; null: none is drafted.
    """

    what: str
    store: Path
    site: str
    folder: Path
    name: str
    received: datetime
    chute: str | None = None
    profile: str | None = None
    answers: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Done:
    """What came of it.

    Attributes:
        rows: One an export in the file: a `Trial` or an `ExportReport` as plain values.
        draft: Of a job with answers: `name`, `text`, `fields`, `meant`, `columns`, `messages`.
    """

    rows: list[dict[str, Any]]
    draft: dict[str, Any] | None = None


def done(job: Job) -> Done:
    """Do it, in a process of its own.

    Returns:
        What came of it.

    Raises:
        InputError: The file cannot be read, or not within the bounds.
    """
    context = _context()
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_run, args=(job, theirs), daemon=True)
    process.start()
    theirs.close()
    answer: tuple[str, Any] | None = None
    with ours, suppress(EOFError):
        if ours.poll(SECONDS):
            answer = ours.recv()
    process.join(5 if answer else 0)
    if process.is_alive():
        process.kill()
        process.join()
    if answer is None or answer[0] == "broken":
        raise InputError(
            job.name, "a file that takes too long or too much memory",
            f"one that is read in {SECONDS} s", "Use loganalyzer import on the machine itself",
        )  # fmt: skip
    if answer[0] == "error":
        raise InputError(*answer[1])
    found: Done = answer[1]
    return found


def _context() -> Any:  # of a class that not every system has
    """Where processes come from: a server that has loaded what they need, where the system can."""
    if sys.platform == "win32":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["__main__", __name__])
    return context


def kept_profiles(store: Store, site: str) -> Mapping[str, Profile]:
    """The profiles with which a site's exports were read, by the name of their file."""
    return store.reading(
        lambda state: {
            Path(entry.profile_file).name: parse_profile(
                (store.path / entry.profile_text).read_text(encoding="utf-8"), entry.profile_file
            )
            for manifest in state.of(site)
            for entry in manifest.exports
        }
    )


def _run(job: Job, answer: Connection) -> None:
    """In the process: bounded, in the file's folder."""
    try:
        _bound()
        sys.path[:] = [path for path in sys.path if path]  # no code out of the file's folder
        store = Store.open(job.store.resolve())
        os.chdir(job.folder)
        answer.send(("done", work(job, store)))
    except AnalyzerError as error:
        answer.send(("error", (error.where, error.found, error.expected, error.fix)))
    except MemoryError:
        answer.send(("broken", None))


def work(job: Job, store: Store) -> Done:
    """Do it here, where the folder of the file is the working folder."""
    site, kept = store.site(job.site), dict(kept_profiles(store, job.site))
    path, drafted, profile = Path(job.name), None, job.profile
    if job.answers is not None:
        drafted = draft([path], site, _unused(path, kept), job.answers, LIMITS)
        profile = drafted.profile.file
        kept[profile] = drafted.profile
    bounds: dict[str, Any] = {
        "received": job.received, "chute": job.chute, "profile": profile, "limits": LIMITS,
        "kept": kept,
    }  # fmt: skip
    if job.what == TAKE:
        report = import_paths([path], store, site, **bounds)
        rows = [asdict(one) for one in report.exports]
        if rows:
            rows[0]["messages"] = (*report.messages, *rows[0]["messages"])
        return Done(rows)
    rows = [one.as_dict() for one in trial(path, site, **bounds)]
    return Done(rows, None if drafted is None else _proposed(drafted))


def _unused(path: Path, kept: Mapping[str, Profile]) -> str:
    """A name for a drafted profile that no other one has, by the name of the file."""
    stem = re.sub(r"[^\w-]+", "-", path.name.partition(".")[0]).strip("-").lower()[:40]
    names = [f"drafted-{stem or 'export'}", *(f"drafted-{stem}-{n}" for n in range(2, 1000))]
    return next(name for name in names if f"{name}.toml" not in kept)


def _proposed(drafted: Draft) -> dict[str, Any]:
    return {
        "name": drafted.profile.name, "text": drafted.text, "fields": drafted.fields,
        "meant": drafted.meant, "columns": drafted.columns, "messages": drafted.messages,
    }  # fmt: skip


def _bound() -> None:
    """Bounds that the system holds, where it can."""
    if sys.platform == "win32":
        return
    import resource

    for limit, most in (
        (resource.RLIMIT_DATA, MEMORY_BYTES), (resource.RLIMIT_FSIZE, WRITTEN_BYTES),
        (resource.RLIMIT_CPU, SECONDS), (resource.RLIMIT_CORE, 0),
    ):  # fmt: skip
        _, hard = resource.getrlimit(limit)
        resource.setrlimit(limit, (most if hard < 0 else min(most, hard), hard))

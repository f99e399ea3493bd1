"""An export that somebody hands over in a browser: looked at, then taken in, by the same import.

Both happen in a process of their own with bounds on memory, time and what it writes, so that
whatever is in the file, the server goes on. There the folder of the file is the working folder,
and the export is named as the person's machine named it.
"""

import multiprocessing
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from loganalyzer.errors import AnalyzerError, InputError
from loganalyzer.ingest import import_paths
from loganalyzer.ingest.inspection import inspect
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers.unpack import Limits
from loganalyzer.store import Store

LIMITS = Limits(ratio=200, total_bytes=256 << 20)  # of one file that is handed over
SECONDS = 120
MEMORY_BYTES, WRITTEN_BYTES = 2 << 30, 1 << 30
LOOK, TAKE = "look", "take"


@dataclass(frozen=True)
class Job:
    """What to do with one file.

    Attributes:
        what: `LOOK` or `TAKE`.
        store: The folder of the store; `site`: an id in it.
        folder: Where the file lies; `name`: of the file in it.
        received: Now, with a zone.
        chute: Or null: chosen; `profile`: the name of one that ships or that the site uses.
    """

    what: str
    store: Path
    site: str
    folder: Path
    name: str
    received: datetime
    chute: str | None = None
    profile: str | None = None


def done(job: Job) -> list[dict[str, Any]]:
    """Do it, in a process of its own.

    Returns:
        One row an export in the file: an `Inspection` or an `ExportReport` as plain values.

    Raises:
        InputError: The file cannot be read, or not within the bounds.
    """
    context = multiprocessing.get_context("spawn")
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
    rows: list[dict[str, Any]] = answer[1]
    return rows


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
        answer.send(("rows", _rows(job, store)))
    except AnalyzerError as error:
        answer.send(("error", (error.where, error.found, error.expected, error.fix)))
    except MemoryError:
        answer.send(("broken", None))


def _rows(job: Job, store: Store) -> list[dict[str, Any]]:
    site, kept = store.site(job.site), kept_profiles(store, job.site)
    bounds: dict[str, Any] = {
        "received": job.received, "chute": job.chute, "profile": job.profile, "limits": LIMITS,
        "kept": kept,
    }  # fmt: skip
    if job.what == LOOK:
        return [one.as_dict() for one in inspect([Path(job.name)], site, **bounds)]
    report = import_paths([Path(job.name)], store, site, **bounds)
    rows = [asdict(one) for one in report.exports]
    if rows:
        rows[0]["messages"] = (*report.messages, *rows[0]["messages"])
    return rows


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

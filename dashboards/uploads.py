"""Files that somebody handed over, between the look at them and the import; gone soon after.

They lie in a folder of the system's for temporary files, each in one of its own that only the
server's account may enter, and the browser knows no more than a token. Nothing serves them.
"""

import base64
import binascii
import re
import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from loganalyzer.errors import InputError
from loganalyzer.sentences import count

FILE_BYTES = 16_000_000
KEPT_S = 15 * 60
EACH, ALL = 3, 12  # files that wait: of an account, and of all
LONGEST_NAME = 80


@dataclass(frozen=True)
class Upload:
    """One file that waits.

    Attributes:
        owner: Account that handed it over, null without sign-in.
        site: For which site.
        folder: Where it lies; `name`: of the file in it.
        born: When it was last in use, in seconds of a clock that only grows.
        answers: What is decided of a drafted profile so far, null without one.
        shown: What the last preview showed, one row an export.
    """

    owner: str | None
    site: str
    folder: Path
    name: str
    born: float
    answers: Mapping[str, str] | None = None
    shown: Sequence[Mapping[str, Any]] = ()


class Uploads:
    """The files that wait; safe to share between the threads of the server."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._reading = threading.BoundedSemaphore(1)
        self._kept: dict[str, Upload] = {}

    def keep(self, contents: str, name: str, owner: str | None, site: str) -> tuple[str, Upload]:
        """Put a file aside.

        Args:
            contents: As a browser sends it: `data:…;base64,…`.
            name: As the person's machine named it.
            owner: Account, null without sign-in.
            site: For which site.

        Returns:
            Its token and where it lies.

        Raises:
            InputError: It is too large, or not what a browser sends.
        """
        shown = safe_name(name)
        content = decoded(contents, shown)
        token = secrets.token_urlsafe(16)
        folder = Path(tempfile.mkdtemp(prefix="loganalyzer-upload-"))
        (folder / shown).write_bytes(content)
        with self._lock:
            self._make_room(owner)
            self._kept[token] = Upload(owner, site, folder, shown, self._clock())
            return token, self._kept[token]

    def find(self, token: str | None, owner: str | None, site: str) -> Upload | None:
        """A file that waits, for who handed it over and for no other site."""
        with self._lock:
            self._make_room(None, 0)
            found = self._kept.get(token or "")
        return found if found is not None and (found.owner, found.site) == (owner, site) else None

    def note(
        self, token: str | None, answers: Mapping[str, str], shown: Sequence[Mapping[str, Any]]
    ) -> None:
        """Keep what was decided and what it showed; the file waits anew from now on."""
        with self._lock:
            found = self._kept.get(token or "")
            if found is not None:
                self._kept[token or ""] = replace(
                    found, answers=dict(answers), shown=shown, born=self._clock()
                )

    def drop(self, token: str | None) -> None:
        """Forget a file."""
        with self._lock:
            self._forget(token or "")

    @contextmanager
    def turn(self, name: str) -> Iterator[None]:
        """One file is read at a time, so that handing over many takes no more of the machine.

        Raises:
            InputError: Another one takes long.
        """
        if not self._reading.acquire(timeout=30):
            raise InputError(
                name, "another file that is being read", "one at a time", "Try again in a minute"
            )
        try:
            yield
        finally:
            self._reading.release()

    def close(self) -> None:
        """Forget all of them."""
        with self._lock:
            for token in list(self._kept):
                self._forget(token)

    def _make_room(self, owner: str | None, more: int = 1) -> None:
        """Forget what waited too long, and the oldest where there are too many."""
        now = self._clock()
        for token, one in list(self._kept.items()):
            if now - one.born >= KEPT_S:
                self._forget(token)
        mine = [token for token, one in self._kept.items() if one.owner == owner]
        for token in [*mine[: max(0, len(mine) + more - EACH)]]:
            self._forget(token)
        for token in list(self._kept)[: max(0, len(self._kept) + more - ALL)]:
            self._forget(token)

    def _forget(self, token: str) -> None:
        gone = self._kept.pop(token, None)
        if gone is not None:
            shutil.rmtree(gone.folder, ignore_errors=True)


def safe_name(name: str) -> str:
    """A name that is one of a file in a folder and nothing else, as close to the given as may be.

    Folders are cut off, whatever the system they were written for; what is no letter, digit,
    blank or one of `._()-` becomes `_`; a hidden file is none, and neither are settings.
    """
    last = re.split(r"[/\\]", name)[-1][-LONGEST_NAME:]
    plain = re.sub(r"[^\w. ()-]", "_", last).strip(". ")
    if plain.lower().endswith((".toml", ".py")):
        plain += "_"
    return plain.removeprefix("-") or "export"


def decoded(contents: str, name: str) -> bytes:
    """The bytes of a file as a browser sends it.

    Raises:
        InputError: It is too large, empty, or not what a browser sends.
    """
    _, found, text = contents.partition(";base64,")
    if len(text) > 4 * (FILE_BYTES // 3 + 1):
        raise InputError(
            name, "a larger file", f"at most {count(FILE_BYTES)} bytes",
            "Pack it as .zip or .gz, or use loganalyzer import on the machine itself",
        )  # fmt: skip
    try:
        content = base64.b64decode(text, validate=True) if found else b""
    except binascii.Error:
        content = b""
    if not content:
        raise InputError(name, "an empty file", "lines of a log", "Export it again")
    return content

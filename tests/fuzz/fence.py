"""Tells when the program writes anywhere but in the one folder it was given."""

import os
import sys
from pathlib import Path
from typing import Any

# Source: Python's documentation, "Audit events table"; which argument is the path.
PATHS = {
    "os.mkdir": (0,), "os.rmdir": (0,), "os.remove": (0,), "os.rename": (0, 1), "os.link": (1,),
    "os.symlink": (1,), "os.truncate": (0,), "os.chmod": (0,), "shutil.move": (1,),
    "shutil.rmtree": (0,),
}  # fmt: skip
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


class Escaped(Exception):
    """Something was written outside the folder."""


class Fence:
    """While it is up, writing outside `inside` raises Escaped. Audit hooks stay for good."""

    def __init__(self, inside: Path) -> None:
        self.inside, self.up = inside.resolve(), False
        sys.addaudithook(self._heard)

    def __enter__(self) -> "Fence":
        self.up = True
        return self

    def __exit__(self, *_: object) -> None:
        self.up = False

    def _heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.up:
            return
        if event == "open":
            path, _, flags = arguments
            if isinstance(flags, int) and flags & WRITING:
                self._check(path)
        for place in PATHS.get(event, ()):
            # A bare name lies below a folder that is open already, and that one was looked at.
            path = arguments[place]
            if not isinstance(path, int) and Path(os.fsdecode(path)).is_absolute():
                self._check(path)

    def _check(self, path: Any) -> None:
        if isinstance(path, int) or os.fsdecode(path) == os.devnull:
            return
        found = Path(os.path.realpath(os.fsdecode(path)))
        if self.inside not in (found, *found.parents):
            raise Escaped(str(found))

"""Work done in a forked child, so that it can be killed; what it returns comes back as a file."""

import importlib
import os
import pickle
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PATIENCE_S = 120.0


@dataclass
class Child:
    """A child at work.

    Attributes:
        pid: Its process.
        answer: Where it writes what its function returned, or the traceback.
        said: Where its standard output and error go.
    """

    pid: int
    answer: Path
    said: Path

    def wait(self, kill_after_s: float | None = None) -> tuple[int, Any]:
        """Its end: the signal that killed it (0: none), and what its function returned.

        Args:
            kill_after_s: Kill it then, if it is still at work.

        Raises:
            RuntimeError: The function raised, or hangs.
        """
        deadline = time.monotonic() + (kill_after_s if kill_after_s is not None else PATIENCE_S)
        while not (ended := os.waitpid(self.pid, os.WNOHANG))[0]:
            if time.monotonic() >= deadline:
                os.kill(self.pid, signal.SIGKILL)
                os.waitpid(self.pid, 0)
                if kill_after_s is None:
                    raise RuntimeError(f"hangs: {self.words()}")
                return signal.SIGKILL, None
            time.sleep(0.0005)
        if os.WIFSIGNALED(ended[1]):
            return os.WTERMSIG(ended[1]), None
        if os.WEXITSTATUS(ended[1]):
            raise RuntimeError(self.words())
        return 0, pickle.loads(self.answer.read_bytes())

    def words(self) -> str:
        """What it printed."""
        return self.said.read_text(encoding="utf-8", errors="replace").strip()


def start(function: Callable[..., Any], *arguments: Any) -> Child:
    """Fork a child that calls a function."""
    folder = Path(tempfile.mkdtemp(prefix="child-", dir=os.environ.get("SOAK_FOLDER")))
    child = Child(0, folder / "answer", folder / "said")
    child.pid = os.fork()
    if child.pid:
        return child
    status = 1
    try:
        said = os.open(child.said, os.O_WRONLY | os.O_CREAT, 0o666)
        os.dup2(said, 1)
        os.dup2(said, 2)
        answer = os.open(child.answer, os.O_WRONLY | os.O_CREAT, 0o666)  # before anything is caught
        os.write(answer, pickle.dumps(function(*arguments)))
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(status)


def done(function: Callable[..., Any], *arguments: Any) -> Any:
    """What a function returns, called in a child."""
    return start(function, *arguments).wait()[1]


def warm(function: Callable[..., Any], *arguments: Any) -> Any:
    """What a function returns, called in a child; what it imported is imported here too, so that
    no later child has to."""
    result, modules = done(_with_modules, function, *arguments)
    for name in modules:
        with suppress(ImportError):
            importlib.import_module(name)
    return result


def _with_modules(function: Callable[..., Any], *arguments: Any) -> tuple[Any, list[str]]:
    result = function(*arguments)
    return result, sorted(name for name in sys.modules if name != "__main__")

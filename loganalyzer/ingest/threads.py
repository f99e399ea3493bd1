"""Two small ways to keep a second core busy: read ahead, and write behind."""

import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from queue import Full, Queue
from types import TracebackType
from typing import Any, Self, TypeVar

Item = TypeVar("Item")
DEPTH = 3
PATIENCE_S = 0.1


def ahead(items: Iterable[Item], depth: int = DEPTH) -> Iterator[Item]:
    """The same items, made in another thread, at most `depth` before they are asked for.

    What the making raises is raised here, after the items before it.
    """
    ready: Queue[tuple[Item | None, BaseException | None, bool]] = Queue(depth)
    stopped = threading.Event()

    def put(entry: tuple[Item | None, BaseException | None, bool]) -> bool:
        while not stopped.is_set():
            try:
                ready.put(entry, timeout=PATIENCE_S)
                return True
            except Full:
                continue
        return False

    def make() -> None:
        try:
            for item in items:
                if not put((item, None, False)):
                    return
            put((None, None, True))
        except BaseException as error:  # handed on to the thread that asks
            put((None, error, True))

    maker = threading.Thread(target=make, daemon=True)
    maker.start()
    try:
        while not (entry := ready.get())[2]:
            yield entry[0]  # type: ignore[misc]  # an item stands here unless it is the last entry
        if entry[1] is not None:
            raise entry[1]
    finally:
        stopped.set()
        maker.join()


class Behind:
    """Calls a function in another thread, in order, at most `depth` calls behind."""

    def __init__(self, depth: int = DEPTH) -> None:
        self._pool = ThreadPoolExecutor(1)
        self._pending: list[Future[Any]] = []
        self._depth = depth

    def call(self, function: Callable[..., Any], *arguments: Any) -> None:
        """Call it soon; what an earlier call raised is raised here."""
        self._pending.append(self._pool.submit(function, *arguments))
        while len(self._pending) > self._depth:
            self._pending.pop(0).result()

    def wait(self) -> None:
        """Wait for all calls."""
        while self._pending:
            self._pending.pop(0).result()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.wait()
        self._pool.shutdown(cancel_futures=True)

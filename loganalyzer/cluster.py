"""One function over many independent pieces: on the cores of this machine, or on a Dask cluster.

Whoever has pieces (exports to read, sites to work out) hands them to a `Spread` and takes the
results in the order of the pieces. Where they are worked changes nothing of what comes out. A
piece whose worker dies is worked again by another one, so a piece must leave nothing behind that
a second run would stumble over.
"""

import multiprocessing
import os
import re
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, ExitStack
from importlib import import_module
from multiprocessing.connection import wait
from tempfile import TemporaryDirectory
from typing import Any, Protocol, Self, TypeVar

from loganalyzer.errors import ClusterError, UsageError, one_line
from loganalyzer.progress import Steps

Piece = TypeVar("Piece")
Result = TypeVar("Result")
AHEAD = 8  # pieces a worker that are under way or wait to be taken
DEATHS = 3  # so many workers may a piece cost
CONNECT_S = 30.0
ALONE_S = 120.0  # so long a cluster may be without any worker
EXTRA = "pip install 'chute-loganalyzer[cluster]'"


class Spread(Protocol):
    """Where pieces are worked.

    Attributes:
        workers: How many at a time.
    """

    workers: int

    def map(
        self, work: Callable[[Piece], Result], pieces: Sequence[Piece], said: str
    ) -> Iterator[Result]:
        """The result of each piece, in their order.

        Args:
            work: A function of a module, so that another process finds it.
            pieces: Values that can be pickled.
            said: What is done, for the progress on a terminal.

        Raises:
            AnalyzerError: As `work` raised it.
            ClusterError: The workers are gone, or die again and again.
        """


def spread(cluster: str | None, workers: int | None) -> AbstractContextManager[Spread]:
    """Where a person wants pieces to be worked, until the block ends.

    Args:
        cluster: The address of a Dask scheduler, or `local` or `local:N` to start one here.
        workers: Processes of this machine; null, as for `cluster`: in this process.

    Raises:
        UsageError: That is none, or Dask is not installed.
        ClusterError: The scheduler is not there, or has no worker.
    """
    if cluster is None:
        return Pool(workers) if workers is not None and workers > 1 else Here()
    local = re.fullmatch(r"local(?::([1-9][0-9]*))?", cluster)
    if workers is not None or not (local or re.match(r"(tcp|tls)://\S+:\d+$", cluster)):
        raise UsageError(
            "--cluster", f"'{cluster}'" + (" and --workers" if workers is not None else ""),
            "tcp://HOST:PORT of a Dask scheduler, or local or local:N to start one",
            "Write one of them",
        )  # fmt: skip
    return Cluster(cluster, int(local[1] or os.cpu_count() or 1) if local else None)


class Here:
    """In this process, one piece after another."""

    workers = 1

    def map(
        self, work: Callable[[Piece], Result], pieces: Sequence[Piece], said: str
    ) -> Iterator[Result]:
        """As `Spread.map`."""
        with Steps(said, len(pieces)) as steps:
            for piece in pieces:
                result = work(piece)
                steps.done()
                yield result

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass


class _Ahead:
    """Hands pieces out ahead to whoever is free, and takes the results in order."""

    workers: int

    def map(
        self, work: Callable[[Piece], Result], pieces: Sequence[Piece], said: str
    ) -> Iterator[Result]:
        """As `Spread.map`."""
        waiting: deque[tuple[Piece, Any]] = deque()
        with Steps(said, len(pieces)) as steps:
            try:
                for piece in pieces:
                    waiting.append((piece, self._start(work, piece)))
                    if len(waiting) >= AHEAD * self.workers:
                        yield self._finish(work, *waiting.popleft(), steps)
                while waiting:
                    yield self._finish(work, *waiting.popleft(), steps)
            finally:
                for _, future in waiting:
                    future.cancel()

    def _finish(self, work: Callable[[Any], Any], piece: Any, future: Any, steps: Steps) -> Any:
        result = self._result(work, piece, future)
        steps.done()
        return result

    def _start(self, work: Callable[[Any], Any], piece: Any) -> Any:
        raise NotImplementedError

    def _result(self, work: Callable[[Any], Any], piece: Any, future: Any) -> Any:
        raise NotImplementedError


class Pool(_Ahead):
    """Processes of this machine."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool = self._made()

    def _made(self) -> ProcessPoolExecutor:
        spawned = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.workers, spawned, initializer=_end_with_parent)

    def _start(self, work: Callable[[Any], Any], piece: Any) -> Any:
        try:
            return self._pool.submit(work, piece)
        except BrokenProcessPool:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = self._made()
            return self._pool.submit(work, piece)

    def _result(self, work: Callable[[Any], Any], piece: Any, future: Any) -> Any:
        for _ in range(DEATHS):
            try:
                return future.result()
            except BrokenProcessPool:
                future = self._start(work, piece)
        raise _died("--workers")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)


class Cluster(_Ahead):
    """Workers of a Dask scheduler."""

    def __init__(self, address: str, local_workers: int | None) -> None:
        self._address, self._local = address, local_workers
        self._open = ExitStack()
        self.workers = local_workers or 1

    def __enter__(self) -> Self:
        try:
            distributed = _dask()
        except ImportError as error:
            raise UsageError(
                "--cluster", f"no Dask here ({error})", "the extra [cluster]", f"Run {EXTRA}"
            ) from error
        with ExitStack() as opened:
            address: Any = self._address
            if self._local is not None:
                address = _local_cluster(self._local, opened)
            try:
                client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
                self._client = opened.enter_context(client)
                client.wait_for_workers(1, timeout=CONNECT_S)
            except (OSError, TimeoutError) as error:
                raise ClusterError(
                    f"--cluster {self._address}", one_line(str(error)) or "no answer",
                    "a Dask scheduler with a worker",
                    "Start dask scheduler, and dask worker with its address",
                ) from error  # fmt: skip
            _check_workers(client, self._address)
            self.workers = self._local or len(client.ncores())
            self._open = opened.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def _start(self, work: Callable[[Any], Any], piece: Any) -> Any:
        return self._client.submit(work, piece, pure=False)

    def _result(self, work: Callable[[Any], Any], piece: Any, future: Any) -> Any:
        distributed = _dask()
        alone_since: float | None = None
        while True:
            try:
                return future.result(timeout=5)
            except distributed.TimeoutError:
                if future.done():
                    raise  # the work's own
                alone_since = self._alone(alone_since)
            except distributed.scheduler.KilledWorker as error:
                raise _died(f"--cluster {self._address}") from error
            except (CancelledError, distributed.comm.CommClosedError) as error:
                raise self._gone() from error

    def _alone(self, since: float | None) -> float | None:
        """Since when no worker is there; null: there is one."""
        try:
            if self._client.ncores():
                return None
        except (OSError, TimeoutError) as error:
            raise self._gone() from error
        since = since or time.monotonic()
        if time.monotonic() - since > ALONE_S:
            raise self._gone()
        return since

    def _gone(self) -> ClusterError:
        return ClusterError(
            f"--cluster {self._address}", "no scheduler or worker any more", "both until the end",
            "See to them and run the command again; what had landed is kept",
        )  # fmt: skip


def _dask() -> Any:
    """The library, heavy and optional."""
    return import_module("distributed")


def _local_cluster(workers: int, opened: ExitStack) -> Any:
    """A scheduler and workers of this machine, ended with the block."""
    import dask

    # Dask has its workers give freed memory back to the system at once. The analysis of 200
    # chutes took two workers 11.4 s with that, 9.3 s without.
    environment = dict(dask.config.get("distributed.nanny.pre-spawn-environ"))
    environment.pop("MALLOC_TRIM_THRESHOLD_", None)
    folder = opened.enter_context(TemporaryDirectory(ignore_cleanup_errors=True))
    opened.enter_context(dask.config.set({"distributed.nanny.pre-spawn-environ": environment}))
    return opened.enter_context(
        _dask().LocalCluster(
            n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None,
            local_directory=folder, silence_logs="CRITICAL",
        )
    )  # fmt: skip


def _check_workers(client: Any, address: str) -> None:
    """Refuse workers that lack this program, or have another version of it."""
    mine = installed()
    for worker, found in client.run(installed, on_error="return").items():
        if found != mine:
            other = found if isinstance(found, str) else "none"
            raise ClusterError(
                f"--cluster {address}", f"{other} at {worker}",
                f"chute-loganalyzer {mine} at every worker",
                "Install the same version there, with the extra [cluster]",
            )  # fmt: skip


def installed() -> str:
    """The version of this program, here."""
    from importlib.metadata import version

    return version("chute-loganalyzer")


def _died(where: str) -> ClusterError:
    return ClusterError(
        where, f"{DEATHS} workers that died of the same piece", "workers that live",
        "Is there memory enough for each? Take fewer of them",
    )  # fmt: skip


def _end_with_parent() -> None:
    """A process of a pool ends when the one that it works for was killed."""
    parent = multiprocessing.parent_process()
    assert parent is not None

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()

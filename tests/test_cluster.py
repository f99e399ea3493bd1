"""One map, several executors: processes of this machine, and a real Dask scheduler with workers."""

import json
import multiprocessing
import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages

import pytest

import loganalyzer
from loganalyzer.cli import main
from loganalyzer.cluster import Here, Pool, spread
from loganalyzer.errors import AnalyzerError, ClusterError, InputError, SiteError, UsageError

LOGS = Path(__file__).parent.parent / "sample_logs"
WITHIN_S = 60.0


def double(number: int) -> int:
    return 2 * number


def refuse(number: int) -> int:
    raise InputError(f"file {number}", "nothing", "lines", "Export it again")


def die_once(place: Path) -> str:
    """Die of SIGKILL the first time, as a worker that the system ends for want of memory."""
    if not place.exists():
        place.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return place.name


def die(number: int) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return number


def errors() -> list[type[AnalyzerError]]:
    for module in walk_packages(loganalyzer.__path__, "loganalyzer."):
        import_module(module.name)

    def below(kind: type[AnalyzerError]) -> Iterator[type[AnalyzerError]]:
        yield kind
        for one in kind.__subclasses__():
            yield from below(one)

    return list(below(AnalyzerError))


def test_every_error_is_the_same_in_another_process():
    kinds = errors()
    assert {AnalyzerError, ClusterError, InputError, SiteError} < set(kinds)
    assert any(kind.__init__ is not AnalyzerError.__init__ for kind in kinds if kind != SiteError)
    for kind in kinds:
        error = kind.__new__(kind)
        AnalyzerError.__init__(error, "a.csv", "nothing", "lines", "Export it again")
        back = pickle.loads(pickle.dumps(error))
        assert (type(back), str(back), vars(back)) == (kind, str(error), vars(error))


def test_an_error_with_several_lines_keeps_them():
    first = SiteError("a.toml", "1", "2", "Mend it", [SiteError("b.toml", "3", "4", "Mend it")])
    back = pickle.loads(pickle.dumps(first))
    assert (str(back), back.lines) == (str(first), first.lines)
    assert len(back.lines) == 2


def test_results_come_in_the_order_of_the_pieces():
    with Pool(2) as pool:
        assert list(pool.map(double, range(40), "test")) == [2 * n for n in range(40)]
    with Here() as here:
        assert list(here.map(double, range(3), "test")) == [0, 2, 4]


def test_an_error_of_a_piece_reaches_the_one_who_asked():
    with Pool(2) as pool, pytest.raises(InputError, match="file 7: found nothing"):
        list(pool.map(refuse, [7], "test"))


def test_a_process_that_is_killed_costs_nothing(tmp_path: Path):
    pieces = [tmp_path / str(number) for number in range(2)]
    with Pool(2) as pool:
        assert list(pool.map(die_once, pieces, "test")) == ["0", "1"]


def test_a_piece_that_always_kills_is_one_clear_line():
    with Pool(1) as pool, pytest.raises(ClusterError, match="died of the same piece"):
        list(pool.map(die, [1], "test"))


@pytest.mark.parametrize("told", ["nonsense", "tcp://host", "local:0", "http://host:1"])
def test_an_address_that_is_none_is_one_clear_line(told: str):
    with pytest.raises(UsageError, match="expected tcp://HOST:PORT"):
        spread(told, None)


def test_without_dask_one_line_names_the_extra(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'chute-loganalyzer\[cluster\]'"):
        spread("local:2", None).__enter__()


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers, each a process of its own; its address, and the workers."""
    file = tmp_path / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    ours = {"cwd": tmp_path, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    # A worker is to know this test's functions.
    environment = {**os.environ, "PYTHONPATH": str(LOGS.parent)}
    started = [
        subprocess.Popen(
            [*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
             "--scheduler-file", str(file)], env=environment, **ours,
        )
    ]  # fmt: skip
    try:
        until(file.is_file)
        started += [
            subprocess.Popen(
                [*dask, "worker", "--scheduler-file", str(file), "--nthreads", "1",
                 "--no-nanny", "--no-dashboard"], env=environment, **ours,
            )
            for _ in range(2)
        ]  # fmt: skip
        yield json.loads(file.read_text())["address"], started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()


def until(there) -> None:
    end = time.monotonic() + WITHIN_S
    while not there():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def imported(store: Path, *more: str) -> int:
    site = ["--site", str(LOGS / "quay-terrace.toml")]
    return main(["import", str(LOGS / "quay-terrace"), "--store", str(store), *site, *more])


def tables(store: Path, out: Path) -> list[bytes]:
    files = []
    for table in ("timeline", "rejects"):
        for ending in ("csv", "parquet"):
            file = out / f"{store.name}-{table}.{ending}"
            assert main(["export", table, "--store", str(store), "--out", str(file)]) == 0
            files.append(file.read_bytes())
    return files


def test_a_killed_worker_loses_nothing_and_the_tables_are_byte_for_byte_the_same(
    tmp_path: Path, scheduler: tuple[str, list[subprocess.Popen[bytes]]]
):
    address, workers = scheduler
    assert imported(tmp_path / "alone") == 0
    spawned = multiprocessing.get_context("spawn")
    asker = spawned.Process(target=imported, args=(tmp_path / "spread", "--cluster", address))
    asker.start()
    incoming = tmp_path / "spread" / "incoming"
    until(lambda: any(incoming.glob("*/*/*/*.parquet")) or asker.exitcode is not None)
    assert asker.exitcode is None, "it was done before a worker could be killed"
    workers[0].kill()
    asker.join(WITHIN_S)
    assert asker.exitcode == 0
    assert tables(tmp_path / "spread", tmp_path) == tables(tmp_path / "alone", tmp_path)
    assert not list(incoming.iterdir())
    assert main(["check", "--store", str(tmp_path / "spread"), "--quick"]) == 0


def test_two_processes_import_what_one_does(tmp_path: Path):
    assert imported(tmp_path / "alone") == 0
    assert imported(tmp_path / "two", "--workers", "2") == 0
    assert tables(tmp_path / "two", tmp_path) == tables(tmp_path / "alone", tmp_path)

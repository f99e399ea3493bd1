"""The store stays whole, whatever happens to those who write it."""

import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from filelock import FileLock
from pandas.testing import assert_frame_equal

from loganalyzer.errors import StoreError, UsageError
from loganalyzer.ingest import undo
from loganalyzer.store import ROOT, Store, disk
from loganalyzer.store.change import UNFINISHED, Change, own_folder, take_away
from loganalyzer.store.manifest import Manifest
from tests.exports import SITE, Log, history, site, take, write

FILES = 4


@pytest.fixture
def exports(tmp_path: Path) -> list[Path]:
    """Four exports, each overlapping the next."""
    log = Log("2025-03-03 08:00:00")
    for number in range(60):
        log.event(60, str(number % 7), "BUTTON")
    return [
        write(tmp_path / "in" / f"{part}.csv", log.lines[part * 12 : part * 12 + 20])
        for part in range(FILES)
    ]


def contents(store: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    return history(store), Store.open(store).imports()


def test_a_store_is_made_in_an_empty_folder_only(tmp_path: Path):
    assert Store.open(tmp_path / "new", create=True).generation == 0
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(StoreError, match="a folder with other files"):
        Store.open(tmp_path / "other", create=True)
    with pytest.raises(StoreError, match="no store"):
        Store.open(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_a_newer_store_and_a_damaged_root_are_refused_in_one_line(tmp_path: Path):
    store = Store.open(tmp_path / "s", create=True)
    root = json.loads((store.path / ROOT).read_text())
    (store.path / ROOT).write_text(json.dumps(root | {"format": 99}))
    with pytest.raises(StoreError, match=r"format 99.*newer version"):
        Store.open(store.path)
    (store.path / ROOT).write_text("{")
    with pytest.raises(StoreError, match="root file") as error:
        Store.open(store.path)
    assert "\n" not in str(error.value)


def test_an_empty_store_has_empty_tables(tmp_path: Path):
    store = Store.open(tmp_path / "s", create=True)
    assert store.timeline().empty
    assert store.imports().empty
    assert store.rejects().empty
    assert store.sites() == ()


def test_a_site_that_is_not_there_is_named_with_those_that_are(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    with pytest.raises(UsageError, match=r"'pier'.*quay"):
        Store.open(tmp_path / "s").timeline("pier")


def test_the_timeline_can_be_asked_for_a_part(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    whole = store.timeline()
    assert whole["seq"].tolist() == list(range(len(whole)))
    middle = store.timeline("quay", "A", whole["time"][10], whole["time"][20])
    assert middle["seq"].tolist() == list(range(10, 20))
    assert store.timeline(chute="B").empty
    assert store.chutes("quay") == ("A",)
    assert store.site("quay").time_zone == "Europe/Lisbon"


def test_any_tool_can_read_the_files(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    (file,) = {
        stretch.file
        for manifest in Store.open(tmp_path / "s").state().manifests.values()
        for stretch in manifest.stretches
    }
    table = pq.ParquetFile(tmp_path / "s" / file).read()
    assert set(history(tmp_path / "s").columns) - {"seq"} <= set(table.column_names)
    kept = tmp_path / "s" / "originals"
    assert len(list(kept.rglob("*.zst"))) == FILES


def test_original_lines_are_found_again(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    written = exports[1].read_text().splitlines()
    found = store.lines("1.csv", [2, 21, 22, 1, 0])
    assert found == {number: written[number - 1] for number in (1, 2, 21)}
    source = store.timeline()["source"].iloc[0]
    assert set(store.lines(str(source)[:10], [3])) == {3}


class Stop(BaseException):
    """The power goes."""


def stopping_at(step: int, monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """Make the `step`-th flush, rename or fsync stop the program; tells how many there were."""
    count = 0

    def counted(real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object) -> object:
            nonlocal count
            count += 1
            if count == step:
                raise Stop
            return real(*arguments)

        return call

    for name in ("flush", "_replace"):
        monkeypatch.setattr(disk, name, counted(getattr(disk, name)))
    monkeypatch.setattr("loganalyzer.store.flush", counted(disk.flush))
    return lambda: count


def test_a_stop_before_any_rename_or_flush_leaves_the_store_before_or_after(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    take(tmp_path / "before", *exports[:2])
    shutil.copytree(tmp_path / "before", tmp_path / "after")
    with monkeypatch.context() as patch:
        steps = stopping_at(0, patch)
        take(tmp_path / "after", exports[2])
        total = steps()
    assert total > 8
    wanted = [history(tmp_path / name) for name in ("before", "after")]
    seen = set()
    for step in range(1, total + 1):
        store = tmp_path / f"stop{step}"
        shutil.copytree(tmp_path / "before", store)
        with monkeypatch.context() as patch:
            stopping_at(step, patch)
            with pytest.raises(Stop):
                take(store, exports[2])
        now = history(store)
        seen.add(now.equals(wanted[1]))
        assert now.equals(wanted[0]) or now.equals(wanted[1]), step
        take(store, exports[2])
        assert_frame_equal(history(store), wanted[1])
    assert seen == {True, False}


def test_a_full_disk_is_one_line_and_changes_nothing(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    take(tmp_path / "s", exports[0])
    before = contents(tmp_path / "s")

    def full(*arguments: object) -> None:
        raise OSError(28, "No space left on device")

    for place in ("loganalyzer.store.disk.flush", "loganalyzer.store.parquet.EventFile.write"):
        with monkeypatch.context() as patch:
            patch.setattr(place, full)
            with pytest.raises(
                StoreError, match=r"No space left on device.*nothing.*changed"
            ) as error:
                take(tmp_path / "s", exports[1])
        assert "\n" not in str(error.value)
        for now, then in zip(contents(tmp_path / "s"), before, strict=True):
            assert_frame_equal(now, then)


def test_a_read_only_folder_is_read_and_refuses_an_import_in_one_line(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    take(tmp_path / "s", exports[0])

    def refuse(*arguments: object, **options: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)  # root, who runs tests in a container, may do all
    assert len(history(tmp_path / "s")) == 20
    with pytest.raises(StoreError, match="Permission denied"):
        take(tmp_path / "s", exports[1])


def test_what_nobody_needs_is_swept_at_the_next_changes(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    for export in exports[1:]:
        undo(store, export.name)
    take(tmp_path / "s", exports[1])
    (store.path / "events" / "left-over.parquet").write_bytes(b"")
    (store.path / "incoming" / "killed").mkdir()
    (store.path / UNFINISHED).touch()  # as a writer leaves it that was killed
    take(tmp_path / "s", exports[2])
    assert not (store.path / UNFINISHED).exists()
    state = store.state()
    needed = {file for one in state.manifests.values() for file in one.files()}
    kept = {
        path.relative_to(store.path).as_posix()
        for folder in ("events", "originals", "texts", "rejects")
        for path in (store.path / folder).rglob("*")
        if path.is_file()
    }
    assert needed <= kept
    assert "events/left-over.parquet" not in kept
    assert len([file for file in kept if file.startswith("originals")]) == 3
    assert not list((store.path / "incoming").iterdir())


def test_a_change_takes_away_what_two_changes_before_needed_and_walks_through_nothing(
    tmp_path: Path, exports: list[Path]
):
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    undo(store, exports[3].name)
    other = store.path / "events" / "left-over.parquet"
    other.write_bytes(b"")  # by nobody: only a walk finds it
    original = store.path / "originals"
    assert len(list(original.rglob("*.zst"))) == FILES  # readers of before may be at it
    undo(store, exports[2].name)
    undo(store, exports[1].name)
    needed = {file for one in store.state().manifests.values() for file in one.files()}
    assert len(list(original.rglob("*.zst"))) == 2
    assert len(list((store.path / "manifests").iterdir())) == 2
    assert other.exists()
    store.settle()
    left = {p.relative_to(store.path).as_posix() for p in store.path.rglob("*") if p.is_file()}
    assert left - {ROOT, "lock", *store.root()["sites"].values()} == needed


def test_a_change_reads_no_manifest_but_its_own(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    for number in range(20):
        lines = [*exports[0].read_text().splitlines()[1:], f"04.03.2025;09:00:{number};1;;BUTTON;;"]
        export = write(tmp_path / "in" / f"{number}-own.csv", lines)
        take(tmp_path / "s", export, of=site(SITE.replace("quay", f"quay-{number}")))
    read: list[str] = []
    real = Store.manifest

    def counted(store: Store, file: Path, format_: int) -> Manifest:
        read.append(file.name)
        return real(store, file, format_)

    monkeypatch.setattr(Store, "manifest", counted)
    take(tmp_path / "s", exports[1], of=site(SITE.replace("quay", "quay-7")))
    stale = {f"quay-{number}" for number in range(16, 20)}  # since the list was written
    assert {name.rsplit("-", 2)[0] for name in read} <= {"quay-7", "quay-6", *stale}
    index = tmp_path / "s" / "derived" / "sources.index"
    assert index.exists()
    for damage in (b"", index.read_bytes()[:-1] + b"x"):
        index.write_bytes(damage)
        (report,) = take(tmp_path / "s", exports[1]).exports
        assert "quay-7" in report.messages[0]


def test_a_reader_whose_file_was_swept_reads_the_newer_state(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", exports[0])
    store = Store.open(tmp_path / "s")
    seen = []

    def read(state: object) -> int:
        seen.append(state)
        if len(seen) == 1:
            take(tmp_path / "s", exports[1])
            raise FileNotFoundError("gone")
        return len(seen)

    assert store.reading(read) == 2
    with pytest.raises(StoreError, match="every file it names"):
        store.reading(lambda state: (tmp_path / "never.parquet").read_bytes())


SCRIPT = """
    import sys
    from pathlib import Path
    from tests.exports import take
    print("ready", flush=True)
    sys.stdin.readline()
    for path in sys.argv[2:]:
        take(Path(sys.argv[1]), Path(path))
"""


def importer(store: Path, *exports: Path) -> subprocess.Popen[str]:
    """Another process that imports, one export a commit, once it is told to."""
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SCRIPT), str(store), *map(str, exports)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent,
    )  # fmt: skip
    assert process.stdout
    assert process.stdout.readline() == "ready\n"
    return process


def test_two_importers_at_once_lose_nothing_while_a_reader_reads(
    tmp_path: Path, exports: list[Path]
):
    take(tmp_path / "alone", *exports)
    store = tmp_path / "both"
    Store.open(store, create=True)
    processes = [importer(store, *exports[:3]), importer(store, *exports[:0:-1])]
    for process in processes:
        assert process.stdin
        process.stdin.write("\n")
        process.stdin.flush()
    while any(process.poll() is None for process in processes):
        history_so_far = Store.open(store).timeline()
        assert history_so_far["seq"].is_monotonic_increasing
        time.sleep(0.01)
    assert [process.communicate() and process.returncode for process in processes] == [0, 0]
    assert_frame_equal(history(store), history(tmp_path / "alone"))
    assert len(Store.open(store).imports()) == FILES


@pytest.mark.parametrize("after_s", [0.05, 0.15, 0.25, 0.4])
@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_a_killed_importer_leaves_whole_exports(
    tmp_path: Path, exports: list[Path], after_s: float
):
    process = importer(tmp_path / "s", *exports)
    assert process.stdin
    process.stdin.write("\n")
    process.stdin.flush()
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    store = Store.open(tmp_path / "s", create=True)
    landed = set(store.imports()["name"].map(lambda name: Path(name).name))
    take(tmp_path / "check", *[path for path in exports if path.name in landed])
    if landed:
        assert_frame_equal(history(tmp_path / "s"), history(tmp_path / "check"))
    take(tmp_path / "s", *exports)
    assert len(store.imports()) == FILES
    assert not list((store.path / "incoming").iterdir())


def test_who_has_to_wait_is_told(tmp_path: Path, exports: list[Path]):
    store = Store.open(tmp_path / "s", create=True)
    told: list[str] = []
    with store.writing():
        other = threading.Thread(target=lambda: take(tmp_path / "s", exports[0], tell=told.append))
        other.start()
        for _ in range(1000):
            time.sleep(0 if told else 0.01)
    other.join()
    assert told == [f"{tmp_path / 's'}: another import is writing; waiting for it."]
    assert len(store.imports()) == 1


def test_a_disk_that_does_not_confirm_the_switch_is_told_though_the_change_is_made(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    take(tmp_path / "s", exports[0])
    real = Store._confirm
    monkeypatch.setattr("loganalyzer.store.flush", disk.flush)

    def unconfirmed(store: Store) -> None:
        monkeypatch.setattr("loganalyzer.store.flush", refused)
        real(store)

    def refused(path: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Store, "_confirm", unconfirmed)
    with pytest.raises(StoreError, match=r"change is made.*loganalyzer check") as error:
        take(tmp_path / "s", exports[1])
    assert "\n" not in str(error.value)
    assert len(Store.open(tmp_path / "s").imports()) == 2


def test_a_damaged_table_is_named_in_one_line(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    (manifest,) = store.state().manifests.values()
    (store.path / manifest.stretches[0].file).write_bytes(b"PAR1 and then nothing")
    with pytest.raises(StoreError, match=r"a damaged file.*check --repair") as error:
        store.timeline()
    assert "\n" not in str(error.value)


def test_nothing_is_left_beside_the_store_files(tmp_path: Path, exports: list[Path]):
    take(tmp_path / "s", *exports[:2])
    take(tmp_path / "s", *exports[2:])
    assert sorted(path.name for path in (tmp_path / "s").iterdir() if path.is_file()) == [
        "lock", ROOT,
    ]  # fmt: skip


def test_a_store_that_was_taken_away_is_not_made_again_by_an_import(
    tmp_path: Path, exports: list[Path], monkeypatch: pytest.MonkeyPatch
):
    """As a network drive that goes: an import that seems to land in an empty folder is lost."""
    take(tmp_path / "s", exports[0])
    real = Change.land

    def taken_away(change: Change, written: Path, place: str) -> str:
        if (tmp_path / "s").exists():
            (tmp_path / "s").rename(tmp_path / "away")
        return real(change, written, place)

    monkeypatch.setattr(Change, "land", taken_away)
    with pytest.raises(StoreError):
        take(tmp_path / "s", exports[1])
    assert not (tmp_path / "s").exists()
    assert len(Store.open(tmp_path / "away").imports()) == 1


def test_a_sweep_takes_no_folder_that_is_in_use_or_is_just_being_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    parent = tmp_path / "incoming"
    real = FileLock.acquire
    swept: list[Path] = []

    def late(lock: FileLock, *arguments: object, **options: object) -> object:
        folder = Path(lock.lock_file).parent
        if not swept:  # a sweep comes between the making of the folder and its lock
            swept.append(folder)
            take_away(folder)
        return real(lock, *arguments, **options)

    monkeypatch.setattr(FileLock, "acquire", late)
    folder, lock = own_folder(parent)
    assert swept
    assert (folder / "lock").exists()
    take_away(folder)  # somebody else's sweep leaves it alone
    assert (folder / "lock").exists()
    lock.release()
    take_away(folder)
    assert not folder.exists()

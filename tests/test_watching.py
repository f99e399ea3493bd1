"""Watching a folder: what arrives is imported once it stands still, and only once."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from loganalyzer.errors import StoreError
from loganalyzer.ingest.reports import ExportReport, ImportReport
from loganalyzer.store import Store
from loganalyzer.watching import Watcher, look, ready

SAMPLES = Path(__file__).parent.parent / "sample_logs"


class Day:
    """A clock and a plan: before each look something happens in the folder."""

    def __init__(self, folder: Path, *plan, still_s: float = 15.0):
        self.at, self.plan = 0.0, list(plan)
        self.taken, self.told, self.landed = [], [], -1  # the first look counts as one
        self.answer = lambda paths: ImportReport(
            tuple(ExportReport(path.name, "imported", lines=1, events=1) for path in paths)
        )
        self.watcher = Watcher(
            folder, self.take, self.after, self.told.append, lambda: self.at, self.wait, 10, still_s
        )

    def take(self, paths):
        report = self.answer(paths)
        self.taken += [path.name for path in paths]
        return report

    def after(self, landed):
        self.landed += landed

    def wait(self, seconds):
        self.at += seconds
        if not self.plan:
            return True
        self.plan.pop(0)()
        return False

    def run(self):
        self.watcher.run()
        return self


def nothing():
    """A look at which nothing has changed."""


def test_a_file_is_left_alone_until_it_stands_still(tmp_path):
    file = tmp_path / "week.csv"

    def write(text):
        return lambda: file.write_text(text)

    day = Day(tmp_path, write("a"), write("ab"), write("abc"), nothing).run()
    assert day.taken == []
    day.plan = [nothing, nothing, nothing]
    assert day.run().taken == ["week.csv"]


def test_a_file_that_changes_after_it_was_taken_is_taken_again(tmp_path):
    file = tmp_path / "week.csv"
    file.write_text("a")
    plan = [nothing] * 3 + [lambda: file.write_text("ab")] + [nothing] * 3
    day = Day(tmp_path, *plan).run()
    assert day.taken == ["week.csv", "week.csv"]
    assert day.landed == 2


def test_files_that_others_still_write_and_settings_are_passed_over(tmp_path):
    for name in (".hidden", "~$log.xlsx", "a.csv.part", "B.TMP", "site.toml", "good.csv"):
        (tmp_path / name).write_text("a")
    assert Day(tmp_path, nothing, nothing, nothing).run().taken == ["good.csv"]


def test_a_share_that_goes_away_is_said_once_and_waited_for(tmp_path):
    share = tmp_path / "share"
    aside = tmp_path / "aside"
    share.mkdir()
    (share / "week.csv").write_text("a")
    day = Day(
        share, lambda: share.rename(aside), nothing, nothing, lambda: aside.rename(share),
        nothing, nothing, nothing,
    ).run()  # fmt: skip
    gone = [line for line in day.told if "cannot be read" in line]
    assert len(gone) == 1
    assert gone[0].startswith(str(share))
    assert f"{share}: going on." in day.told
    assert day.taken == ["week.csv"]


def test_a_store_that_cannot_be_written_is_tried_again_until_it_can(tmp_path):
    (tmp_path / "week.csv").write_text("a")
    day = Day(tmp_path, nothing, nothing, nothing, nothing, still_s=0)
    good, asked = day.answer, []

    def full(paths):
        asked.append(1)
        if len(asked) < 3:
            raise StoreError("logs", "no space left", "room", "Make some")
        return good(paths)

    day.answer = full
    assert day.run().taken == ["week.csv"]
    assert len([line for line in day.told if "no space left" in line]) == 1


def test_what_was_known_before_is_not_told_again(tmp_path):
    (tmp_path / "week.csv").write_text("a")
    day = Day(tmp_path, nothing, nothing, nothing)
    day.answer = lambda paths: ImportReport((ExportReport("week.csv", "already imported"),))
    assert (day.run().told, day.landed) == ([], 0)


def test_only_the_file_that_moved_starts_its_time_anew(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).write_text("1")
    first = look(tmp_path, {}, 0.0)
    (tmp_path / "b").write_text("22")
    second = look(tmp_path, first, 10.0)
    assert ready(second, 15.0, 15.0) == [tmp_path / "a"]
    assert ready(second, 25.0, 15.0) == [tmp_path / "a", tmp_path / "b"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ there")
def test_the_command_imports_what_arrives_and_survives_a_restart(tmp_path):
    folder, store = tmp_path / "in", tmp_path / "logs"
    folder.mkdir()
    site = next(SAMPLES.glob("quay-terrace.toml"))
    export = sorted((SAMPLES / "quay-terrace").rglob("*.*"))[0]
    target = folder / export.name
    target.write_bytes(export.read_bytes())
    command = [
        sys.executable, "-m", "loganalyzer.cli", "watch", str(folder), "--store", str(store),
        "--site", str(site), "--every", "0.2", "--still", "0",
    ]  # fmt: skip
    log = tmp_path / "logs.watch.log"
    for start in (1, 2):
        running = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and not (
            len(_landed(store)) and log.read_text(encoding="utf-8").count("Watching") == start
        ):
            time.sleep(0.2)
        time.sleep(0.6)  # looks again, and finds nothing new
        running.send_signal(signal.SIGTERM)
        _, said = running.communicate(timeout=30)
        assert running.returncode == 0, said
    assert len(_landed(store)) == 1
    assert target.read_bytes() == export.read_bytes()
    told = log.read_text(encoding="utf-8")
    assert told.count(": imported, ") == 1
    assert told.count("Stopped.") == 2


def _landed(store: Path):
    if not (store / "loganalyzer-store.json").exists():
        return []
    return Store.open(store).imports()
